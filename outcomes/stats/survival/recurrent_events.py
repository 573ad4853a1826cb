"""Mean cumulative count of events that can happen again, with death or without, by group."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.influence import contrasted
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.numerics.inputs import normal_quantile, numbers, two_sided_p
from outcomes.stats.survival.cumulative_incidence import TimedEstimate, by_cluster, cluster_sum_of_squares
from outcomes.stats.survival.survival_times import check_horizons, check_time, level_codes

METHOD = "mean cumulative count, robust errors"


@dataclass(frozen=True, slots=True, kw_only=True)
class CountCurve:
    """The mean cumulative count of one group.

    Attributes
    ----------
    times : ndarray, shape (J,)
        Distinct times with an event or a death.
    at_risk, events, deaths, alive, count : ndarray, shape (J,)
        Followed up to the time or beyond, events and deaths at it, share alive just before it, mean count just
        after it.
    last : float
        Longest follow-up.
    """

    times: FloatArray
    at_risk: FloatArray
    events: FloatArray
    deaths: FloatArray
    alive: FloatArray
    count: FloatArray
    last: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanCumulativeCount:
    """Mean cumulative counts by group and time, then their differences.

    Attributes
    ----------
    rows, differences : tuple of TimedEstimate
    curves : tuple of CountCurve
    groups : tuple of str
    n, n_events, n_deaths, n_missing : int
        Cases followed, their events and deaths, and cases left out.
    """

    rows: tuple[TimedEstimate, ...]
    differences: tuple[TimedEstimate, ...]
    curves: tuple[CountCurve, ...]
    groups: tuple[str, ...]
    n: int
    n_events: int
    n_deaths: int
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return one row for each group or difference and time, with the common column names."""
        return pd.DataFrame(
            [
                {
                    "group": row.group, "time": row.time, "contrast": e.contrast, "estimate": e.value,
                    "std_error": e.std_error, "conf_low": e.conf_low, "conf_high": e.conf_high,
                    "p_value": e.p_value, "n": e.n, "n_missing": self.n_missing, "at_risk": row.at_risk,
                    "method": e.method, "reason": e.reason,
                }
                for row in (*self.rows, *self.differences)
                for e in [row.estimate]
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return one sentence for each row."""
        return "\n".join(str(row.estimate) for row in (*self.rows, *self.differences))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Followed:
    """Cases with complete follow-up, sorted, and the events of each."""

    end: FloatArray
    died: IntArray
    group: IntArray
    groups: tuple[str, ...]
    cluster: IntArray
    clustered: bool
    when: FloatArray  # times of the events
    whose: IntArray  # position of the case of each event
    n_missing: int


def mean_cumulative_count(
    end: Any,
    event_time: Any,
    event_case: Any,
    *,
    at: Sequence[float],
    died: Any = None,
    groups: Any = None,
    clusters: Any = None,
    pairs: Sequence[tuple[str, str]] | None = None,
    level: float = 0.95,
) -> MeanCumulativeCount:
    """Return the mean number of events a case has had by chosen times, by group, and the differences.

    Parameters
    ----------
    end : array_like, shape (n,)
        End of follow-up of each case.
    event_time, event_case : array_like, shape (m,)
        Time of each event, and the position (0 to n - 1) of its case in `end`.
    at : sequence of float
        Times.
    died : array_like of 0 and 1, shape (n,), optional
        Whether follow-up ended with an event after which no others can happen; nobody for None.
    groups, clusters : array_like, shape (n,), optional
        Group and cluster (patient) of each case.
    pairs : sequence of (str, str), optional
        Differences wanted, first minus second; every pair for None.
    level : float
        Confidence level: limits of a count are symmetric on the log scale, those of a difference are not
        transformed.

    Returns
    -------
    MeanCumulativeCount
        A count of 0 has no error and no limits; a time beyond the follow-up of a group has no estimate unless all
        of it died.

    Raises
    ------
    EstimationError
        Bad input; an event after the end of follow-up, or of a case that is not there.

    Notes
    -----
    The sum over event times of (share alive just before) x (events / at risk): after death the count stays. An event
    at the very end of follow-up counts; a death counts after the events of its time. Errors are infinitesimal
    jackknife, summed by cluster. Sources: Nelson WB. Recurrent Events Data Analysis (2003); Ghosh D, Lin DY.
    Biometrics 2000; 56: 554-562; Dong H, Robison LL, Leisenring WM, et al. American Journal of Epidemiology 2015;
    181: 532-540.

    Examples
    --------
    Two cases followed to 5; one has events at 1 and 2, the other one at 2: mean 3 / 2.

    >>> found = mean_cumulative_count([5, 5], [1, 2, 2], [0, 0, 1], at=[5])
    >>> found.rows[0].estimate.value, round(found.rows[0].estimate.std_error ** 2, 12)
    (1.5, 0.125)
    """
    z = normal_quantile(level)
    times = check_horizons(at)
    data = _followed(end, event_time, event_case, died, groups, clusters)
    curves = [_curve(data, g) if (data.group == g).any() else None for g in range(len(data.groups))]
    made: dict[tuple[int, float], tuple[float | None, FloatArray]] = {}
    rows = []
    for g, name in enumerate(data.groups):
        for t in times:
            made[g, t] = _value_and_influence(data, curves[g], g, t)
            label = f"events by {t:g}" + ("" if data.groups == ("all",) else f" in {name}")
            risk = int(((data.group == g) & (data.end >= t)).sum())
            estimate = _count(data, made[g, t], g, label, level, z)
            rows.append(TimedEstimate(cause="events", group=name, time=t, at_risk=risk, estimate=estimate))
    differences = [
        _difference(data, made, a, b, t, level, z)
        for a, b in (contrasted(data.groups, pairs) if len(data.groups) > 1 else ())
        for t in times
    ]
    return MeanCumulativeCount(
        rows=tuple(rows), differences=tuple(differences), curves=tuple(c for c in curves if c is not None),
        groups=data.groups, n=len(data.end), n_events=len(data.when), n_deaths=int(data.died.sum()),
        n_missing=data.n_missing,
    )  # fmt: skip


def _followed(end: Any, event_time: Any, event_case: Any, died: Any, groups: Any, clusters: Any) -> _Followed:
    """Check the input and sort it by group, end of follow-up, death and cluster."""
    ends = check_time(end, "end")
    n = len(ends)
    dead = np.zeros(n) if died is None else numbers(died, "died: give 0, 1 or missing for each case")
    if dead.shape != (n,) or not np.isin(dead[~np.isnan(dead)], (0.0, 1.0)).all():
        raise EstimationError("died: give 0, 1 or missing for each case", code="bad_flag")
    group, names = level_codes(groups, n, "groups")
    cluster, _ = level_codes(np.arange(n) if clusters is None else clusters, n, "clusters")
    when = check_time(event_time, "event_time") if len(np.atleast_1d(event_time)) else np.zeros(0)
    positions = "event_case: give the position of the case of each event, a whole number"
    whose = numbers(event_case, positions) if len(when) else np.zeros(0)
    if whose.shape != when.shape or not np.isin(whose, np.arange(n)).all():
        raise EstimationError(
            f"event_case: give for each of {len(when)} events the position of its case, 0 to {n - 1}",
            code="bad_case",
        )
    if np.isnan(when).any():
        raise EstimationError(
            f"event_time: missing for {int(np.isnan(when).sum())} events; a missing time cannot be counted as no "
            "event, so leave those cases out and count them",
            code="missing_time",
        )
    of = whose.astype(np.int64)
    used = ~np.isnan(ends) & ~np.isnan(dead) & (group >= 0)
    if not used.any():
        raise EstimationError("no case with end of follow-up, death and group", code="no_rows")
    if (cluster[used] < 0).any():
        raise EstimationError(
            f"the cluster is missing for {int((cluster[used] < 0).sum())} cases", code="missing_cluster"
        )
    kept = used[of]
    when, of = when[kept], of[kept]
    if (when > ends[of]).any():
        raise EstimationError(
            f"event_time: {int((when > ends[of]).sum())} events lie after the end of follow-up of their case",
            code="event_after_end",
        )
    # cases that agree in all this are told apart by their events, so that input order leaves no trace
    first = np.full(n, np.inf)
    np.minimum.at(first, of, when)
    number = np.bincount(of, minlength=n)
    rows = np.flatnonzero(used)
    order = rows[np.lexsort((number[rows], first[rows], cluster[rows], dead[rows], ends[rows], group[rows]))]
    place = np.full(n, -1)
    place[order] = np.arange(len(order))
    by_time = np.lexsort((place[of], when))
    return _Followed(
        end=ends[order], died=dead[order].astype(np.int64), group=group[order], groups=names, cluster=cluster[order],
        clustered=clusters is not None,
        when=when[by_time], whose=place[of][by_time], n_missing=n - len(rows),
    )  # fmt: skip


def _curve(data: _Followed, g: int) -> CountCurve:
    """Return the curve of one group."""
    mine = data.group == g
    end, died = data.end[mine], data.died[mine] == 1
    when = data.when[mine[data.whose]]
    times = np.unique(np.concatenate([when, end[died]]))
    at_risk = (len(end) - np.searchsorted(np.sort(end), times, side="left")).astype(np.float64)
    events = np.bincount(np.searchsorted(times, when), minlength=len(times)).astype(np.float64)
    deaths = np.bincount(np.searchsorted(times, end[died]), minlength=len(times)).astype(np.float64)
    after = np.cumprod(1 - deaths / at_risk)
    alive = np.concatenate([[1.0], after[:-1]])[: len(times)]
    return CountCurve(
        times=times, at_risk=at_risk, events=events, deaths=deaths, alive=alive,
        count=np.cumsum(alive * events / at_risk), last=float(end.max()),
    )  # fmt: skip


def _value_and_influence(
    data: _Followed, curve: CountCurve | None, g: int, at: float
) -> tuple[float | None, FloatArray]:
    """Return the mean count of a group at a time, and its derivative by the weight of every case."""
    influence = np.zeros(len(data.end))
    if curve is None:
        return None, influence
    all_died = bool(len(curve.times) and curve.deaths[-1] == curve.at_risk[-1])
    if at > curve.last and not all_died:
        return None, influence
    upto = int(np.searchsorted(curve.times, at, side="right"))
    if upto == 0:
        return 0.0, influence
    mine = np.flatnonzero(data.group == g)
    n, d, alive = curve.at_risk[:upto], curve.deaths[:upto], curve.alive[:upto]
    step = alive * curve.events[:upto] / n
    rate = np.divide(d, n * (n - d), out=np.zeros(upto), where=n > d)
    gained = np.cumsum(rate)
    met = np.concatenate([[0.0], np.cumsum(step * (gained - rate) - step / n)])
    reached = np.concatenate([[0.0], np.cumsum(step)])
    end = data.end[mine]
    passed = np.minimum(np.searchsorted(curve.times, end, side="right"), upto)
    ended = np.where(passed > 0, gained[passed - 1], 0.0)
    dead = (data.died[mine] == 1) & (end <= at)
    place = np.searchsorted(curve.times, end[dead])
    ended[dead] -= np.divide(1.0, n[place] - d[place], out=np.zeros(len(place)), where=n[place] > d[place])
    influence[mine] = met[passed] + ended * (reached[-1] - reached[passed])
    counted = (data.group[data.whose] == g) & (data.when <= at)
    place = np.searchsorted(curve.times, data.when[counted])
    np.add.at(influence, data.whose[counted], alive[place] / n[place])
    return float(reached[-1]), influence


def _count(
    data: _Followed, made: tuple[float | None, FloatArray], g: int, label: str, level: float, z: float
) -> Estimate:
    """Return the estimate of one group and time."""
    value, influence = made
    common: dict[str, Any] = {
        "contrast": label, "unit": "events per case", "n": int((data.group == g).sum()),
        "n_missing": data.n_missing, "method": METHOD + by_cluster(data.cluster[data.group == g], data.clustered),
    }  # fmt: skip
    if value is None:
        why = "no cases" if common["n"] == 0 else "beyond the longest follow-up, with cases still alive"
        return Estimate.not_estimable(why, **common)
    se = math.sqrt(cluster_sum_of_squares(influence, data.cluster))
    if value == 0 or se < 1e-12 * max(value, 1.0):
        why = "no event so far" if value == 0 else "no spread between cases"
        return Estimate(
            value=value, conf_low=None, conf_high=None, level=level, reason=f"{why}: no limits", **common
        )
    width = math.exp(z * se / value)
    return Estimate(
        value=value, conf_low=value / width, conf_high=value * width, level=level, std_error=se, **common
    )


def _difference(
    data: _Followed, made: dict[tuple[int, float], tuple[float | None, FloatArray]], a: int, b: int, at: float,
    level: float, z: float,
) -> TimedEstimate:  # fmt: skip
    """Return first minus second at a time."""
    both = (data.group == a) | (data.group == b)
    name = f"{data.groups[a]} minus {data.groups[b]}"
    common: dict[str, Any] = {
        "contrast": f"events by {at:g}: {name}", "unit": "events per case", "n": int(both.sum()),
        "n_missing": data.n_missing, "method": METHOD + by_cluster(data.cluster[both], data.clustered),
    }  # fmt: skip
    (first, of_first), (second, of_second) = made[a, at], made[b, at]
    if first is None or second is None:
        estimate = Estimate.not_estimable("a group without estimate at this time", **common)
    else:
        value = first - second
        se = math.sqrt(cluster_sum_of_squares(of_first - of_second, data.cluster))
        if se < 1e-12 * max(first, second, 1.0):
            estimate = Estimate(
                value=value, conf_low=None, conf_high=None, level=level, reason="no spread between cases: no limits",
                **common,
            )  # fmt: skip
        else:
            estimate = Estimate(
                value=value, conf_low=value - z * se, conf_high=value + z * se, level=level, std_error=se,
                p_value=two_sided_p(value / se), **common,
            )  # fmt: skip
    return TimedEstimate(
        cause="events", group=name, time=at, at_risk=int((both & (data.end >= at)).sum()), estimate=estimate
    )
