"""Over-dispersion between units: units that are all alike differ more than chance says, for reasons not recorded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, check_choice
from outcomes.stats.numerics.inputs import normal_quantile, numbers

DispersionModel = Literal["multiplicative", "additive"]
FEWEST_UNITS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class OverDispersion:
    """How much more units differ than by chance, and their z-scores after allowing for it.

    Attributes
    ----------
    phi : float
        Mean squared winsorised z-score; 1 is chance alone.
    tau : float or None
        Standard deviation between units on the scale of the values; None for the multiplicative model.
    z, adjusted : ndarray, shape (u,)
        Naive and adjusted z-scores.
    used : bool
        Whether anything is adjusted: tau above 0, or phi above its chance level 1 + 2 sqrt(2 / units).
    winsorised : float
        Share of units pulled in at either end.
    n_units : int
    model : str
    caution : str
    """

    phi: float
    tau: float | None
    z: FloatArray
    adjusted: FloatArray
    used: bool
    winsorised: float
    n_units: int
    model: str
    caution: str

    def tidy(self) -> pd.DataFrame:
        """Return one row a unit."""
        return pd.DataFrame(
            {"unit": range(self.n_units), "statistic": self.z, "adjusted": self.adjusted}
        ).assign(phi=self.phi, tau=self.tau, used=self.used)

    def __str__(self) -> str:
        """Return the finding as a sentence."""
        what = f"over-dispersion phi = {self.phi:.3g} among {self.n_units} units"
        between = "" if self.tau is None else f", standard deviation between units {self.tau:.3g}"
        return (
            f"{what}{between}; {'limits widened' if self.used else 'within chance: limits not widened'}"
            + (f" ({self.caution})" if self.caution else "")
        )


def over_dispersion(
    values: Any,
    std_errors: Any,
    target: float,
    *,
    model: DispersionModel = "additive",
    winsorise: float = 0.1,
    target_known: bool = False,
) -> OverDispersion:
    """Estimate over-dispersion of units about a target and adjust their z-scores.

    Parameters
    ----------
    values : array_like, shape (u,)
        Of each unit, on a scale that is roughly normal (a logit, a square root, a log ratio).
    std_errors : array_like, shape (u,)
        By chance alone, when the unit is on target, above 0.
    target : float
        On the same scale.
    model : {"multiplicative", "additive"}
        Variance times phi, or variance plus tau squared. The additive one leaves differences between large units
        possible that chance cannot explain; the multiplicative one widens all alike.
    winsorise : float
        Share of units at either end pulled in to the next one, so that outlying units do not hide themselves; 0 to
        below 0.5.
    target_known : bool
        False when the target is the average of these units, which uses up one of them in the additive model.

    Returns
    -------
    OverDispersion
        With fewer than ten units the estimate is hardly worth having, and says so.

    Raises
    ------
    EstimationError
        Fewer than two units, missing values, errors not above 0, bad share.

    Notes
    -----
    Pulled in means to the order statistic floor(share x units) from either end. Sources: Spiegelhalter DJ. Statistics in
    Medicine 2005; 24: 1185-1202, section 4; Spiegelhalter DJ, Sherlaw-Johnson C, Bardsley M, et al. J R Stat Soc A
    2012; 175: 1-47 (formulas from memory).

    Examples
    --------
    z-scores -2, 2, -2, 2 with errors of 1: phi = 4, and tau squared (4 x 4 - 3) / (4 - 4 / 4) about their average,
    (4 x 4 - 4) / 4 about a known target.

    >>> found = over_dispersion([-2, 2, -2, 2], [1, 1, 1, 1], 0, winsorise=0, target_known=True)
    >>> found.phi, round(found.tau ** 2, 12), found.adjusted.round(9).tolist()
    (4.0, 3.0, [-1.0, 1.0, -1.0, 1.0])
    """
    check_choice(model, ("multiplicative", "additive"), "model")
    y, s = (
        numbers(column, f"{name}: every value must be a number; convert the column first")
        for name, column in (("values", values), ("std_errors", std_errors))
    )
    if y.ndim != 1 or y.shape != s.shape or len(y) < 2:
        raise EstimationError("values and std_errors: one of each for at least two units", code="bad_shape")
    if not (np.isfinite(y).all() and np.isfinite(s).all() and (s > 0).all() and math.isfinite(target)):
        raise EstimationError(
            "values, errors and target are finite, errors above 0; leave units without them out",
            code="not_finite",
        )
    if not 0 <= winsorise < 0.5:
        raise EstimationError("winsorise: a share from 0 to below 0.5", code="bad_share")
    z = (y - target) / s
    pulled = winsorised(z, winsorise)
    u = len(z)
    phi = math.fsum(pulled**2) / u
    tau: float | None = None
    if model == "additive":
        w = 1 / s**2
        # method of moments: the sum of squared z that chance gives is u about a known target, u - 1 about the average
        by_chance = float(u if target_known else u - 1)
        per_tau = math.fsum(w) - (0.0 if target_known else math.fsum(w**2) / math.fsum(w))
        tau = math.sqrt(max(0.0, (u * phi - by_chance) / per_tau))
        used = tau > 0
        adjusted = (y - target) / np.sqrt(s**2 + tau**2)
    else:
        used = phi > 1 + 2 * math.sqrt(2 / u)
        adjusted = z / math.sqrt(phi) if used else z
    caution = (
        f"{u} units; fewer than {FEWEST_UNITS} say little about spread between units"
        if u < FEWEST_UNITS
        else ""
    )
    return OverDispersion(
        phi=phi, tau=tau, z=z, adjusted=adjusted, used=used, winsorised=winsorise, n_units=u, model=model,
        caution=caution,
    )  # fmt: skip


def winsorised(values: FloatArray, share: float) -> FloatArray:
    """Return values with a share at either end pulled in to the next value.

    Examples
    --------
    >>> winsorised(np.array([9.0, 1, 2, 3, 4, 5, 6, 7, 8, -5]), 0.1).tolist()
    [8.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 1.0]
    """
    ordered = np.sort(values)
    k = math.floor(share * len(values) + 1e-9)
    return np.clip(values, ordered[k], ordered[len(values) - 1 - k])


def widened_limits(
    target: float, std_errors: Any, found: OverDispersion, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Return limits about the target for units of given chance errors, widened for over-dispersion.

    Parameters
    ----------
    target : float
        On the scale of the values.
    std_errors : array_like, shape (u,)
    found : OverDispersion
    level : float
        Share of units on target within the limits.

    Raises
    ------
    EstimationError
        Errors that are not finite and above 0, a bad level.

    Examples
    --------
    >>> found = over_dispersion([-2, 2, -2, 2], [1, 1, 1, 1], 0, winsorise=0, target_known=True)
    >>> low, high = widened_limits(0.0, [1.0], found)
    >>> round(float(high[0]), 4)
    3.9199
    """
    s = numbers(std_errors, "std_errors: every value must be a number; convert the column first")
    if not (np.isfinite(s).all() and (s > 0).all()):
        raise EstimationError(
            "std_errors are finite and above 0; leave units without them out", code="not_finite"
        )
    if found.tau is not None:
        spread = np.sqrt(s**2 + found.tau**2)
    else:
        spread = s * (math.sqrt(found.phi) if found.used else 1.0)
    z = normal_quantile(level)
    return target - z * spread, target + z * spread
