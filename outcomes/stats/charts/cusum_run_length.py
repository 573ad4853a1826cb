"""Average run length of a tabular CUSUM of normal values."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice

RunLengthMethod = Literal["integral equation", "Markov chain", "Siegmund"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunLength:
    """Average number of points until a chart signals.

    Attributes
    ----------
    average : float
    reference, limit, shift : float
        k, h and the shift of the mean, in standard deviations of one point.
    sides : int
    method : str
    """

    average: float
    reference: float
    limit: float
    shift: float
    sides: int
    method: str

    def tidy(self) -> pd.DataFrame:
        """Return one row."""
        return pd.DataFrame(
            [{"contrast": f"shift {self.shift:g}", "estimate": self.average, "method": self.method}]
        )

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        return (
            f"CUSUM with k = {self.reference:g}, h = {self.limit:g}, {self.sides}-sided: {self.average:.4g} points on "
            f"average until it signals at a shift of {self.shift:g} SD ({self.method})"
        )


def cusum_run_length(
    reference: float,
    limit: float,
    *,
    shift: float = 0.0,
    sides: int = 2,
    method: RunLengthMethod = "integral equation",
    n_states: int = 0,
) -> RunLength:
    """Return the average run length of a CUSUM that starts at 0, for independent normal values.

    Parameters
    ----------
    reference, limit : float
        k (0 or more) and h (above 0), in standard deviations.
    shift : float
        True mean less target, in standard deviations.
    sides : {1, 2}
        Upper side alone, or both: 1 / average = sum of both 1 / averages.
    method : {"integral equation", "Markov chain", "Siegmund"}
        The first by Gauss-Legendre quadrature, exact to about ten digits; Brook and Evans' chain of states, with error
        of order 1 / states squared; Siegmund's formula, within a few percent.
    n_states : int
        Nodes or states; 0 chooses enough of them.

    Returns
    -------
    RunLength

    Raises
    ------
    EstimationError
        Bad arguments; a run length too long to compute.

    Notes
    -----
    Sources: Page ES. Biometrika 1954; 41: 100-115. Brook D, Evans DA. Biometrika 1972; 59: 539-549. Siegmund D.
    Sequential Analysis (1985). Tables: Montgomery, Introduction to Statistical Quality Control, from memory.

    Examples
    --------
    >>> print(round(cusum_run_length(0.5, 4).average, 1), round(cusum_run_length(0.5, 4, shift=1).average, 2))
    167.7 8.38
    """
    check_choice(method, ("integral equation", "Markov chain", "Siegmund"), "method")
    if sides not in (1, 2):
        raise EstimationError("sides: 1 or 2", code="bad_choice")
    if not (math.isfinite(reference) and reference >= 0 and math.isfinite(limit) and limit > 0):
        raise EstimationError("reference at least 0 and limit above 0, both finite", code="bad_limit")
    if not math.isfinite(shift) or n_states < 0:
        raise EstimationError("shift finite, n_states 0 or more", code="bad_value")
    each = {"integral equation": _by_integral, "Markov chain": _by_chain, "Siegmund": _by_formula}[method]
    averages = [_or_endless(each, reference - sign * shift, limit, n_states) for sign in (1.0, -1.0)[:sides]]
    # a run length beyond 1e12 is lost in the rounding of the equations
    usable = [a for a in averages if 0 < a < 1e12]
    if not usable:
        raise EstimationError("the run length is too long to compute; lower the limit", code="too_long")
    average = 1 / math.fsum(1 / a for a in usable)
    return RunLength(
        average=average, reference=float(reference), limit=float(limit), shift=float(shift), sides=sides,
        method=method,
    )  # fmt: skip


def _or_endless(each: Callable[[float, float, int], float], k: float, h: float, n: int) -> float:
    """Return the run length of one side, infinity where that side has no chance a double can hold."""
    try:
        return each(k, h, n)
    except (np.linalg.LinAlgError, OverflowError):
        return math.inf


def _by_integral(k: float, h: float, n: int) -> float:
    """Solve Page's equation L(s) = 1 + L(0) P(back to 0 from s) + integral of L over (0, h), at s = 0."""
    nodes, weights = np.polynomial.legendre.leggauss(n or max(40, int(12 * h)))
    x, w = (nodes + 1) * h / 2, weights * h / 2
    start = np.concatenate([[0.0], x])
    kernel = np.column_stack(
        [special.ndtr(k - start), w * np.exp(-0.5 * (x + k - start[:, None]) ** 2) / math.sqrt(2 * math.pi)]
    )
    return float(np.linalg.solve(np.eye(len(start)) - kernel, np.ones(len(start)))[0])


def _by_chain(k: float, h: float, n: int) -> float:
    """Solve Brook and Evans' chain: the first state is half as wide, so that it stands for 0."""
    m = n or 400
    width = 2 * h / (2 * m - 1)
    centre = width * np.arange(m)
    gap = centre[None, :] - centre[:, None] + k
    move = special.ndtr(gap + width / 2) - special.ndtr(gap - width / 2)
    move[:, 0] = special.ndtr(k - centre + width / 2)
    return float(np.linalg.solve(np.eye(m) - move, np.ones(m))[0])


def _by_formula(k: float, h: float, n: int) -> float:
    """Return Siegmund's approximation, b = h + 1.166."""
    b, drift = h + 1.166, -k
    if abs(drift) * b < 1e-4:
        return b * b
    return (math.exp(-2 * drift * b) + 2 * drift * b - 1) / (2 * drift * drift)
