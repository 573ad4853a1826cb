"""Direct and indirect effects of an exposure through a mediator, by standardisation of two regressions.

With M a mediator, Y an outcome and C what came before, the mean of Y had the exposure been a while the mediator was
drawn as under b is

    mean(a, b) = average over C of  sum over m of  E[Y | a, m, C]  f(m | b, C).

Natural effects are differences of such means. When something that the exposure changed confounds mediator and outcome
(a list of such columns is given), it follows the exposure a and the mediator is drawn from its distribution under b
among cases alike in C: interventional effects. For linear models the formulas of VanderWeele are the same sums.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.influence import influence_estimates
from outcomes.stats.causal.mediation_models import MediationModels, crossed_mean, fit_models
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level, check_matrix
from outcomes.stats.regression.separation import check_binary

Scale = Literal["difference", "risk ratio"]
EFFECTS = (
    ("total", (1, 1), (0, 0)),
    ("pure direct", (1, 0), (0, 0)),
    ("total indirect", (1, 1), (1, 0)),
    ("total direct", (1, 1), (0, 1)),
    ("pure indirect", (0, 1), (0, 0)),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mediation:
    """A total effect taken apart into a direct part and a part through a mediator.

    Attributes
    ----------
    total, direct, indirect : Estimate
        Exposed minus not exposed (for interventional effects the overall one, with the mediator drawn at random); direct (mediator as without exposure) and indirect (exposed, mediator as with
        minus as without exposure) add up to the total, as a product for ratios.
    total_direct, pure_indirect : Estimate
        The other way to add up: direct with the mediator as with exposure, indirect without exposure.
    proportion : Estimate
        Indirect over total; not estimable unless the total excludes no effect and both parts share its sign.
    means : mapping of (int, int) to float
        Mean outcome with exposure a and mediator as under b, by (a, b).
    influence : ndarray, shape (n, 4)
        Influence values of these means in the order (0, 0), (0, 1), (1, 0), (1, 1).
    kind : str
        ``"natural"`` or ``"interventional"``.
    models : MediationModels
        What was fitted.
    """

    total: Estimate
    direct: Estimate
    indirect: Estimate
    total_direct: Estimate
    pure_indirect: Estimate
    proportion: Estimate
    means: Mapping[tuple[int, int], float]
    influence: FloatArray
    kind: str
    models: MediationModels

    def tidy(self) -> pd.DataFrame:
        """Return one row an effect, with the common column names."""
        parts = (
            self.total,
            self.direct,
            self.indirect,
            self.total_direct,
            self.pure_indirect,
            self.proportion,
        )
        return pd.DataFrame(
            [
                {
                    "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
                    "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing,
                    "reason": e.reason,
                }
                for e in parts
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        return f"{self.total}; {self.direct}; {self.indirect}"


def mediation_effects(
    X: Any,
    exposure: Any,
    mediator: Any,
    y: Any,
    *,
    names: Sequence[str],
    mediator_kind: Literal["number", "yes_no"] = "number",
    outcome_kind: Literal["number", "yes_no"] = "number",
    interaction: bool = True,
    confounders: Mapping[str, Any] | None = None,
    clusters: Any = None,
    weights: Any = None,
    scale: Scale = "difference",
    level: float = 0.95,
    unit: str = "",
    n_missing: int = 0,
) -> Mediation:
    """Take the effect of an exposure apart into a direct and an indirect part.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design of what came before the exposure, with its intercept; it enters every model.
    exposure : array_like, shape (n,)
        1 exposed, 0 not.
    mediator, y : array_like, shape (n,)
        Numbers, or 1 and 0.
    names : sequence of str, length p
        Columns of X.
    mediator_kind, outcome_kind : {"number", "yes_no"}
        Linear model (the mediator with normal errors of one spread) or logistic model.
    interaction : bool
        Whether the outcome model has the product of exposure and mediator.
    confounders : mapping of str to array_like, shape (n,), optional
        Columns changed by the exposure that confound mediator and outcome, 1 and 0 or numbers; effects are then
        interventional. At most one with a yes/no outcome.
    clusters : array_like, shape (n,), optional
        Cluster of each row (the patient).
    weights : array_like, shape (n,), optional
        Weights of the cases in all models and in the average; taken as known.
    scale : {"difference", "risk ratio"}
        Differences of a yes/no outcome are in percentage points; ratios are for yes/no outcomes.
    level : float
        Confidence level.
    unit : str
        Unit of a number outcome.
    n_missing : int
        Cases left out before because something was missing; carried along.

    Returns
    -------
    Mediation

    Raises
    ------
    EstimationError
        Values that are missing or of the wrong kind, models that cannot be fitted (columns named), a bad choice.

    Notes
    -----
    Errors stack the estimating equations of all models and of the means (Stefanski and Boos 2002), with totals by
    cluster; t with G - 1 degrees of freedom. A number mediator with a yes/no outcome is averaged numerically, to
    twelve digits or more, not by the approximation for rare outcomes. Sources: Robins and Greenland (1992)
    Epidemiology 3:143; Pearl (2001) UAI 17:411; VanderWeele and Vansteelandt (2009) Stat Interface 2:457 and
    (2010) Am J Epidemiol 172:1339; Imai, Keele and Tingley (2010) Psychol Methods 15:309; VanderWeele,
    Vansteelandt and Robins (2014) Epidemiology 25:300 (interventional).

    Examples
    --------
    The mediator rises by 2 with exposure, the outcome by 3 a unit of mediator and by 1 otherwise.

    >>> a, noise = np.tile([0.0, 1.0], 4), np.repeat([1.0, -1.0], 4)
    >>> other = np.array([1.0, 1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0])
    >>> m = 2 * a + noise
    >>> result = mediation_effects(np.ones((8, 1)), a, m, 3 * m + a + other, names=["intercept"], interaction=False)
    >>> round(result.direct.value, 9), round(result.indirect.value, 9), round(result.total.value, 9)
    (1.0, 6.0, 7.0)
    """
    check_level(level)
    check_choice(scale, get_args(Scale), "scale")
    if scale == "risk ratio" and outcome_kind != "yes_no":
        raise EstimationError("a risk ratio needs a yes/no outcome", code="bad_choice")
    design, columns = check_matrix(X, names)
    a = check_binary(exposure, len(design))
    if a.min() == a.max():
        raise EstimationError("all cases have the same exposure; an effect needs both", code="empty_group")
    models = fit_models(
        design, a, mediator, y, names=columns, mediator_kind=mediator_kind, outcome_kind=outcome_kind,
        interaction=interaction, confounders=confounders or {}, weights=weights,
    )  # fmt: skip
    cells = [(0, 0), (0, 1), (1, 0), (1, 1)]
    made = [crossed_mean(models, float(own), float(as_under)) for own, as_under in cells]
    means = {cell: value for cell, (value, _) in zip(cells, made, strict=True)}
    influence = np.column_stack([part for _, part in made])
    kind = "interventional" if confounders else "natural"
    how: dict[str, Any] = {"clusters": clusters, "level": level, "n_missing": n_missing}
    effects = _effects(means, influence, cells, scale, outcome_kind, unit, kind, how)
    proportion = _proportion(effects, means, influence, cells, scale, kind, how)
    named = {name.replace(" ", "_"): estimate for name, estimate in effects.items()}
    return Mediation(
        total=named["total"], direct=named["pure_direct"], indirect=named["total_indirect"],
        total_direct=named["total_direct"], pure_indirect=named["pure_indirect"], proportion=proportion,
        means=means, influence=influence, kind=kind, models=models,
    )  # fmt: skip


def _effects(
    means: Mapping[tuple[int, int], float], influence: FloatArray, cells: list[tuple[int, int]], scale: Scale,
    outcome_kind: str, unit: str, kind: str, how: dict[str, Any],
) -> dict[str, Estimate]:  # fmt: skip
    """Return every effect with its interval."""
    place = {cell: j for j, cell in enumerate(cells)}
    n = len(influence)
    ratio = scale == "risk ratio"
    factor = 100.0 if outcome_kind == "yes_no" and not ratio else 1.0
    values, parts, labels = [], [], []
    for name, first, second in EFFECTS:
        own, other = means[first], means[second]
        x, z = influence[:, place[first]], influence[:, place[second]]
        values.append(np.log(own / other) if ratio else factor * (own - other))
        parts.append(x / own - z / other if ratio else factor * (x - z))
        # with the mediator drawn at random the parts add up to an overall effect, not in general to the total
        title = "overall" if name == "total" and kind == "interventional" else name
        labels.append("total effect" if title == "total" else f"{title} effect ({kind})")
    shown = "log risk ratio" if ratio else ("percentage points" if factor == 100.0 else unit)
    estimates = influence_estimates(
        values, np.column_stack(parts), labels=labels, unit=shown, n=[n] * len(values),
        method="standardised mediation models, stacked errors", **how,
    )  # fmt: skip
    if ratio:
        estimates = tuple(_exponential(e) for e in estimates)
    return {name: e for (name, *_), e in zip(EFFECTS, estimates, strict=True)}


def _exponential(e: Estimate) -> Estimate:
    """Return a log risk ratio as a ratio; its error stays that of the logarithm."""

    def of(value: float | None) -> float | None:
        return None if value is None else float(np.exp(value))

    return Estimate(
        value=of(e.value), conf_low=of(e.conf_low), conf_high=of(e.conf_high), level=e.level, std_error=e.std_error,
        df=e.df, p_value=e.p_value, contrast=e.contrast, unit="ratio", n=e.n, n_missing=e.n_missing,
        method=f"{e.method}, error on the log scale", reason=e.reason,
    )  # fmt: skip


def _proportion(
    effects: Mapping[str, Estimate], means: Mapping[tuple[int, int], float], influence: FloatArray,
    cells: list[tuple[int, int]], scale: Scale, kind: str, how: dict[str, Any],
) -> Estimate:  # fmt: skip
    """Return the indirect over the total effect on the scale of differences, where it means something."""
    total = effects["total"]
    about: dict[str, Any] = {
        "contrast": f"proportion mediated ({kind})", "n": total.n, "n_missing": total.n_missing, "unit": "share",
    }  # fmt: skip
    none = 1.0 if scale == "risk ratio" else 0.0
    if total.conf_low is None or total.conf_high is None or total.conf_low <= none <= total.conf_high:
        return Estimate.not_estimable("the total effect does not exclude no effect", **about)
    whole = means[1, 1] - means[0, 0]
    through, direct = means[1, 1] - means[1, 0], means[1, 0] - means[0, 0]
    if through * whole < 0.0 or direct * whole < 0.0:
        return Estimate.not_estimable("the direct and the indirect effect have opposite signs", **about)
    place = {cell: j for j, cell in enumerate(cells)}
    top = influence[:, place[1, 1]] - influence[:, place[1, 0]]
    below = influence[:, place[1, 1]] - influence[:, place[0, 0]]
    part = (top - through / whole * below) / whole
    return influence_estimates(
        [through / whole], part[:, None], labels=[about["contrast"]], unit="share", n=[total.n],
        method="delta method on stacked errors", **how,
    )[0]  # fmt: skip
