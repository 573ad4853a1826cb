"""The two things every number in the package travels with: an estimate and a margin.

An :class:`Estimate` carries its direction, unit, interval and n, so that none of them can be lost
between a statistic and a page. A :class:`Margin` cannot be made without its source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from outcomes.errors import EstimationError, StudyError

MarginKind = Literal[
    "between groups", "within-patient change", "measurement error", "declared by the authors"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A number with its direction, unit, interval and n.

    Attributes
    ----------
    value, conf_low, conf_high : float or None
        Point estimate and confidence limits in `unit`; None where there is none (`reason` says why).
    level : float
        Confidence level of the limits.
    std_error, df : float or None
        Standard error and degrees of freedom of the reference t; None or infinity for a normal.
    p_value : float or None
        Two-sided p of no difference (0, or 1 for ratios).
    contrast : str
        What is subtracted from (or divided by) what, e.g. ``"met minus not met"``.
    unit : str
        Unit of value and limits; ``"ratio"`` for ratios.
    n, n_missing : int
        Cases used, and cases left out because something was missing.
    method : str
        Named method of the interval.
    reason : str
        Why there is no estimate or no limit; empty otherwise.

    Examples
    --------
    >>> print(Estimate(value=4.2, conf_low=1.0, conf_high=7.4, contrast="met minus not met", unit="kg", n=80,
    ...                method="Welch"))
    met minus not met: 4.2 kg (95 % CI 1 to 7.4; n = 80; Welch)
    """

    value: float | None
    conf_low: float | None
    conf_high: float | None
    level: float = 0.95
    std_error: float | None = None
    df: float | None = None
    p_value: float | None = None
    contrast: str = ""
    unit: str = ""
    n: int = 0
    n_missing: int = 0
    method: str = ""
    reason: str = ""

    def __post_init__(self) -> None:
        """Refuse NaN and infinity: what cannot be estimated is None with a reason."""
        for name in ("value", "conf_low", "conf_high", "std_error", "p_value"):
            number = getattr(self, name)
            if number is not None and not math.isfinite(number):
                raise EstimationError(
                    f"{self.contrast or 'estimate'}: {name} is not finite; use None with a reason",
                    code="not_finite",
                )
        if self.value is None and not self.reason:
            raise EstimationError("an estimate without a value needs a reason", code="no_reason")

    @classmethod
    def not_estimable(
        cls,
        reason: str,
        *,
        contrast: str = "",
        unit: str = "",
        n: int = 0,
        n_missing: int = 0,
        method: str = "",
    ) -> Estimate:
        """Return the estimate that says why there is none.

        Examples
        --------
        >>> print(Estimate.not_estimable("no events in either group", contrast="a minus b"))
        a minus b: not estimable (no events in either group)
        """
        return cls(
            value=None, conf_low=None, conf_high=None, contrast=contrast, unit=unit, n=n, n_missing=n_missing,
            method=method, reason=reason,
        )  # fmt: skip

    @property
    def estimable(self) -> bool:
        """Whether there is a value."""
        return self.value is not None

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        lead = f"{self.contrast}: " if self.contrast else ""
        if self.value is None:
            return f"{lead}not estimable ({self.reason})"
        unit = f" {self.unit}" if self.unit else ""
        interval = self._interval()
        counted = f"; n = {self.n}" if self.n else ""  # 0: not told, as a value rests on something
        tail = f"; {self.method}" if self.method else ""
        return f"{lead}{self.value:.4g}{unit} ({interval}{counted}{tail})"

    def _interval(self) -> str:
        """Return the interval in words, or why there is none."""
        if self.conf_low is None and self.conf_high is None and self.reason:
            return f"no {self.level * 100:g} % CI: {self.reason}"
        low = "no limit" if self.conf_low is None else f"{self.conf_low:.4g}"
        high = "no limit" if self.conf_high is None else f"{self.conf_high:.4g}"
        return f"{self.level * 100:g} % CI {low} to {high}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """The smallest difference between groups that would matter, with where it comes from.

    Attributes
    ----------
    value : float
        Size, > 0, in `unit`.
    unit : str
        Must equal the unit of the estimate it is read against.
    source : str
        Citation, or ``"declared by the authors: ..."`` with the reason.
    kind : str
        What the source measured. A within-patient change or a measurement error is accepted as a
        margin between groups only with a warning.
    seen : bool
        False when the value was recalled from memory and not checked in its source.

    Examples
    --------
    >>> Margin(value=10, unit="points", source="declared by the authors: one grade").warning
    ''
    """

    value: float
    unit: str
    source: str
    kind: MarginKind = "declared by the authors"
    seen: bool = True

    def __post_init__(self) -> None:
        """Refuse a margin without size or source."""
        if not (math.isfinite(self.value) and self.value > 0):
            raise StudyError(
                "a margin is a finite number above 0 in the unit of its outcome", code="bad_margin"
            )
        if not self.source.strip():
            raise StudyError(
                "a margin needs a source: a citation, or 'declared by the authors: ' with the reason",
                code="margin_without_source",
            )

    @property
    def warning(self) -> str:
        """What must be said wherever the margin is used; empty when nothing."""
        notes = []
        if self.kind in ("within-patient change", "measurement error"):
            notes.append(f"the margin was published as {self.kind}, not as a difference between groups")
        if not self.seen:
            notes.append("the margin is quoted from memory and was not checked in its source")
        return "; ".join(notes)
