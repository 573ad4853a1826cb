"""Whether hazard ratios stay the same over time: the score test of an interaction of each column with time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import chi2_p
from outcomes.stats.survival.cox import CoxFit
from outcomes.stats.survival.cox_risk_sets import CoxPoint, RiskSets, cumulated
from outcomes.stats.survival.kaplan_meier import kaplan_meier
from outcomes.stats.survival.survival_times import SurvivalTimes

Transform = Literal["km", "identity", "rank", "log"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProportionalityTest:
    """Tests that the hazard ratios do not change with time.

    Attributes
    ----------
    terms : tuple of str, length m
        Columns, or groups of columns; the last is ``"all"``.
    chi_squared, p_value : tuple of float or None, length m
        None where the interaction cannot be told from the columns (as with a single event time).
    df : tuple of int, length m
    transform : str
        Function of time.
    n, n_events : int
    """

    terms: tuple[str, ...]
    chi_squared: tuple[float | None, ...]
    p_value: tuple[float | None, ...]
    df: tuple[int, ...]
    transform: str
    n: int
    n_events: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a term."""
        return pd.DataFrame(
            {
                "contrast": self.terms, "statistic": self.chi_squared, "df": self.df, "p_value": self.p_value,
                "transform": self.transform, "n": self.n, "n_events": self.n_events,
            }
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the tests as a sentence."""
        parts = [
            f"{t} not estimable (no change with time can be told)"
            if c is None or p is None
            else f"{t} chi-squared {c:.4g} on {d} df, p = {p:.3g}"
            for t, c, d, p in zip(self.terms, self.chi_squared, self.df, self.p_value, strict=True)
        ]
        lead = f"score test of proportional hazards, time as {self.transform}, {self.n_events} events"
        return f"{lead}: {'; '.join(parts)}"


def proportionality_test(
    fit: CoxFit, *, transform: Transform = "km", terms: Sequence[str] | None = None
) -> ProportionalityTest:
    """Test whether hazard ratios change with time.

    Parameters
    ----------
    fit : CoxFit
        With Efron's or Breslow's ties.
    transform : {"km", "identity", "rank", "log"}
        g(t): one minus the Kaplan-Meier curve of all cases just before t, t, its rank among all times, log t.
    terms : sequence of str, length p, optional
        Term of each column; columns of one factor share one and are tested together. Without it every column alone.

    Returns
    -------
    ProportionalityTest
        One test a term and one of all together. A large p does not show that hazards are proportional.

    Raises
    ------
    EstimationError
        Exact ties, an event at time 0 with ``"log"``, not one term a column.

    Notes
    -----
    The exact score test of coefficients of x g(t) added to the model, with the information of the risk sets, not the
    older approximation that takes it to be the same at every event. The model's, not robust, information is used.
    Sources: Grambsch and Therneau (1994) Biometrika 81:515-526; Therneau and Grambsch, Modeling Survival Data (2000),
    section 6.2.

    Examples
    --------
    >>> from outcomes.stats.survival.cox import fit_cox
    >>> time, x = np.arange(1, 13), np.array([1, 1, 0, 1, 1, 0, 0, 1, 0, 0, 1, 0])
    >>> print(proportionality_test(fit_cox(x[:, None], time, np.ones(12), names=["nail"]), transform="identity"))
    score test of proportional hazards, time as identity, 12 events: nail chi-squared 0.5737 on 1 df, p = 0.449; \
all chi-squared 0.5737 on 1 df, p = 0.449
    """
    check_choice(transform, get_args(Transform), "transform")
    if fit.ties == "exact":
        raise EstimationError("the test is defined for Efron's and Breslow's ties", code="bad_choice")
    labels = tuple(terms) if terms is not None else fit.names
    if len(labels) != len(fit.names):
        raise EstimationError(
            f"{len(labels)} terms for {len(fit.names)} columns; give one for each", code="bad_shape"
        )
    sets, point = fit.sets, fit.point
    g = _of_time(fit.times, sets.time, transform)[sets.term]
    # any shift of g is taken up by the columns themselves; from the mean, digits are kept
    g = g - g.mean()
    weight = sets.weight[sets.event]
    score = (weight * g) @ sets.x[sets.event] - (sets.mean_weight * g) @ point.mean
    plain, cross, square = (_information(sets, point, g**power) for power in (0, 1, 2))
    names = tuple(dict.fromkeys(labels))
    groups = [[j for j, label in enumerate(labels) if label == name] for name in names]
    groups.append(list(range(len(labels))))
    found = [_test(score, plain, cross, square, group) for group in groups]
    return ProportionalityTest(
        terms=(*names, "all"),
        chi_squared=tuple(found),
        p_value=tuple(
            None if c is None else chi2_p(c, len(group)) for c, group in zip(found, groups, strict=True)
        ),
        df=tuple(len(group) for group in groups),
        transform=transform,
        n=fit.n,
        n_events=fit.n_events,
    )


def _information(sets: RiskSets, point: CoxPoint, factor: FloatArray) -> FloatArray:
    """Return the information with each term multiplied by a factor."""
    weight = sets.mean_weight * factor
    hazard = cumulated(sets, weight / point.denominator)
    rows = sets.x * (sets.weight * point.risk * hazard)[:, None]
    return np.asarray(rows.T @ sets.x - (point.mean * weight[:, None]).T @ point.mean)


def _test(
    score: FloatArray, plain: FloatArray, cross: FloatArray, square: FloatArray, group: list[int]
) -> float | None:
    """Return the score test of some interactions, None when they add nothing to the columns."""
    left = square[np.ix_(group, group)] - cross[group] @ np.linalg.solve(plain, cross[:, group])
    size = np.sqrt(np.maximum(np.diag(square)[group], 0.0))
    if not (size > 0.0).all():
        return None
    scaled = left / np.outer(size, size)
    if np.linalg.eigvalsh(scaled)[0] <= 1e-10:
        return None
    u = score[group] / size
    return float(u @ np.linalg.solve(scaled, u))


def _of_time(data: SurvivalTimes, time: FloatArray, transform: str) -> FloatArray:
    """Return the function of time at event times."""
    if transform == "identity":
        return time
    if transform == "log":
        if (time <= 0.0).any():
            raise EstimationError(
                "an event at time 0 has no logarithm; use the transform 'km' or 'identity'", code="bad_times"
            )
        return np.log(time)
    if transform == "rank":
        values, first = np.unique(data.time, return_index=True)
        return np.asarray(stats.rankdata(data.time)[first][np.searchsorted(values, time)])
    curve = kaplan_meier(data.time, data.event, entry=data.entry)
    before = np.searchsorted(curve.time, time, side="left")
    return np.asarray(1.0 - np.concatenate([[1.0], curve.survival])[before])
