"""Differences between matched cases, with errors that know the sets and the patients."""

from __future__ import annotations

import math
from typing import Any, Literal, get_args

import numpy as np

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.matching import MatchedSets
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_choice, check_level, cluster_codes
from outcomes.stats.numerics.inputs import numbers, two_sided_p
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.regression.clusters import FEW_CLUSTERS

MatchedErrors = Literal["clusters", "conditional"]

# a standard error this small beside the values it is made from is rounding, not spread
_NO_SPREAD = 1e-12


def matched_difference(
    y: Any,
    sets: MatchedSets,
    *,
    clusters: Any = None,
    errors: MatchedErrors = "clusters",
    score: Any = None,
    n_neighbours: int = 2,
    level: float = 0.95,
    unit: str = "",
    n_missing: int = 0,
) -> Estimate:
    """Return the mean difference of treated cases minus their controls, averaged over the sets.

    Parameters
    ----------
    y : array_like, shape (n,)
        Outcome in the rows that were matched; only matched cases need one.
    sets : MatchedSets
        From :func:`outcomes.stats.causal.matching.match_cases`.
    clusters : array_like, shape (n,), optional
        Cluster of each row (the patient, when patients have several cases).
    errors : {"clusters", "conditional"}
        By set and patient together (by set and case with replacement); or the error of Abadie and Imbens for
        matching with replacement, which estimates the spread of like cases from neighbours in their own group.
    score : array_like, shape (n,), optional
        The score that was matched on; needed by "conditional".
    n_neighbours : int
        Neighbours in the own group, for "conditional".
    level : float
        Confidence level.
    unit : str
        Unit of the outcome.
    n_missing : int
        Cases left out before matching because something was missing; carried along.

    Returns
    -------
    Estimate
        Speaks for the matched treated cases. Student's t with the smaller number of clusters less 1, or the
        normal for "conditional". Not estimable with fewer than two sets.

    Raises
    ------
    EstimationError
        Outcomes missing in matched rows, a bad choice, "conditional" without replacement, score or with clusters.

    Notes
    -----
    Both errors take the score as known, which is usually on the safe side (Abadie and Imbens 2016). By set and
    patient: the covariance by set plus that by patient less that by both, each times G / (G - 1), all times
    (m - 1) / (m - 2) with m rows of matches; never less than that by set alone. Sources: Cameron, Gelbach and Miller (2011) J
    Bus Econ Stat 29:238; Abadie and Spiess (2022) J Am Stat Assoc 117:983 (sets as clusters); Abadie and Imbens
    (2006) Econometrica 74:235 (conditional).

    Examples
    --------
    Three pairs with differences 1, 2 and 3: mean 2, and the variance of the mean 1/3, times 5/4 for the rows.

    >>> from outcomes.stats.causal.matching import match_cases
    >>> sets = match_cases(list("tttccc"), [1, 2, 3, 1, 2, 3], treated="t", caliper=None)
    >>> e = matched_difference([4, 6, 8, 3, 4, 5], sets, unit="kg")
    >>> e.contrast, e.value, round(e.std_error**2, 9), e.df
    ('t minus c', 2.0, 0.416666667, 2.0)
    """
    check_level(level)
    check_choice(errors, get_args(MatchedErrors), "errors")
    rows, own, w, set_of = _long(sets)
    outcome = numbers(y, "y: every value must be a number or missing; convert the column first")
    if outcome.shape != sets.codes.shape:
        raise EstimationError(
            f"y has shape {outcome.shape}; give one value for each of {len(sets.codes)} rows",
            code="bad_shape",
        )
    n_bad = int((~np.isfinite(outcome[np.unique(rows)])).sum())
    if n_bad:
        raise EstimationError(
            f"{n_bad} matched cases have no finite outcome; leave them out before matching and count them",
            code="not_finite",
        )
    n = len(np.unique(rows))
    about: dict[str, Any] = {
        "contrast": f"{sets.levels[1]} minus {sets.levels[0]}", "unit": unit, "n": n,
        "n_missing": n_missing,
        "method": f"matched, {sets.method}, {len(sets.unmatched_treated)} treated unmatched",
    }  # fmt: skip
    if sets.n_sets < 2:
        return Estimate.not_estimable("one matched set shows no spread", **about)
    values = outcome[rows]
    sign = np.where(own, w, -w)
    # differences from one value keep the digits of outcomes with a large common part
    value = math.fsum(sign * (values - values[0])) / sets.n_sets
    means = [math.fsum((w * (values - values[0]))[own == side]) / sets.n_sets for side in (False, True)]
    influence = sign * (values - values[0] - np.where(own, means[1], means[0])) / sets.n_sets
    size = math.fsum(np.abs(influence)) + abs(value)
    if errors == "conditional":
        variance = _conditional_variance(outcome, score, sets, value, n_neighbours, clusters)
        df, named = math.inf, "error of Abadie and Imbens, normal"
    else:
        variance, df, named = _clustered_variance(influence, set_of, rows, sets, clusters)
    about["method"] += f", {named}"
    error = math.sqrt(max(variance, 0.0))
    if error <= _NO_SPREAD * size or error == 0.0:
        reason = "no spread is left to judge this value by"
        return Estimate(value=value, conf_low=None, conf_high=None, level=level, reason=reason, **about)
    reach = float(t_quantile(0.5 + level / 2, df)) * error
    return Estimate(
        value=value, conf_low=value - reach, conf_high=value + reach, level=level, std_error=error, df=df,
        p_value=two_sided_p(value / error, df), **about,
    )  # fmt: skip


def _long(sets: MatchedSets) -> tuple[IntArray, Any, FloatArray, IntArray]:
    """Return one row a member of a set: position, whether treated, weight, set."""
    sizes = np.bincount(sets.set_ids)
    first = np.unique(sets.set_ids, return_index=True)[1]
    rows = np.concatenate([sets.treated_rows[first], sets.control_rows])
    own = np.arange(len(rows)) < len(first)
    weights = np.concatenate([np.ones(len(first)), 1.0 / sizes[sets.set_ids]])
    return rows, own, weights, np.concatenate([np.arange(len(first)), sets.set_ids])


def _clustered_variance(
    influence: FloatArray, set_of: IntArray, rows: IntArray, sets: MatchedSets, clusters: Any
) -> tuple[float, float, str]:
    """Return the variance by set and patient, its degrees of freedom and its name."""
    if clusters is None:
        other, who = np.unique(rows, return_inverse=True)[1], "case"
    else:
        other, who = cluster_codes(clusters, len(sets.codes))[0][rows], "patient"
        other = np.unique(other, return_inverse=True)[1]
    both = np.unique(set_of * (other.max() + 1) + other, return_inverse=True)[1]
    parts = [_by(influence, codes) for codes in (set_of, other, both)]
    m = len(rows)
    scale = (m - 1) / (m - 2)
    crossed = clusters is not None or sets.replacement
    if not crossed:
        groups, variance, named = sets.n_sets, parts[0], "errors by set"
    else:
        groups = min(sets.n_sets, int(other.max()) + 1)
        variance, named = max(parts[0] + parts[1] - parts[2], parts[0]), f"errors by set and {who}"
    if groups < 2:
        return 0.0, 1.0, named
    named += ", t with G - 1 df" + (f"; unreliable: {groups} clusters" if groups < FEW_CLUSTERS else "")
    return scale * variance, float(groups - 1), named


def _by(influence: FloatArray, codes: IntArray) -> float:
    """Return G / (G - 1) times the sum of squared totals by cluster."""
    totals = np.bincount(codes, influence)
    g = len(totals)
    return g / (g - 1) * float(totals @ totals) if g > 1 else 0.0


def _conditional_variance(
    outcome: FloatArray, score: Any, sets: MatchedSets, value: float, n_neighbours: int, clusters: Any
) -> float:
    """Return the variance of Abadie and Imbens for the matched treated cases."""
    if not sets.replacement or score is None or clusters is not None or n_neighbours < 1:
        raise EstimationError(
            "'conditional' errors are for matching with replacement, need the score, at least 1 neighbour, and know no "
            "patients; use errors='clusters'",
            code="bad_choice",
        )
    place = numbers(score, "score: every value must be a number")
    known = np.isfinite(outcome) & np.isfinite(place)
    sizes = np.bincount(sets.set_ids)
    paired = np.bincount(sets.set_ids, outcome[sets.control_rows]) / sizes
    first = np.unique(sets.set_ids, return_index=True)[1]
    gaps = outcome[sets.treated_rows[first]] - paired - value
    used = np.zeros(len(outcome))
    squares = np.zeros(len(outcome))
    np.add.at(used, sets.control_rows, 1.0 / sizes[sets.set_ids])
    np.add.at(squares, sets.control_rows, 1.0 / sizes[sets.set_ids] ** 2)
    total = float(gaps @ gaps)
    controls = np.flatnonzero((sets.codes == 0) & known)
    if len(controls) <= n_neighbours:
        raise EstimationError(
            f"{len(controls)} controls for {n_neighbours} neighbours; use errors='clusters'", code="too_few"
        )
    for row in np.flatnonzero(used > 0.0):
        others = controls[controls != row]
        near = others[np.argsort(np.abs(place[others] - place[row]), kind="stable")[:n_neighbours]]
        spread = n_neighbours / (n_neighbours + 1) * (outcome[row] - outcome[near].mean()) ** 2
        total += (used[row] ** 2 - squares[row]) * spread
    return total / sets.n_sets**2
