"""The answer in a few lines, for a console."""

from __future__ import annotations

from pathlib import Path

from outcomes.analysis.run import Analysis
from outcomes.reporting.formatting import count, estimate_text, margin_text, sentence
from outcomes.reporting.front_page import BANNER, CAUTION
from outcomes.reporting.run_folder import RunFolder


def answer_lines(analysis: Analysis, run: RunFolder) -> tuple[list[str], int, Path]:
    """Return what to print, the exit code and the folder of a run.

    Parameters
    ----------
    analysis : Analysis
    run : RunFolder

    Returns
    -------
    lines, exit_code, folder
    """
    primary = next(answer for answer in analysis.answers if answer.role == "primary")
    lines = [
        analysis.sample.study.title,
        "",
        f"{primary.label}: {primary.overall}",
        sentence(primary.headline),
    ]
    if primary.reduction is not None and primary.margin is not None:
        effect = estimate_text(primary.reduction.estimate, margin=primary.margin.value)
        lines.append(f"meeting the criteria: {effect}; margin {margin_text(primary.margin)}")
    lines += [sentence(primary.pathway)] if primary.pathway else []
    lines.append(f"{count(primary.n_used)} of {count(len(analysis.sample.frame))} cases used")
    lines += [f"gate: {gate}" for gate in primary.gates]
    lines += [f"would settle it: {need}" for need in primary.unsettled]
    for answer in analysis.answers:
        if answer is not primary:
            lines.append(f"secondary, {answer.label}: {answer.overall}")
    lines += [f"READ FIRST: {text}" for text in run.read_first]
    lines += [f"warning: {text}" for text in run.warnings]
    lines += ["", CAUTION, BANNER, ""]
    if run.previous is not None:
        lines.append(f"the run that stood there before: {run.previous}")
    lines += [f"report:  {run.folder / 'report.html'}", f"private: {run.private}"]
    return lines, run.exit_code, run.folder
