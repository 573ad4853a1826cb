"""Whether an effect is the same in all strata, for each measure of a 2 x 2 table."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import chi2_p
from outcomes.stats.pooling.study_effects import TableMeasure, effects_of_tables
from outcomes.stats.proportions.strata import StratifiedTest, mantel_haenszel, table_cells

About = Literal["inverse variance", "Mantel-Haenszel"]


def effect_homogeneity(
    tables: ArrayLike, measure: TableMeasure, *, about: About = "inverse variance"
) -> StratifiedTest:
    """Test that the effect is the same in all strata, by the weighted squares of their distances.

    Parameters
    ----------
    tables : array_like of int, shape (k, 2, 2)
        Each stratum as ``[[events 1, no events 1], [events 0, no events 0]]``.
    measure : {"log risk ratio", "log odds ratio", "risk difference"}
    about : {"inverse variance", "Mantel-Haenszel"}
        Distances from the inverse-variance mean (for odds ratios Woolf's test) or from the Mantel-Haenszel
        value.

    Returns
    -------
    StratifiedTest
        Large-sample: strata without an effect or a variance of their own (an empty cell) are left out and
        counted. For sparse odds ratios read Breslow-Day with Tarone's correction instead.

    Raises
    ------
    EstimationError
        When the shape is not (k, 2, 2) or a cell is not a count.

    References
    ----------
    Woolf B. Annals of Human Genetics 1955; 19: 251-253. Cochran WG. Biometrics 1954; 10: 101-129.

    Examples
    --------
    Differences 0.1 and 0.3 with variances 0.0025 and 0.0037: 0.2^2 / 0.0062.

    >>> test = effect_homogeneity([[[20, 80], [10, 90]], [[40, 60], [10, 90]]], "risk difference")
    >>> round(test.statistic, 4), round(0.2**2 / (0.2*0.8/100 + 0.1*0.9/100 + 0.4*0.6/100 + 0.1*0.9/100), 4)
    (6.8966, 6.8966)
    """
    check_choice(about, ("inverse variance", "Mantel-Haenszel"), "about")
    effects = effects_of_tables(tables, measure)
    method = f"homogeneity of the {measure} about the {about} value"
    used, k = effects.values.size, len(table_cells(tables))
    weight = effects.std_errors**-2
    if about == "inverse variance":
        middle = float(weight @ effects.values / weight.sum()) if used else None
    else:
        middle = _pooled(tables, measure)
    if used < 2 or middle is None:
        reason = "fewer than two strata with an effect of their own" if used < 2 else "no pooled value"
        return StratifiedTest(
            statistic=None, df=None, p_value=None, n_strata=k, n_uninformative=k - used, method=method,
            reason=reason,
        )  # fmt: skip
    statistic = _squares(weight, effects.values - middle)
    return StratifiedTest(
        statistic=statistic, df=used - 1, p_value=chi2_p(statistic, used - 1), n_strata=k,
        n_uninformative=k - used, method=method,
    )  # fmt: skip


def _pooled(tables: ArrayLike, measure: TableMeasure) -> float | None:
    """Return the Mantel-Haenszel value on the scale of the measure."""
    pooled = mantel_haenszel(tables)
    if measure == "risk difference":
        return pooled.risk_difference.value
    ratio = pooled.risk_ratio if measure == "log risk ratio" else pooled.odds_ratio
    return None if ratio.value is None else float(np.log(ratio.value))


def _squares(weight: FloatArray, distance: FloatArray) -> float:
    """Return the weighted sum of squares."""
    return float(weight @ distance**2)
