"""Weighting the cases with an observed outcome up to all cases, alone or together with weights for the exposure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.exposure_model import (
    ExposureModel,
    coefficient_influence,
    exposure_codes,
    fit_exposure,
)
from outcomes.stats.causal.influence import contrasted, influence_estimates, thin_level
from outcomes.stats.causal.weighting import ExposureWeights
from outcomes.stats.numerics.arrays import FloatArray, IntArray, cluster_codes
from outcomes.stats.numerics.inputs import numbers
from outcomes.stats.numerics.weights import effective_size


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ObservationWeights:
    """Inverse probabilities of having been observed.

    Attributes
    ----------
    observed : ndarray of bool, shape (n,)
    values : ndarray, shape (n,)
        1 / probability for the observed, 0 for the others.
    slopes : ndarray, shape (n,)
        Derivative of the log weight by the linear predictor; 0 where truncated.
    model : ExposureModel or None
        Model of being observed; None when everybody was.
    n, n_observed, n_truncated : int
    effective : float
        Kish's effective size of the observed.
    """

    observed: NDArray[np.bool_]
    values: FloatArray
    slopes: FloatArray
    model: ExposureModel | None
    n: int
    n_observed: int
    n_truncated: int
    effective: float

    def tidy(self) -> pd.DataFrame:
        """Return one row: cases, observed, effective size and range of the weights."""
        own = self.values[self.observed]
        return pd.DataFrame(
            [
                {"n": self.n_observed, "n_missing": self.n - self.n_observed, "effective_size": self.effective,
                 "mean": own.mean(), "lowest": own.min(), "highest": own.max(), "n_truncated": self.n_truncated}
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        cut = f"; {self.n_truncated} weights truncated" if self.n_truncated else ""
        return (
            f"{self.n_observed} of {self.n} cases observed, weighted up to all: effective size {self.effective:.1f}, largest "
            f"weight {self.values.max():.3g}{cut}"
        )


def observation_weights(
    X: Any, observed: Any, *, names: Sequence[str], truncate: float | None = None
) -> ObservationWeights:
    """Return weights by the fitted probability of having been observed.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design of what is known of everybody and predicts being observed, the exposure among it; with its intercept.
    observed : array_like of bool, shape (n,)
    names : sequence of str, length p
    truncate : float, optional
        Weights above this quantile of the observed ones are set to it; between 0.5 and 1, both excluded.

    Returns
    -------
    ObservationWeights
        All 1 when everybody was observed.

    Raises
    ------
    EstimationError
        Nobody observed, missing flags, columns that tell the observed apart (named), a bad quantile.

    Notes
    -----
    Right when being observed depends on X alone, not on the outcome within it. Sources: Robins, Rotnitzky and Zhao
    (1994) J Am Stat Assoc 89:846; Seaman and White (2013) Stat Methods Med Res 22:278.

    Examples
    --------
    Two strata with 1 of 2 and 2 of 2 observed.

    >>> X = [[1, 0], [1, 0], [1, 0], [1, 0], [1, 1], [1, 1], [1, 1]]
    >>> w = observation_weights(X, [1, 0, 1, 0, 1, 1, 0], names=["intercept", "stratum"])
    >>> w.values.round(6).tolist()
    [2.0, 0.0, 2.0, 0.0, 1.5, 1.5, 0.0]
    """
    flags = numbers(observed, "observed: every flag must be true or false")
    n = len(flags) if flags.ndim == 1 else 0
    if flags.ndim != 1 or not np.isin(flags, (0.0, 1.0)).all():
        raise EstimationError("observed: one true or false for each row, none missing", code="not_binary")
    seen = flags == 1.0
    if not seen.any():
        raise EstimationError("nobody was observed; there is nothing to weight", code="empty_group")
    if truncate is not None and not 0.5 < truncate < 1.0:
        raise EstimationError(
            f"truncate is {truncate}; give a quantile between 0.5 and 1, such as 0.99", code="bad_choice"
        )
    if seen.all():
        return ObservationWeights(observed=seen, values=np.ones(n), slopes=np.zeros(n), model=None, n=n, n_observed=n,
                                  n_truncated=0, effective=float(n))  # fmt: skip
    labels = np.where(seen, "observed", "not observed")
    model = fit_exposure(X, labels, names=names, levels=("not observed", "observed"))
    p = model.probabilities[:, 1]
    values, slopes = np.where(seen, 1.0 / p, 0.0), np.where(seen, p - 1.0, 0.0)
    cut = np.zeros(n, dtype=bool)
    if truncate is not None:
        most = float(np.quantile(values[seen], truncate))
        cut = values > most
        values, slopes = np.minimum(values, most), np.where(cut, 0.0, slopes)
    return ObservationWeights(
        observed=seen, values=values, slopes=slopes, model=model, n=n, n_observed=int(seen.sum()),
        n_truncated=int(cut.sum()), effective=effective_size(values[seen]),
    )  # fmt: skip


def observed_difference(
    y: Any,
    exposure: Any,
    observation: ObservationWeights,
    *,
    weights: ExposureWeights | None = None,
    exposure_model: ExposureModel | None = None,
    stacked: bool = True,
    clusters: Any = None,
    pairs: Sequence[tuple[str, str]] | None = None,
    levels: Sequence[str] | None = None,
    level: float = 0.95,
    unit: str = "",
) -> tuple[Estimate, ...]:
    """Return differences of means between exposures, the observed weighted up to all cases.

    Parameters
    ----------
    y : array_like, shape (n,)
        Outcome; only observed cases need one.
    exposure : array_like, shape (n,)
        Level of each case, none missing.
    observation : ObservationWeights
    weights : ExposureWeights, optional
        Weights for the exposure of all n cases, multiplied by those of observation.
    exposure_model : ExposureModel, optional
        The model these came from; with it the errors count that it was estimated.
    stacked : bool
        Whether the errors count that the probabilities of being observed were estimated; otherwise these weights are
        taken as known, which is usually wider than needed.
    clusters : array_like, shape (n,), optional
        Cluster of each row (the patient).
    pairs : sequence of (str, str), optional
        First minus second; all pairs, later minus earlier, otherwise.
    levels : sequence of str, optional
        Order of the levels; sorted, or that of `weights`, otherwise.
    level : float
    unit : str

    Returns
    -------
    tuple of Estimate
        Means are divided by the sum of weights (Hajek). n counts observed cases, n_missing the others.

    Raises
    ------
    EstimationError
        Missing outcomes of observed cases (counted), weights or a model of other cases.

    Notes
    -----
    Sources: Stefanski and Boos (2002) Am Stat 56:29 (stacked equations); Seaman and White (2013) Stat Methods Med Res
    22:278; Hernan and Robins, Causal Inference: What If (2020), chapter 12 (product of weights).

    Examples
    --------
    In a the observed are 1 of 2 at low and 2 of 2 at high; in b everybody.

    >>> X = np.column_stack([np.ones(12), np.repeat([1.0, 0.0], [8, 4])])
    >>> seen = np.array([1, 1, 0, 0, 1, 1, 0, 0, 1, 1, 1, 0], dtype=bool)
    >>> w = observation_weights(X, seen, names=["intercept", "a"])
    >>> y = np.array([4.0, 6, np.nan, np.nan, 5, 5, np.nan, np.nan, 1, 2, 3, np.nan])
    >>> e = observed_difference(y, list("aaaaaaaabbbb"), w)[0]
    >>> e.contrast, round(e.value, 9), e.n, e.n_missing
    ('b minus a', -3.0, 7, 5)
    """
    n = observation.n
    if levels is None and weights is not None:
        levels = weights.levels
    codes, known = exposure_codes(exposure, n, levels)
    outcome = _observed_outcome(y, observation.observed)
    w = observation.values * _of_exposure(weights, exposure_model, codes, known)
    table = w[:, None] * (codes[:, None] == np.arange(len(known)))
    sums = table.sum(axis=0)
    safe = np.where(sums > 0.0, sums, 1.0)
    means = outcome @ table / safe
    influence = table * (outcome[:, None] - means) / safe
    plain = influence
    if stacked and observation.model is not None:
        influence = influence + _through(plain, observation.slopes[:, None], observation.model)
    if exposure_model is not None and weights is not None:
        influence = influence + _through(plain, weights.slopes, exposure_model)
    chosen = contrasted(known, pairs)
    groups, _ = cluster_codes(clusters, n)
    reasons = [thin_level(name, groups[table[:, k] > 0.0]) for k, name in enumerate(known)]
    first, second = np.array([a for a, _ in chosen]), np.array([b for _, b in chosen])
    counts = [int((table[:, k] > 0.0).sum()) for k in range(len(known))]
    lost = [int(((codes == k) & ~observation.observed).sum()) for k in range(len(known))]
    errors = "estimated" if stacked else "taken as known"
    named = f" times {weights.kind} weights ({weights.population})" if weights is not None else ""
    used = (table[:, first] > 0.0) | (table[:, second] > 0.0) | stacked
    made = [
        influence_estimates(
            means[first] - means[second], influence[:, first] - influence[:, second], clusters=clusters, level=level,
            unit=unit, n_missing=lost[a] + lost[b], used=used,
            labels=[f"{known[i]} minus {known[j]}" for i, j in chosen],
            n=[counts[i] + counts[j] for i, j in chosen],
            method=f"inverse probability of observation{named}, weights {errors}",
            reasons=[reasons[i] or reasons[j] for i, j in chosen],
        )[at]
        for at, (a, b) in enumerate(chosen)
    ]  # fmt: skip
    return tuple(made)


def _of_exposure(
    weights: ExposureWeights | None, model: ExposureModel | None, codes: IntArray, levels: tuple[str, ...]
) -> FloatArray:
    """Return the weights for the exposure, 1 without; refuse weights or a model of other cases or levels."""
    if weights is not None and (weights.levels != levels or not np.array_equal(weights.codes, codes)):
        raise EstimationError("the weights are those of other cases or levels", code="bad_shape")
    if model is not None and (
        weights is None or model.levels != levels or not np.array_equal(model.codes, codes)
    ):
        raise EstimationError(
            "the exposure model has other cases or levels than the weights, or there are no weights",
            code="bad_shape",
        )
    return np.ones(len(codes)) if weights is None else weights.values


def _through(influence: FloatArray, slopes: FloatArray, model: ExposureModel) -> FloatArray:
    """Return what the estimated coefficients of a model of weights add to the influence values of means."""
    moved = np.einsum("ia,ij,ip->ajp", influence, slopes, model.design)
    return np.asarray(np.einsum("ijp,ajp->ia", coefficient_influence(model), moved))


def _observed_outcome(y: Any, observed: NDArray[np.bool_]) -> FloatArray:
    """Return the outcome with 0 where it was not observed, or refuse it."""
    outcome = numbers(y, "y: every value must be a number or missing; convert the column first")
    if outcome.shape != observed.shape:
        raise EstimationError(
            f"y has shape {outcome.shape}; give one value for each of {len(observed)} rows", code="bad_shape"
        )
    n_bad = int((~np.isfinite(outcome[observed])).sum())
    if n_bad:
        raise EstimationError(
            f"{n_bad} cases declared observed have no finite outcome; declare them not observed",
            code="not_finite",
        )
    return np.where(observed, outcome, 0.0)
