"""Numbers as text: the only place in the package where anything is rounded.

Rules. Decimals follow the unit, so that a column lines up and a reader can predict it; a limit that rounding
would move onto zero or onto the margin keeps the digits that show on which side it lies. p is given to two
decimals, three below 0.1 where they carry meaning, and never as 0.000. Percentages have no decimals when
the denominator is under 100. A minus is a minus sign and a range is written with *to*.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from decimal import ROUND_HALF_EVEN, Decimal

from outcomes.estimates import Estimate, Margin

MINUS = "\N{MINUS SIGN}"
#: No-break space: a number and its unit stay on one line.
NBSP = "\N{NO-BREAK SPACE}"
#: What a cell says when there is nothing to say.
NOTHING = "\N{EN DASH}"

_DECIMALS = {"ratio": 2, "correlation": 2, "cases": 0, "days": 0}
_MOST_EXTRA_DECIMALS = 3


def decimals_for(unit: str) -> int:
    """Return the decimals in which values of a unit are printed.

    Examples
    --------
    >>> decimals_for("kg"), decimals_for("ratio"), decimals_for("percentage points")
    (1, 2, 1)
    """
    return _DECIMALS.get(unit, 1)


def number(value: float | None, decimals: int = 1) -> str:
    """Return a number with that many decimals, a proper minus sign and no negative zero.

    Examples
    --------
    >>> number(-3.25), number(-0.01), number(12345, 0), number(None)
    ('−3.2', '0.0', '12,345', '–')
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    rounded = _rounded(value, decimals)
    text = f"{abs(rounded):,}" if abs(rounded) >= 10_000 else f"{abs(rounded)}"
    return f"{MINUS}{text}" if rounded < 0 else text


def count(n: int) -> str:
    """Return a count, with a comma from ten thousand on.

    Examples
    --------
    >>> count(609), count(120000)
    ('609', '120,000')
    """
    return number(float(n), 0)


def faithful_decimals(values: Iterable[float | None], landmarks: Iterable[float], decimals: int) -> int:
    """Return the decimals at which no value is rounded onto or across a landmark such as 0 or the margin.

    Examples
    --------
    >>> faithful_decimals([0.04, 3.2], [0.0, 5.0], 1), faithful_decimals([0.4, 3.2], [0.0, 5.0], 1)
    (2, 1)
    """
    marks = [mark for mark in landmarks if math.isfinite(mark)]
    known = [value for value in values if value is not None]
    for extra in range(_MOST_EXTRA_DECIMALS + 1):
        if not any(_moved(value, mark, decimals + extra) for value in known for mark in marks):
            return decimals + extra
    return decimals + _MOST_EXTRA_DECIMALS


def _moved(value: float, mark: float, decimals: int) -> bool:
    return value != mark and (float(_rounded(value, decimals)) - mark) * (value - mark) <= 0


def _rounded(value: float, decimals: int) -> Decimal:
    """Round the decimal number that a float prints as, halves to even; the one rounding of the package."""
    return Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)


def interval(
    low: float | None, high: float | None, decimals: int = 1, *, landmarks: Iterable[float] = (0.0,)
) -> str:
    """Return confidence limits joined by *to*.

    Examples
    --------
    >>> interval(-1.04, 7.36), interval(None, 2.0)
    ('−1.0 to 7.4', 'no limit to 2.0')
    """
    if low is None and high is None:
        return NOTHING
    digits = faithful_decimals((low, high), landmarks, decimals)
    lower, upper = ("no limit" if limit is None else number(limit, digits) for limit in (low, high))
    return f"{lower} to {upper}"


def level_unit(unit: str) -> str:
    """Return the unit of a level where that of a difference is given.

    Examples
    --------
    >>> level_unit("percentage points"), level_unit("kg")
    ('%', 'kg')
    """
    return "%" if unit == "percentage points" else unit


def with_unit(value: str, unit: str) -> str:
    """Return a formatted value followed by its unit, kept on one line; a ratio has none.

    Examples
    --------
    >>> with_unit("4.2", "kg").replace(NBSP, " "), with_unit("1.30", "ratio")
    ('4.2 kg', '1.30')
    """
    return value if unit in ("", "ratio") else f"{value}{NBSP}{unit.replace(' ', NBSP)}"


def estimate_cells(estimate: Estimate, *, margin: float | None = None) -> tuple[str, str]:
    """Return the estimate and its interval as two table cells.

    Examples
    --------
    >>> estimate_cells(Estimate(value=4.23, conf_low=-1.0, conf_high=9.4, unit="kg"))
    ('4.2', '−1.0 to 9.4')
    >>> estimate_cells(Estimate.not_estimable("no events"))
    ('not estimable', '–')
    """
    if estimate.value is None:
        return "not estimable", NOTHING
    null = 1.0 if estimate.unit == "ratio" else 0.0
    marks = [null] if margin is None else [null, -margin, margin]
    decimals = decimals_for(estimate.unit)
    digits = faithful_decimals((estimate.conf_low, estimate.conf_high), marks, decimals)
    limits = interval(estimate.conf_low, estimate.conf_high, digits, landmarks=marks)
    return number(estimate.value, digits), limits


def estimate_text(estimate: Estimate, *, margin: float | None = None) -> str:
    """Return ``value unit (low to high)``, or why there is none.

    Examples
    --------
    >>> estimate_text(Estimate(value=4.23, conf_low=1.0, conf_high=7.36, unit="kg")).replace(NBSP, " ")
    '4.2 kg (1.0 to 7.4)'
    """
    if estimate.value is None:
        return f"not estimable: {estimate.reason}"
    value, limits = estimate_cells(estimate, margin=margin)
    shown = with_unit(value, estimate.unit)
    return shown if limits == NOTHING else f"{shown} ({limits})"


def margin_text(margin: Margin) -> str:
    """Return a margin with its unit, as declared.

    Examples
    --------
    >>> margin_text(Margin(value=10.0, unit="points", source="declared by the authors: x")).replace(NBSP, " ")
    '10 points'
    """
    return with_unit(f"{Decimal(repr(margin.value)).normalize():f}", margin.unit)


def p_value(p: float | None) -> str:
    """Return p to two or three decimals, never as zero or one.

    Examples
    --------
    >>> p_value(0.0004), p_value(0.0042), p_value(0.0496), p_value(0.31), p_value(0.998), p_value(None)
    ('< 0.001', '0.004', '0.0496', '0.31', '> 0.99', '–')
    """
    if p is None or not math.isfinite(p):
        return NOTHING
    if p < 0.001:
        return "< 0.001"
    if p > 0.99:
        return "> 0.99"
    return number(p, faithful_decimals((p,), (0.05,), 3 if p < 0.1 else 2))


def percentage(events: float, n: float) -> str:
    """Return the percentage with no more digits than the denominator carries.

    Examples
    --------
    >>> percentage(9, 28).replace(NBSP, " "), percentage(9, 280).replace(NBSP, " "), percentage(0, 0)
    ('32 %', '3.2 %', '–')
    """
    if n <= 0:
        return NOTHING
    return f"{number(100 * events / n, 0 if n < 100 else 1)}{NBSP}%"


def events_of(events: float, n: float) -> str:
    """Return ``events/n (percentage)``.

    Examples
    --------
    >>> events_of(9, 28).replace(NBSP, " "), events_of(0, 0)
    ('9/28 (32 %)', 'no cases')
    """
    if n <= 0:
        return "no cases"
    return f"{count(int(events))}/{count(int(n))} ({percentage(events, n)})"


def share_of(part: int, whole: int) -> str:
    """Return ``part (percentage)`` for a count in a column whose total stands in the header.

    Examples
    --------
    >>> share_of(9, 28).replace(NBSP, " ")
    '9 (32 %)'
    """
    return f"{count(part)} ({percentage(part, whole)})" if whole > 0 else count(part)


def sentence(text: str) -> str:
    """Return the text with a capital first letter and a full stop, as one sentence of a page.

    Examples
    --------
    >>> sentence("reduction counts")
    'Reduction counts.'
    """
    stripped = text.strip()
    if not stripped:
        return ""
    end = "" if stripped[-1] in ".:!?" else "."
    return stripped[0].upper() + stripped[1:] + end


def capital(text: str) -> str:
    """Return the text with a capital first letter.

    Examples
    --------
    >>> capital("any complication")
    'Any complication'
    """
    return text[:1].upper() + text[1:]


def listing(items: Iterable[str], *, last: str = "and") -> str:
    """Return items as they stand in a sentence.

    Examples
    --------
    >>> listing(["cast", "plate", "pinning"]), listing(["cast"]), listing([])
    ('cast, plate and pinning', 'cast', 'none')
    """
    words = list(items)
    if not words:
        return "none"
    if len(words) == 1:
        return words[0]
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
