"""Wild cluster bootstrap of one contrast of a linear regression, for few clusters.

Residuals are those of the fit that obeys the hypothesis; each cluster's residuals are multiplied by one
random weight; t is formed anew. With Q the orthonormal basis of the design, l the contrast on it, w_g =
Q_g'Q_g l and s the distance from the estimate to the hypothesis, the score of cluster g is u_g = Q_g'e_g + s
w_g / l'l, and a pattern of weights v gives

* numerator   sum_g v_g l'u_g,
* variance    sum_g (v_g l'u_g - w_g' sum_k v_k u_k)^2,

both of which are polynomials in s. The sums of products are therefore formed once for all patterns, and a
hypothesis costs one look at each pattern, so that the test can be inverted exactly where it jumps.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.regression.clusters import FEW_CLUSTERS, LEAST_OBSERVED, degrees_of_freedom
from outcomes.stats.regression.contrasts import check_contrasts
from outcomes.stats.regression.linear import LinearFit

WildWeights = Literal["rademacher", "webb"]
#: Weights of mean 0 and variance 1, each equally likely; the positive ones (their negatives belong to the set).
POSITIVE: dict[str, tuple[float, ...]] = {
    "rademacher": (1.0,),
    "webb": (math.sqrt(0.5), 1.0, math.sqrt(1.5)),
}
#: With at most this many patterns each is gone through once: 2^G up to 15 clusters, 6^G up to 6.
MOST_PATTERNS = 50_000
_FURTHEST = 4096.0
"""Standard errors from the estimate beyond which a limit is called infinite."""
_TIE = 1e-10  # statistics this close (relative, squared) are equal but for rounding
_NO_SPREAD = 1e-12  # a standard error this small beside the terms of the contrast is rounding
_CHUNK = 4_000_000
_ONE_CLUSTER = (
    "one cluster (or case) alone carries this contrast or part of it, so its residuals cannot show the error"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WildBootstrap:
    """One contrast with its wild cluster bootstrap interval, and what the interval rests on.

    Attributes
    ----------
    estimate : Estimate
        Limits by test inversion and p of no difference; without standard error, because none enters.
    weights : {"rademacher", "webb"}
    n_clusters, n_patterns : int
        Clusters, and patterns of weights behind every p.
    exact : bool
        Whether all patterns were gone through rather than drawn.
    smallest_p : float
        Smallest p that this number of patterns can give; above 1 - level there is no interval.
    """

    estimate: Estimate
    weights: WildWeights
    n_clusters: int
    n_patterns: int
    exact: bool
    smallest_p: float

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        e = self.estimate
        return pd.DataFrame(
            [
                {
                    "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error,
                    "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n,
                    "n_missing": e.n_missing, "n_clusters": self.n_clusters, "n_patterns": self.n_patterns,
                    "weights": self.weights, "method": e.method,
                }
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the estimate as a results sentence."""
        return str(self.estimate)


def wild_cluster_bootstrap(
    fit: LinearFit,
    contrast: Any,
    *,
    level: float = 0.95,
    weights: Literal["auto", "rademacher", "webb"] = "auto",
    n_draws: int = 9999,
    seed: int = 1,
    label: str = "",
    unit: str = "",
    n: int | None = None,
    n_missing: int = 0,
) -> WildBootstrap:
    """Return the wild cluster bootstrap interval and p of one contrast of a linear regression.

    Parameters
    ----------
    fit : LinearFit
        Fitted without weights; clusters as in the fit (every row its own when none were given).
    contrast : array_like, shape (p,)
        One contrast of the coefficients.
    level : float
        Confidence level.
    weights : {"auto", "rademacher", "webb"}
        "rademacher": plus or minus 1. "webb": six points, plus or minus the root of 1/2, 1 and 3/2, so that
        few clusters still give many patterns. "auto" is webb under 10 clusters.
    n_draws : int
        Patterns drawn where there are too many to go through (over 50,000).
    seed : int
        Seed of those draws.
    label, unit : str
        What is subtracted from what, and its unit.
    n : int, optional
        Cases the contrast speaks for, where that is not the n of the fit.
    n_missing : int
        Carried along.

    Returns
    -------
    WildBootstrap
        Limits enclose every value that the test at 1 - level does not reject; a side that is never rejected
        has no limit, and a contrast that one cluster alone carries has none (see
        :func:`outcomes.stats.regression.clusters.degrees_of_freedom`). The contrast is taken as fixed: nothing is added for a sampled population.

    Raises
    ------
    EstimationError
        A weighted fit, a contrast of zeros or of the wrong shape, a bad level, fewer than 99 draws.

    Notes
    -----
    The hypothesis is imposed on the residuals, and t is studentised by the cluster-robust error (its
    small-sample factor cancels). With drawn patterns p is (1 + number at least as far) / (1 + draws).
    Sources: Cameron, Gelbach and Miller (2008) Rev Econ Stat 90:414-427 (restricted residuals); Webb (2023)
    Can J Econ 56:839-858 (six points); MacKinnon and Webb (2018) Econometrics J 21:114-135 (why it fails, as
    other methods do, when one or two clusters carry the contrast).

    Examples
    --------
    Three clusters of mean 1, 2 and 3: only the two patterns of one sign reach the mean of 2 itself, so p = 2 / 8,
    and the values not rejected at 0.25 lie between 1 and 3.

    >>> from outcomes.stats.regression.linear import fit_linear
    >>> fit = fit_linear(np.ones((3, 1)), [1.0, 2.0, 3.0], names=["mean"], clusters=["a", "b", "c"])
    >>> found = wild_cluster_bootstrap(fit, [1.0], level=0.75, weights="rademacher", label="mean", unit="kg")
    >>> found.estimate.p_value, round(found.estimate.conf_low, 6), round(found.estimate.conf_high, 6)
    (0.25, 1.0, 3.0)
    >>> print(found)
    mean: 2 kg (75 % CI 1 to 3; n = 3; wild cluster bootstrap, all 8 patterns of Rademacher weights; \
unreliable: 3 clusters)
    """
    check_level(level)
    check_choice(weights, ("auto", "rademacher", "webb"), "weights")
    if n_draws < 99:
        raise EstimationError(f"n_draws is {n_draws}; give at least 99", code="too_few_draws")
    row = check_contrasts(contrast, fit)
    if len(row) != 1 or not row.any():
        raise EstimationError(
            f"{len(row)} contrasts, of which {int(row.any(axis=1).sum())} are not all zeros; give one",
            code="bad_contrast",
        )
    g = fit.n_clusters
    if weights == "auto":
        weights = "webb" if g < FEW_CLUSTERS else "rademacher"
    points = 2 * len(POSITIVE[weights])
    exact = points**g <= MOST_PATTERNS
    size = points**g if exact else n_draws
    how = f"all {size} patterns" if exact else f"{size} drawn patterns"
    few = f"; unreliable: {g} clusters" if g < FEW_CLUSTERS else ""
    bare = Estimate(
        value=float(row[0] @ fit.coefficients), conf_low=None, conf_high=None, level=level, contrast=label,
        unit=unit, n=fit.n if n is None else n, n_missing=n_missing,
        method=f"wild cluster bootstrap, {how} of {weights.capitalize()} weights{few}",
        reason="no spread is left to judge this contrast by",
    )  # fmt: skip
    parts = _cluster_parts(fit, row[0])
    estimate = bare
    if np.isnan(degrees_of_freedom(fit.pieces, row, least_observed=LEAST_OBSERVED)).any():
        # the same contrasts that have no robust interval: weights cannot show an error that residuals do not hold
        estimate = replace(bare, reason=_ONE_CLUSTER)
    elif math.sqrt(parts.variance) > _NO_SPREAD * float(np.abs(row[0]) @ np.abs(fit.coefficients)):
        patterns = _patterns(weights, g, seed, None if exact else n_draws)
        estimate = _with_interval(bare, _Test.over(parts, patterns, drawn=not exact))
    return WildBootstrap(
        estimate=estimate, weights=weights, n_clusters=g, n_patterns=size, exact=exact,
        smallest_p=points / size if exact else 1 / (size + 1),
    )  # fmt: skip


def _with_interval(bare: Estimate, test: _Test) -> Estimate:
    """Return an estimate with p and the limits that exist."""
    value = float(bare.value or 0.0)
    low, high = (_limit(test, side, 1 - bare.level) for side in (-1.0, 1.0))
    lost = [side for side, distance in (("lower", low), ("upper", high)) if distance is None]
    return replace(
        bare,
        conf_low=None if low is None else value - low,
        conf_high=None if high is None else value + high,
        p_value=test.p(value),
        reason=f"no {' and no '.join(lost)} limit: no value on that side is rejected" if lost else "",
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parts:
    """Scores of the clusters at the estimate (G, p), their change with the hypothesis, and the contrast."""

    score: FloatArray
    weight: FloatArray
    direction: FloatArray
    variance: float


def _cluster_parts(fit: LinearFit, contrast: FloatArray) -> _Parts:
    """Return what the bootstrap needs of a fit; refuse weights, which the residuals would not carry."""
    pieces = fit.pieces
    if len(fit.residuals) != len(pieces.order):
        raise EstimationError("the wild bootstrap takes fits without weights", code="weighted_fit")
    residuals = fit.residuals[pieces.order]
    if np.abs(pieces.basis.T @ residuals).max() > 1e-6 * max(float(np.linalg.norm(residuals)), 1e-300):
        raise EstimationError("the wild bootstrap takes fits without weights", code="weighted_fit")
    direction = pieces.to_coefficients.T @ contrast
    score = np.add.reduceat(pieces.basis * residuals[:, None], pieces.starts, axis=0)
    weight = np.add.reduceat(pieces.basis * (pieces.basis @ direction)[:, None], pieces.starts, axis=0)
    own = score @ direction
    return _Parts(score=score, weight=weight, direction=direction, variance=float(own @ own))


def _patterns(weights: WildWeights, g: int, seed: int, n_draws: int | None) -> Iterator[FloatArray]:
    """Yield patterns of weights, shape (some, G); of all patterns one of each pair of opposite ones."""
    positive = np.array(POSITIVE[weights])
    values = np.concatenate([positive, -positive])
    if n_draws is None:
        rest = np.array(list(product(values, repeat=g - 1)), dtype=np.float64).reshape(-1, g - 1)
        for first in positive:
            yield np.column_stack([np.full(len(rest), first), rest])
        return
    generator = np.random.default_rng(seed)
    left, most = n_draws, max(1, _CHUNK // g)
    while left:
        yield generator.choice(values, size=(min(left, most), g))
        left -= min(left, most)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Test:
    """Coefficients of numerator (n0 + n1 s) and variance (v0 + v1 s + v2 s^2) of every pattern."""

    n0: FloatArray
    n1: FloatArray
    v0: FloatArray
    v1: FloatArray
    v2: FloatArray
    variance: float
    drawn: bool

    @classmethod
    def over(cls, parts: _Parts, patterns: Iterator[FloatArray], *, drawn: bool) -> _Test:
        """Form the sums of products of all patterns."""
        length = float(parts.direction @ parts.direction)
        found = []
        for v in patterns:
            moved = parts.weight / length
            a0, a1 = v * (parts.score @ parts.direction), v * (moved @ parts.direction)
            b0 = a0 - (v @ parts.score) @ parts.weight.T
            b1 = a1 - (v @ moved) @ parts.weight.T
            found.append((
                a0.sum(axis=1), a1.sum(axis=1), np.square(b0).sum(axis=1), 2 * (b0 * b1).sum(axis=1),
                np.square(b1).sum(axis=1),
            ))  # fmt: skip
        n0, n1, v0, v1, v2 = (np.concatenate(each) for each in zip(*found, strict=True))
        return cls(n0=n0, n1=n1, v0=v0, v1=v1, v2=v2, variance=parts.variance, drawn=drawn)

    def p(self, s: float) -> float:
        """Return the p of the hypothesis that lies `s` below the estimate."""
        # products instead of quotients: a pattern without variance counts as far, which is the safe side
        far = np.square(self.n0 + self.n1 * s) * self.variance
        own = s * s * np.maximum(self.v0 + self.v1 * s + self.v2 * s * s, 0.0)
        count = int((far >= own * (1 - _TIE)).sum())
        return (1 + count) / (1 + len(own)) if self.drawn else count / len(own)


def _limit(test: _Test, side: float, alpha: float) -> float | None:
    """Return how far beyond the estimate the last value lies that is not rejected; None if there is none."""
    error = math.sqrt(test.variance)
    distances = np.concatenate([[0.0], error * np.geomspace(1 / 64, _FURTHEST, 73)])
    kept = np.array([test.p(-side * d) > alpha for d in distances])
    last = int(np.flatnonzero(kept)[-1])
    if last == len(distances) - 1:
        return None
    inside, outside = float(distances[last]), float(distances[last + 1])
    for _ in range(48):
        middle = 0.5 * (inside + outside)
        if test.p(-side * middle) > alpha:
            inside = middle
        else:
            outside = middle
    return inside
