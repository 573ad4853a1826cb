"""Fine and Gray's regression of the subdistribution hazard of one cause among several."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_choice, check_matrix
from outcomes.stats.numerics.inputs import normal_quantile, two_sided_p
from outcomes.stats.numerics.rank import rank_check
from outcomes.stats.survival.competing_times import CompetingTimes, competing_times
from outcomes.stats.survival.cumulative_incidence import by_cluster

CensoringTies = Literal["events first", "together"]
MAX_COEFFICIENT = 25.0  # a linear predictor spread beyond twice this has no finite maximum
FLAT = 1e-8  # information of a direction, beside that at 0, that only a runaway coefficient leaves


@dataclass(frozen=True, slots=True, kw_only=True)
class SubdistributionFit:
    """Coefficients of the log subdistribution hazard, robust errors.

    Attributes
    ----------
    names : tuple of str
    coefficients : ndarray, shape (p,)
        Log ratios of subdistribution hazards.
    covariance : ndarray, shape (p, p)
        Robust, with the error of the estimated censoring distribution.
    ratios : tuple of Estimate
        Ratios with limits; `std_error` is that of the log ratio.
    log_likelihood, log_likelihood_null : float
        Of the weighted partial likelihood.
    cause : str
    n, n_events, n_competing, n_missing, n_clusters : int
    method : str
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    ratios: tuple[Estimate, ...]
    log_likelihood: float
    log_likelihood_null: float
    cause: str
    n: int
    n_events: int
    n_competing: int
    n_missing: int
    n_clusters: int
    method: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, as ratios, with the common column names."""
        return pd.DataFrame(
            [
                {
                    "outcome": self.cause, "contrast": name, "estimate": e.value, "std_error": e.std_error,
                    "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "n": self.n,
                    "n_missing": self.n_missing, "n_events": self.n_events, "n_competing": self.n_competing,
                }
                for name, e in zip(self.names, self.ratios, strict=True)
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return one sentence a coefficient."""
        return "\n".join(map(str, self.ratios))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Design:
    """Rows sorted by time, the steps of the tested cause and the places of each row among them."""

    x: FloatArray  # (n, p), centred
    own: Any  # (n,) bool
    competing: Any  # (n,) bool
    inverse: FloatArray  # (n,) 1 / share uncensored just before the own time
    step: FloatArray  # (J,) times
    events: FloatArray  # (J,)
    uncensored: FloatArray  # (J,) just before each time
    first: IntArray  # (J,) first row at risk at each time
    passed: IntArray  # (n,) steps at or before the own time


def fit_subdistribution(
    time: Any,
    event: Any,
    X: Any,
    *,
    names: Sequence[str],
    cause: Any,
    censored: Any = 0,
    causes: Sequence[Any] | None = None,
    clusters: Any = None,
    ties: CensoringTies = "events first",
    level: float = 0.95,
    max_iter: int = 50,
) -> SubdistributionFit:
    """Fit the proportional subdistribution hazards model of one cause.

    Parameters
    ----------
    time, event, censored, causes, clusters
        As for :func:`outcomes.stats.survival.competing_times.competing_times`.
    X : array_like, shape (n, p)
        Covariates known at time 0, without intercept.
    names : sequence of str
    cause : label
        The cause modelled; the others compete.
    ties : {"events first", "together"}
        Who is at risk of being censored at a time at which others have an event: only those without the event,
        as everywhere in this package, or everybody, as the variance formula of the paper has it.
    level : float
        Confidence level of the ratios.
    max_iter : int
        Newton steps.

    Returns
    -------
    SubdistributionFit
        Tied events as Breslow. Censoring is taken as independent of the covariates, and of the groups.

    Raises
    ------
    EstimationError
        Bad input, no event, dependent columns, a likelihood without maximum, a single cluster.

    Notes
    -----
    The ratio compares subdistribution hazards: it ranks cumulative incidences, and is not the ratio of the rates
    among those still event-free. Source: Fine JP, Gray RJ. JASA 1999; 94: 496-509, with the variance of section 3;
    clusters: Zhou B, Fine J, Latouche A, Labopin M. Biostatistics 2012; 13: 371-383.

    Examples
    --------
    Two cases a group, nobody censored: with r = e^b the score is 2 - 2r/(2 + 2r) - r/(2 + r) - r/(1 + r) for
    events of b, a, b, a; without competing events this is Cox's model.

    >>> fit = fit_subdistribution([1, 2, 3, 4], [1, 1, 1, 1], [[1], [0], [1], [0]], names=["b"], cause=1)
    >>> r = fit.ratios[0].value
    >>> abs(2 - 2 * r / (2 + 2 * r) - r / (2 + r) - r / (1 + r)) < 1e-9
    True
    """
    check_choice(ties, ("events first", "together"), "ties")
    z = normal_quantile(level)
    table, labels = check_matrix(X, names)
    data = competing_times(time, event, censored=censored, causes=causes, clusters=clusters)
    if str(cause) not in data.causes:
        raise EstimationError(f"cause: unknown; allowed: {', '.join(data.causes)}", code="unknown_cause")
    which = data.causes.index(str(cause)) + 1
    data, x = _in_order(data, table)
    design = _prepare(data, x, which, ties)
    _check_estimable(design, x, labels)
    n_clusters = len(np.unique(data.cluster))
    if clusters is not None and n_clusters < 2:
        raise EstimationError(
            "1 cluster; robust errors need at least 2, so cluster at a lower level", code="too_few_clusters"
        )
    beta, likelihood, information = _maximise(design, max_iter, labels)
    scores = _influence(design, beta, data, ties)
    covariance = _robust(scores, information, data.cluster, clusters is not None)
    method = "Fine-Gray, robust errors" + by_cluster(data.cluster, clusters is not None)
    ratios = tuple(
        _ratio(b, math.sqrt(v), z, level, name, len(data.time), data.n_missing, method)
        for b, v, name in zip(beta.tolist(), np.diag(covariance).tolist(), labels, strict=True)
    )
    return SubdistributionFit(
        names=labels, coefficients=beta, covariance=covariance, ratios=ratios, log_likelihood=likelihood,
        log_likelihood_null=_likelihood(design, np.zeros(len(beta)))[0], cause=str(cause), n=len(data.time),
        n_events=int(design.own.sum()), n_competing=int(design.competing.sum()), n_missing=data.n_missing,
        n_clusters=n_clusters, method=method,
    )  # fmt: skip


def _in_order(data: CompetingTimes, table: FloatArray) -> tuple[CompetingTimes, FloatArray]:
    """Return rows by time, cause and covariates, so that the order of the input leaves no trace in any sum."""
    if table.shape[0] != len(data.order) + data.n_missing:
        raise EstimationError(
            f"the design has {table.shape[0]} rows; give one for each time", code="bad_shape"
        )
    x = table[data.order]
    rows = np.lexsort((data.cluster, *x.T[::-1], data.cause, data.time))
    return replace(data, time=data.time[rows], cause=data.cause[rows], cluster=data.cluster[rows]), x[rows]


def _robust(scores: FloatArray, information: FloatArray, clusters: IntArray, clustered: bool) -> FloatArray:
    """Return the sandwich covariance of score residuals, summed by cluster."""
    totals = scores
    if clustered:
        totals = np.zeros((int(clusters.max()) + 1, scores.shape[1]))
        np.add.at(totals, clusters, scores)
    bread = np.linalg.inv(information)
    covariance = bread @ (totals.T @ totals) @ bread
    return np.asarray((covariance + covariance.T) / 2)


def _prepare(data: CompetingTimes, x: FloatArray, which: int, ties: str) -> _Design:
    """Return the sorted design with the weights of the censoring distribution."""
    time = data.time
    own = data.cause == which
    step, events = np.unique(time[own], return_counts=True)
    lost, uncensored, _, _ = _censoring(data, ties)

    def just_before(t: FloatArray) -> FloatArray:
        return np.asarray(np.concatenate([[1.0], uncensored])[np.searchsorted(lost, t, side="left")])

    return _Design(
        x=x - x.mean(axis=0), own=own, competing=(data.cause > 0) & ~own,
        # 0 only after the last time, when no weight is left to give
        inverse=1.0 / np.maximum(just_before(time), 1e-300), step=step, events=events.astype(np.float64),
        uncensored=just_before(step), first=np.searchsorted(time, step, side="left"),
        passed=np.searchsorted(step, time, side="right"),
    )  # fmt: skip


def _censoring(data: CompetingTimes, ties: str) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return censoring times, share uncensored just after, at risk of censoring, and number censored."""
    lost, number = np.unique(data.time[data.cause == 0], return_counts=True)
    at_risk = (len(data.time) - np.searchsorted(data.time, lost, side="left")).astype(np.float64)
    if ties == "events first":
        ended = np.sort(data.time[data.cause > 0])
        at_risk -= np.searchsorted(ended, lost, side="right") - np.searchsorted(ended, lost, side="left")
    return np.asarray(lost), np.asarray(np.cumprod(1 - number / at_risk)), at_risk, number.astype(np.float64)


def _check_estimable(design: _Design, x: FloatArray, names: tuple[str, ...]) -> None:
    """Refuse a fit without events or with dependent columns, naming them."""
    if not design.own.any():
        raise EstimationError("no event of this cause; there is nothing to model", code="no_events")
    report = rank_check(np.column_stack([np.ones(len(x)), x]), ["intercept", *names])
    if report.culprits:
        raise EstimationError(
            f"columns that are constant or follow from the others: {', '.join(report.culprits)}; leave them out",
            code="rank_deficient",
        )


def _risk_sums(design: _Design, beta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return weighted sums over the risk set of every step: of risks, and of risks times covariates; and the risks."""
    risk = np.exp(design.x @ beta)
    both = np.column_stack([risk, risk[:, None] * design.x])
    after = np.vstack([np.cumsum(both[::-1], axis=0)[::-1], np.zeros(both.shape[1])])
    kept = np.where(design.competing[:, None], both * design.inverse[:, None], 0.0)
    gone = np.vstack([np.zeros(both.shape[1]), np.cumsum(kept, axis=0)])
    sums = after[design.first] + design.uncensored[:, None] * gone[design.first]
    return sums[:, 0], sums[:, 1:], risk


def _likelihood(design: _Design, beta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Return log partial likelihood, its gradient and minus its second derivative."""
    total, first, risk = _risk_sums(design, beta)
    mean = first / total[:, None]
    chosen = design.x[design.own]
    value = float((chosen @ beta).sum() - (design.events * np.log(total)).sum())
    gradient = chosen.sum(axis=0) - design.events @ mean
    # each row's share of all risk sets it belongs to weighs its own cross product
    share = risk * _exposure(design, design.events / total)
    second = (design.x * share[:, None]).T @ design.x - (mean * design.events[:, None]).T @ mean
    return value, gradient, second


def _exposure(design: _Design, hazard: FloatArray) -> FloatArray:
    """Return for each row the sum of the steps of a hazard while it is at risk, weighted."""
    before = np.concatenate([[0.0], np.cumsum(hazard)])
    weighted = np.concatenate([[0.0], np.cumsum(hazard * design.uncensored)])
    later = (weighted[-1] - weighted[design.passed]) * design.inverse
    return np.asarray(before[design.passed] + np.where(design.competing, later, 0.0))


def _maximise(design: _Design, max_iter: int, names: tuple[str, ...]) -> tuple[FloatArray, float, FloatArray]:
    """Return the maximum, its log likelihood and information, by Newton's steps with halving."""
    beta = np.zeros(design.x.shape[1])
    value, gradient, information = _likelihood(design, beta)
    start = np.diag(information).copy()
    varied = np.sum(design.x**2, axis=0)
    if (start <= FLAT * varied).any():
        raise _no_maximum(names, np.where(start <= FLAT * varied, 1.0, 0.0))
    for _ in range(max_iter):
        try:
            step = np.linalg.solve(information, gradient)
        except np.linalg.LinAlgError:
            raise _no_maximum(names, beta) from None
        gain = float(gradient @ step)
        if not math.isfinite(gain):
            raise _no_maximum(names, beta)
        if gain < 1e-16 * max(1.0, abs(value)):
            root = np.sqrt(start)
            if np.linalg.eigvalsh(information / root / root[:, None])[0] < FLAT:
                raise _no_maximum(names, beta)
            return beta + step, value, information
        size = 1.0
        while size > 1e-6:
            tried = beta + size * step
            if np.ptp(design.x @ tried) > MAX_COEFFICIENT * 2:
                raise _no_maximum(names, tried)
            new = _likelihood(design, tried)
            if new[0] > value - 1e-12 * abs(value):
                break
            size /= 2
        beta, (value, gradient, information) = tried, new
    raise _no_maximum(names, beta)


def _no_maximum(names: tuple[str, ...], beta: FloatArray) -> EstimationError:
    """Return the error that names the coefficient that runs away."""
    worst = names[int(np.argmax(np.abs(beta)))]
    return EstimationError(
        f"the likelihood has no maximum: no event decides about the coefficient of {worst}, because it is the same "
        "in all who were at risk together, or those with the event always had the highest or lowest value; leave it "
        "out or join its levels",
        code="no_maximum",
    )


def _influence(design: _Design, beta: FloatArray, data: CompetingTimes, ties: str) -> FloatArray:
    """Return score residuals (n, p) with the part that comes from estimating the censoring distribution."""
    total, first, risk = _risk_sums(design, beta)
    mean = first / total[:, None]
    hazard = design.events / total
    residual = -risk[:, None] * (
        design.x * _exposure(design, hazard)[:, None]
        - np.column_stack([_exposure(design, hazard * mean[:, j]) for j in range(mean.shape[1])])
    )
    residual[design.own] += design.x[design.own] - mean[design.passed[design.own] - 1]
    lost, _, at_risk, number = _censoring(data, ties)
    if not len(lost):
        return np.asarray(residual)
    kept = np.where(design.competing, risk * design.inverse, 0.0)
    both = np.column_stack([kept, kept[:, None] * design.x])
    gone = np.vstack([np.zeros(both.shape[1]), np.cumsum(both, axis=0)])
    later = hazard[:, None] * design.uncensored[:, None] * np.column_stack([np.ones(len(hazard)), mean])
    to_come = np.vstack([np.cumsum(later[::-1], axis=0)[::-1], np.zeros(later.shape[1])])
    exact = ties == "events first"
    here = gone[np.searchsorted(data.time, lost, side="right" if exact else "left")]
    ahead = to_come[np.searchsorted(design.step, lost, side="right" if exact else "left")]
    q = here[:, 1:] * ahead[:, :1] - here[:, :1] * ahead[:, 1:]
    q = q / at_risk[:, None]
    compensator = np.vstack([np.zeros(q.shape[1]), np.cumsum(q * (number / at_risk)[:, None], axis=0)])
    censored = data.cause == 0
    through = np.searchsorted(lost, data.time, side="right")
    until = np.searchsorted(lost, data.time, side="left")
    residual -= compensator[np.where(censored | (not exact), through, until)]
    residual[censored] += q[until[censored]]
    return np.asarray(residual)


def _ratio(
    log_ratio: float, se: float, z: float, level: float, name: str, n: int, n_missing: int, method: str
) -> Estimate:
    """Return one ratio of subdistribution hazards."""
    common: dict[str, Any] = {
        "contrast": name,
        "unit": "ratio",
        "n": n,
        "n_missing": n_missing,
        "method": method,
    }
    if se < 1e-12:
        return Estimate(
            value=math.exp(log_ratio), conf_low=None, conf_high=None, level=level,
            reason="no spread to judge it by", **common,
        )  # fmt: skip
    low, high = log_ratio - z * se, log_ratio + z * se
    limits = [math.exp(limit) if abs(limit) < 700 else None for limit in (low, high)]
    return Estimate(
        value=math.exp(log_ratio), conf_low=limits[0], conf_high=limits[1], level=level, std_error=se,
        p_value=two_sided_p(log_ratio / se), reason="" if None not in limits else "a limit too large for a number",
        **common,
    )  # fmt: skip
