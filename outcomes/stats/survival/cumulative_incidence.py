"""Cumulative incidence with competing causes, by group, and its difference between groups."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.influence import contrasted
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_choice
from outcomes.stats.numerics.inputs import normal_quantile, two_sided_p
from outcomes.stats.regression.clusters import FEW_CLUSTERS
from outcomes.stats.survival.competing_times import CompetingTimes, competing_times
from outcomes.stats.survival.incidence_steps import (
    IncidenceSteps,
    counting_process_variance,
    incidence_influence,
    incidence_steps,
)
from outcomes.stats.survival.survival_times import check_horizons

IncidenceError = Literal["infinitesimal jackknife", "counting process"]
ERRORS = ("infinitesimal jackknife", "counting process")
EVENT_FREE = "event-free"


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedEstimate:
    """An estimate of one cause in one group (or between groups) at one time.

    Attributes
    ----------
    cause, group : str
        "event-free" is the share without any event.
    time : float
    at_risk : int
        Still followed up without an event just before the time; both groups together for a difference.
    estimate : Estimate
    """

    cause: str
    group: str
    time: float
    at_risk: int
    estimate: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class CumulativeIncidence:
    """Cumulative incidence of each cause, or differences of one.

    Attributes
    ----------
    rows : tuple of TimedEstimate
        By group, cause and time, in that order.
    curves : tuple of IncidenceSteps
        Every step, one curve a group; empty for differences.
    causes, groups : tuple of str
    n, n_missing : int
        Rows used, and left out because time, event or group is missing.
    """

    rows: tuple[TimedEstimate, ...]
    curves: tuple[IncidenceSteps, ...]
    causes: tuple[str, ...]
    groups: tuple[str, ...]
    n: int
    n_missing: int

    def at(self, cause: str, group: str, time: float) -> Estimate:
        """Return one estimate; the error lists what there is."""
        for row in self.rows:
            if (row.cause, row.group, row.time) == (cause, group, time):
                return row.estimate
        raise EstimationError(
            f"no estimate of that cause, group and time; causes: {', '.join(self.causes)}; groups: "
            f"{', '.join(self.groups)}; times: {', '.join(f'{t:g}' for t in sorted({r.time for r in self.rows}))}",
            code="unknown_row",
        )

    def tidy(self) -> pd.DataFrame:
        """Return one row for each cause, group and time, with the common column names."""
        return pd.DataFrame(
            [
                {
                    "outcome": row.cause, "group": row.group, "time": row.time, "contrast": e.contrast,
                    "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
                    "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "n_missing": self.n_missing,
                    "at_risk": row.at_risk, "method": e.method, "reason": e.reason,
                }
                for row in self.rows
                for e in [row.estimate]
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return one sentence for each row."""
        return "\n".join(str(row.estimate) for row in self.rows)


def cumulative_incidence(
    time: Any,
    event: Any,
    *,
    at: Sequence[float],
    censored: Any = 0,
    causes: Sequence[Any] | None = None,
    groups: Any = None,
    clusters: Any = None,
    error: IncidenceError = "infinitesimal jackknife",
    level: float = 0.95,
) -> CumulativeIncidence:
    """Return the Aalen-Johansen cumulative incidence of every cause at chosen times, by group.

    Parameters
    ----------
    time, event, censored, causes, groups, clusters
        As for :func:`outcomes.stats.survival.competing_times.competing_times`.
    at : sequence of float
        Times.
    error : {"infinitesimal jackknife", "counting process"}
        The first is robust and takes clusters; the second is that of independent counting processes.
    level : float
        Confidence level. Limits are symmetric on the scale log(-log incidence), so they stay within 0 and 1.

    Returns
    -------
    CumulativeIncidence
        With the event-free share as the first "cause". A share of 0 or 1 has no error and no limits; a time
        beyond the follow-up of a group in which some were still at risk has no estimate.

    Raises
    ------
    EstimationError
        Bad input; clusters with "counting process".

    Notes
    -----
    Sources: Aalen OO, Johansen S. Scandinavian Journal of Statistics 1978; 5: 141-150. Choudhury JB. Statistics in
    Medicine 2002; 21: 1129-1144 (limits).

    Examples
    --------
    >>> found = cumulative_incidence([1, 2, 2, 3], [1, 2, 1, 0], at=[2])
    >>> found.at("1", "all", 2).value, found.at("2", "all", 2).value, found.at("event-free", "all", 2).value
    (0.5, 0.25, 0.25)
    """
    check_choice(error, ERRORS, "error")
    z = normal_quantile(level)
    data = competing_times(time, event, censored=censored, causes=causes, groups=groups, clusters=clusters)
    chosen = check_horizons(at)
    if clusters is not None and error == "counting process":
        raise EstimationError(
            "the counting process error takes no clusters; use error='infinitesimal jackknife'",
            code="clusters_not_allowed",
        )
    rows: list[TimedEstimate] = []
    curves = []
    for g, group in enumerate(data.groups):
        mine = data.group == g
        if not mine.any():
            rows += [_empty(data, group, cause, t) for cause in (EVENT_FREE, *data.causes) for t in chosen]
            continue
        steps = incidence_steps(data.time[mine], data.cause[mine], len(data.causes))
        curves.append(steps)
        for which, cause in enumerate((EVENT_FREE, *data.causes), start=-1):
            for t in chosen:
                made = _one(data, mine, steps, which, t, error, level, z, clusters is not None)
                at_risk = int((data.time[mine] >= t).sum())
                rows.append(TimedEstimate(cause=cause, group=group, time=t, at_risk=at_risk, estimate=made))
    return CumulativeIncidence(
        rows=tuple(rows), curves=tuple(curves), causes=data.causes, groups=data.groups, n=len(data.time),
        n_missing=data.n_missing,
    )  # fmt: skip


def incidence_difference(
    time: Any,
    event: Any,
    groups: Any,
    *,
    at: Sequence[float],
    cause: Any,
    pairs: Sequence[tuple[str, str]] | None = None,
    censored: Any = 0,
    causes: Sequence[Any] | None = None,
    clusters: Any = None,
    level: float = 0.95,
) -> CumulativeIncidence:
    """Return differences of the cumulative incidence of one cause between groups at chosen times.

    Parameters
    ----------
    time, event, censored, causes, groups, clusters
        As for :func:`outcomes.stats.survival.competing_times.competing_times`; a cluster may stand in several groups.
    at : sequence of float
        Times.
    cause : label
        One of the causes, or "event-free".
    pairs : sequence of (str, str), optional
        First minus second; every pair, later minus earlier, for None.
    level : float
        Confidence level.

    Returns
    -------
    CumulativeIncidence
        Normal interval from influence values summed by cluster, cut at -1 and 1. Not estimable where a group
        has no estimate; without interval where neither group has an error.

    Raises
    ------
    EstimationError
        Bad input, unknown cause or groups.

    Notes
    -----
    Source: Therneau TM, Grambsch PM. Modeling Survival Data (2000), chapter 7 (infinitesimal jackknife).

    Examples
    --------
    Nobody censored: 2 of 4 minus 1 of 4, with variance 2/4 x 2/4 / 4 + 1/4 x 3/4 / 4.

    >>> found = incidence_difference([1, 2, 3, 4] * 2, [1, 0, 1, 0, 1, 0, 0, 0], list("bbbbaaaa"), at=[1.5], cause=1)
    >>> found.rows[0].estimate.value
    0.0
    """
    z = normal_quantile(level)
    data = competing_times(time, event, censored=censored, causes=causes, groups=groups, clusters=clusters)
    names = (EVENT_FREE, *data.causes)
    if str(cause) not in names:
        raise EstimationError(f"cause: unknown; allowed: {', '.join(names)}", code="unknown_cause")
    which = names.index(str(cause)) - 1
    rows = []
    curves = [
        incidence_steps(data.time[data.group == g], data.cause[data.group == g], len(data.causes))
        if (data.group == g).any()
        else None
        for g in range(len(data.groups))
    ]
    for first, second in contrasted(data.groups, pairs):
        for t in check_horizons(at):
            made = _difference(data, curves, (first, second), which, t, level, z, clusters is not None)
            both = (data.group == first) | (data.group == second)
            rows.append(
                TimedEstimate(
                    cause=str(cause), group=f"{data.groups[first]} minus {data.groups[second]}", time=t,
                    at_risk=int((data.time[both] >= t).sum()), estimate=made,
                )
            )  # fmt: skip
    return CumulativeIncidence(
        rows=tuple(rows), curves=(), causes=data.causes, groups=data.groups, n=len(data.time),
        n_missing=data.n_missing,
    )  # fmt: skip


def incidence_at(steps: IncidenceSteps, which: int, at: float) -> float | None:
    """Return a share at a time; None beyond a follow-up that left some at risk.

    Examples
    --------
    >>> steps = incidence_steps(np.array([1.0, 2, 2, 3]), np.array([1, 2, 1, 0]), 2)
    >>> incidence_at(steps, 0, 2.5), incidence_at(steps, 0, 0.5), incidence_at(steps, 0, 4)
    (0.5, 0.0, None)
    """
    exhausted = len(steps.event_free) > 0 and steps.event_free[-1] == 0
    if at > steps.last and not exhausted:
        return None
    upto = int(np.searchsorted(steps.times, at, side="right"))
    if upto == 0:
        return 1.0 if which < 0 else 0.0
    return float(steps.event_free[upto - 1] if which < 0 else steps.incidence[upto - 1, which])


def by_cluster(clusters: IntArray, clustered: bool) -> str:
    """Return what a method says of its clusters, with the caution when they are few; nothing without clusters.

    Examples
    --------
    >>> by_cluster(np.array([0, 0, 1]), True), by_cluster(np.arange(30), True), by_cluster(np.arange(3), False)
    (' by cluster; unreliable: 2 clusters', ' by cluster', '')
    """
    if not clustered:
        return ""
    n_clusters = len(np.unique(clusters))
    return " by cluster" + (f"; unreliable: {n_clusters} clusters" if n_clusters < FEW_CLUSTERS else "")


def cluster_sum_of_squares(influence: FloatArray, clusters: IntArray) -> float:
    """Return the sum of squared cluster totals, the same whatever the order of the clusters.

    Examples
    --------
    >>> cluster_sum_of_squares(np.array([1.0, 2.0, -3.0]), np.array([0, 0, 1]))
    18.0
    """
    totals = np.bincount(clusters, weights=influence)
    return math.fsum(totals**2)


def _one(
    data: CompetingTimes, mine: Any, steps: IncidenceSteps, which: int, at: float, error: str, level: float,
    z: float, clustered: bool,
) -> Estimate:  # fmt: skip
    """Return the estimate of one group, cause and time."""
    name = EVENT_FREE if which < 0 else data.causes[which]
    group = "" if data.groups == ("all",) else f" in {data.groups[int(data.group[mine][0])]}"
    common: dict[str, Any] = {
        "contrast": f"{name}{group} at {at:g}", "unit": "proportion", "n": int(mine.sum()),
        "n_missing": data.n_missing, "method": f"Aalen-Johansen, {error}{by_cluster(data.cluster[mine], clustered)}",
    }  # fmt: skip
    value = incidence_at(steps, which, at)
    if value is None:
        return Estimate.not_estimable(
            f"beyond the longest follow-up, {steps.last:g}, with cases still at risk", **common
        )
    if error == "counting process":
        # the event-free share is 1 minus the incidence of any cause as one, which has the same steps
        any_cause = incidence_steps(data.time[mine], np.minimum(data.cause[mine], 1), 1)
        variance = counting_process_variance(*((any_cause, 0) if which < 0 else (steps, which)), at)
    else:
        influence = incidence_influence(steps, data.time[mine], data.cause[mine], which, at)
        variance = cluster_sum_of_squares(influence, data.cluster[mine])
    se = math.sqrt(variance)
    # a share of 0 or 1 within rounding
    if value < 1e-12 or value > 1 - 1e-12 or se < 1e-12:
        why = (
            "everyone"
            if value > 1 - 1e-12
            else "no event of this kind so far"
            if value < 1e-12
            else "one cluster"
        )
        return Estimate(
            value=float(round(value)) if value < 1e-12 or value > 1 - 1e-12 else value, conf_low=None, conf_high=None,
            level=level, reason=f"{why}: no error to judge it by", **common,
        )  # fmt: skip
    width = z * se / (value * math.log(value))
    low, high = sorted((value ** math.exp(width), value ** math.exp(-width)))
    return Estimate(value=value, conf_low=low, conf_high=high, level=level, std_error=se, **common)


def _difference(
    data: CompetingTimes, curves: list[IncidenceSteps | None], pair: tuple[int, int], which: int, at: float,
    level: float, z: float, clustered: bool,
) -> Estimate:  # fmt: skip
    """Return first minus second at a time."""
    both = np.isin(data.group, pair)
    name = EVENT_FREE if which < 0 else data.causes[which]
    common: dict[str, Any] = {
        "contrast": f"{name} at {at:g}: {data.groups[pair[0]]} minus {data.groups[pair[1]]}", "unit": "proportion",
        "n": int(both.sum()), "n_missing": data.n_missing,
        "method": f"Aalen-Johansen, infinitesimal jackknife{by_cluster(data.cluster[both], clustered)}",
    }  # fmt: skip
    influence, values = np.zeros(len(data.time)), []
    for sign, g in ((1.0, pair[0]), (-1.0, pair[1])):
        steps, mine = curves[g], data.group == g
        value = None if steps is None else incidence_at(steps, which, at)
        if steps is None or value is None:
            why = (
                "no cases" if steps is None else f"follow-up ends at {steps.last:g} with cases still at risk"
            )
            return Estimate.not_estimable(f"{data.groups[g]}: {why}", **common)
        influence[mine] = sign * incidence_influence(steps, data.time[mine], data.cause[mine], which, at)
        values.append(value)
    value = values[0] - values[1]
    se = math.sqrt(cluster_sum_of_squares(influence, data.cluster))
    if se < 1e-12:
        return Estimate(
            value=value, conf_low=None, conf_high=None, level=level, reason="no spread in either group: no interval",
            **common,
        )  # fmt: skip
    return Estimate(
        value=value, conf_low=max(value - z * se, -1.0), conf_high=min(value + z * se, 1.0), level=level,
        std_error=se, p_value=two_sided_p(value / se), **common,
    )  # fmt: skip


def _empty(data: CompetingTimes, group: str, cause: str, at: float) -> TimedEstimate:
    """Return the row of a declared group without cases."""
    made = Estimate.not_estimable(
        "no cases", contrast=f"{cause} in {group} at {at:g}", unit="proportion", n_missing=data.n_missing,
        method="Aalen-Johansen",
    )  # fmt: skip
    return TimedEstimate(cause=cause, group=group, time=at, at_risk=0, estimate=made)
