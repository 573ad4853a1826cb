"""Weighting by the probability of the exposure: weights, what balance they reach, and weighted differences.

With e_k the probability of level k given what came before, and a the level of a case, the weight of the
case is ``h / e_a``; h decides whom the comparison speaks for:

* inverse probability: h = 1, everybody; stabilised: h = share of level a, the same average;
* treated: h = e_t, the cases that had level t;
* overlap: h = 1 / sum_k (1 / e_k), the cases that could have had any level (their own population, so a
  difference from the others is no disagreement).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.exposure_model import ExposureModel, coefficient_influence, exposure_codes
from outcomes.stats.causal.influence import contrasted, influence_estimates, thin_level
from outcomes.stats.groups.balance import Kind, StandardisedDifference, standardised_difference
from outcomes.stats.numerics.arrays import (
    FloatArray,
    IntArray,
    check_choice,
    check_outcome,
    check_weights,
    cluster_codes,
)
from outcomes.stats.numerics.weights import effective_size

Target = Literal["inverse probability", "stabilised", "treated", "overlap"]
POPULATIONS: dict[str, str] = {
    "inverse probability": "all cases",
    "stabilised": "all cases",
    "treated": "cases with level ",
    "overlap": "cases that could have had any level",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExposureWeights:
    """Weights of cases by the probability of the exposure they had.

    Attributes
    ----------
    kind, population : str
        Which weights, and whom they make the comparison speak for.
    levels : tuple of str, length K
    codes : ndarray of int, shape (n,)
        Each case's own level.
    values : ndarray, shape (n,)
    slopes : ndarray, shape (n, K - 1)
        Derivative of the log weight with respect to the linear predictor of each level but the first;
        0 where the weight was truncated.
    effective : tuple of float, length K
        Kish's effective size of each level.
    truncated_at : tuple of float or None
        The smallest and largest weight allowed.
    n_truncated : int
    """

    kind: str
    population: str
    levels: tuple[str, ...]
    codes: IntArray
    values: FloatArray
    slopes: FloatArray
    effective: tuple[float, ...]
    truncated_at: tuple[float, float] | None
    n_truncated: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a level: cases, effective size and range of the weights."""
        rows = []
        for k, level in enumerate(self.levels):
            own = self.values[self.codes == k]
            rows.append(
                {"group": level, "n": len(own), "effective_size": self.effective[k], "mean": own.mean(),
                 "lowest": own.min(), "highest": own.max()}
            )  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        sizes = ", ".join(
            f"{name} {size:.1f}" for name, size in zip(self.levels, self.effective, strict=True)
        )
        cut = f"; {self.n_truncated} weights truncated" if self.truncated_at is not None else ""
        return f"{self.kind} weights, speaking for {self.population}; effective sizes {sizes}{cut}"


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightedBalance:
    """Standardised differences of one variable before and after weighting, in the same units.

    Attributes
    ----------
    name : str
    before, after : StandardisedDifference
    """

    name: str
    before: StandardisedDifference
    after: StandardisedDifference

    def tidy(self) -> pd.DataFrame:
        """Return one row for each pair of levels, before and after."""
        return pd.concat(
            [self.before.tidy().assign(weighted=False), self.after.tidy().assign(weighted=True)],
            ignore_index=True,
        )

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return f"before weighting {self.before}; after weighting {self.after}"


def exposure_weights(
    model: ExposureModel,
    kind: Target = "inverse probability",
    *,
    treated: str | None = None,
    truncate: float | None = None,
) -> ExposureWeights:
    """Return weights from the fitted probabilities of an exposure.

    Parameters
    ----------
    model : ExposureModel
        Fitted by :func:`outcomes.stats.causal.exposure_model.fit_exposure`.
    kind : {"inverse probability", "stabilised", "treated", "overlap"}
        Whom the comparison is to speak for, see the head of this module.
    treated : str, optional
        The level t of "treated".
    truncate : float, optional
        Weights below this quantile and above one minus it are set to the quantiles (0.01 is usual);
        between 0 and 0.5, both excluded. Truncation buys precision with bias: it is counted.

    Returns
    -------
    ExposureWeights

    Raises
    ------
    EstimationError
        A bad kind or quantile, "treated" without a known level.

    Notes
    -----
    Sources: Robins, Hernan and Brumback (2000) Epidemiology 11:550 (inverse, stabilised); Cole and Hernan
    (2008) Am J Epidemiol 168:656 (truncation at quantiles); Hirano and Imbens (2001) Health Serv Outcomes
    Res Methodol 2:259 (treated); Li, Morgan and Zaslavsky (2018) J Am Stat Assoc 113:390 and Li and Li
    (2019) Ann Appl Stat 13:2389 (overlap, two and several levels).

    Examples
    --------
    Of four cases one had b: probabilities 3/4 and 1/4, weights 4/3 and 4.

    >>> from outcomes.stats.causal.exposure_model import fit_exposure
    >>> model = fit_exposure(np.ones((4, 1)), list("aaab"), names=["intercept"])
    >>> exposure_weights(model).values.round(6).tolist()
    [1.333333, 1.333333, 1.333333, 4.0]
    >>> exposure_weights(model, "overlap").values.round(6).tolist()
    [0.25, 0.25, 0.25, 0.75]
    """
    check_choice(kind, get_args(Target), "kind")
    # the smallest number that still has an inverse; only probabilities that underflowed are touched
    e, codes = np.maximum(model.probabilities, 1e-300), model.codes
    own = e[np.arange(len(e)), codes]
    # derivative of log(1 / e_own) with respect to the linear predictors
    slopes = e - (codes[:, None] == np.arange(e.shape[1]))
    if kind == "treated":
        if treated is None or str(treated) not in model.levels:
            raise EstimationError(
                f"'treated' weights need the level they speak for; treated is one of {', '.join(model.levels)}",
                code="unknown_group",
            )
        t = model.levels.index(str(treated))
        top, slopes = e[:, t], slopes + (np.arange(e.shape[1]) == t) - e
    elif kind == "overlap":
        top = 1.0 / (1.0 / e).sum(axis=1)
        slopes = slopes + top[:, None] / e - e
    elif kind == "stabilised":
        top = np.bincount(codes, minlength=e.shape[1])[codes] / len(e)
    else:
        top = np.ones(len(e))
    values, slopes = top / own, slopes[:, 1:]
    at: tuple[float, float] | None = None
    cut = np.zeros(len(e), dtype=bool)
    if truncate is not None:
        if not 0.0 < truncate < 0.5:
            raise EstimationError(
                f"truncate is {truncate}; give a quantile between 0 and 0.5, such as 0.01", code="bad_choice"
            )
        low, high = np.quantile(values, [truncate, 1.0 - truncate])
        cut = (values < low) | (values > high)
        values, at = np.clip(values, low, high), (float(low), float(high))
    return ExposureWeights(
        kind=kind,
        population=POPULATIONS[kind] + (str(treated) if kind == "treated" else ""),
        levels=model.levels,
        codes=codes,
        values=values,
        slopes=np.where(cut[:, None], 0.0, slopes),
        effective=tuple(effective_size(values[codes == k]) for k in range(len(model.levels))),
        truncated_at=at,
        n_truncated=int(cut.sum()),
    )


def weighted_balance(
    columns: Mapping[str, Any], exposure: Any, weights: Any, *, kinds: Mapping[str, Kind] | None = None
) -> tuple[WeightedBalance, ...]:
    """Return the standardised differences of each variable before and after weighting.

    Parameters
    ----------
    columns : mapping of str to array_like, shape (n,)
        Values of each variable; missing values are left out and counted.
    exposure : array_like, shape (n,)
        Level of each case; differences are those of earlier minus later levels in sorted order.
    weights : array_like, shape (n,)
        0 or more.
    kinds : mapping of str to {"continuous", "binary", "categorical"}, optional
        "continuous" where not said.

    Returns
    -------
    tuple of WeightedBalance
        In the order of the columns. Both are divided by the unweighted spread.

    Raises
    ------
    EstimationError
        Weights or values that do not fit, see
        :func:`outcomes.stats.groups.balance.standardised_difference`.

    Notes
    -----
    Source: Austin and Stuart (2015) Statistics in Medicine 34:3661.

    Examples
    --------
    Weighting the only high value of b up makes the means equal.

    >>> balance = weighted_balance({"age": [1, 3, 1, 1, 3]}, list("aabbb"), [1, 1, 1, 1, 2])
    >>> round(balance[0].before.value, 4), balance[0].after.value
    (0.2582, 0.0)
    """
    w = check_weights(weights, np.size(weights))
    codes, levels = exposure_codes(exposure, len(w))
    parts = [codes == k for k in range(len(levels))]
    made = []
    for name, values in columns.items():
        array = np.asarray(values)
        if array.shape != w.shape:
            raise EstimationError(
                f"{name} has shape {array.shape}; give one value for each of {len(w)} rows", code="bad_shape"
            )
        groups = [array[part] for part in parts]
        kind: Kind = (kinds or {}).get(name, "continuous")
        before = standardised_difference(groups, kind=kind, labels=levels, name=name)
        after = standardised_difference(
            groups, kind=kind, labels=levels, name=name, weights=[w[part] for part in parts]
        )
        made.append(WeightedBalance(name=name, before=before, after=after))
    return tuple(made)


def weighted_difference(
    y: Any,
    weights: ExposureWeights,
    *,
    model: ExposureModel | None = None,
    clusters: Any = None,
    pairs: Sequence[tuple[str, str]] | None = None,
    level: float = 0.95,
    unit: str = "",
    n_missing: int = 0,
) -> tuple[Estimate, ...]:
    """Return differences of weighted means between levels, with errors from influence values.

    Parameters
    ----------
    y : array_like, shape (n,)
        Outcome.
    weights : ExposureWeights
        Made by :func:`exposure_weights`. The means are divided by the sum of the weights (Hajek).
    model : ExposureModel, optional
        The model the weights came from. With it, the errors account for its having been estimated;
        without it the weights are taken as known, which for all-cases weights is wider than needed.
    clusters : array_like, shape (n,), optional
        Cluster of each row (the patient).
    pairs : sequence of (str, str), optional
        First minus second; all pairs in the order of the levels, later minus earlier, otherwise.
    level : float
        Confidence level.
    unit : str
        Unit of the outcome.
    n_missing : int
        Cases left out before because something was missing; carried along.

    Returns
    -------
    tuple of Estimate
        Not estimable for a pair one of whose levels has fewer than two clusters of weight above 0.

    Raises
    ------
    EstimationError
        Missing outcomes, unknown levels, a model of other cases, fewer than two clusters.

    Notes
    -----
    Sources: Lunceford and Davidian (2004) Statistics in Medicine 23:2937 (both errors, two levels); Hernan
    and Robins, Causal Inference: What If (2020), chapter 12. Truncation points are taken as fixed.

    Examples
    --------
    Two strata. In the first two of three cases had b, in the second one of three; standardised to all,
    b minus a is half of (5 - 1) plus half of (9 - 4).

    >>> from outcomes.stats.causal.exposure_model import fit_exposure
    >>> X = [[1, 0], [1, 0], [1, 0], [1, 1], [1, 1], [1, 1]]
    >>> model = fit_exposure(X, list("abbaab"), names=["intercept", "stratum"])
    >>> e = weighted_difference([1, 4, 6, 3, 5, 9], exposure_weights(model), unit="points")[0]
    >>> e.contrast, round(e.value, 9)
    ('b minus a', 4.5)
    """
    n, k = len(weights.values), len(weights.levels)
    outcome = check_outcome(y, n)
    own = weights.codes[:, None] == np.arange(k)
    w = weights.values[:, None] * own
    sums = w.sum(axis=0)
    safe = np.where(sums > 0.0, sums, 1.0)
    means = outcome @ w / safe
    influence = w * (outcome[:, None] - means) / safe
    if model is not None:
        if model.levels != weights.levels or not np.array_equal(model.codes, weights.codes):
            raise EstimationError(
                "the model has other cases or levels than the weights; give the model the weights were made from",
                code="bad_shape",
            )
        # how the means move with the coefficients, shape (K, K - 1, p)
        moved = np.einsum("ia,ij,ip->ajp", influence, weights.slopes, model.design)
        influence = influence + np.einsum("ijp,ajp->ia", coefficient_influence(model), moved)
    chosen = contrasted(weights.levels, pairs)
    codes, _ = cluster_codes(clusters, n)
    reasons = [thin_level(name, codes[w[:, j] > 0.0]) for j, name in enumerate(weights.levels)]
    first, second = np.array([a for a, _ in chosen]), np.array([b for _, b in chosen])
    errors = "estimated" if model is not None else "taken as known"
    used = (w[:, first] > 0.0) | (w[:, second] > 0.0) | (model is not None)
    return influence_estimates(
        means[first] - means[second],
        influence[:, first] - influence[:, second],
        clusters=clusters, level=level, unit=unit, n_missing=n_missing,
        labels=[f"{weights.levels[a]} minus {weights.levels[b]}" for a, b in chosen],
        n=[int(own[:, a].sum() + own[:, b].sum()) for a, b in chosen],
        method=f"{weights.kind} weights ({weights.population}), weights {errors}",
        used=used, reasons=[reasons[a] or reasons[b] for a, b in chosen],
    )  # fmt: skip
