"""Numbers in cells: strict, exact in decimals, with unit and direction where the cell gives them."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from outcomes.cohort.concepts import Unit, concepts, unit_named, unit_written
from outcomes.cohort.dictionary import Column, TableLayout
from outcomes.cohort.judgement import LIKE_MISSING, Judgement, Outcome, missing
from outcomes.cohort.text import fold, tidy

_PLAIN = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_AROUND = re.compile(
    r"(?P<before>[^\W\d_][^\W\d_ ]*\.?(?: [^\W\d_]+)?)? ?"
    r"(?P<number>[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)(?![0-9.])"
    r" ?(?P<after>.*)"
)
_MINUS = re.compile(r"^([^0-9]*?)[\u2212\u2010\u2011\u2012\u2013\u2014\ufe63\uff0d](?= ?[0-9.])")
_COMMA = re.compile(r"[0-9],[0-9]|^[+-]?,[0-9]")
_CENSORED = re.compile(
    r"[<>≤≥~≈±]|(?:c|ca|circa|about|approx|approximately|over|under|at least|up to)\b", re.I
)
_RANGE = re.compile(r"[0-9] ?[^\W\d_°º]* ?(?:-|–|—|−|\bto\b|\.\.+) ?[+-]?[0-9]", re.I)
_DATE = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}.*|[0-9]{1,2}[/.][0-9]{1,2}[/.][0-9]{2,4}")
_FRACTION = re.compile(r"[0-9] ?[/⁄] ?[0-9]|[¼½¾⅐-⅞]|[0-9] (?:of|out of) [0-9]", re.I)
_NON_FINITE = re.compile(r"[+-]?(?:inf|infinity|nan|∞)", re.I)

_WORDS = {
    "volar": ("volar", "v", "vol", "palmar", "volarly"),
    "dorsal": ("dorsal", "d", "dors", "dorsally"),
    "ulna longer": (
        "ulna longer", "plus", "positive", "ulna plus", "ulnar plus", "ulna positive", "ulnar positive",
    ),
    "ulna shorter": (
        "ulna shorter", "minus", "negative", "ulna minus", "ulnar minus", "ulna negative", "ulnar negative",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberRule:
    """How the cells of one column become numbers.

    Attributes
    ----------
    measure : str
        Measure of the concept; empty for the department's own columns.
    unit : Unit or None
        Declared unit where it is one of ours; `unit_text` is its word.
    internal : bool
        Whether values are converted to the internal unit of the measure.
    flip : bool
        Whether the declared sign is the opposite of the internal one.
    directions : dict
        Words that give a direction, to +1 or -1 inside the package.
    mark : str
        Declared decimal mark of texts, "" when not declared.
    codes : frozenset of Decimal
        Numbers that mean missing.
    hard, soft : tuple of float or None
        Impossible and implausible limits, internal unit and sign.
    whole : bool
        Only whole numbers are possible.
    """

    measure: str
    unit: Unit | None
    unit_text: str
    internal: bool
    flip: bool
    directions: dict[str, int]
    mark: str
    codes: frozenset[Decimal]
    hard: tuple[float, float] | None
    soft: tuple[float, float] | None
    whole: bool


def number_rule(column: Column, table: TableLayout) -> NumberRule:
    """Return the rule that a column of the dictionary declares."""
    concept = concepts()[column.concept]
    internal = concept.kind != "own"
    unit = unit_named(column.unit) if internal and column.unit else unit_written(column.unit)
    flip = bool(column.positive) and column.positive != concept.sign[0]
    directions = {
        word: 1 if place == 0 else -1 for place, name in enumerate(concept.sign) for word in _WORDS[name]
    }
    rule = NumberRule(
        measure=concept.measure,
        unit=unit,
        unit_text=column.unit,
        internal=internal,
        flip=flip,
        directions=directions,
        mark=column.decimal or table.decimal,
        codes=frozenset(Decimal(repr(code)) for code in column.codes),
        hard=concept.hard,
        soft=concept.soft,
        whole=concept.whole,
    )
    return _with_declared_range(rule, column)


def _with_declared_range(rule: NumberRule, column: Column) -> NumberRule:
    if column.low is None and column.high is None:
        return rule
    low, high = (
        float("-inf") if column.low is None else _internal(Decimal(repr(column.low)), rule),
        float("inf") if column.high is None else _internal(Decimal(repr(column.high)), rule),
    )
    if rule.flip:
        low, high = (
            (-float("inf") if column.high is None else high),
            (float("inf") if column.low is None else low),
        )
    fields = {name: getattr(rule, name) for name in NumberRule.__dataclass_fields__}
    return NumberRule(**(fields | {"soft": (float(low), float(high))}))


def _internal(value: Decimal, rule: NumberRule) -> Decimal:
    """Return a value of the declared unit and sign in the internal ones."""
    if rule.internal and rule.unit is not None:
        value = rule.unit.to_internal(value)
    return value.copy_negate() if rule.flip else value


def number_judge(rule: NumberRule) -> Callable[[str, str], Judgement]:
    """Return the function that judges one token of a column of numbers.

    Examples
    --------
    >>> from outcomes.cohort.dictionary import read_dictionary
    >>> declared = read_dictionary({"columns": {"No.": {"is": "patient_id"}, "Tilt": {
    ...     "is": "tilt", "time": "union", "unit": "degrees", "positive": "dorsal"}}})
    >>> judge = number_judge(number_rule(declared.columns[1], declared.table))
    >>> judge("10", "text").value, judge("10 volar", "text").value, judge("2/3", "text").reason
    (-10.0, 10.0, 'fraction')
    """
    untouched = not rule.flip and (
        not rule.internal or rule.unit is None or rule.unit.times == rule.unit.divide
    )

    def judge(token: str, kind: str) -> Judgement:
        if kind in ("date", "boolean"):
            return missing("date_in_numeric" if kind == "date" else "not_a_number")
        text = tidy(token)
        if not _PLAIN.fullmatch(text):
            return _judge_written(text, kind, rule)
        if rule.mark == "comma" and kind == "text" and "." in text:
            return missing("point_in_number")
        if rule.codes and Decimal(text) in rule.codes:
            return missing("missing_code")
        if untouched:
            return _bounded(float(text), "verbatim", "", rule)
        return _bounded(float(_internal(Decimal(text), rule)), "converted", "declared_unit_or_sign", rule)

    return judge


def _judge_written(text: str, kind: str, rule: NumberRule) -> Judgement:
    """Judge a token that is more than digits, sign and point."""
    refused = _refused(text)
    if refused:
        return missing(refused)
    plain = _MINUS.sub(r"\1-", text)
    if kind == "text" and _COMMA.search(plain):
        if rule.mark != "comma":
            return missing("decimal_not_declared" if not rule.mark else "comma_in_number")
        if "." in plain:
            return missing("point_in_number")
        plain = plain.replace(",", ".")
    found = _AROUND.fullmatch(plain)
    if not found:
        return missing("missing_like" if fold(text) in LIKE_MISSING else "not_a_number")
    number = Decimal(found["number"])
    if rule.codes and number in rule.codes:
        return missing("missing_code")
    return _judge_parts(number, found["number"][0] in "+-", found["before"] or "", found["after"], rule)


def _refused(text: str) -> str:
    if _NON_FINITE.fullmatch(text):
        return "non_finite"
    if _CENSORED.match(text):
        return "censored"
    if _DATE.fullmatch(text):
        return "date_in_numeric"
    if _FRACTION.search(text):
        return "fraction"
    return "range" if _RANGE.search(re.sub(r"[0-9][eE]-", "", text)) else ""


def _judge_parts(number: Decimal, signed: bool, before: str, after: str, rule: NumberRule) -> Judgement:
    """Judge a number with words around it: a unit, a direction, or both."""
    unit_word, direction_word = _unit_and_direction(after, rule)
    direction_word = direction_word or fold(before).rstrip(".")
    if unit_word is None or (direction_word and direction_word not in rule.directions):
        a_word = after and not any(letter.isdigit() for letter in after)
        return missing("unknown_unit" if a_word else "not_a_number")
    value, reason = _in_declared_unit(number, unit_word, rule)
    if value is None:
        return missing(reason)
    value = _internal(value, rule)
    if direction_word:
        toward = rule.directions[direction_word]
        if signed and value * toward < 0:
            return missing("contradicting_direction")
        value, reason = _signed(value, toward), "direction_in_cell"
    return _bounded(float(value), "converted", reason, rule)


def _signed(value: Decimal, toward: int) -> Decimal:
    # Copying the sign keeps every digit; arithmetic would round to the context of the moment.
    return value.copy_abs() if toward > 0 else value.copy_abs().copy_negate()


def _unit_and_direction(after: str, rule: NumberRule) -> tuple[str | None, str]:
    """Split the words behind a number; (None, "") when they are neither unit nor direction."""
    words = fold(re.sub(r"[()\[\]]", " ", after)).rstrip(".")
    if not words or words in rule.directions:
        return "", words
    if _known_unit(words, rule):
        return words, ""
    for split in range(1, len(words)):
        head, tail = words[:split].strip(" ,"), words[split:].strip(" ,")
        if (
            tail in rule.directions
            and _known_unit(head, rule)
            and (words[split] == " " or not head[-1].isalpha())
        ):
            return head, tail
    return None, ""


def _known_unit(word: str, rule: NumberRule) -> bool:
    return unit_written(word) is not None or word == fold(rule.unit_text)


def _in_declared_unit(number: Decimal, word: str, rule: NumberRule) -> tuple[Decimal | None, str]:
    if not word:
        return number, "spelling"
    unit = unit_written(word)
    if unit is rule.unit or word == fold(rule.unit_text):
        return number, "unit_in_cell"
    expected = rule.unit.measure if rule.unit else rule.measure
    if unit is None or unit.measure != expected:
        return None, "wrong_unit"
    if rule.unit is None:
        return unit.to_internal(number), "unit_in_cell" if unit.times == unit.divide else "other_unit_in_cell"
    return rule.unit.from_internal(unit.to_internal(number)), "other_unit_in_cell"


def _bounded(value: float, outcome: Outcome, reason: str, rule: NumberRule) -> Judgement:
    """Apply the limits; also turns minus zero, which a flipped sign gives, into zero."""
    if not abs(value) < float("inf"):
        return missing("non_finite")
    if rule.hard and not rule.hard[0] <= value <= rule.hard[1]:
        return missing("impossible")
    if rule.whole and not value.is_integer():
        return missing("not_whole")
    remark = "other_unit_in_cell" if reason == "other_unit_in_cell" else ""
    if rule.soft and not rule.soft[0] <= value <= rule.soft[1]:
        remark = "implausible"
    return Judgement(value + 0.0, outcome, reason, remark)
