"""Everything to be asked about a table: cells and rows that the reading stumbled over, and what labelling leaves open.

The lists hold cells as they stand and belong into a private folder; elsewhere they are counted.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from outcomes.analysis.protocol import Study
from outcomes.cohort.label_queries import event_queries, strategy_queries
from outcomes.cohort.table import Cohort
from outcomes.reporting.labelled import csv_bytes
from outcomes.reporting.workbook import frame_workbook_bytes


def labelling_queries(cohort: Cohort, study: Study | None = None) -> pd.DataFrame:
    """Return what labelling asks: words for events that are not known, events without a day, unclear operations.

    Parameters
    ----------
    cohort : Cohort
    study : Study, optional
        Its rule table is used; nothing is asked about operations where the strategy is recorded in a column.

    Returns
    -------
    DataFrame
        Columns sheet, row, column, code, action, asked, value, as of ``Cohort.query_list``.

    Raises
    ------
    CriteriaError, CohortError
        When the rule table of the study cannot be used.
    """
    parts = [event_queries(cohort)]
    plan = None if study is None else study.strategy
    if plan is None or not plan.recorded_column:
        rules = None if plan is None or plan.rules == "shipped" else plan.rules
        parts.append(strategy_queries(cohort, rules=rules))
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else parts[0]


def all_queries(cohort: Cohort, labelling: pd.DataFrame) -> pd.DataFrame:
    """Return one list: what the reading asks, then what labelling asks."""
    parts = [part for part in (cohort.query_list(), labelling) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else labelling


def query_files(cohort: Cohort, labelling: pd.DataFrame) -> Mapping[str, bytes]:
    """Return the query list and the rows set aside, as files for a private folder."""
    queries = all_queries(cohort, labelling)
    return {
        "query_list.csv": csv_bytes(queries),
        "query_list.xlsx": frame_workbook_bytes([("query list", queries)]),
        "quarantine.csv": csv_bytes(cohort.quarantine),
    }
