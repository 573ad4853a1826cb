"""The table back with its labels: one row a case, for the department only.

Every label comes with the rule, the parts and the distances it rests on, and every case says whether each
analysis used it and, if not, why.
"""

from __future__ import annotations

import csv
import io

import numpy as np
import pandas as pd

from outcomes.analysis.design import covariate_design
from outcomes.analysis.run import Analysis
from outcomes.analysis.sample import StudySample
from outcomes.reporting.workbook import frame_workbook_bytes, plain_text

_FIRST = (
    "source_sheet",
    "source_row",
    "patient_id",
    "case_id",
    "strategy",
    "strategy_recorded",
    "strategy_rule",
    "strategy_parts",
    "reduction",
    "film",
)
#: A workbook beyond this many rows is slow to open; the CSV holds every row.
MOST_WORKBOOK_ROWS = 100_000


def labelled_frame(sample: StudySample) -> pd.DataFrame:
    """Return one row a case: source, ids, labels with their grounds, outcomes, in or out and why.

    Parameters
    ----------
    sample : StudySample

    Returns
    -------
    DataFrame
        In the order of the source rows. It identifies patients: private folder only.
    """
    frame = sample.frame
    columns: dict[str, object] = {name: frame[name] for name in _FIRST if name in frame.columns}
    grounds = [name for name in frame.columns if str(name).startswith(("criterion: ", "distance: "))]
    columns |= {str(name): frame[name] for name in grounds}
    columns |= {f"{measured.key} ({measured.unit})": measured.values for measured in sample.outcomes.values()}
    columns["eligible"] = np.where(frame["eligible"], "yes", "no")
    columns["not eligible because"] = frame["excluded_because"]
    for key in sample.outcomes:
        why = why_left_out(sample, key)
        columns[f"in analysis: {key}"] = np.where(why == "", "yes", "no")
        columns[f"why not: {key}"] = why
    return pd.DataFrame(columns, index=frame.index)


def why_left_out(sample: StudySample, key: str) -> np.ndarray:
    """Return for every case why the main model of an outcome does not use it; empty when it does.

    Only the first reason is given: not eligible, outcome missing, reduction indeterminate, covariate missing.
    """
    frame, measured = sample.frame, sample.outcomes[key]
    why = np.full(len(frame), "", dtype=object)
    eligible = frame["eligible"].to_numpy(dtype=bool)
    incomplete = np.zeros(len(frame), dtype=bool)
    incomplete[eligible] = ~covariate_design(frame[eligible], sample.study.covariates).complete
    unlabelled = np.zeros(len(frame), dtype=bool)
    if sample.study.reduction is not None:
        unlabelled = ~frame["reduction"].isin(["met", "not met"]).to_numpy()
    why[incomplete] = "a covariate is missing"
    why[unlabelled] = "reduction indeterminate"
    why[np.isnan(measured.values)] = "outcome missing"
    reasons = frame["excluded_because"].to_numpy(dtype=object)
    why[~eligible] = [
        f"not eligible: {reason}" if reason else "not eligible" for reason in reasons[~eligible]
    ]
    return why


def labelled_files(analysis: Analysis) -> dict[str, bytes]:
    """Return ``labelled.csv`` and, unless it is too long to be opened, ``labelled.xlsx``."""
    frame = labelled_frame(analysis.sample)
    files = {"labelled.csv": csv_bytes(frame)}
    if len(frame) <= MOST_WORKBOOK_ROWS:
        files["labelled.xlsx"] = frame_workbook_bytes([("labelled", frame)])
    return files


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """Return a frame as UTF-8 CSV in which no cell starts a formula; numbers stay numbers.

    Examples
    --------
    >>> csv_bytes(pd.DataFrame({"id": ["=1+1", "a"], "distance": [-0.5, 2.0]})).decode("utf-8-sig").splitlines()
    ['id,distance', "'=1+1,-0.5", 'a,2']
    """
    # A byte-order mark, so that spreadsheet programs read accents rightly.
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([plain_text(column) for column in frame.columns])
    for values in frame.itertuples(index=False, name=None):
        writer.writerow([_csv_cell(value) for value in values])
    return text.getvalue().encode("utf-8-sig")


def _csv_cell(value: object) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, int | np.integer):
        return str(int(value))
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else f"{float(value):.15g}"
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d")
    return "" if value is None or value is pd.NaT or value is pd.NA else plain_text(value)
