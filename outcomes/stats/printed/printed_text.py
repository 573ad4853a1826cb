"""Numbers as they stand in print: what each digit string may stand for, and what a check of them found.

A printed number is text, because its decimals matter: "3.20" lies within 0.005 of 3.2, "3.2" within 0.05. The limits
are exact fractions and both belong to the interval, so that halves rounded up, down or to even are accepted
alike. What a check compares are intervals; it finds an inconsistency only where no values
behind the printed ones agree.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Literal

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.inputs import whole

Finding = Literal["consistent", "inconsistent", "cannot tell"]
Decision = Literal["same", "reversed", "not judged"]
Relation = Literal["=", "<", ">"]

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?")
# Widens limits computed in floating point, so that arithmetic alone never makes an inconsistency.
SLACK = 1e-9
# Powers of ten that are told apart; beyond them nothing is printed that was measured.
LARGEST_EXPONENT = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed:
    """A printed number and the interval of values it may stand for.

    Attributes
    ----------
    text : str
        As printed.
    value : Decimal
    decimals : int
        Digits after the point; negative when the number is printed in powers of ten.
    low, high : Fraction
        The closed interval of values that are printed like this.
    """

    text: str
    value: Decimal
    decimals: int
    low: Fraction
    high: Fraction

    def tidy(self) -> pd.DataFrame:
        """Return one row: the number and the limits of what it may stand for."""
        row = {"printed": self.text, "estimate": float(self.value), "decimals": self.decimals}
        return pd.DataFrame([row | {"lowest": float(self.low), "highest": float(self.high)}])

    def __str__(self) -> str:
        """Return number and limits."""
        return f"{self.text} ({float(self.low):.10g} to {float(self.high):.10g})"


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedP:
    """A printed p and the interval of values it may stand for.

    Attributes
    ----------
    text : str
        As printed.
    relation : {"=", "<", ">"}
    low, high : float
        Limits; the limit of a "<" or ">" does not belong to the interval, all others do.
    """

    text: str
    relation: Relation
    low: float
    high: float

    def tidy(self) -> pd.DataFrame:
        """Return one row: the p and the limits of what it may stand for."""
        return pd.DataFrame([{"printed": self.text, "lowest": self.low, "highest": self.high}])

    def __str__(self) -> str:
        """Return p and limits."""
        return f"p {self.text} ({self.low:.4g} to {self.high:.4g})"


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedCheck:
    """What a check of printed numbers found.

    Attributes
    ----------
    check : str
        What was checked.
    printed : str
        The numbers that were given, as printed.
    finding : {"consistent", "inconsistent", "cannot tell"}
        "inconsistent" only when no values that round to the printed ones agree.
    quantity : str
        What was worked out again, e.g. ``"p"``.
    low, high : float or None
        Limits of that quantity over all values behind the printed ones; None where there are none.
    decision : {"same", "reversed", "not judged"}
        Whether printed and recomputed p lie on the same side of alpha; "reversed" only when certain.
    n : int
        Cases, 0 when n has no part in it.
    method, reason, note : str
        How it was worked out; why it was found so; what else would agree.
    """

    check: str
    printed: str
    finding: Finding
    quantity: str = ""
    low: float | None = None
    high: float | None = None
    decision: Decision = "not judged"
    n: int = 0
    method: str = ""
    reason: str = ""
    note: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row; `lowest` and `highest` are limits by rounding, not by sampling."""
        row = {
            "contrast": self.check, "printed": self.printed, "finding": self.finding, "decision": self.decision,
            "quantity": self.quantity, "lowest": self.low, "highest": self.high, "n": self.n,
            "reason": self.reason, "note": self.note, "method": self.method,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the finding in one sentence."""
        again = ""
        if self.low is not None and self.high is not None:
            same = f"{self.low:.3g}" == f"{self.high:.3g}"
            limits = f"{self.low:.3g}" if same else f"{self.low:.3g} to {self.high:.3g}"
            again = f"; {self.quantity} from the printed numbers {limits}"
        side = "; decision reversed" if self.decision == "reversed" else ""
        more = "".join(f"; {words}" for words in (self.reason, self.note) if words)
        return f"{self.check}, {self.printed}: {self.finding}{again}{side}{more}"


def read_printed(text: str | int, name: str = "number", *, truncated: bool = False) -> Printed:
    """Return what a printed number may stand for.

    Parameters
    ----------
    text : str or int
        As printed, with all its decimals; minus signs of print and a raised point are understood.
    name : str
        What the number is called in a message.
    truncated : bool
        Whether digits were cut off rather than rounded.

    Returns
    -------
    Printed

    Raises
    ------
    EstimationError
        For a float, whose printed decimals are lost, and for text that is not one number.

    Examples
    --------
    >>> print(read_printed("3.20"))
    3.20 (3.195 to 3.205)
    >>> print(read_printed("3.2"))
    3.2 (3.15 to 3.25)
    """
    if isinstance(text, bool) or not isinstance(text, str | int):
        raise EstimationError(
            f"{name}: give the number as text, as printed, such as '3.20': a float has lost its decimals",
            code="not_text",
        )
    shown = str(text).strip()
    plain = shown.replace("\u2212", "-").replace("\u2013", "-").replace("\u00b7", ".").lower()
    if not NUMBER.fullmatch(plain):
        raise EstimationError(
            f"{name}: not one number in figures; use a point for decimals and no separator of thousands",
            code="not_a_number",
        )
    value = Decimal(plain)
    decimals = -int(value.as_tuple().exponent)
    # before any arithmetic: the fraction of a number with a huge exponent would fill the memory
    if max(abs(decimals), abs(value.adjusted())) > LARGEST_EXPONENT:
        raise EstimationError(
            f"{name}: a power of ten beyond {LARGEST_EXPONENT}; check the exponent", code="not_a_number"
        )
    step = Fraction(10) ** -decimals
    exact = Fraction(value)
    if truncated:
        negative = plain.startswith("-")
        low, high = (exact - step, exact) if negative else (exact, exact + step)
    else:
        low, high = exact - step / 2, exact + step / 2
    return Printed(text=shown, value=value, decimals=decimals, low=low, high=high)


def read_printed_p(text: str, name: str = "p") -> PrintedP:
    """Return what a printed p may stand for.

    Parameters
    ----------
    text : str
        Such as ``"0.037"``, ``"p = .04"``, ``"<0.001"``, ``"> .2"``.
    name : str
        What it is called in a message.

    Returns
    -------
    PrintedP

    Raises
    ------
    EstimationError
        When it is not a number from 0 to 1, with or without a sign of comparison.

    Examples
    --------
    >>> print(read_printed_p("p = .037"))
    p = .037 (0.0365 to 0.0375)
    >>> read_printed_p("< 0.001").high
    0.001
    """
    if not isinstance(text, str):
        raise EstimationError(f"{name}: give p as text, as printed, such as '0.037'", code="not_text")
    shown = re.sub(r"^[pP]\s*(?=[=<>\u2264\u2265])", "", text.strip())
    sign = re.match(r"[=<>\u2264\u2265]", shown)
    relation: Relation = "=" if not sign or sign[0] == "=" else "<" if sign[0] in "<\u2264" else ">"
    number = read_printed(shown[1:] if sign else shown, name)
    if not 0 <= number.value <= 1:
        raise EstimationError(f"{name}: p must be from 0 to 1", code="bad_p")
    low, high = max(float(number.low), 0.0), min(float(number.high), 1.0)
    if relation == "<":
        low, high = 0.0, float(number.value)
    elif relation == ">":
        low, high = float(number.value), 1.0
    return PrintedP(text=shown if sign else f"= {shown}", relation=relation, low=low, high=high)


def judge_p(p: PrintedP, low: float, high: float, alpha: float = 0.05) -> tuple[Finding, Decision]:
    """Return whether a printed p agrees with the limits of a recomputed one, and on which side of alpha both lie.

    Parameters
    ----------
    p : PrintedP
    low, high : float
        Limits of the recomputed p.
    alpha : float
        Level of significance.

    Raises
    ------
    EstimationError
        A level of significance outside 0 to 1.

    Examples
    --------
    >>> judge_p(read_printed_p("< .05"), 0.064, 0.098)
    ('inconsistent', 'reversed')
    >>> judge_p(read_printed_p("0.037"), 0.001, 0.12)
    ('consistent', 'not judged')
    """
    if not 0 < alpha < 1:
        raise EstimationError("alpha must be between 0 and 1, such as 0.05", code="bad_level")
    least, most = low * (1 - SLACK), high * (1 + SLACK)
    agrees = (
        least < p.high if p.relation == "<" else most > p.low if p.relation == ">" else
        least <= p.high and most >= p.low
    )  # fmt: skip
    printed_below = p.high < alpha or (p.relation == "<" and p.high <= alpha)
    printed_above = p.low >= alpha
    again_below, again_above = high < alpha, low >= alpha
    decision: Decision = "not judged"
    if (printed_below and again_above) or (printed_above and again_below):
        decision = "reversed"
    elif (printed_below and again_below) or (printed_above and again_above):
        decision = "same"
    return ("consistent" if agrees else "inconsistent"), decision


def group_size(n: float, name: str = "n", least: int = 1) -> int:
    """Return the size of a group, `least` or more.

    Raises
    ------
    EstimationError
        A size that is not whole or too small.

    Examples
    --------
    >>> group_size(20)
    20
    """
    size = whole(n, name)
    if size < least:
        raise EstimationError(f"{name} must be {least} or more", code="too_few")
    return size
