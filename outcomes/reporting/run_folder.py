"""A run as files: what goes into the folder that may be shown, and what stays in the private one beside it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from outcomes.analysis.run import Analysis
from outcomes.cohort.criteria import read_criteria
from outcomes.reporting.atomic import Outputs, default_folder, write_atomically
from outcomes.reporting.build import all_tables, build_report
from outcomes.reporting.front_page import BANNER, CAUTION
from outcomes.reporting.html import render_html
from outcomes.reporting.labelled import labelled_files
from outcomes.reporting.manifest import InputFile, check_unchanged, json_bytes, manifest_bytes, versions
from outcomes.reporting.methods_text import methods_markdown
from outcomes.reporting.queries import labelling_queries, query_files
from outcomes.reporting.read_first import read_first
from outcomes.reporting.report import Report
from outcomes.reporting.results_json import ledger_content, plain, results_bytes
from outcomes.reporting.workbook import workbook_bytes

INPUTS = "inputs.json"
INPUTS_FORMAT = "outcomes inputs 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFolder:
    """A finished run.

    Attributes
    ----------
    folder, private : Path
        The run, and what stays in the department.
    previous : Path or None
        Where the run that stood there before is kept.
    page_words : int
        Words on page one.
    exit_code : int
        0, or 2 when page one carries something that must be read first.
    read_first : tuple of str
        Why the exit code is 2.
    warnings : tuple of str
    """

    folder: Path
    private: Path
    previous: Path | None
    page_words: int
    exit_code: int
    read_first: tuple[str, ...]
    warnings: tuple[str, ...]

    def __str__(self) -> str:
        """Return where to look."""
        return f"report: {self.folder / 'report.html'}\nprivate: {self.private}"


def write_run(
    analysis: Analysis,
    folder: str | Path | None = None,
    *,
    inputs: Sequence[InputFile] = (),
    command: str = "analyse",
    also_private: Mapping[str, bytes] | None = None,
) -> RunFolder:
    """Write the report of an analysis and everything beside it, all or nothing.

    Parameters
    ----------
    analysis : Analysis
    folder : path, optional
        Default: a new dated folder below ``runs``.
    inputs : sequence of InputFile
        Files that were read; they are hashed again before the run appears.
    command : str
        Which command made the run.
    also_private : mapping of name to content, optional
        Further files for the private folder.

    Returns
    -------
    RunFolder

    Raises
    ------
    RunError
        When an input changed meanwhile or the folder cannot be written; nothing is left behind.
    """
    now = dt.datetime.now(dt.UTC)
    target = (
        default_folder(_name_of(analysis, command), base=Path("runs"), now=now)
        if folder is None
        else Path(folder)
    )
    report = build_report(analysis, tuple(inputs))
    first = read_first(analysis.cohort, analysis.sample, analysis.answers)
    exit_code = 2 if first else 0
    files = run_files(analysis, report)
    files["status.json"] = _status(analysis, command, exit_code, first)
    files["run.log"] = _log(analysis, command, now)
    written = write_atomically(
        target,
        files=files,
        private={**private_files(analysis, inputs), **(also_private or {})},
        finish=lambda outputs: _manifest(analysis, inputs, command, now, outputs),
        recheck=lambda: check_unchanged(inputs),
    )
    return RunFolder(
        folder=written.folder,
        private=written.private,
        previous=written.previous,
        page_words=report.front.n_words,
        exit_code=exit_code,
        read_first=first,
        warnings=(*analysis.warnings, *written.warnings),
    )


def _name_of(analysis: Analysis, command: str) -> str:
    return "demo" if command == "demo" else analysis.sample.study.title


def run_files(analysis: Analysis, report: Report) -> dict[str, bytes]:
    """Return the outputs that depend on input and plan alone: the same bytes on every run."""
    study = analysis.sample.study
    about = (
        ("study", study.title),
        ("who may see it", BANNER),
        ("caution", CAUTION),
        ("plan", f"dated {study.declared.isoformat()} as declared; hash {study.plan_hash or 'none'}"),
    )
    files = {
        "report.html": render_html(report).encode("utf-8"),
        "results.json": results_bytes(analysis),
        "methods.md": methods_markdown(analysis).encode("utf-8"),
        "tables.xlsx": workbook_bytes(all_tables(report, analysis), about=about),
    }
    for picture in report.pictures():
        for kind, content in (("svg", picture.svg), ("png", picture.png), ("pdf", picture.pdf)):
            files[f"figures/{picture.key}.{kind}"] = content
    return files


def private_files(analysis: Analysis, inputs: Sequence[InputFile]) -> dict[str, bytes]:
    """Return what identifies patients, and copies of study and dictionary."""
    cohort = analysis.cohort
    files = {
        **query_files(cohort, labelling_queries(cohort, analysis.sample.study)),
        **labelled_files(analysis),
        INPUTS: json_bytes(
            {
                "format": INPUTS_FORMAT,
                "files": [{"role": entry.role, "path": str(entry.path)} for entry in inputs],
            }
        ),
    }
    if not any(entry.role == "dictionary" for entry in inputs):
        files["dictionary.toml"] = cohort.dictionary.to_toml().encode("utf-8")
    for entry in inputs:
        if entry.role in ("study", "dictionary"):
            files[entry.path.name] = entry.path.read_bytes()
    return files


def _manifest(
    analysis: Analysis, inputs: Sequence[InputFile], command: str, now: dt.datetime, outputs: Outputs
) -> bytes:
    study, source = analysis.sample.study, analysis.cohort.source
    criteria = None if study.reduction is None else plain(asdict(read_criteria(study.reduction.criteria)))
    content: dict[str, Any] = {
        "command": command,
        "written_at": now.isoformat(timespec="seconds"),
        "profile": "inside the department",
        "versions": versions(),
        "inputs": [entry.as_dict() for entry in inputs],
        "cohort": {"name": source.name, "sheet": source.sheet, "sha256": source.sha256, "rows": source.rows},
        "plan": {
            "sha256": study.plan_hash,
            "declared": study.declared.isoformat(),
            "data_seen_before_plan": study.data_seen_before_plan,
            "independent_record": None,
        },
        "seed": study.seed,
        "criteria": criteria,
        "ledger": ledger_content(analysis),
    }
    return manifest_bytes(content, outputs)


def _status(analysis: Analysis, command: str, exit_code: int, first: tuple[str, ...]) -> bytes:
    primary = next(answer for answer in analysis.answers if answer.role == "primary")
    content = {
        "format": "outcomes status 1",
        "command": command,
        "state": "done",
        "exit_code": exit_code,
        "read_first": list(first),
        "answer": {"outcome": primary.outcome, "overall": primary.overall},
        "n_warnings": len(analysis.warnings),
        "banner": BANNER,
    }
    return json_bytes(content)


def _log(analysis: Analysis, command: str, now: dt.datetime) -> bytes:
    """Return counts only: nothing of a cell, a name or a path."""
    lines = [
        f"{now.isoformat(timespec='seconds')} {command}",
        f"ledger: {analysis.cohort.ledger}",
        *(f"cohort: {line}" for line in analysis.cohort.history),
        *(f"flow: {step.label}: {step.n_cases} cases" for step in analysis.sample.flow),
        *(f"answer: {answer.outcome}: {answer.overall}; n {answer.n_used}" for answer in analysis.answers),
        *(f"warning: {warning}" for warning in analysis.warnings),
    ]
    return ("\n".join(lines) + "\n").encode("utf-8")
