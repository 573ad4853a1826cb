"""The words behind each reason code: what is asked of whoever keeps the table."""

from __future__ import annotations

from outcomes.cohort.concepts import concepts
from outcomes.cohort.dictionary import Column

ROW_QUESTIONS = {
    "short_row": "The row has fewer cells than the header line. Is a cell missing?",
    "long_row": "The row has more cells than the header line. Is a cell split in two?",
    "blank_id": "Which patient is this? The row has no usable patient or case id.",
    "looks_like_total": "Is this a total? If so, declare its word as footer; if not, correct the patient id.",
    "only_id": "Is this a remark? Only the patient column is filled.",
    "id_digits_lost": "The id has more digits than a spreadsheet keeps. What is the id? Store ids as text.",
    "exact_duplicate": "The row repeats an earlier one in every column that is used. Delete it?",
    "conflicting_duplicate": "Two rows for the same wrist contradict each other. Which one holds?",
    "side_unknown": "The patient has more than one row and this one has no side. Which wrist is it?",
    "later_episode": 'A later fracture of the same wrist, set aside because episodes = "first" was declared.',
    "treated_before_injury": "The treatment is dated before the injury. Which date is right?",
    "seen_before_injury": "The patient was last seen before the injury. Which date is right?",
    "seen_before_treatment": "The patient was last seen before the treatment. Which date is right?",
    "after_extract": "A date lies after the day on which the table was drawn. What is the date?",
}

CELL_QUESTIONS = {
    "formula_error": "The formula in this cell failed. What is the value?",
    "censored": "Only a bound is given. What was measured?",
    "range": "A range is given. What was measured?",
    "fraction": "A fraction, a score or a date? What was measured?",
    "date_in_numeric": "The spreadsheet program turned this value into a date. What was measured?",
    "non_finite": "Not a finite number. What was measured?",
    "comma_in_number": 'A comma in a number, while decimal = "point" is declared. What is the number?',
    "point_in_number": 'A point in a number, while decimal = "comma" is declared. What is the number?',
    "wrong_unit": "The unit in the cell does not fit the column. What is the value?",
    "unknown_unit": "The words behind the number are not known. What is the value?",
    "contradicting_direction": "Sign and direction in the cell contradict each other. Which one holds?",
    "not_a_number": "Not a number. What is the value?",
    "not_whole": "Only whole numbers are possible. What is the value?",
    "impossible": "The value is impossible. What is it?",
    "missing_like": "Probably means missing. If so, declare it under missing; if not, what is the value?",
    "date_in_text": "The spreadsheet program turned this text into a date. What was it?",
    "undeclared_level": "Not among the declared spellings. Which level is it?",
    "not_a_date": "Not a date. What is the day?",
    "impossible_date": "No such day in the calendar. What is the day?",
    "partial_date": "Only a part of the date. What is the day?",
    "two_digit_year": "Which century? Write the year with four digits.",
    "serial_date": "A number where a date belongs. What is the day?",
    "other_date_order": "Not in the declared order of day, month and year. What is the day?",
    "placeholder_date": "A day that programs write when there is none. What is the day?",
    "id_digits_lost": "The id has more digits than a spreadsheet keeps. What is the id? Store ids as text.",
}

REMARKS = {
    "other_unit_in_cell": "Another unit than the declared one; the value was converted. Is it right?",
    "all_missing": "No cell of this column holds a usable value.",
    "sign_doubtful": "At injury most wrists tilt dorsally, here most tilt volarly: is the declared sign right?",
    "films_identical": "The same values as on the injury film in every row: copied by mistake?",
    "implausible": "Unusual but possible: is it right?",
    "spelling_merged": "Ids that differ only in case or spaces were taken for one. Are they?",
    "id_collision": "Ids that differ only in leading zeros were kept apart. Are they different?",
    "arc_implausible": "Pronation and supination together are unusually large. Are both right?",
    "film_before_injury": "The film is dated before the injury. Which date is right?",
    "event_before_injury": "The event is dated before the injury. Which date is right?",
    "levels_not_declared": "Words of this column are not known, because the dictionary gives none.",
    "side_needed": "Grip is given by left and right, but the side of the fracture is missing, so that neither the "
    "injured nor the other hand is known. Which wrist is it?",
    "no_age": "The birth date and the injury date give no possible age. Which one is right?",
}


# Asked when cases are labelled, in the private query list of a check; the value stands beside the question.
LABEL_QUESTIONS = {
    "unknown_event": "Which kind of event is this? Say it under levels of the column, or correct the cell.",
    "event_empty": "A date, grade or reason without an event. What happened?",
    "unknown_event_reason": "Which reason is this? Say it under levels of the column, or correct the cell.",
    "event_undated": "When did it happen?",
    "events_without_dates": "When did these events happen? No column says it.",
    "no_term_in_note": "Which fixation was used? No term of the rule table is in the note.",
    "strategy_unclear": "Which fixation was used? What is recorded leaves it open.",
}


def cell_question(reason: str, column: Column) -> str:
    """Return the question about one cell, with what is allowed there.

    Examples
    --------
    >>> column = Column(source="Tilt", concept="tilt", name="tilt_union", kind="number", unit="degrees")
    >>> cell_question("range", column)
    'A range is given. What was measured? Allowed: a number in degrees, -90 to 90 inside the package.'
    """
    return f"{CELL_QUESTIONS[reason]} Allowed: {_allowed(column)}."


def spellings_declared(column: Column) -> bool:
    """Tell whether the dictionary gives words for the levels, or for yes and no, of a column.

    Examples
    --------
    >>> spellings_declared(Column(source="DM", concept="diabetes", name="diabetes", kind="yes_no", no=("n",)))
    True
    """
    if column.kind == "yes_no":
        return bool(column.yes or column.no)
    concept = concepts()[column.concept]
    default = tuple((level, ()) for level in concept.levels or concept.default_levels)
    return column.kind != "category" or column.levels != default


def how_to_declare(column: Column) -> str:
    """Return what to write into the dictionary for the words of a column, without any of them.

    Examples
    --------
    >>> how_to_declare(Column(source="DM", concept="diabetes", name="diabetes", kind="yes_no"))
    'declare yes = [...] and no = [...]'
    """
    if column.kind == "yes_no":
        return "declare yes = [...] and no = [...]"
    names = (level if level.isidentifier() else f'"{level}"' for level, _ in column.levels)
    return f"declare levels = {{ {', '.join(f'{name} = [...]' for name in names)} }}"


def _allowed(column: Column) -> str:
    if column.kind == "number":
        hard = concepts()[column.concept].hard
        unit = f" in {column.unit}" if column.unit else ""
        return f"a number{unit}" + (f", {hard[0]:g} to {hard[1]:g} inside the package" if hard else "")
    if column.kind == "yes_no":
        return f"yes ({', '.join(('yes', *column.yes))}) or no ({', '.join(('no', *column.no))})"
    if column.kind == "date":
        return "a day in the declared order with a year of four digits, or year-month-day"
    if column.levels:
        return ", ".join(level for level, _ in column.levels)
    return "a text"
