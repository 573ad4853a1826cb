"""What a share, or a difference of two, can have been whatever the missing outcomes were."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_level
from outcomes.stats.numerics.inputs import events_of, whole
from outcomes.stats.proportions.risks import DifferenceUnit, ShareUnit, risk_difference, wilson


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingBounds:
    """The lowest and the highest value that missing yes/no outcomes allow.

    Attributes
    ----------
    lowest, highest : Estimate
        With the missing filled in so that the value is least, and greatest; each with its own interval.
    observed : Estimate
        Without the missing.
    conf_low, conf_high : float or None
        Lower limit of the lowest and upper limit of the highest: holds all values between the two with at least the
        stated confidence.
    level : float
    n_missing : int
    """

    lowest: Estimate
    highest: Estimate
    observed: Estimate
    conf_low: float | None
    conf_high: float | None
    level: float
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return the lowest, observed and highest value, one row each."""
        return pd.DataFrame(
            [
                {
                    "assumption": name, "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error,
                    "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n,
                    "n_missing": self.n_missing, "reason": e.reason,
                }
                for name, e in (
                    ("lowest", self.lowest), ("missing left out", self.observed), ("highest", self.highest)
                )
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        lead = f"{self.lowest.contrast}: " if self.lowest.contrast else ""
        if self.lowest.value is None or self.highest.value is None:
            return f"{lead}no bounds ({self.lowest.reason or self.highest.reason})"
        unit = f" {self.lowest.unit}" if self.lowest.unit else ""
        return (
            f"{lead}between {self.lowest.value:.4g} and {self.highest.value:.4g}{unit} whatever the {self.n_missing} missing "
            f"were ({self.level * 100:g} % limits {self.conf_low:.4g} to {self.conf_high:.4g})"
        )


def share_bounds(
    events: float, n_observed: float, n_missing: float, *, level: float = 0.95, unit: ShareUnit = "proportion"
) -> MissingBounds:
    """Bound a share when some of the yes/no values are missing.

    Parameters
    ----------
    events, n_observed : int
        Events among the observed, and the observed.
    n_missing : int
        Cases without a value.
    level : float
    unit : {"proportion", "percent"}
        As for :func:`outcomes.stats.proportions.risks.wilson`.

    Returns
    -------
    MissingBounds
        All missing without, and all with the event; Wilson limits.

    Raises
    ------
    EstimationError
        Counts that are not whole or do not fit.

    Notes
    -----
    Sources: Manski (1990) Am Econ Rev 80:319 (bounds); Wilson (1927) J Am Stat Assoc 22:209. The limits are those of the
    whole range; they are wider than limits for one value inside it (Imbens and Manski 2004, Econometrica 72:1845).

    Examples
    --------
    >>> b = share_bounds(6, 10, 10)
    >>> b.lowest.value, b.observed.value, b.highest.value
    (0.3, 0.6, 0.8)
    """
    check_level(level)
    e, n = events_of(events, n_observed)
    gone = whole(n_missing, "n_missing")
    parts = [wilson(k, size, level, unit=unit) for k, size in ((e, n + gone), (e + gone, n + gone), (e, n))]
    return _bounds([_with(p, gone) for p in parts], level, gone)


def difference_bounds(
    events_a: float,
    n_a: float,
    missing_a: float,
    events_b: float,
    n_b: float,
    missing_b: float,
    *,
    level: float = 0.95,
    unit: DifferenceUnit = "proportion",
) -> MissingBounds:
    """Bound a difference of two risks, a minus b, when some of the outcomes are missing.

    Parameters
    ----------
    events_a, n_a, missing_a : int
        Events and observed cases of a, and its cases without an outcome.
    events_b, n_b, missing_b : int
    level : float
    unit : str
        As for :func:`outcomes.stats.proportions.risks.risk_difference`.

    Returns
    -------
    MissingBounds
        Lowest: missing of a without, those of b with the event; highest: the reverse. Newcombe
        limits.

    Raises
    ------
    EstimationError
        Counts that are not whole or do not fit, a group without any case.

    Notes
    -----
    Sources: Horowitz and Manski (2000) J Am Stat Assoc 95:77; Hollis (2002) Stat Med 21:3823 (best and worst case);
    Newcombe (1998) Stat Med 17:873.

    Examples
    --------
    >>> b = difference_bounds(5, 10, 2, 4, 10, 2)
    >>> [round(e.value, 6) for e in (b.lowest, b.observed, b.highest)]
    [-0.083333, 0.1, 0.25]
    """
    check_level(level)
    e1, n1 = events_of(events_a, n_a, "a")
    e0, n0 = events_of(events_b, n_b, "b")
    m1, m0 = whole(missing_a, "missing_a"), whole(missing_b, "missing_b")
    if min(n1 + m1, n0 + m0) == 0:
        raise EstimationError("a group without any case has no risk to bound", code="empty_group")
    parts: list[Estimate] = [
        risk_difference(e1, n1 + m1, e0 + m0, n0 + m0, level, unit=unit),
        risk_difference(e1 + m1, n1 + m1, e0, n0 + m0, level, unit=unit),
        risk_difference(e1, n1, e0, n0, level, unit=unit),
    ]
    return _bounds([_with(p, m1 + m0) for p in parts], level, m1 + m0)


def _with(e: Estimate, n_missing: int) -> Estimate:
    """Return an estimate with the number missing."""
    about: dict[str, Any] = {"contrast": e.contrast, "unit": e.unit, "n": e.n, "n_missing": n_missing}
    return Estimate(value=e.value, conf_low=e.conf_low, conf_high=e.conf_high, level=e.level, std_error=e.std_error,
                    df=e.df, p_value=e.p_value, method=e.method, reason=e.reason, **about)  # fmt: skip


def _bounds(parts: list[Estimate], level: float, n_missing: int) -> MissingBounds:
    """Return the bounds of the lowest, the highest and the observed."""
    return MissingBounds(lowest=parts[0], highest=parts[1], observed=parts[2], conf_low=parts[0].conf_low,
                         conf_high=parts[1].conf_high, level=level, n_missing=n_missing)  # fmt: skip
