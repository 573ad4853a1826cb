"""Read what a study file names, and remember what exactly was read."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

from outcomes.analysis.protocol import Study
from outcomes.analysis.study_file import read_study
from outcomes.cohort.table import Cohort, read_cohort
from outcomes.errors import StudyError
from outcomes.reporting.manifest import InputFile, note_input

STUDY_FORMAT, DICTIONARY_FORMAT = "outcomes study ", "outcomes dictionary "
#: How the name of a table ends, whether or not this package reads it.
_TABLES = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".xls", ".ods", ".parquet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """A study, its cohort and the files that they were read from.

    Attributes
    ----------
    study : Study
    cohort : Cohort
    files : tuple of InputFile
        Study, dictionary, cohort, and rule table or criteria where they are files.
    """

    study: Study
    cohort: Cohort
    files: tuple[InputFile, ...]


def read_inputs(study_file: Path) -> Inputs:
    """Read a study file, its dictionary and its cohort; paths in it are taken from its own folder.

    Parameters
    ----------
    study_file : Path

    Returns
    -------
    Inputs

    Raises
    ------
    StudyError
        When the study names no cohort or no dictionary, or a file is not there.
    """
    study, files = read_plan(study_file)
    named = {entry.role: entry.path for entry in files}
    return Inputs(study=study, cohort=read_cohort(named["cohort"], named["dictionary"]), files=files)


def kind_of(path: Path) -> str:
    """Return what a file says it is: ``"study"``, ``"dictionary"``, ``"table"``, or empty when that cannot be told."""
    if path.suffix.lower() in _TABLES:
        return "table"
    try:
        stated = str(tomllib.loads(path.read_text(encoding="utf-8-sig")).get("format", ""))
    except (OSError, ValueError):
        return ""
    if stated.startswith(STUDY_FORMAT):
        return "study"
    return "dictionary" if stated.startswith(DICTIONARY_FORMAT) else ""


def refuse_no_study(path: Path) -> None:
    """Refuse a table or a dictionary where a study file is wanted.

    Raises
    ------
    StudyError
    """
    kind = kind_of(path)
    if kind in ("table", "dictionary"):
        raise StudyError(
            f"{path.name} is a {kind}; analyse takes a study file (see  outcomes demo  for a template)",
            code="no_study",
        )


def read_plan(study_file: Path) -> tuple[Study, tuple[InputFile, ...]]:
    """Read a study file and hash every file that it names, before any of them is used."""
    refuse_no_study(study_file)
    study = read_study(study_file)
    home = study_file.resolve().parent
    wanted = [
        ("cohort", study.cohort_file, "[cohort] file"),
        ("dictionary", study.dictionary_file, "[cohort] dictionary"),
    ]
    files = [note_input("study", study_file.resolve())]
    for role, written, key in wanted:
        if not written:
            raise StudyError(
                f"{study_file.name} does not name its {role}: write {key} = '...', a path from the folder of the study "
                "file",
                code=f"no_{role}",
            )
        files.append(note_input(role, _found(home, written, study_file.name, key)))
    rules = _file_of(home, study.strategy.rules)
    if rules is not None:
        files.append(note_input("rules", rules))
        study = replace(study, strategy=replace(study.strategy, rules=str(rules)))
    criteria = None if study.reduction is None else _file_of(home, study.reduction.criteria)
    if criteria is not None and study.reduction is not None:
        files.append(note_input("criteria", criteria))
        study = replace(study, reduction=replace(study.reduction, criteria=str(criteria)))
    return study, tuple(files)


def _found(home: Path, written: str, study_name: str, key: str) -> Path:
    path = home / written
    if not path.is_file():
        raise StudyError(
            f"{study_name}: {key} = '{written}' was not found; the path is taken from the folder of the study file",
            code="no_file",
        )
    return path


def _file_of(home: Path, written: str) -> Path | None:
    """Return a file that stands beside the study, or None when the word is the name of a shipped table."""
    if not written.endswith(".toml"):
        return None
    path = home / written
    return path if path.is_file() else None
