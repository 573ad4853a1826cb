"""Risks when events are rare: a penalised model without interaction, bootstrapped over clusters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from outcomes.analysis.design import ExposureColumns
from outcomes.analysis.effects import Effect
from outcomes.analysis.estimands import Contrast, Family, Term
from outcomes.analysis.protocol import Better
from outcomes.analysis.risks import RiskDesign, average_many, risk_design
from outcomes.analysis.standardisation import Cases, Reading
from outcomes.analysis.states import effect_direction, effect_state
from outcomes.estimates import Estimate
from outcomes.stats.numerics.student import t_quantile
from outcomes.stats.regression.firth import fit_firth
from outcomes.stats.regression.firth_resamples import fit_firth_resamples
from outcomes.stats.resampling.bootstrap import cluster_resamples, percentile_interval

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Bootstrap replicates, and the cases an indicator needs so that resamples hardly ever lose it.
N_BOOT = 400
LEAST_IN_LEVEL = 8

#: Level that collects the strategies that are not judged.
OTHERS = "strategies not judged"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PenalisedFit:
    """A penalised fit with its replicates.

    Attributes
    ----------
    cases : Cases
        Strategies that are not judged merged into one level.
    design : RiskDesign
    coefficients : ndarray, shape (p,)
    replicates : ndarray, shape (B, p)
        NaN rows where a resample failed.
    n_failed : int
    n_events, n : int
    """

    cases: Cases
    design: RiskDesign
    coefficients: FloatArray
    replicates: FloatArray
    n_failed: int
    n_events: int
    n: int


def merge_rare(cases: Cases, used: BoolArray, judged: Sequence[str]) -> Cases:
    """Merge strategies that are not judged, and drop indicators too rare to survive resampling.

    Examples
    --------
    >>> cases = Cases(strategy=np.array(["plate", "nail"], object), met=np.ones(2), X=np.ones((2, 1)),
    ...               names=("open",), complete=np.ones(2, bool), cluster=np.arange(2))
    >>> merge_rare(cases, np.ones(2, bool), ["plate"]).strategy.tolist()
    ['plate', 'strategies not judged']
    """
    strategy = np.where(np.isin(cases.strategy, judged), cases.strategy, OTHERS).astype(object)
    keep = []
    for position in range(cases.X.shape[1]):
        column = cases.X[used][:, position]
        binary = np.isin(column, (0.0, 1.0)).all()
        smaller = min(int((column == 0).sum()), int((column == 1).sum())) if binary else LEAST_IN_LEVEL
        if smaller >= LEAST_IN_LEVEL:
            keep.append(position)
    return replace(
        cases, strategy=strategy, X=cases.X[:, keep], names=tuple(cases.names[each] for each in keep)
    )


def fit_penalised(
    cases: Cases, y: FloatArray, used: BoolArray, columns: ExposureColumns, *, seed: int
) -> PenalisedFit:
    """Fit Firth's logistic model with corrected intercept, and refit it on resamples of whole clusters.

    Parameters
    ----------
    cases : Cases
        From :func:`merge_rare`.
    y : ndarray of float, shape (n,)
    used : ndarray of bool, shape (n,)
    columns : ExposureColumns
        Without interaction.
    seed : int

    Notes
    -----
    Firth (1993) Biometrika 80:27; intercept correction: Puhr et al. (2017) Statistics in Medicine 36:2302.
    """
    design = risk_design(cases, used, columns)
    X = _with_intercept(design.X)
    names = ("intercept", *design.names[1:])
    fit = fit_firth(X, y[used], names=names, intercept_correction=True)
    weights = cluster_resamples(cases.cluster[used], N_BOOT, seed)
    resamples = fit_firth_resamples(X, y[used], weights, names=names, intercept_correction=True)
    return PenalisedFit(
        cases=cases, design=design, coefficients=_without_intercept(fit.coefficients[None], columns)[0],
        replicates=_without_intercept(resamples.coefficients, columns), n_failed=resamples.n_failed,
        n_events=int(y[used].sum()), n=int(used.sum()),
    )  # fmt: skip


def _with_intercept(X: FloatArray) -> FloatArray:
    """Turn the level of the first strategy into an intercept; the columns span the same space."""
    changed = X.copy()
    changed[:, 0] = 1.0
    return changed


def _without_intercept(coefficients: FloatArray, columns: ExposureColumns) -> FloatArray:
    """Return coefficients for one level a strategy: the intercept is added to the levels of the others."""
    changed = coefficients.copy()
    changed[:, 1 : len(columns.strategies)] += coefficients[:, :1]
    return changed


def penalised_effects(
    fit: PenalisedFit, families: Sequence[Family], reading: Reading
) -> dict[str, tuple[Effect, ...]]:
    """Standardise every contrast, with intervals from the replicates.

    Single contrasts have percentile intervals. A family read together has the interval value plus or minus c
    times the bootstrap standard error, c the 95 % point of the largest standardised deviation over the
    family.
    """
    return {family.name: _family(fit, family, reading) for family in families}


def _family(fit: PenalisedFit, family: Family, reading: Reading) -> tuple[Effect, ...]:
    """Effects of one family."""
    if not family.contrasts:
        return ()
    contrasts = [_merged(contrast, fit) for contrast in family.contrasts]
    values = np.array(
        [average_many(fit.coefficients[None], fit.design, fit.cases, each)[0] for each in contrasts]
    )
    draws = np.array([average_many(fit.replicates, fit.design, fit.cases, each) for each in contrasts])
    critical = _critical(values, draws) if family.simultaneous and len(contrasts) > 1 else None
    if family.read_with > 1:
        critical = float(t_quantile(1 - 0.05 / (2 * family.read_with), np.inf))
    return tuple(
        _effect(contrast, value, draw, critical, fit, reading)
        for contrast, value, draw in zip(contrasts, values, draws, strict=True)
    )


def _merged(contrast: Contrast, fit: PenalisedFit) -> Contrast:
    """Return the contrast with strategies named as in the merged model."""
    known = fit.design.columns.strategies
    terms = tuple(
        term if term.strategy is None or term.strategy in known else
        Term(sign=term.sign, strategy=OTHERS, met=term.met)
        for term in contrast.terms
    )  # fmt: skip
    return replace(contrast, terms=terms)


def _critical(values: FloatArray, draws: FloatArray) -> float | None:
    """Return the 95 % point of the largest standardised deviation; None when replicates do not vary."""
    good = draws[:, np.isfinite(draws).all(axis=0)]
    errors = good.std(axis=1, ddof=1)
    if not (errors > 0).all():
        return None
    return float(np.quantile(np.abs((good - values[:, None]) / errors[:, None]).max(axis=0), 0.95))


def _effect(
    contrast: Contrast,
    value: float,
    draws: FloatArray,
    critical: float | None,
    fit: PenalisedFit,
    reading: Reading,
) -> Effect:
    """Return one effect with its intervals."""
    shared = "common effect of reduction, " if fit.design.columns.with_reduction else ""
    method = f"Firth logistic regression, {shared}{fit.n_events} events, cluster bootstrap"
    n = int((contrast.target & fit.design.used).sum())
    n_missing = int(contrast.target.sum()) - n
    common = {
        "contrast": contrast.label,
        "unit": reading.unit,
        "n": n,
        "n_missing": n_missing,
        "method": method,
    }
    wide = percentile_interval(draws, value, level=0.95, **common).estimate  # type: ignore[arg-type]
    ordinary = percentile_interval(draws, value, level=0.90, **common).estimate  # type: ignore[arg-type]
    if critical is not None and wide.std_error is not None:
        wide = Estimate(
            value=value, conf_low=value - critical * wide.std_error, conf_high=value + critical * wide.std_error,
            std_error=wide.std_error, contrast=contrast.label, unit=reading.unit, n=n, n_missing=n_missing,
            method=f"{method}, {N_BOOT} replicates; simultaneous",
        )  # fmt: skip
    better: Better = reading.better
    return Effect(
        estimand=contrast.estimand, groups=contrast.groups, at=contrast.at, estimate=wide, ordinary=ordinary,
        state=effect_state(wide, ordinary, reading.margin), direction=effect_direction(wide, better),
        population=contrast.population,
    )  # fmt: skip
