"""Whether a difference is shown to lie within a margin, or not beyond it on the harmful side."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate, Margin
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.inputs import SMALLEST_P
from outcomes.stats.numerics.student import t_quantile, t_two_sided_p

Better = Literal["higher", "lower"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """The answer of two one-sided tests, or of one of them (non-inferiority).

    Attributes
    ----------
    shown : bool or None
        Whether equivalence (or non-inferiority) is shown at `alpha`; None where `reason` says why.
    p_value : float or None
        Of equivalence: the larger of the two one-sided p. None when read from an interval.
    p_lower, p_upper : float or None
        One-sided p against "the difference is at or below -margin" and "at or above +margin".
    conf_low, conf_high : float or None
        Interval of level 1 - 2 alpha, unit of the estimate.
    estimate : Estimate
    margin : Margin
    alpha : float
        Of each one-sided test.
    method, reason : str
    """

    shown: bool | None
    p_value: float | None
    p_lower: float | None
    p_upper: float | None
    conf_low: float | None
    conf_high: float | None
    estimate: Estimate
    margin: Margin
    alpha: float
    method: str
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        row = {
            "contrast": self.estimate.contrast, "estimate": self.estimate.value,
            "std_error": self.estimate.std_error, "conf_low": self.conf_low, "conf_high": self.conf_high,
            "p_value": self.p_value, "n": self.estimate.n, "n_missing": self.estimate.n_missing,
            "margin": self.margin.value, "shown": self.shown, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        lead = f"{self.estimate.contrast}: " if self.estimate.contrast else ""
        bounds = f"margin {self.margin.value:g} {self.margin.unit}"
        if self.shown is None:
            return f"{lead}{self.method} not read ({self.reason}; {bounds})"
        low = "no limit" if self.conf_low is None else f"{self.conf_low:.4g}"
        high = "no limit" if self.conf_high is None else f"{self.conf_high:.4g}"
        said = "shown" if self.shown else "not shown"
        return f"{lead}{self.method} {said} ({100 * (1 - 2 * self.alpha):g} % CI {low} to {high}; {bounds})"


def tost(estimate: Estimate, margin: Margin, alpha: float = 0.05) -> Equivalence:
    """Test whether a difference lies within a margin, by two one-sided tests.

    Parameters
    ----------
    estimate : Estimate
        A difference, in the unit of the margin. With a standard error the tests are by t (or normal
        when `df` is None or infinite); without one its interval must have level 1 - 2 alpha and is
        compared with the margin (as for Newcombe's risk difference).
    margin : Margin
        Smallest difference that would matter.
    alpha : float
        Level of each one-sided test.

    Returns
    -------
    Equivalence
        `shown` is None when the estimate is not estimable or has no interval.

    Raises
    ------
    EstimationError
        For a ratio, for units that differ, and for an interval of another level without standard error.

    References
    ----------
    Schuirmann DJ. J Pharmacokinet Biopharm 1987; 15: 657-680. Interval: Westlake WJ. Biometrics 1981;
    37: 589-594.

    Examples
    --------
    0 +- 1.645 lies within 2; one-sided p = P(Z > 2):

    >>> d = Estimate(value=0.0, conf_low=-1.96, conf_high=1.96, std_error=1.0, unit="kg")
    >>> answer = tost(d, Margin(value=2, unit="kg", source="declared by the authors: example"))
    >>> answer.shown, round(answer.p_value, 5)
    (True, 0.02275)
    """
    _check(estimate, margin, alpha)
    low, high, reason = _interval(estimate, alpha)
    if estimate.value is None or low is None or high is None:
        return _unread(estimate, margin, alpha, "equivalence", reason)
    p_lower, p_upper = _one_sided(estimate, margin)
    p = None if p_lower is None or p_upper is None else max(p_lower, p_upper)
    shown = p < alpha if p is not None else -margin.value < low and high < margin.value
    return Equivalence(
        shown=shown, p_value=p, p_lower=p_lower, p_upper=p_upper, conf_low=low, conf_high=high,
        estimate=estimate, margin=margin, alpha=alpha, method="equivalence",
    )  # fmt: skip


def non_inferiority(
    estimate: Estimate, margin: Margin, alpha: float = 0.025, *, better: Better
) -> Equivalence:
    """Test whether the first group is not worse than the second by the margin or more.

    Parameters
    ----------
    estimate : Estimate
        First minus second, in the unit of the margin; as for :func:`tost`.
    margin : Margin
        Smallest difference that would matter.
    alpha : float
        Level of the one-sided test; 0.025 reads the ordinary 95 % interval.
    better : {"higher", "lower"}
        Which direction of the outcome is better.

    Returns
    -------
    Equivalence
        Only the p on the harmful side is given.

    Raises
    ------
    EstimationError
        As for :func:`tost`.

    References
    ----------
    Piaggio G et al. Reporting of noninferiority and equivalence randomized trials (CONSORT). JAMA 2012;
    308: 2594-2604.

    Examples
    --------
    >>> d = Estimate(value=0.02, conf_low=-0.0893, conf_high=0.1289, unit="proportion")
    >>> margin = Margin(value=0.1, unit="proportion", source="declared by the authors: example")
    >>> non_inferiority(d, margin, better="higher").shown, non_inferiority(d, margin, better="lower").shown
    (True, False)
    """
    check_choice(better, ("higher", "lower"), "better")
    _check(estimate, margin, alpha)
    low, high, reason = _interval(estimate, alpha)
    harmful = low if better == "higher" else high
    if estimate.value is None or harmful is None:
        return _unread(estimate, margin, alpha, "non-inferiority", reason)
    p_lower, p_upper = _one_sided(estimate, margin)
    p = p_lower if better == "higher" else p_upper
    within = harmful > -margin.value if better == "higher" else harmful < margin.value
    return Equivalence(
        shown=within if p is None else p < alpha, p_value=p, p_lower=p_lower if better == "higher" else None,
        p_upper=p_upper if better == "lower" else None, conf_low=low, conf_high=high, estimate=estimate,
        margin=margin, alpha=alpha, method="non-inferiority",
    )  # fmt: skip


def _check(estimate: Estimate, margin: Margin, alpha: float) -> None:
    """Refuse what cannot be read against a margin."""
    if not 0.0 < alpha < 0.5:
        raise EstimationError(
            f"alpha is {alpha}; give a number between 0 and 0.5, such as 0.05", code="bad_level"
        )
    if estimate.std_error is not None and not estimate.std_error > 0.0:
        raise EstimationError(
            "the estimate has a standard error of 0, so nothing shows how sure it is; give one with an error above 0, or "
            "none and an interval",
            code="no_spread",
        )
    if estimate.unit == "ratio":
        raise EstimationError(
            "a ratio is never read against a margin; use the difference", code="ratio_against_margin"
        )
    if estimate.unit != margin.unit:
        raise EstimationError(
            f"the estimate is in {estimate.unit or 'no unit'!r}, the margin in {margin.unit!r}; "
            "give both in one unit",
            code="unit_mismatch",
        )


def _interval(estimate: Estimate, alpha: float) -> tuple[float | None, float | None, str]:
    """Return the limits of level 1 - 2 alpha, or why there are none."""
    if estimate.value is None or (estimate.conf_low is None and estimate.conf_high is None):
        return None, None, estimate.reason or "no interval"
    level = 1 - 2 * alpha
    if estimate.std_error is not None:
        df = math.inf if estimate.df is None else estimate.df
        half = float(t_quantile(1 - alpha, df)) * estimate.std_error
        return estimate.value - half, estimate.value + half, ""
    if not math.isclose(estimate.level, level, rel_tol=1e-9):
        raise EstimationError(
            f"the estimate has no standard error and its interval has level {estimate.level:g}; "
            f"compute it with level={level:g}",
            code="wrong_level",
        )
    return estimate.conf_low, estimate.conf_high, estimate.reason


def _one_sided(estimate: Estimate, margin: Margin) -> tuple[float | None, float | None]:
    """Return the p against the lower and the upper bound; None without a standard error."""
    if estimate.value is None or estimate.std_error is None:
        return None, None
    df = math.inf if estimate.df is None else estimate.df
    lower = _lower_tail(-(estimate.value + margin.value) / estimate.std_error, df)
    upper = _lower_tail((estimate.value - margin.value) / estimate.std_error, df)
    return lower, upper


def _lower_tail(statistic: float, df: float) -> float:
    """Return P(T <= statistic), never exactly 0."""
    half = float(t_two_sided_p(statistic, df)) / 2
    return max(half if statistic < 0 else 1 - half, SMALLEST_P)


def _unread(estimate: Estimate, margin: Margin, alpha: float, method: str, reason: str) -> Equivalence:
    """Return the answer that says why there is none."""
    return Equivalence(
        shown=None, p_value=None, p_lower=None, p_upper=None, conf_low=None, conf_high=None,
        estimate=estimate, margin=margin, alpha=alpha, method=method, reason=reason,
    )  # fmt: skip
