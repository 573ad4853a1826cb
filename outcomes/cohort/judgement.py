"""What becomes of one token: kept, converted or set missing, always with the reason."""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

from outcomes.cohort.text import fold, tidy

Outcome = Literal["verbatim", "converted", "missing", "blank"]

# What spreadsheet programs write into a cell whose formula failed.
FORMULA_ERRORS = frozenset(
    ("#div/0!", "#n/a", "#name?", "#null!", "#num!", "#ref!", "#value!", "#getting_data", "#spill!", "#calc!")
)
# Undeclared words that nearly always mean missing; they are never read as a value, and asked about.
LIKE_MISSING = frozenset(("-", "--", "---", ".", "..", "?", "??", "n/a", "n.a.", "#n/a", "–", "—", "*"))


class Judgement(NamedTuple):
    """What one token was taken for.

    Attributes
    ----------
    value : object
        Float, text, datetime64 or level, or None when it is missing.
    outcome : str
        "verbatim", "converted", "missing" or "blank".
    reason : str
        Why it was converted or set missing; empty otherwise.
    remark : str
        What should be looked at although the value was kept; empty otherwise.
    """

    value: Any
    outcome: Outcome
    reason: str = ""
    remark: str = ""


BLANK = Judgement(None, "blank")


def missing(reason: str) -> Judgement:
    """Return the judgement that sets a cell missing for a reason."""
    return Judgement(None, "missing", reason)


def common_judgement(token: str, kind: str, words: frozenset[str]) -> Judgement | None:
    """Judge what does not depend on the meaning of the column: blanks, declared words, failed formulas.

    Examples
    --------
    >>> common_judgement(" NR ", "text", frozenset(["nr"])).reason
    'missing_token'
    """
    if not token or not tidy(token):
        return BLANK
    text = fold(token)
    if text in words:
        return missing("missing_token")
    if kind == "error" or text in FORMULA_ERRORS:
        return missing("formula_error")
    return None


def plain_text(token: str, kind: str) -> str:
    """Return a cell as a person would read it: a whole number without a decimal point.

    Examples
    --------
    >>> plain_text("7.0", "number"), plain_text("7.0", "text")
    ('7', '7.0')
    """
    text = tidy(token)
    return text[:-2] if kind == "number" and text.endswith(".0") else text
