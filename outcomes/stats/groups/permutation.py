"""Permutation tests of two groups: every arrangement when they can be gone through, else a random sample of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import numbers, whole

PermutationStatistic = Literal["difference of means", "difference of medians"]
STATISTICS: tuple[PermutationStatistic, ...] = ("difference of means", "difference of medians")
#: values of all cases and, for each arrangement, which cases are in the first group -> one number each
OwnStatistic = Callable[[FloatArray, NDArray[np.bool_]], FloatArray]
MOST_ARRANGEMENTS = 5_000_000  # more would fill the memory
_BLOCK = 2_000_000  # cells of arrangements held at a time
_ROUNDING = 1e-10  # statistics this close, beside the largest value, are equal


@dataclass(frozen=True, slots=True, kw_only=True)
class PermutationTest:
    """How unusual a difference is among all ways to deal the cases to the groups.

    Attributes
    ----------
    statistic : float or None
        As seen; first group minus second.
    p_value, p_greater, p_less : float or None
        Two-sided (at least as far from 0), and one-sided. None where `reason` says why.
    mc_error : float or None
        Monte Carlo standard error of `p_value`; 0 when every arrangement was gone through.
    exact : bool
        Whether every arrangement was gone through.
    n_arrangements : int
        Arrangements gone through or sampled.
    n, n_missing : int
        Cases of the strata that take part; cases left out because something was missing.
    n_strata, n_uninformative : int
        Strata given, and those of them that hold one group only and take no part.
    method, reason : str
    """

    statistic: float | None
    p_value: float | None
    p_greater: float | None
    p_less: float | None
    mc_error: float | None
    exact: bool
    n_arrangements: int
    n: int
    n_missing: int
    n_strata: int
    n_uninformative: int
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "statistic": self.statistic, "p_value": self.p_value, "p_greater": self.p_greater,
            "p_less": self.p_less, "mc_error": self.mc_error, "n": self.n, "n_missing": self.n_missing,
            "n_strata": self.n_strata, "n_uninformative": self.n_uninformative, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.statistic is None or self.p_value is None:
            return f"{self.method}: no test ({self.reason})"
        error = "" if self.exact else f" (Monte Carlo error {self.mc_error:.2g})"
        return (
            f"{self.method}: {self.statistic:.4g}, p = {self.p_value:.3g}{error}, "
            f"{self.n_arrangements} arrangements, n = {self.n}"
        )


def permutation_test(
    a: ArrayLike,
    b: ArrayLike,
    *,
    statistic: PermutationStatistic | OwnStatistic = "difference of means",
    strata: tuple[Any, Any] | None = None,
    largest_exact: int = 200_000,
    n_samples: int = 9_999,
    seed: int = 0,
) -> PermutationTest:
    """Test whether two groups could be one, by dealing their cases anew.

    Parameters
    ----------
    a, b : array_like, shape (n_a,), (n_b,)
        Outcome of each case; NaN or None where missing.
    statistic : {"difference of means", "difference of medians"} or callable
        A callable takes the values, shape (n,), and which of them are in the first group, shape (m, n), and
        returns m numbers, 0 where the groups are alike; it sees all strata at once. With strata the two
        named statistics are means over the strata, weighted by n_a n_b / (n_a + n_b).
    strata : pair of array_like, shape (n_a,), (n_b,), optional
        Stratum of each case: cases are dealt anew within their stratum. Missing: left out and counted.
    largest_exact : int
        Up to so many arrangements every one is gone through.
    n_samples : int
        Else so many random ones, drawn with replacement.
    seed : int
        Of the random arrangements.

    Returns
    -------
    PermutationTest
        Exact p, or (b + 1) / (m + 1) with b of m random arrangements at least as extreme, which is valid
        whatever m. Without p when a group is empty or nothing varies within the strata.

    Raises
    ------
    EstimationError
        For samples that are not numeric, strata of another length, counts out of range, a callable that
        returns something else than one finite number an arrangement.

    References
    ----------
    Fisher RA. The Design of Experiments. 1935, section 21. Phipson B, Smyth GK. Statistical Applications
    in Genetics and Molecular Biology 2010; 9: article 39.

    Examples
    --------
    All three exceed all three: 1 of 20 arrangements is as far to one side, 2 to both.

    >>> test = permutation_test([4, 5, 6], [1, 2, 3])
    >>> test.p_greater, test.p_value, test.n_arrangements
    (0.05, 0.1, 20)
    """
    if not callable(statistic):
        check_choice(statistic, STATISTICS, "statistic")
    most, m, seed = whole(largest_exact, "largest_exact"), whole(n_samples, "n_samples"), whole(seed, "seed")
    if m < 1:
        raise EstimationError("n_samples must be 1 or more", code="bad_count")
    if most > MOST_ARRANGEMENTS:
        raise EstimationError(
            f"largest_exact must not exceed {MOST_ARRANGEMENTS}; sample arrangements instead",
            code="bad_count",
        )
    values, first, codes, n_missing, n_strata = _read(a, b, strata)
    informative = _informative(first, codes)
    kept = np.isin(codes, informative)
    values, first, codes = values[kept], first[kept], codes[kept]
    name = statistic if isinstance(statistic, str) else "own statistic"
    counts: dict[str, Any] = {
        "n": values.size, "n_missing": n_missing, "n_strata": n_strata,
        "n_uninformative": n_strata - len(informative),
    }  # fmt: skip
    blocks = [np.flatnonzero(codes == code) for code in informative]
    reason = _why_not(values, blocks, n_strata)
    total = math.prod(math.comb(block.size, int(first[block].sum())) for block in blocks)
    exact = total <= most
    method = f"permutation test, {name}" + (", within strata" if n_strata > 1 else "")
    method += ", exact" if exact else f", {m} random arrangements (seed {seed})"
    if reason:
        return PermutationTest(
            statistic=None, p_value=None, p_greater=None, p_less=None, mc_error=None, exact=exact,
            n_arrangements=0, method=method, reason=reason, **counts,
        )  # fmt: skip
    measure = statistic if callable(statistic) else _named(statistic, blocks)
    seen = float(_measured(measure, values, first[None, :])[0])
    arrangements = _every(first, blocks) if exact else _random(first, blocks, m, seed)
    upper, lower, both, gone = _count(measure, values, arrangements, seen)
    extra = 0 if exact else 1
    p_value = (both + extra) / (gone + extra)
    return PermutationTest(
        statistic=seen, p_value=p_value, p_greater=(upper + extra) / (gone + extra),
        p_less=(lower + extra) / (gone + extra),
        mc_error=0.0 if exact else math.sqrt(p_value * (1 - p_value) / (gone + 1)), exact=exact,
        n_arrangements=gone, method=method, **counts,
    )  # fmt: skip


def _read(
    a: ArrayLike, b: ArrayLike, strata: tuple[Any, Any] | None
) -> tuple[FloatArray, NDArray[np.bool_], NDArray[np.int64], int, int]:
    """Return values, membership and stratum number of the complete cases in a fixed order; missing; strata."""
    parts = [
        numbers(v, f"{name}: every value must be a number, NaN or None") for v, name in ((a, "a"), (b, "b"))
    ]
    for part, name in zip(parts, ("a", "b"), strict=True):
        if part.ndim != 1 or np.isinf(part).any():
            raise EstimationError(f"{name}: give one column of finite numbers or NaN", code="bad_shape")
    labels = [np.zeros(part.size, dtype=object) for part in parts]
    if strata is not None:
        if len(strata) != 2:
            raise EstimationError("strata: give a pair, one for each group", code="bad_shape")
        labels = [np.asarray(labels_of, dtype=object) for labels_of in strata]
        if any(label.shape != part.shape for label, part in zip(labels, parts, strict=True)):
            raise EstimationError("strata: give one stratum for each case of each group", code="bad_shape")
    values, stratum = np.concatenate(parts), pd.Series(np.concatenate(labels))
    first = np.arange(values.size) < parts[0].size
    present = ~np.isnan(values) & stratum.notna().to_numpy()
    codes, found = pd.factorize(stratum[present].astype(str), sort=True)
    order = np.lexsort((values[present], ~first[present], codes))
    return (
        values[present][order], first[present][order], codes[order].astype(np.int64), int((~present).sum()),
        len(found),
    )  # fmt: skip


def _informative(first: NDArray[np.bool_], codes: NDArray[np.int64]) -> list[int]:
    """Return the strata that hold both groups."""
    return [int(code) for code in np.unique(codes) if 0 < first[codes == code].mean() < 1]


def _why_not(values: FloatArray, blocks: list[NDArray[np.int64]], n_strata: int) -> str:
    """Return why there is no test; empty when there is one."""
    if not blocks:
        return "no stratum holds cases of both groups" if n_strata > 1 else "no values in one group"
    if all(np.ptp(values[block]) == 0 for block in blocks):
        return "no variation: all values of a stratum are equal"
    return ""


def _named(name: PermutationStatistic, blocks: list[NDArray[np.int64]]) -> OwnStatistic:
    """Return the statistic of that name, a weighted mean over the strata."""

    def of_block(values: FloatArray, first: NDArray[np.bool_]) -> FloatArray:
        if name == "difference of means":
            n_a = first[0].sum()
            sums = first @ values
            return np.asarray(sums / n_a - (values.sum() - sums) / (values.size - n_a), dtype=np.float64)
        table = np.broadcast_to(values, first.shape)
        inside = np.median(table[first].reshape(len(first), -1), axis=1)
        outside = np.median(table[~first].reshape(len(first), -1), axis=1)
        return np.asarray(inside - outside, dtype=np.float64)

    def pooled(values: FloatArray, first: NDArray[np.bool_]) -> FloatArray:
        sizes = np.array([[first[0, block].sum(), block.size] for block in blocks], dtype=np.float64)
        weights = sizes[:, 0] * (sizes[:, 1] - sizes[:, 0]) / sizes[:, 1]
        found = np.stack([of_block(values[block] - values[block[0]], first[:, block]) for block in blocks])
        return np.asarray(weights @ found / weights.sum(), dtype=np.float64)

    return pooled


def _measured(measure: OwnStatistic, values: FloatArray, first: NDArray[np.bool_]) -> FloatArray:
    """Return the statistic of each arrangement, or refuse what is not one finite number each."""
    found = np.asarray(measure(values, first), dtype=np.float64)
    if found.shape != (len(first),) or not np.isfinite(found).all():
        raise EstimationError(
            "statistic: must return one finite number for each arrangement, shape (m,)", code="bad_statistic"
        )
    return found


def _every(first: NDArray[np.bool_], blocks: list[NDArray[np.int64]]) -> Iterator[NDArray[np.bool_]]:
    """Return all arrangements, some at a time."""
    tables = []
    for block in blocks:
        chosen = np.array(list(combinations(range(block.size), int(first[block].sum()))))
        table = np.zeros((len(chosen), block.size), dtype=bool)
        np.put_along_axis(table, chosen, True, axis=1)
        tables.append(table)
    sizes = [len(table) for table in tables]
    total, step = math.prod(sizes), max(1, _BLOCK // first.size)
    for start in range(0, total, step):
        numbered = np.unravel_index(np.arange(start, min(start + step, total)), sizes)
        arrangement = np.zeros((len(numbered[0]), first.size), dtype=bool)
        for block, table, rows in zip(blocks, tables, numbered, strict=True):
            arrangement[:, block] = table[rows]
        yield arrangement


def _random(
    first: NDArray[np.bool_], blocks: list[NDArray[np.int64]], m: int, seed: int
) -> Iterator[NDArray[np.bool_]]:
    """Return random arrangements, some at a time."""
    rng = np.random.default_rng(seed)
    step = max(1, _BLOCK // first.size)
    for start in range(0, m, step):
        arrangement = np.zeros((min(step, m - start), first.size), dtype=bool)
        for block in blocks:
            dealt = np.tile(first[block], (len(arrangement), 1))
            arrangement[:, block] = rng.permuted(dealt, axis=1)
        yield arrangement


def _count(
    measure: OwnStatistic, values: FloatArray, arrangements: Iterator[NDArray[np.bool_]], seen: float
) -> tuple[int, int, int, int]:
    """Return how many arrangements are at least as high, as low and as far from 0, and how many there are."""
    upper = lower = both = gone = 0
    near: float | None = None
    for block in arrangements:
        found = _measured(measure, values, block)
        if near is None:
            # sums in another order differ by rounding and must still count as equal
            near = _ROUNDING * max(float(np.abs(found).max()), abs(seen))
        upper += int((found >= seen - near).sum())
        lower += int((found <= seen + near).sum())
        both += int((np.abs(found) >= abs(seen) - near).sum())
        gone += found.size
    return upper, lower, both, gone
