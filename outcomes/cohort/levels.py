"""Words in cells: categories, yes or no, keys and free text, each by its declared spellings only."""

from __future__ import annotations

from collections.abc import Callable

from outcomes.cohort.dictionary import Column
from outcomes.cohort.judgement import LIKE_MISSING, Judgement, missing, plain_text
from outcomes.cohort.text import fold, tidy

Judge = Callable[[str, str], Judgement]


def spellings_of(column: Column) -> dict[str, str]:
    """Return every declared spelling of a column, folded, with its level; a level is its own spelling."""
    return {fold(word): level for level, words in column.levels for word in (level, *words)}


def level_judge(column: Column) -> Judge:
    """Return the function that judges one token of a category.

    Examples
    --------
    >>> from outcomes.cohort.dictionary import read_dictionary
    >>> declared = read_dictionary({"columns": {"No.": {"is": "patient_id"},
    ...     "Sex": {"is": "sex", "levels": {"female": ["f"], "male": ["m"]}}}})
    >>> judge = level_judge(declared.columns[1])
    >>> judge(" F", "text").value, judge("x", "text").reason
    ('female', 'undeclared_level')
    """
    spellings = spellings_of(column)

    def judge(token: str, kind: str) -> Judgement:
        text = plain_text(token, kind)
        level = spellings.get(fold(text))
        if level is None:
            return missing("undeclared_level")
        return Judgement(level, "verbatim") if token == level else Judgement(level, "converted", "spelling")

    return judge


def open_level_judge(token: str, kind: str) -> Judgement:
    """Judge a token of a category whose levels are the codes of the table itself, in capitals.

    Examples
    --------
    >>> open_level_judge("2r3a2.2", "text").value
    '2R3A2.2'
    """
    if kind == "date":
        return missing("date_in_text")
    if fold(token) in LIKE_MISSING:
        return missing("missing_like")
    level = plain_text(token, kind).upper()
    return Judgement(level, "verbatim") if token == level else Judgement(level, "converted", "spelling")


def yes_no_judge(column: Column) -> Judge:
    """Return the function that judges one token of a yes or no column: 1.0, 0.0 or missing.

    Examples
    --------
    >>> from outcomes.cohort.dictionary import read_dictionary
    >>> declared = read_dictionary({"columns": {"No.": {"is": "patient_id"},
    ...     "Open?": {"is": "open_injury", "yes": ["y", "1"], "no": ["n", "0"]}}})
    >>> judge = yes_no_judge(declared.columns[1])
    >>> judge("Y", "text").value, judge("0", "text").value, judge("maybe", "text").reason
    (1.0, 0.0, 'undeclared_level')
    """
    answers = {"yes": 1.0, "no": 0.0}
    answers |= {fold(word): 1.0 for word in column.yes} | {fold(word): 0.0 for word in column.no}

    def judge(token: str, kind: str) -> Judgement:
        if kind == "boolean":
            return Judgement(float(token == "true"), "converted", "spelling")
        text = fold(plain_text(token, kind))
        if text not in answers:
            return missing("undeclared_level")
        return (
            Judgement(answers[text], "verbatim")
            if text in ("yes", "no")
            else Judgement(answers[text], "converted", "spelling")
        )

    return judge


def key_judge(token: str, kind: str) -> Judgement:
    """Judge a key: always text, outer and doubled spaces dropped, nothing else changed.

    Examples
    --------
    >>> key_judge("007 ", "text").value
    '007'
    """
    if kind == "date":
        return missing("date_in_text")
    if fold(token) in LIKE_MISSING:
        return missing("missing_like")
    if kind == "number" and len(token.split(".")[0].lstrip("-")) > 15:
        return missing("id_digits_lost")
    text = plain_text(token, kind)
    return Judgement(text, "verbatim") if text == token else Judgement(text, "converted", "spelling")


def word_judge(column: Column) -> Judge:
    """Return the function that judges free words of which some have a declared meaning.

    A word that is not declared stays as it stands: whoever reads the words refuses it or asks about it. Setting
    it missing would turn an event into none.

    Examples
    --------
    >>> column = Column(source="Problems", concept="event", name="event_1", kind="text",
    ...                 levels=(("stiffness", ("stiff ++",)),))
    >>> judge = word_judge(column)
    >>> judge("Stiff ++", "text").value, judge("malunion", "text").value
    ('stiffness', 'malunion')
    """
    spellings = spellings_of(column)

    def judge(token: str, kind: str) -> Judgement:
        level = spellings.get(fold(plain_text(token, kind)))
        if level is None:
            return text_judge(token, kind)
        return Judgement(level, "verbatim") if token == level else Judgement(level, "converted", "spelling")

    return judge


def text_judge(token: str, kind: str) -> Judgement:
    """Judge free text: kept as it is, outer spaces dropped."""
    text = plain_text(token, kind) if kind == "number" else tidy(token)
    return Judgement(text, "verbatim") if text == token else Judgement(text, "converted", "spelling")
