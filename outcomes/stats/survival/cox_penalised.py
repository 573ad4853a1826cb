"""Proportional-hazards regression with Firth's penalty, for few events and monotone likelihoods.

The partial likelihood is multiplied by the root of the determinant of its information (Jeffreys prior). The maximum
stays finite where every event of a group comes first or a group has none.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from scipy import linalg, optimize

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.numerics.inputs import chi2_p, normal_quantile
from outcomes.stats.survival.cox_input import prepare_cox
from outcomes.stats.survival.cox_risk_sets import (
    CoxPoint,
    RiskSets,
    at_coefficients,
    cumulated,
    risk_set_sums,
)

PenalisedTies = Literal["efron", "breslow"]

_CONVERGED = 1e-20
_LONGEST_STEP = 3.0
# distance from the estimate, in standard errors, beyond which a limit is called infinite
_FURTHEST = 40.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FirthCoxFit:
    """A proportional-hazards model fitted with Firth's penalty.

    Attributes
    ----------
    names : tuple of str, length p
    coefficients : ndarray, shape (p,)
        Log hazard ratios.
    covariance : ndarray, shape (p, p)
        Inverse of the information (not of the penalised one).
    penalised_log_likelihood, penalised_log_likelihood_null : float
        At the maximum and with all coefficients 0.
    ties : {"efron", "breslow"}
    sets : RiskSets
    n, n_events, n_iterations : int
    converged : bool
        Always true: a fit that does not converge is refused.
    model : str
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    penalised_log_likelihood: float
    penalised_log_likelihood_null: float
    ties: str
    sets: RiskSets
    n: int
    n_events: int
    n_iterations: int
    converged: bool = True
    model: str = "Firth Cox regression"

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, hazard ratios with profile limits."""
        return pd.DataFrame(
            [
                {
                    "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
                    "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing,
                    "n_events": self.n_events,
                }
                for e in cox_profile_interval(self)
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        return f"{self.model}, {self.ties} ties: {len(self.names)} coefficients, {self.n_events} events in {self.n} rows"


def fit_firth_cox(
    X: Any,
    time: Any,
    event: Any,
    *,
    names: Sequence[str],
    entry: Any = None,
    strata: Any = None,
    weights: Any = None,
    ties: PenalisedTies = "efron",
    max_iter: int = 500,
) -> FirthCoxFit:
    """Fit a proportional-hazards model with Firth's penalty.

    Parameters
    ----------
    X, time, event, names, entry, strata, weights
        As in :func:`outcomes.stats.survival.cox.fit_cox`.
    ties : {"efron", "breslow"}
        What stands for events at the same time.
    max_iter : int
        Scoring steps before giving up.

    Returns
    -------
    FirthCoxFit
        Take the limits of :func:`cox_profile_interval`: Wald limits are wrong where the likelihood is lopsided.

    Raises
    ------
    EstimationError
        No events, columns that cannot be told apart (named), no convergence, bad input.

    Notes
    -----
    Scoring with step halving on the score plus half the trace of the inverse information times the derivative of the
    information, a third moment that is had from running sums too. Sources: Firth (1993) Biometrika 80:27-38;
    Heinze and Schemper (2001) Biometrics 57:114-119.

    Examples
    --------
    All four with x = 1 have the event first: the plain estimate is infinite.

    >>> fit = fit_firth_cox([[1], [1], [1], [1], [0], [0], [0], [0]], [1, 2, 3, 4, 5, 6, 7, 8], [1] * 4 + [0] * 4,
    ...                     names=["nail"])
    >>> e = cox_profile_interval(fit)[0]
    >>> round(e.value, 2), round(e.conf_low, 2), round(e.conf_high, 1)
    (19.07, 1.87, 2582.6)
    """
    check_choice(ties, get_args(PenalisedTies), "ties")
    columns, sets, n = prepare_cox(X, time, event, names, entry, strata, weights, ties)
    start = np.zeros(len(columns))
    beta, value, steps, converged = maximise_penalised_cox(sets, start, max_iter=max_iter)
    if not converged:
        raise EstimationError(
            f"the penalised Cox regression did not converge in {max_iter} steps; use fewer columns",
            code="not_converged",
        )
    inverse = np.linalg.inv(at_coefficients(sets, beta).information)
    # the determinant is of scaled columns: undo the scaling
    back = float(np.log(sets.scale).sum())
    return FirthCoxFit(
        names=columns,
        coefficients=beta / sets.scale,
        covariance=inverse / np.outer(sets.scale, sets.scale),
        penalised_log_likelihood=value + back,
        penalised_log_likelihood_null=_penalised(at_coefficients(sets, start)) + back,
        ties=ties,
        sets=sets,
        n=n,
        n_events=len(sets.term),
        n_iterations=steps,
    )


def cox_profile_interval(
    fit: FirthCoxFit, *, level: float = 0.95, ratio: bool = True, n_missing: int = 0
) -> tuple[Estimate, ...]:
    """Return hazard ratios with profile limits of the penalised likelihood.

    Parameters
    ----------
    fit : FirthCoxFit
    level : float
        Confidence level.
    ratio : bool
        Hazard ratios; False: log hazard ratios.
    n_missing : int
        Carried along.

    Returns
    -------
    tuple of Estimate
        p by the penalised likelihood ratio test. A side on which the likelihood never falls enough has no limit.

    Raises
    ------
    EstimationError
        No convergence on the way, a bad level.

    Notes
    -----
    Source: Heinze and Schemper (2001) Biometrics 57:114-119.

    Examples
    --------
    >>> fit = fit_firth_cox([[1], [0], [1], [0]], [1, 2, 3, 4], [1, 1, 1, 1], names=["nail"])
    >>> print(cox_profile_interval(fit)[0])
    nail: 2.137 ratio (95 % CI 0.2745 to 24.05; n = 4; Firth Cox regression, profile penalised likelihood)
    """
    check_level(level)
    return tuple(_profile(fit, j, level, ratio, n_missing) for j in range(len(fit.names)))


def maximise_penalised_cox(
    sets: RiskSets, start: FloatArray, *, fixed: int | None = None, max_iter: int = 500
) -> tuple[FloatArray, float, int, bool]:
    """Maximise the penalised partial likelihood, all coefficients free or one held at its start.

    Parameters
    ----------
    sets : RiskSets
        Columns that can be told apart.
    start : ndarray, shape (p,)
        First guess, of scaled columns.
    fixed : int, optional
        Coefficient that is held.
    max_iter : int

    Returns
    -------
    tuple
        Coefficients, penalised log likelihood, steps taken, whether converged.

    Notes
    -----
    Source: Heinze and Schemper (2001) Biometrics 57:114-119.

    Examples
    --------
    >>> from outcomes.stats.survival.cox_risk_sets import make_risk_sets
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 2], [1, 1])
    >>> sets = make_risk_sets(np.array([[0.0], [1.0]]), data, np.zeros(2, int), np.ones(2), "efron")
    >>> b = maximise_penalised_cox(sets, np.zeros(1))[0] / sets.scale
    >>> bool(np.isclose(np.exp(b[0]), 1 / 3))  # p^(1/2) (1 - p)^(3/2) is largest at p = 1/4
    True
    """
    beta = start.copy()
    free = np.array([j for j in range(len(beta)) if j != fixed], dtype=np.int64)
    point = at_coefficients(sets, beta)
    value = _penalised(point)
    if not len(free):
        return beta, value, 0, True
    damping, before = 1.0, np.inf
    for step_number in range(1, max_iter + 1):
        inverse = np.asarray(np.linalg.inv(point.information), dtype=np.float64)
        score = np.add(point.score, 0.5 * information_trend(sets, point, inverse))[free]
        step = np.zeros(len(beta))
        part = point.information[np.ix_(free, free)]
        step[free] = linalg.solve(part, score, assume_a="pos", check_finite=False)
        decrement = float(step[free] @ score)
        # the information leaves the curvature of the penalty out: with few events full steps overshoot for ever
        damping = max(0.5 * damping, 0.125) if decrement > 0.5 * before else damping
        before = decrement
        step *= min(damping, _LONGEST_STEP / max(float(np.abs(sets.x @ step).max()), 1e-300))
        for _ in range(40):
            reached_point = at_coefficients(sets, beta + step)
            reached = _penalised(reached_point)
            # a step lost in rounding near the top is taken as it is
            if reached >= value or decrement < 1e-10:
                break
            step = 0.5 * step
        if not np.isfinite(reached):
            return beta, value, step_number, False
        beta, value, point = beta + step, reached, reached_point
        if decrement < _CONVERGED:
            return beta, value, step_number, True
    return beta, value, max_iter, False


def information_trend(sets: RiskSets, point: CoxPoint, inverse: FloatArray) -> FloatArray:
    """Return the trace of `inverse` times the derivative of the information along each coefficient.

    Parameters
    ----------
    sets : RiskSets
    point : CoxPoint
    inverse : ndarray, shape (p, p)

    Returns
    -------
    ndarray, shape (p,)

    Notes
    -----
    For each term it is E[(x - m)' W (x - m) (x - m)] over its risk set, W the inverse. With h = x'Wx this is
    E[h x] - E[h] m - 2 (E[x x'] - m m') W m, and the sums of E[h x] and E[x x'] over terms are sums over rows.

    Examples
    --------
    >>> from outcomes.stats.survival.cox_risk_sets import make_risk_sets
    >>> from outcomes.stats.survival.survival_times import check_survival
    >>> data = check_survival([1, 2], [1, 1])
    >>> sets = make_risk_sets(np.array([[0.0], [1.0]]), data, np.zeros(2, int), np.ones(2), "efron")
    >>> information_trend(sets, at_coefficients(sets, np.zeros(1)), np.eye(1)).round(12).tolist()
    [0.0]
    """
    wr = sets.weight * point.risk
    h = np.einsum("ij,jk,ik->i", sets.x, inverse, sets.x)
    inverse_c = sets.mean_weight / point.denominator
    turned = point.mean @ inverse
    met = cumulated(sets, inverse_c)
    met_turned = cumulated(sets, turned * inverse_c[:, None])
    rows = wr * (h * met - 2.0 * np.einsum("ij,ij->i", sets.x, met_turned))
    hwr = h * wr
    starts = sets.term_starts
    own = np.add.reduceat(hwr[sets.event], starts)
    mean_h = (risk_set_sums(sets, hwr)[sets.term] - sets.share * own[sets.term]) / point.denominator
    terms = sets.mean_weight * (mean_h - 2.0 * np.einsum("ij,ij->i", turned, point.mean))
    return np.asarray(rows @ sets.x - terms @ point.mean)


def _penalised(point: CoxPoint) -> float:
    """Return the penalised log likelihood, minus infinity where the information is singular."""
    if not len(point.information):
        return -np.inf
    sign, log_determinant = np.linalg.slogdet(point.information)
    return point.log_likelihood + 0.5 * float(log_determinant) if sign > 0 else -np.inf


def _profile(fit: FirthCoxFit, j: int, level: float, ratio: bool, n_missing: int) -> Estimate:
    """Return one coefficient with its profile limits."""
    scale = float(fit.sets.scale[j])
    top = fit.coefficients * fit.sets.scale
    peak = _penalised(at_coefficients(fit.sets, top))
    error = float(np.sqrt(fit.covariance[j, j])) * scale
    fall = _fall(fit, j, top, peak)
    drop = normal_quantile(level) ** 2
    low, high = (_limit(fall, side * error, drop) for side in (-1.0, 1.0))
    value = float(fit.coefficients[j])
    ends = [None if end is None else value + end / scale for end in (low, high)]
    if ratio and (abs(value) > 700.0 or any(end is not None and end > 700.0 for end in ends)):
        ends = [None if end is None or end > 700.0 else end for end in ends]
    shown = [None if end is None else float(np.exp(end)) if ratio else end for end in ends]
    return Estimate(
        value=float(np.exp(value)) if ratio else value,
        conf_low=shown[0],
        conf_high=shown[1],
        level=level,
        std_error=error / scale,
        p_value=chi2_p(max(fall(-float(top[j])), 0.0), 1),
        contrast=fit.names[j],
        unit="ratio" if ratio else "log hazard ratio",
        n=fit.n,
        n_missing=n_missing,
        method=f"{fit.model}, profile penalised likelihood",
        reason="" if None not in shown else "the penalised likelihood is flat on one side",
    )


def _fall(fit: FirthCoxFit, j: int, top: FloatArray, peak: float) -> Callable[[float], float]:
    """Return twice the fall of the profile penalised likelihood as a function of the distance."""
    warm = {0.0: top}

    def fall(distance: float) -> float:
        nearest = min(warm, key=lambda d: abs(d - distance))
        start = warm[nearest].copy()
        start[j] = top[j] + distance
        beta, value, _, converged = maximise_penalised_cox(fit.sets, start, fixed=j)
        if not converged:
            raise EstimationError(
                f"the profile of {fit.names[j]} did not converge; use a bootstrap interval",
                code="not_converged",
            )
        warm[distance] = beta
        return 2.0 * (peak - value)

    return fall


def _limit(fall: Callable[[float], float], step: float, drop: float) -> float | None:
    """Return the distance at which the likelihood has fallen by `drop`, or None if it never does."""
    inner, outer = 0.0, step
    while fall(outer) < drop:
        inner, outer = outer, 1.6 * outer
        if abs(outer) > _FURTHEST * abs(step):
            return None
    return float(optimize.brentq(lambda d: fall(d) - drop, inner, outer, xtol=1e-10, rtol=1e-12))
