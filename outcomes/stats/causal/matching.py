"""Matching of treated cases to controls on a score, the same whatever the order of the rows.

Scores are read in steps of one billionth of their standard deviation, so that cases with the same covariates tie
exactly although their fitted probabilities differ in the last bit; ties go to the smaller key.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.causal.exposure_model import ExposureModel, exposure_codes
from outcomes.stats.causal.matching_search import SLACK, greedy_matches, optimal_matches
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_choice, check_outcome, cluster_codes

Search = Literal["greedy", "optimal"]
Order = Literal["highest score", "lowest score", "key"]
Spread = Literal["all cases", "within groups"]

#: Steps of the score in one standard deviation.
STEPS = 1e9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MatchedSets:
    """Which control was matched to which treated case.

    Attributes
    ----------
    treated_rows, control_rows : ndarray of int, shape (m,)
        Positions of the two cases of each match, in the order in which they were made (by set for "optimal").
    set_ids : ndarray of int, shape (m,)
        Set of each match, 0 to n_sets - 1; a set is one treated case with its controls.
    distances : ndarray, shape (m,)
        Distance of each match, in units of the score.
    weights : ndarray, shape (n,)
        1 for a matched treated case; for a control the sum over its sets of 1 / controls of the set; 0 unmatched.
    unmatched_treated, unmatched_controls : tuple of int
        Positions of the cases without a match.
    codes : ndarray of int, shape (n,)
        1 treated, 0 control.
    levels : tuple of str
        Control and treated level.
    caliper : float or None
        Largest distance allowed, in units of the score.
    ratio : int
        Controls asked for per treated case.
    replacement : bool
    n_sets, n_incomplete : int
        Sets made; sets with fewer controls than asked for.
    method : str
    """

    treated_rows: IntArray
    control_rows: IntArray
    set_ids: IntArray
    distances: FloatArray
    weights: FloatArray
    unmatched_treated: tuple[int, ...]
    unmatched_controls: tuple[int, ...]
    codes: IntArray
    levels: tuple[str, str]
    caliper: float | None
    ratio: int
    replacement: bool
    n_sets: int
    n_incomplete: int
    method: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a match: set, positions of both cases, distance."""
        return pd.DataFrame(
            {"set": self.set_ids, "treated_row": self.treated_rows, "control_row": self.control_rows,
             "distance": self.distances}
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        control, treated = self.levels
        n_treated, used = int(self.codes.sum()), len(np.unique(self.control_rows))
        return (
            f"{self.n_sets} of {n_treated} {treated} cases matched to {used} of {len(self.codes) - n_treated} "
            f"{control} cases ({self.method}); {len(self.unmatched_treated)} without a match"
        )


def match_cases(
    exposure: Any,
    score: Any,
    *,
    treated: str,
    ratio: int = 1,
    replacement: bool = False,
    caliper: float | None = 0.2,
    caliper_spread: Spread = "all cases",
    within: Any = None,
    keys: Any = None,
    order: Order = "highest score",
    search: Search = "greedy",
) -> MatchedSets:
    """Match every treated case to its nearest controls on a score.

    Parameters
    ----------
    exposure : array_like, shape (n,)
        Two levels, none missing.
    score : array_like, shape (n,)
        What they are matched on, usually the logit of the fitted probability (:func:`logit_score`).
    treated : str
        The level whose cases are matched, and for which the comparison speaks.
    ratio : int
        Controls for each treated case. Greedy search goes in rounds: nobody gets a second control before
        everybody had the chance of a first.
    replacement : bool
        Whether a control may be used by several treated cases.
    caliper : float or None
        Largest distance, in standard deviations of the score; a distance equal to it is allowed.
    caliper_spread : {"all cases", "within groups"}
        Standard deviation over all cases, or the root of the mean of the two groups' variances.
    within : array_like, shape (n,), optional
        Strata: matches are made inside them only.
    keys : array_like, shape (n,), optional
        Different for every row; ties go to the smaller. Without keys to the earlier row.
    order : {"highest score", "lowest score", "key"}
        Which treated case chooses first in a greedy search without replacement.
    search : {"greedy", "optimal"}
        Optimal: as many matches as can be made and, among those, the smallest sum of distances.

    Returns
    -------
    MatchedSets
        Treated cases without a match are listed: without them the comparison speaks for the matched ones only.

    Raises
    ------
    EstimationError
        Not two levels, `treated` not one of them, scores missing, a score without spread, a ratio below 1, a
        caliper not above 0, keys that repeat, an optimal search too large or with replacement, no match at all.

    Notes
    -----
    Sources: Rosenbaum and Rubin (1985) Am Stat 39:33 (nearest neighbour on the logit within a caliper); Austin
    (2011) Pharm Stat 10:150 (0.2 standard deviations); Rosenbaum (1989) J Am Stat Assoc 84:1024 (optimal); the
    assignment is solved by scipy.

    Examples
    --------
    The treated case with the higher score chooses first and takes the control at 2.1.

    >>> sets = match_cases(list("ttccc"), [2.0, 1.9, 2.1, 1.0, 5.0], treated="t", caliper=None)
    >>> sets.treated_rows.tolist(), sets.control_rows.tolist(), sets.unmatched_controls
    ([0, 1], [2, 3], (4,))
    >>> best = match_cases(list("ttccc"), [2.0, 1.9, 2.1, 1.0, 5.0], treated="t", caliper=0.2, search="optimal")
    >>> print(best)
    1 of 2 t cases matched to 1 of 3 c cases (optimal, within 0.2 SD of the score over all cases); 1 without a match
    """
    for value, allowed, what in (
        (caliper_spread, get_args(Spread), "caliper_spread"), (order, get_args(Order), "order"),
        (search, get_args(Search), "search"),
    ):  # fmt: skip
        check_choice(value, allowed, what)
    codes, levels = _two_levels(exposure, treated)
    values = check_outcome(score, len(codes))
    steps, unit = _steps(values)
    rank = _rank_of(keys, len(codes))
    strata = (
        cluster_codes(within, len(codes))[0] if within is not None else np.zeros(len(codes), dtype=np.int64)
    )
    _check_request(ratio, caliper, replacement, search)
    width = None if caliper is None else caliper * _spread(values, codes, caliper_spread)
    reach = np.inf if width is None else width / unit + SLACK
    turn = {"highest score": -steps, "lowest score": steps, "key": rank}[order]
    rows = np.flatnonzero(codes == 1)
    rows = rows[np.lexsort((rank[rows], turn[rows]))]
    controls = np.flatnonzero(codes == 0)
    controls = controls[np.argsort(rank[controls], kind="stable")]
    if search == "optimal":
        pairs = optimal_matches(steps, strata, rows, controls, reach, ratio)
    else:
        pairs = greedy_matches(steps, strata, rows, controls, reach, ratio, replacement=replacement)
    if not len(pairs):
        raise EstimationError(
            "no treated case has a control within the caliper and its stratum; widen the caliper or merge strata",
            code="no_match",
        )
    return _sets_of(pairs, np.abs(steps[pairs[:, 0]] - steps[pairs[:, 1]]) * unit, codes, levels, width=width,
                    ratio=ratio, replacement=replacement,
                    method=_method(search, caliper, caliper_spread, order, replacement, within))  # fmt: skip


def sets_of_pairs(exposure: Any, pairs: Any, *, treated: str, distances: Any = None) -> MatchedSets:
    """Take over matches that were made elsewhere.

    Parameters
    ----------
    exposure : array_like, shape (n,)
        Two levels.
    pairs : array_like of int, shape (m, 2)
        Positions of a treated case and its control, one match a row.
    treated : str
    distances : array_like, shape (m,), optional
        Distance of each match; 0 where not known.

    Returns
    -------
    MatchedSets
        With replacement when a control stands in several sets.

    Raises
    ------
    EstimationError
        Positions out of range, a match that is not of a treated case with a control, a match that repeats.

    Notes
    -----
    Source: Stuart (2010) Stat Sci 25:1.

    Examples
    --------
    >>> print(sets_of_pairs(list("tcc"), [[0, 2]], treated="t"))
    1 of 1 t cases matched to 1 of 2 c cases (given); 0 without a match
    """
    codes, levels = _two_levels(exposure, treated)
    table = np.asarray(pairs)
    inside = table.ndim == 2 and table.shape[1:] == (2,) and len(table) > 0 and table.dtype.kind in "iu"
    if not inside or table.min() < 0 or table.max() >= len(codes):
        raise EstimationError(
            f"pairs of shape {table.shape}; give positions 0 to {len(codes) - 1}, whole numbers of shape (m, 2)",
            code="bad_shape",
        )
    table = table.astype(np.int64)
    if (codes[table[:, 0]] != 1).any() or (codes[table[:, 1]] != 0).any():
        raise EstimationError(
            "every match is of a treated case with a control, in this order", code="bad_pairs"
        )
    if len(np.unique(table, axis=0)) < len(table):
        raise EstimationError("a match stands twice; give each once", code="bad_pairs")
    gaps = np.zeros(len(table)) if distances is None else check_outcome(distances, len(table))
    again = len(np.unique(table[:, 1])) < len(table)
    most = int(np.bincount(table[:, 0]).max())
    return _sets_of(table, gaps, codes, levels, width=None, ratio=most, replacement=again, method="given")


def logit_score(model: ExposureModel) -> FloatArray:
    """Return the fitted log odds of the second level of a two-level exposure, to match on.

    Parameters
    ----------
    model : ExposureModel
        From :func:`outcomes.stats.causal.exposure_model.fit_exposure`, two levels.

    Returns
    -------
    ndarray, shape (n,)

    Raises
    ------
    EstimationError
        More than two levels.

    Notes
    -----
    Source: Rosenbaum and Rubin (1985) Am Stat 39:33.

    Examples
    --------
    >>> from outcomes.stats.causal.exposure_model import fit_exposure
    >>> logit_score(fit_exposure(np.ones((4, 1)), list("abbb"), names=["intercept"])).round(6).tolist()
    [1.098612, 1.098612, 1.098612, 1.098612]
    """
    if len(model.levels) != 2:
        raise EstimationError(
            f"{len(model.levels)} levels; a score to match on needs a model of 2", code="bad_levels"
        )
    return np.asarray(model.design @ model.coefficients[:, 0])


def _two_levels(exposure: Any, treated: str) -> tuple[IntArray, tuple[str, str]]:
    """Return 1 for treated and 0 for control, and the names (control, treated)."""
    codes, levels = exposure_codes(exposure, int(np.size(exposure)))
    if len(levels) != 2 or str(treated) not in levels:
        raise EstimationError(
            f"matching needs 2 levels, one of them the treated; {len(levels)} found"
            + ("" if str(treated) in levels else ", the treated not among them"),
            code="bad_levels",
        )
    at = levels.index(str(treated))
    return (codes == at).astype(np.int64), (levels[1 - at], levels[at])


def _steps(values: FloatArray) -> tuple[FloatArray, float]:
    """Return the score in whole steps, and the size of a step."""
    # summed in order of size, so that the step does not depend on the order of the rows
    ordered = np.sort(values)
    spread = float(np.std(ordered - ordered[len(ordered) // 2]))
    if not spread > 1e-12 * float(np.abs(ordered).max()):
        raise EstimationError("the score does not vary; there is nothing to match on", code="constant")
    # a power of two: dividing by it is exact
    unit = 2.0 ** np.floor(np.log2(spread / STEPS))
    return np.round(values / unit), float(unit)


def _spread(values: FloatArray, codes: IntArray, kind: Spread) -> float:
    """Return the standard deviation that the caliper is a multiple of."""
    if kind == "all cases":
        return float(np.std(np.sort(values), ddof=1))
    parts = [np.sort(values[codes == k]) for k in (0, 1)]
    if min(map(len, parts)) < 2:
        raise EstimationError(
            "a spread within groups needs 2 cases in each; use caliper_spread='all cases'", code="too_few"
        )
    return float(np.sqrt(np.mean([np.var(part, ddof=1) for part in parts])))


def _rank_of(keys: Any, n: int) -> FloatArray:
    """Return the place of each row in the order of the keys."""
    if keys is None:
        return np.arange(float(n))
    labels = np.asarray(keys)
    if labels.shape != (n,) or pd.isna(labels).any() or len(pd.unique(labels)) < n:
        raise EstimationError(
            f"keys of shape {labels.shape} for {n} rows; give each row a key of its own, none missing",
            code="bad_keys",
        )
    rank = np.empty(n)
    rank[np.argsort(labels.astype(str) if labels.dtype.kind == "O" else labels, kind="stable")] = np.arange(n)
    return rank


def _check_request(ratio: int, caliper: float | None, replacement: bool, search: Search) -> None:
    """Refuse requests that have no meaning."""
    if ratio < 1 or ratio != int(ratio):
        raise EstimationError(f"ratio is {ratio}; give a whole number, 1 or more", code="bad_count")
    if caliper is not None and not (np.isfinite(caliper) and caliper > 0):
        raise EstimationError(
            f"caliper is {caliper}; give a number of standard deviations above 0, or None", code="bad_caliper"
        )
    if search == "optimal" and replacement:
        raise EstimationError(
            "with replacement the nearest control is already optimal; use search='greedy'", code="bad_choice"
        )


def _sets_of(
    pairs: IntArray, distances: FloatArray, codes: IntArray, levels: tuple[str, str], *, width: float | None,
    ratio: int, replacement: bool, method: str,
) -> MatchedSets:  # fmt: skip
    """Return the sets, numbered in the order in which their treated case was first matched."""
    set_ids = np.asarray(pd.factorize(pairs[:, 0])[0], dtype=np.int64)
    sizes = np.bincount(set_ids)
    weights = np.zeros(len(codes))
    weights[pairs[:, 0]] = 1.0
    np.add.at(weights, pairs[:, 1], 1.0 / sizes[set_ids])
    free = np.flatnonzero(weights == 0.0)
    return MatchedSets(
        treated_rows=pairs[:, 0], control_rows=pairs[:, 1], set_ids=set_ids, distances=distances, weights=weights,
        unmatched_treated=tuple(map(int, free[codes[free] == 1])),
        unmatched_controls=tuple(map(int, free[codes[free] == 0])), codes=codes, levels=levels, caliper=width,
        ratio=ratio, replacement=replacement, n_sets=len(sizes), n_incomplete=int((sizes < ratio).sum()),
        method=method,
    )  # fmt: skip


def _method(
    search: str, caliper: float | None, spread: str, order: str, replacement: bool, within: Any
) -> str:  # fmt: skip
    """Return how the matches were made, in words."""
    parts = [search if search == "optimal" or replacement else f"greedy, {order} first"]
    if caliper is not None:
        parts.append(
            f"within {caliper:g} SD of the score {'over all cases' if spread == 'all cases' else spread}"
        )
    parts += ["with replacement"] * replacement + ["inside strata"] * (within is not None)
    return ", ".join(parts)
