"""Profile intervals of the penalised likelihood."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_level
from outcomes.stats.regression.contrasts import check_contrasts
from outcomes.stats.regression.firth import FirthFit, maximise_penalised

_FURTHEST = 60.0
"""Log odds from the estimate beyond which a limit is called infinite."""


def profile_interval(
    fit: FirthFit,
    C: Any = None,
    *,
    level: float = 0.95,
    labels: Sequence[str] | None = None,
    n_missing: int = 0,
) -> tuple[Estimate, ...]:
    """Return profile penalised-likelihood intervals of contrasts of log odds.

    Parameters
    ----------
    fit : FirthFit
        Fitted model.
    C : array_like, shape (m, p), optional
        One contrast a row; without it every coefficient (but a corrected intercept).
    level : float
        Confidence level.
    labels : sequence of str, length m, optional
        What is subtracted from what.
    n_missing : int
        Carried along.

    Returns
    -------
    tuple of Estimate
        In log odds; p by the penalised likelihood ratio test. Rows are taken as independent
        (clusters have no part in a likelihood). A side on which the likelihood never falls enough has
        no limit.

    Raises
    ------
    EstimationError
        A contrast of zeros or one that contains the corrected intercept; no convergence on the way.

    Notes
    -----
    The contrast is made a coefficient by changing the basis of the design, which leaves the penalty
    unchanged up to a constant. Sources: Heinze and Schemper (2002) Stat Med 21:2409-2419; Heinze (2006)
    Stat Med 25:4216-4226.

    Examples
    --------
    >>> from outcomes.stats.regression.firth import fit_firth
    >>> X = np.column_stack([np.ones(10), np.repeat([0.0, 1.0], 5)])
    >>> fit = fit_firth(X, np.repeat([1.0, 0.0], [2, 8]), names=["intercept", "nail"])
    >>> e = profile_interval(fit, [[0, 1]], labels=["nail"])[0]
    >>> round(e.value, 3), round(e.conf_low, 2), round(e.conf_high, 2)
    (-2.061, -7.11, 0.79)
    """
    check_level(level)
    p = len(fit.names)
    if C is None:
        kept = [j for j in range(p) if not (fit.intercept_corrected and j == fit.intercept)]
        C, labels = np.eye(p)[kept], tuple(fit.names[j] for j in kept)
    rows = check_contrasts(C, fit)
    names = tuple(labels) if labels is not None else ("",) * len(rows)
    if len(names) != len(rows):
        raise EstimationError(f"{len(names)} labels for {len(rows)} contrasts", code="bad_shape")
    if not rows.any(axis=1).all():
        raise EstimationError("a contrast of zeros has no interval; leave it out", code="bad_contrast")
    if fit.intercept_corrected and rows[:, fit.intercept].any():
        raise EstimationError(
            "a corrected intercept does not maximise the penalised likelihood and has no profile interval; "
            "use intercept_correction=False or a bootstrap",
            code="corrected_intercept",
        )
    return tuple(
        _profile_one(fit, row, name, level, n_missing) for row, name in zip(rows, names, strict=True)
    )


def _profile_one(fit: FirthFit, contrast: FloatArray, label: str, level: float, n_missing: int) -> Estimate:
    """Return the interval of one contrast."""
    x, j = _as_coefficient(fit.design, contrast)
    top, peak, _, converged = maximise_penalised(x, fit.outcome, fit.weights)
    if not converged:
        raise _no_convergence(label)
    value = float(contrast @ fit.coefficients)
    # distances are kept from the maximum in units of this column, so that `top` is the warm start
    deviance = _deviance(fit, x, j, top, peak, label)
    drop = float(special.ndtri(0.5 + level / 2) ** 2)
    error = float(np.sqrt(contrast @ fit.bread @ contrast))
    low, high = (_limit(deviance, side, error, drop) for side in (-1.0, 1.0))
    ratio = max(deviance(-float(top[j])), 0.0)
    return Estimate(
        value=value,
        conf_low=None if low is None else value + low,
        conf_high=None if high is None else value + high,
        level=level,
        std_error=error,
        p_value=float(special.chdtrc(1, ratio)),
        contrast=label,
        unit="log odds",
        n=fit.n,
        n_missing=n_missing,
        method=f"{fit.model}, profile penalised likelihood",
        reason="" if low is not None and high is not None else "the penalised likelihood is flat on one side",
    )


def _as_coefficient(design: FloatArray, contrast: FloatArray) -> tuple[FloatArray, int]:
    """Return a design of the same span in which the contrast is the coefficient of one column."""
    j = int(np.argmax(np.abs(contrast) / np.abs(design).max(axis=0)))
    column = design[:, j] / contrast[j]
    changed = design - column[:, None] * contrast
    changed[:, j] = column
    # the other columns may be rescaled freely; this one keeps the units of the contrast
    lengths = np.abs(changed).max(axis=0)
    lengths[j] = 1.0
    return changed / np.where(lengths > 0.0, lengths, 1.0), j


def _deviance(
    fit: FirthFit, x: FloatArray, j: int, top: FloatArray, peak: float, label: str
) -> Callable[[float], float]:
    """Return twice the fall of the profile penalised likelihood as a function of the distance."""
    warm = {0.0: top}

    def fall(distance: float) -> float:
        nearest = min(warm, key=lambda d: abs(d - distance))
        start = warm[nearest].copy()
        start[j] = top[j] + distance
        beta, value, _, converged = maximise_penalised(x, fit.outcome, fit.weights, start=start, fixed=j)
        if not converged:
            raise _no_convergence(label)
        warm[distance] = beta
        return 2.0 * (peak - value)

    return fall


def _limit(deviance: Callable[[float], float], side: float, error: float, drop: float) -> float | None:
    """Return the distance at which the likelihood has fallen by `drop`, or None if it never does."""
    inner, outer = 0.0, side * error
    while deviance(outer) < drop:
        inner, outer = outer, 1.6 * outer
        if abs(outer) > _FURTHEST * max(1.0, error):
            return None
    return float(optimize.brentq(lambda d: deviance(d) - drop, inner, outer, xtol=1e-10, rtol=1e-12))


def _no_convergence(label: str) -> EstimationError:
    """Return the error of a profile that could not be followed."""
    return EstimationError(
        f"the profile of {label or 'the contrast'} did not converge; use a bootstrap interval",
        code="not_converged",
    )
