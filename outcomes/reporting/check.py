"""Check a table or a study before anything is analysed: what was found, counted, and a query list to send back."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pandas as pd

from outcomes.analysis.sample import StudySample
from outcomes.cohort.label_queries import event_queries
from outcomes.cohort.look import look_at
from outcomes.cohort.quality import rows_named
from outcomes.cohort.table import Cohort, read_cohort
from outcomes.cohort.text import counted
from outcomes.errors import DictionaryError, OutcomesError, StudyError
from outcomes.reporting.atomic import default_folder, write_private
from outcomes.reporting.formatting import NOTHING, count, listing
from outcomes.reporting.inputs import kind_of, read_inputs
from outcomes.reporting.quality_tables import in_words, problems_table
from outcomes.reporting.queries import labelling_queries, query_files
from outcomes.reporting.read_first import losses
from outcomes.reporting.rehearsal import rehearse

#: Lines printed before the rest is left to the query list.
MOST_LINES = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """What a check found.

    Attributes
    ----------
    lines : tuple of str
        Counts in words, without the content of any cell.
    n_findings : int
        0 when there is nothing to answer or to look at.
    refused : tuple of str
        What an analysis of the study would refuse.
    folder : Path or None
        Private folder with the query list; None when there is nothing to ask.
    """

    lines: tuple[str, ...]
    n_findings: int
    folder: Path | None
    refused: tuple[str, ...] = ()


def what_to_check(
    file: Path, dictionary: Path | None, *, first_look: bool = False
) -> Literal["study", "table", "look"]:
    """Tell what a check is asked of, and refuse what does not go together.

    Parameters
    ----------
    file : Path
        A study file or a table.
    dictionary : Path or None
    first_look : bool
        Whether an option was given that only a look without a dictionary has.

    Returns
    -------
    {"study", "table", "look"}

    Raises
    ------
    StudyError, DictionaryError
        When a dictionary stands where the table should, a study is given a second dictionary, or an option would
        have no effect.
    """
    kind = kind_of(file)
    if kind == "dictionary":
        raise StudyError(
            f"{file.name} is a dictionary; use:  outcomes check FILE -d {file.name}", code="no_study"
        )
    study = kind == "study" or file.suffix.lower() == ".toml"
    if study and dictionary is not None:
        raise StudyError(
            f"a study names its own dictionary, so -d has no place here; use:  outcomes check {file.name}",
            code="two_dictionaries",
        )
    if dictionary is not None and kind_of(dictionary) in ("study", "table"):
        raise DictionaryError(
            f"{dictionary.name} is a {kind_of(dictionary)}, not a dictionary; use:  outcomes check FILE -d DICTIONARY",
            code="no_dictionary",
        )
    if first_look and (study or dictionary is not None):
        raise StudyError(
            "--sheet and --header-row are for a first look; a dictionary declares sheet and header_row under [table]",
            code="no_effect",
        )
    return "study" if study else "look" if dictionary is None else "table"


def look_at_table(file: Path, *, sheet: str = "", header_row: int | None = None) -> CheckResult:
    """Say what can be said of a table without a dictionary, and what is missing for a check.

    Parameters
    ----------
    file : Path
    sheet : str
    header_row : int, optional

    Returns
    -------
    CheckResult
    """
    look = look_at(file, sheet=sheet, header_row=header_row)
    lines = (
        str(look),
        "",
        "Without a dictionary nothing is known of meaning, units, signs and date order, so nothing else was checked.",
        f"Next: write a dictionary and run  outcomes check {file.name} -d dictionary.toml",
        "A dictionary to start from is in the private folder of  outcomes demo",
    )
    return CheckResult(lines=lines, n_findings=look.n_findings + 1, folder=None)


def check_table(file: Path, dictionary: Path, out: Path | None = None) -> CheckResult:
    """Read a table by its dictionary and report what became of every row and cell.

    Parameters
    ----------
    file, dictionary : Path
    out : Path, optional
        The query list goes to ``OUT-private``; default a dated folder below ``runs``.

    Returns
    -------
    CheckResult
    """
    cohort = read_cohort(file, dictionary)
    return _result(cohort, file.stem, out, [], labelling=labelling_queries(cohort), beyond=losses(cohort))


def check_study(study_file: Path, out: Path | None = None) -> CheckResult:
    """Check the table of a study, and everything that an analysis of it would refuse.

    Parameters
    ----------
    study_file : Path
    out : Path, optional

    Returns
    -------
    CheckResult
        The query list is written even when an analysis would be refused: it may hold what has to be put right.
    """
    inputs = read_inputs(study_file)
    found = rehearse(inputs.cohort, inputs.study)
    lines = [] if found.sample is None else _sample_lines(found.sample)
    beyond = losses(inputs.cohort, found.sample, found.primary)
    refused = dict.fromkeys(found.refused)
    try:
        labelling = labelling_queries(inputs.cohort, inputs.study)
    except OutcomesError as error:
        # Without a usable rule table nothing can be asked about operations; what is asked about events stands.
        labelling = event_queries(inputs.cohort)
        refused[str(error)] = None
    return _result(
        inputs.cohort,
        study_file.stem,
        out,
        lines,
        labelling=labelling,
        beyond=beyond,
        refused=tuple(refused),
    )


def _sample_lines(sample: StudySample) -> list[str]:
    """Say who would be in and under which labels; no outcome is shown before the plan is run."""
    lines = ["", "participant flow of the plan"]
    lines += [
        f"  {'- ' if step.kind == 'excluded' else ''}{in_words(step.label)}: {count(step.n_cases)}"
        for step in sample.flow
    ]
    strategies = Counter(sample.eligible["strategy"])
    lines.append("eligible cases by strategy")
    lines += [f"  {name}: {count(n)}" for name, n in strategies.most_common()]
    absent = [name for name in sample.study.strategy.judged if name not in strategies]
    if absent:
        lines.append(f"  to be judged but not found: {listing(absent)}")
    lines += [
        f"outcome missing, {m.label}: {count(_missing(sample, key))}" for key, m in sample.outcomes.items()
    ]
    lines += [f"warning: {text}" for text in sample.warnings]
    return lines


def _missing(sample: StudySample, key: str) -> int:
    values = sample.outcomes[key].values[sample.frame["eligible"].to_numpy(dtype=bool)]
    return int((values != values).sum())


def _result(
    cohort: Cohort,
    name: str,
    out: Path | None,
    more: list[str],
    *,
    labelling: pd.DataFrame,
    beyond: tuple[str, ...],
    refused: tuple[str, ...] = (),
) -> CheckResult:
    serious = [problem for problem in cohort.problems if problem.severity != "note"]
    n_queries = len(serious) + len(cohort.quarantine) + len(labelling)
    lines = [str(cohort.ledger), *_problem_lines(cohort), *_labelling_lines(labelling), *more]
    lines += [f"READ FIRST: {text}" for text in beyond]
    lines += ["", *(f"analyse would refuse: {text}" for text in refused)] if refused else []
    folder = None
    if n_queries:
        now = dt.datetime.now(dt.UTC)
        target = out if out is not None else default_folder(f"check {name}", base=Path("runs"), now=now)
        folder = write_private(target, query_files(cohort, labelling))
        lines += ["", "query list, with the values to be put right (identifies patients):"]
    else:
        lines.append("nothing to ask")
    return CheckResult(
        lines=tuple(lines), n_findings=n_queries + len(beyond) + len(refused), folder=folder, refused=refused
    )


def _problem_lines(cohort: Cohort) -> list[str]:
    """Return one line a kind of problem and column, questions first; whole rows with their numbers."""
    rows: dict[tuple[str, str], list[int]] = {}
    for problem in cohort.problems:
        if problem.row is not None and not problem.column:
            rows.setdefault((in_words(problem.code), problem.action), []).append(problem.row)
    lines = []
    for what, column, action, asked, n in (row.cells for row in problems_table(cohort.problems).rows):
        numbers = rows.get((what, action), []) if column == NOTHING else []
        place = rows_named(numbers) if numbers else "the file" if column == NOTHING else f"column {column}"
        lines.append(f"  {n} x {what}, {place}: {action}" + (" (to be answered)" if asked == "yes" else ""))
    if len(lines) > MOST_LINES:
        lines = [*lines[:MOST_LINES], f"  and {counted(len(lines) - MOST_LINES, 'more kind')}"]
    return [f"{counted(len(cohort.problems), 'thing')} to know or to ask", *lines] if lines else []


def _labelling_lines(queries: pd.DataFrame) -> list[str]:
    """Return one line a kind of question and column, with the first row numbers."""
    lines = [
        f"  {len(asked)} x {in_words(str(code))}, column {column}: {rows_named(asked['row'].tolist())} (to be answered)"
        for (code, column), asked in queries.groupby(["code", "column"], sort=True)
    ]
    return [f"{counted(len(queries), 'thing')} to ask about events and operations", *lines] if lines else []
