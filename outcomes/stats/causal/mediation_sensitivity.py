"""What an unmeasured confounder of mediator and outcome would do to direct and indirect effects."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.influence import influence_estimates
from outcomes.stats.numerics.arrays import FloatArray, check_level, check_matrix, check_outcome
from outcomes.stats.regression.linear import fit_linear
from outcomes.stats.regression.separation import check_binary


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrelationSensitivity:
    """The indirect effect for each correlation of the errors of mediator and outcome.

    Attributes
    ----------
    correlations : tuple of float
    indirect : tuple of Estimate
        One a correlation.
    removes_effect : float
        Correlation at which the indirect effect is 0.
    removes_interval : float or None
        Correlation nearest to 0 at which the interval holds 0 (0 when it does already); None where there is none.
    explained : float
        The square of `removes_effect`: share of the unexplained variation of both, multiplied, that a confounder would
        have to account for.
    """

    correlations: tuple[float, ...]
    indirect: tuple[Estimate, ...]
    removes_effect: float
    removes_interval: float | None
    explained: float

    def tidy(self) -> pd.DataFrame:
        """Return one row a correlation."""
        return pd.DataFrame(
            [
                {
                    "contrast": e.contrast, "correlation": r, "estimate": e.value, "std_error": e.std_error,
                    "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n,
                    "n_missing": e.n_missing,
                }
                for r, e in zip(self.correlations, self.indirect, strict=True)
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        limit = "no correlation" if self.removes_interval is None else f"{self.removes_interval:.3f}"
        return (
            f"the indirect effect is 0 at a correlation of {self.removes_effect:.3f} between the errors of mediator and "
            f"outcome, its interval holds 0 from {limit}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MediatorConfounding:
    """Direct and indirect effects corrected for stated strengths of an unmeasured confounder.

    Attributes
    ----------
    effects : tuple of float
        Effect of the confounder on the outcome, by row of the table.
    prevalences : tuple of float
        Difference in its prevalence, exposed minus not, among cases alike in mediator and covariates, by column.
    direct, indirect : tuple of tuple of Estimate
        Corrected, by row and column.
    removes_indirect, removes_direct : float or None
        The product of effect and difference that would make each 0; None where there is no such effect to remove.
    removes_indirect_interval : float or None
        The product nearest to 0 that brings its interval to 0; 0 when it holds 0 already.
    """

    effects: tuple[float, ...]
    prevalences: tuple[float, ...]
    direct: tuple[tuple[Estimate, ...], ...]
    indirect: tuple[tuple[Estimate, ...], ...]
    removes_indirect: float | None
    removes_direct: float | None
    removes_indirect_interval: float | None

    def tidy(self) -> pd.DataFrame:
        """Return one row an effect of the confounder and difference in prevalence."""
        return pd.DataFrame(
            [
                {
                    "contrast": e.contrast, "effect_of_confounder": g, "prevalence_difference": d,
                    "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low, "conf_high": e.conf_high,
                    "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing,
                }
                for table in (self.direct, self.indirect)
                for g, row in zip(self.effects, table, strict=True)
                for d, e in zip(self.prevalences, row, strict=True)
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.removes_indirect is None:
            return "there is no indirect effect to remove"
        return (
            "the indirect effect is 0 when the confounder's effect on the outcome times its difference in prevalence is "
            f"{self.removes_indirect:.4g}"
        )


def correlation_sensitivity(
    X: Any,
    exposure: Any,
    mediator: Any,
    y: Any,
    *,
    names: Sequence[str],
    correlations: Sequence[float] = tuple(np.arange(-9, 10) / 10),
    clusters: Any = None,
    level: float = 0.95,
    unit: str = "",
    n_missing: int = 0,
) -> CorrelationSensitivity:
    """Return the indirect effect had the errors of mediator and outcome been correlated.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design of what came before the exposure, with its intercept.
    exposure, mediator, y : array_like, shape (n,)
        Exposure 1 or 0; mediator and outcome numbers.
    names : sequence of str, length p
    correlations : sequence of float
        Between -1 and 1, both excluded; 0 is no confounding.
    clusters : array_like, shape (n,), optional
    level : float
    unit : str
    n_missing : int

    Returns
    -------
    CorrelationSensitivity
        For linear models without interaction.

    Raises
    ------
    EstimationError
        Values missing, a correlation outside (-1, 1), errors of mediator or outcome that do not vary.

    Notes
    -----
    With a the effect on the mediator and s the residual covariances of mediator (m) and outcome (y) given exposure and
    X, the effect is ``a (s_my - r sqrt((s_mm s_yy - s_my^2) / (1 - r^2))) / s_mm``. Errors by the delta method from
    influence values. Source: Imai, Keele and Yamamoto (2010) Stat Sci 25:51, theorem 4.

    Examples
    --------
    The residuals of mediator and outcome are one and the same but for noise: s_my = 1, s_mm = 1, s_yy = 2.

    >>> a = np.tile([0.0, 1.0], 4)
    >>> own, other = np.repeat([1.0, -1.0], 4), np.tile([1.0, 1.0, -1.0, -1.0], 2)
    >>> result = correlation_sensitivity(np.ones((8, 1)), a, 2 * a + own, own + other, names=["intercept"],
    ...                                  correlations=[0.0])
    >>> round(result.indirect[0].value, 9), round(result.removes_effect, 6)
    (2.0, 0.707107)
    """
    check_level(level)
    design, columns = check_matrix(X, names)
    n = len(design)
    a = check_binary(exposure, n)
    both = np.column_stack([design, a])
    labels = [*columns, "exposure"]
    m_fit = fit_linear(both, check_outcome(mediator, n), names=labels, covariance="classical")
    y_fit = fit_linear(both, check_outcome(y, n), names=labels, covariance="classical")
    rhos = tuple(float(r) for r in correlations)
    if not rhos or not all(-1.0 < r < 1.0 for r in rhos):
        raise EstimationError(
            "correlations lie between -1 and 1, both excluded; give at least one", code="bad_choice"
        )
    m, out = m_fit.residuals, y_fit.residuals
    s = np.array([m @ m, m @ out, out @ out]) / n
    if s[0] <= 0.0 or s[2] <= 0.0 or s[0] * s[2] - s[1] ** 2 <= 1e-12 * s[0] * s[2]:
        raise EstimationError(
            "the errors of mediator and outcome do not vary apart from one another; there is no correlation to assume",
            code="constant",
        )
    effect = float(m_fit.coefficients[-1])
    of_effect = (both * m[:, None]) @ m_fit.bread[:, -1]
    of_s = (np.column_stack([m * m, m * out, out * out]) - s) / n
    seen = float(s[1] / math.sqrt(s[0] * s[2]))

    def at(rs: Sequence[float]) -> tuple[Estimate, ...]:
        slopes, parts = zip(*(_slope(s, r) for r in rs), strict=True)
        influence = np.column_stack(
            [b * of_effect + effect * (of_s @ d) for b, d in zip(slopes, parts, strict=True)]
        )
        return influence_estimates(
            [effect * b for b in slopes], influence, clusters=clusters, level=level, unit=unit, n_missing=n_missing,
            labels=[f"indirect effect at correlation {r:g}" for r in rs], n=[n] * len(rs),
            method="linear models, correlated errors",
        )  # fmt: skip

    return CorrelationSensitivity(
        correlations=rhos, indirect=at(rhos), removes_effect=seen, explained=seen**2,
        removes_interval=_reaching(lambda r: at([r])[0], seen),
    )  # fmt: skip


def _slope(s: FloatArray, r: float) -> tuple[float, FloatArray]:
    """Return the slope of the outcome on the mediator at a correlation, and its derivatives by s."""
    left = math.sqrt((s[0] * s[2] - s[1] ** 2) / (1.0 - r * r))
    slope = (s[1] - r * left) / s[0]
    by_left = -r / s[0] / (2.0 * left * (1.0 - r * r))
    parts = [by_left * s[2] - slope / s[0], 1.0 / s[0] - 2.0 * by_left * s[1], by_left * s[0]]
    return float(slope), np.array(parts)


def _reaching(at: Any, seen: float) -> float | None:
    """Return the correlation nearest to 0, on the way to `seen`, at which the interval holds 0."""

    def holds(r: float) -> bool:
        e = at(r)
        return bool(e.conf_low is not None and e.conf_low <= 0.0 <= e.conf_high)

    if at(0.0).conf_low is None:
        return None
    if holds(0.0):
        return 0.0
    if not holds(seen):
        return None
    near, far = 0.0, seen
    for _ in range(60):
        middle = 0.5 * (near + far)
        near, far = (near, middle) if holds(middle) else (middle, far)
    return far


def mediator_confounding(
    direct: Estimate,
    indirect: Estimate,
    *,
    effects: Sequence[float],
    prevalences: Sequence[float],
) -> MediatorConfounding:
    """Correct direct and indirect effects for an unmeasured yes/no confounder of mediator and outcome.

    Parameters
    ----------
    direct, indirect : Estimate
        Differences, as from :func:`outcomes.stats.causal.mediation.mediation_effects`.
    effects : sequence of float
        Difference that the confounder makes to the outcome, given exposure, mediator and covariates, in the unit of the
        estimates; the same for exposed and not exposed.
    prevalences : sequence of float
        Prevalence of the confounder in the exposed minus that in the others, among cases alike in mediator and
        covariates; -1 to 1.

    Returns
    -------
    MediatorConfounding
        The direct effect loses the product of both, the indirect effect gains it; the total stays. Limits move along:
        the strengths are assumed, not estimated.

    Raises
    ------
    EstimationError
        Ratios, values that are not finite, differences in prevalence outside -1 to 1, different units.

    Notes
    -----
    Source: VanderWeele (2010) Epidemiology 21:540. For ratios use the E-value of the indirect effect
    (:func:`outcomes.stats.causal.evalue.e_value`; Smith and VanderWeele 2019, Epidemiology 30:835).

    Examples
    --------
    >>> d = Estimate(value=1.0, conf_low=0.0, conf_high=2.0, unit="kg")
    >>> i = Estimate(value=2.0, conf_low=1.0, conf_high=3.0, unit="kg")
    >>> result = mediator_confounding(d, i, effects=[4.0], prevalences=[-0.5])
    >>> result.direct[0][0].value, result.indirect[0][0].value, result.removes_indirect
    (3.0, 0.0, -2.0)
    """
    if "ratio" in (direct.unit, indirect.unit) or direct.unit != indirect.unit:
        raise EstimationError("give a direct and an indirect difference in the same unit", code="ratio")
    if direct.value is None or indirect.value is None:
        raise EstimationError("an effect that is not estimable cannot be corrected", code="not_estimable")
    gs, ds = tuple(map(float, effects)), tuple(map(float, prevalences))
    if not gs or not ds or not all(map(math.isfinite, gs)) or not all(abs(d) <= 1.0 for d in ds):
        raise EstimationError(
            "effects are finite and differences in prevalence between -1 and 1; give at least one of each",
            code="bad_choice",
        )
    limits = (indirect.conf_low, indirect.conf_high)
    nearest: float | None = None
    if limits[0] is not None and limits[1] is not None:
        nearest = 0.0 if limits[0] <= 0.0 <= limits[1] else -(limits[0] if limits[0] > 0.0 else limits[1])
    return MediatorConfounding(
        effects=gs, prevalences=ds, direct=tuple(tuple(_moved(direct, -g * d) for d in ds) for g in gs),
        indirect=tuple(tuple(_moved(indirect, g * d) for d in ds) for g in gs),
        removes_indirect=-indirect.value if indirect.value != 0.0 else None,
        removes_direct=direct.value if direct.value != 0.0 else None, removes_indirect_interval=nearest,
    )  # fmt: skip


def _moved(e: Estimate, by: float) -> Estimate:
    """Return an estimate moved by an assumed bias; it has no p of its own."""
    value = (e.value or 0.0) + by
    return Estimate(
        value=value, conf_low=None if e.conf_low is None else e.conf_low + by,
        conf_high=None if e.conf_high is None else e.conf_high + by, level=e.level, std_error=e.std_error, df=e.df,
        contrast=e.contrast, unit=e.unit, n=e.n, n_missing=e.n_missing,
        method=f"{e.method}; corrected for an assumed confounder of mediator and outcome", reason=e.reason,
    )  # fmt: skip
