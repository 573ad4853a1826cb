"""Two factors and their interaction: analysis of variance with sums of squares of type I, II or III."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.stats.groups.nested import NestedTest, column_basis, compare_fits
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_choice, check_level
from outcomes.stats.numerics.inputs import numbers

SumsOfSquares = Literal["I", "II", "III"]
TYPES: tuple[SumsOfSquares, ...] = ("I", "II", "III")
EMPTY_CELLS = "{} of {} combinations of levels have no values: type III does not say what it compares"


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoWay:
    """A two-way table of analysis of variance.

    Attributes
    ----------
    first, second, interaction : NestedTest
        The two factors and their interaction, each with F, p, sum of squares and partial eta squared.
    kind : str
        Type of the sums of squares.
    ss_residual : float or None
        Squared units of the outcome.
    n, n_missing, n_empty_cells : int
        Cases used; cases left out because outcome or a factor was missing; combinations of levels
        without values.
    """

    first: NestedTest
    second: NestedTest
    interaction: NestedTest
    kind: SumsOfSquares
    ss_residual: float | None
    n: int
    n_missing: int
    n_empty_cells: int

    def tidy(self) -> pd.DataFrame:
        """Return one row an effect, with the common column names."""
        tests = (self.first, self.second, self.interaction)
        return pd.DataFrame([row for test in tests for row in test.tidy().to_dict("records")])

    def __str__(self) -> str:
        """Return one sentence an effect."""
        tests = (self.first, self.second, self.interaction)
        return "\n".join(f"{test.partial_eta_squared.contrast}: {test}" for test in tests)


def two_way_anova(
    y: ArrayLike,
    first: Any,
    second: Any,
    *,
    names: tuple[str, str] = ("first factor", "second factor"),
    kind: SumsOfSquares = "II",
    level: float = 0.95,
) -> TwoWay:
    """Test two factors and their interaction, assuming one variance.

    Parameters
    ----------
    y : array_like, shape (n,)
        Outcome; NaN or None where missing.
    first, second : array_like, shape (n,)
        Level of each case, any labels; None, NaN or NA where missing.
    names : tuple of str
        What the factors are called.
    kind : {"I", "II", "III"}
        I: each after those before it. II (default): each factor after the other, the interaction after
        both; the stronger test where there is no interaction. III: each after all others, which
        compares unweighted means of cells and needs every cell filled. All agree for equal cells.
    level : float
        Of the intervals of partial eta squared.

    Returns
    -------
    TwoWay
        A test that cannot be made says why: empty cells (type III of the factors), a factor of one level,
        no degrees of freedom, no variation.

    Raises
    ------
    EstimationError
        For lengths that differ, an outcome that is not numeric, or no complete case.

    References
    ----------
    Yates F. Journal of the American Statistical Association 1934; 29: 51-66. Types: Speed FM, Hocking RR,
    Hackney OP. Journal of the American Statistical Association 1978; 73: 105-112. Venables WN, in favour
    of II: Exegeses on Linear Models. 1998 (from memory).

    Examples
    --------
    Cell means 1.5, 3.5 / 5.5, 11.5 of two values each: the interaction 2 - 6 has the sum of squares
    (2 - 6)^2 * 2 / 4, and each cell leaves 0.5:

    >>> y = [1, 2, 3, 4, 5, 6, 11, 12]
    >>> table = two_way_anova(y, list("aaaabbbb"), list("ccddccdd"))
    >>> round(table.interaction.ss, 10), round(table.ss_residual, 10), round(table.interaction.f, 10)
    (8.0, 2.0, 16.0)
    """
    check_choice(kind, TYPES, "kind")
    check_level(level)
    outcome, codes, n_missing = _complete(y, first, second)
    sizes = tuple(int(code.max()) + 1 for code in codes)
    cells = np.unique(codes[0] * sizes[1] + codes[1])
    n_empty = sizes[0] * sizes[1] - cells.size
    a, b = _effects(codes[0], sizes[0]), _effects(codes[1], sizes[1])
    both = (a[:, :, None] * b[:, None, :]).reshape(len(outcome), -1)
    one = np.ones((len(outcome), 1))
    full = column_basis(np.column_stack([one, a, b, both]))
    pairs = {
        "I": (([one], [one, a]), ([one, a], [one, a, b])),
        "II": (([one, b], [one, a, b]), ([one, a], [one, a, b])),
        "III": (([one, b, both], [one, a, b, both]), ([one, a, both], [one, a, b, both])),
    }[kind]
    empty = EMPTY_CELLS.format(n_empty, sizes[0] * sizes[1]) if kind == "III" and n_empty else ""
    made = [
        _test(small, large, full, outcome, kind, name, level, n_missing, empty)
        for (small, large), name in zip(pairs, names, strict=True)
    ]
    name = f"{names[0]} by {names[1]}"
    joint = _test([one, a, b], [one, a, b, both], full, outcome, kind, name, level, n_missing, "")
    residual = next((test.ss_residual for test in (joint, *made) if test.ss_residual is not None), None)
    return TwoWay(
        first=made[0], second=made[1], interaction=joint, kind=kind, ss_residual=residual, n=len(outcome),
        n_missing=n_missing, n_empty_cells=n_empty,
    )  # fmt: skip


def _complete(y: ArrayLike, first: Any, second: Any) -> tuple[FloatArray, tuple[IntArray, IntArray], int]:
    """Return outcome and level numbers of the complete cases in a fixed order, and how many were not."""
    outcome = numbers(y, "y: every value must be a number, NaN or None; convert the column first")
    columns = [pd.Series(np.asarray(column, dtype=object)) for column in (first, second)]
    if outcome.ndim != 1 or any(len(column) != len(outcome) for column in columns):
        raise EstimationError("y and both factors need the same length, one value a case", code="bad_shape")
    if np.isinf(outcome).any():
        raise EstimationError(
            "y holds infinite values; set them to NaN and count them as missing", code="infinite"
        )
    present = ~np.isnan(outcome) & columns[0].notna().to_numpy() & columns[1].notna().to_numpy()
    if not present.any():
        raise EstimationError("no case has outcome and both factors", code="no_cases")
    codes = [np.unique(column[present].astype(str), return_inverse=True)[1] for column in columns]
    # Sorted, so that the order of rows does not reach the last digit.
    order = np.lexsort((outcome[present], codes[1], codes[0]))
    kept = outcome[present][order]
    return kept, (codes[0][order], codes[1][order]), int((~present).sum())


def _effects(codes: IntArray, size: int) -> FloatArray:
    """Return columns of a factor that sum to zero over its levels, as type III needs."""
    columns = np.vstack([np.eye(size - 1), -np.ones((1, size - 1))])
    return np.asarray(columns[codes], dtype=np.float64)


def _test(
    small: Any, large: Any, full: FloatArray, y: FloatArray, kind: str, name: str, level: float,
    n_missing: int, reason: str,
) -> NestedTest:  # fmt: skip
    """Return the test of one effect, or the one that says why there is none."""
    basis0, basis1 = column_basis(np.column_stack(small)), column_basis(np.column_stack(large))
    method = f"two-way analysis of variance, type {kind}"
    return compare_fits(
        basis0, basis1, y, residual_basis=full, level=level, contrast=name, n_missing=n_missing,
        method=method, reason=reason,
    )  # fmt: skip
