"""Who the cases are: the baseline table, by strategy or by reduction.

No p-values: groups that were not drawn at random differ, and a test of that says nothing about how much.
Standardised differences do.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.analysis.overlap import OverlapCell, OverlapTable, overlap_table, patient_codes, strategies_seen
from outcomes.analysis.sample import StudySample
from outcomes.cohort.concepts import concepts, units_of
from outcomes.errors import StudyError
from outcomes.stats.groups.balance import DENOMINATORS, StandardisedDifference, standardised_differences
from outcomes.stats.groups.summary import GroupSummary, LevelSummary, NumberSummary, summarise_groups

__all__ = [
    "BaselineCell",
    "BaselineGroup",
    "BaselineRow",
    "BaselineTable",
    "OverlapCell",
    "OverlapTable",
    "baseline_table",
    "overlap_table",
]

By = Literal["strategy", "reduction"]
Kind = Literal["number", "category", "yes_no"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineGroup:
    """One column of the baseline table.

    Attributes
    ----------
    name : str
        Strategy or reduction label; ``"all"`` for everybody.
    n_cases, n_patients : int
        Fractured wrists and patients; a patient may stand in two columns.
    """

    name: str
    n_cases: int
    n_patients: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineCell:
    """One variable (or level) in one group.

    Attributes
    ----------
    n, n_missing : int
        Cases with and without a value of the variable.
    mean, sd, median, q1, q3 : float or None
        Of numbers, in the variable's unit; None for other kinds and where there are too few values. Quartiles
        interpolate linearly between order statistics.
    count : int or None
        Cases at the level (category) or with yes (yes_no).
    share : float or None
        `count` over `n`, 0 to 1.
    """

    n: int
    n_missing: int
    mean: float | None = None
    sd: float | None = None
    median: float | None = None
    q1: float | None = None
    q3: float | None = None
    count: int | None = None
    share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineRow:
    """One line of the baseline table.

    Attributes
    ----------
    variable : str
        Internal column name.
    label : str
        The same in words.
    level : str
        Level of a category; ``"yes"`` for yes/no; empty for numbers.
    kind : {"number", "category", "yes_no"}
    unit : str
        Unit of a number, empty when it has none.
    cells : tuple of BaselineCell
        One per group of the table, in its order.
    overall : BaselineCell
    std_difference : float or None
        Largest standardised difference of the *variable* between two compared groups, without sign; the same
        on every line of a category. None when it cannot be computed, also when two groups share no level.
    between : tuple of str
        The two groups it stands for; empty when there is none.
    """

    variable: str
    label: str
    level: str
    kind: Kind
    unit: str
    cells: tuple[BaselineCell, ...]
    overall: BaselineCell
    std_difference: float | None
    between: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineTable:
    """Baseline characteristics of the eligible cases, by group.

    Attributes
    ----------
    by : {"strategy", "reduction"}
    groups : tuple of BaselineGroup
    overall : BaselineGroup
    compared : tuple of str
        Groups among which standardised differences are taken: the strategies of the plan, or met and not met.
    denominator : str
        What differences are divided by, in words.
    rows : tuple of BaselineRow
    n_two_wrists : int
        Patients with more than one eligible case.
    """

    by: By
    groups: tuple[BaselineGroup, ...]
    overall: BaselineGroup
    compared: tuple[str, ...]
    denominator: str
    rows: tuple[BaselineRow, ...]
    n_two_wrists: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a variable, level and group (``"all"`` included), without p-values."""
        return pd.DataFrame(
            [
                {
                    "variable": row.variable, "level": row.level, "kind": row.kind, "unit": row.unit,
                    "group": group.name, "n": cell.n, "n_missing": cell.n_missing, "mean": cell.mean,
                    "sd": cell.sd, "median": cell.median, "q1": cell.q1, "q3": cell.q3, "count": cell.count,
                    "share": cell.share, "std_difference": row.std_difference,
                    "between": " and ".join(row.between),
                }
                for row in self.rows
                for group, cell in zip((*self.groups, self.overall), (*row.cells, row.overall), strict=True)
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return a sentence on size and on the largest differences between groups."""
        sizes = ", ".join(f"{g.name} {g.n_cases}" for g in self.groups)
        everybody = f"{self.overall.n_cases} eligible cases in {self.overall.n_patients} patients"
        lead = f"{everybody} by {self.by}: {sizes}."
        largest: dict[str, BaselineRow] = {}
        for row in self.rows:
            if row.std_difference is not None and row.std_difference >= 0.1:
                largest.setdefault(row.variable, row)
        ranked = sorted(largest.values(), key=lambda row: -(row.std_difference or 0.0))
        if not ranked:
            return f"{lead} No standardised difference reaches 0.1."
        named = ", ".join(f"{r.label} {r.std_difference:.2f} ({' v '.join(r.between)})" for r in ranked[:5])
        return f"{lead} Largest standardised differences: {named}; {len(ranked)} variables reach 0.1."

    def _repr_html_(self) -> str:
        """Return the table, mean (SD) or count (%), one line a variable or level."""
        columns = (*self.groups, self.overall)
        head = "".join(f"<th>{html.escape(g.name)}<br>n = {g.n_cases}</th>" for g in columns)
        lines = []
        for row in self.rows:
            name = html.escape(f"{row.label}: {row.level}" if row.kind == "category" else row.label)
            cells = "".join(f"<td>{_short(cell)}</td>" for cell in (*row.cells, row.overall))
            gap = "" if row.std_difference is None else f"{row.std_difference:.2f}"
            lines.append(f"<tr><th>{name}</th>{cells}<td>{gap}</td></tr>")
        return (
            f"<table><tr><th></th>{head}<th>std. difference</th></tr>{''.join(lines)}</table>"
            f"<p>Mean (SD) or n (%). {html.escape(self.denominator)}</p>"
        )


def _short(cell: BaselineCell) -> str:
    """Return a cell as mean (SD) or count (%)."""
    if cell.count is not None and cell.share is not None:
        return f"{cell.count} ({cell.share * 100:.0f} %)"
    if cell.mean is None:
        return ""
    return f"{cell.mean:.4g}" if cell.sd is None else f"{cell.mean:.4g} ({cell.sd:.3g})"


#: What is described when the cohort has it, before the plan's further covariates: who was hurt and how, and the
#: displacement at injury. Nothing that happens after the index strategy belongs here.
BEFORE_STRATEGY = (
    "age", "sex", "dominant_hand", "side", "energy", "open_injury", "fracture_class", "pattern", "comminution",
    "druj_involved", "tilt_injury", "inclination_injury", "ulnar_variance_injury", "shortening_injury",
    "step_injury", "gap_injury", "bone_quality", "diabetes", "smoking", "renal_disease", "other_hand_impaired",
    "surgeon_experience",
)  # fmt: skip
REDUCTION_LABELS = ("met", "not met", "indeterminate")
DENOMINATOR = (
    f"Standardised differences are divided, for numbers, by the {DENOMINATORS['continuous']}; for yes/no, by the "
    f"{DENOMINATORS['binary']}; for categories they are the {DENOMINATORS['categorical']}."
)


def baseline_table(sample: StudySample, by: By = "strategy") -> BaselineTable:
    """Describe the eligible cases before treatment, by strategy or by reduction.

    Parameters
    ----------
    sample : StudySample
    by : {"strategy", "reduction"}

    Returns
    -------
    BaselineTable
        Every covariate of the plan and every recorded characteristic from before the index strategy, with
        the number missing in each group, always.

    Raises
    ------
    StudyError
        `by` is neither, reduction is not asked, or a covariate is a date or not a column.

    References
    ----------
    Standardised differences: Austin PC. Statistics in Medicine 2009; 28: 3083-3107; of categories: Yang D,
    Dalton JE. SAS Global Forum 2012; paper 335.

    Examples
    --------
    Ages 50, 60 against 70, 80: SD 7.07 in both groups, 20 / 7.07.

    >>> import datetime as dt
    >>> from outcomes.analysis.protocol import OutcomePlan, StrategyPlan, Study
    >>> study = Study(title="t", declared=dt.date(2026, 1, 1),
    ...               strategy=StrategyPlan(judged=("plate", "pins")),
    ...               outcomes=(OutcomePlan(name="pain", better="lower", role="primary"),))
    >>> frame = pd.DataFrame({"eligible": True, "strategy": ["plate", "plate", "pins", "pins"],
    ...                       "patient_id": list("abcd"), "age": [50.0, 60, 70, 80]})
    >>> sample = StudySample(study=study, frame=frame, outcomes={}, flow=(), share_met_bounds=None,
    ...                      side_by_side=pd.DataFrame())
    >>> row = baseline_table(sample).rows[0]
    >>> row.cells[0].mean, row.cells[0].n_missing, round(row.std_difference, 3)
    (55.0, 0, 2.828)
    """
    if by not in ("strategy", "reduction"):
        raise StudyError(f'by = {by!r} is not allowed; use "strategy" or "reduction"', code="bad_choice")
    if by == "reduction" and sample.study.reduction is None:
        raise StudyError('this study does not ask about reduction; use by = "strategy"', code="not_asked")
    rows = sample.frame["eligible"].to_numpy(dtype=bool)
    columns = {name: _described(sample.frame[name], name) for name in _variables(sample)}
    if not rows.all():
        columns = {name: column[rows] for name, column in columns.items()}
    grouping, compared = _grouping(sample, rows, by)
    yes_no = [name for name, column in columns.items() if _is_yes_no(column)]
    summary = summarise_groups(columns, grouping, yes_no=yes_no)
    gaps = standardised_differences(summary, compared) if len(compared) > 1 else (None,) * len(columns)
    patients = patient_codes(sample)
    groups = _groups(summary, np.asarray(grouping.codes), patients)
    return BaselineTable(
        by=by,
        groups=groups[:-1],
        overall=groups[-1],
        compared=compared,
        denominator=DENOMINATOR,
        rows=tuple(row for each in zip(summary.columns, gaps, strict=True) for row in _rows(*each)),
        n_two_wrists=int((np.bincount(patients) > 1).sum()),
    )


def _variables(sample: StudySample) -> list[str]:
    """Return the columns to describe, in order, each once."""
    present = sample.frame.columns
    unknown = [name for name in sample.study.covariates if name not in present]
    if unknown:
        raise StudyError(
            f"covariates {', '.join(unknown)} are not columns of this cohort", code="no_covariate"
        )
    recorded = [name for name in BEFORE_STRATEGY if name in present]
    pattern = [sample.study.pattern] if sample.study.pattern in present else []
    return list(dict.fromkeys([*recorded, *pattern, *sample.study.covariates]))


def _described(column: Any, name: str) -> Any:
    """Return a column as numbers or as a Categorical."""
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        raise StudyError(
            f"covariate {name!r} is a date; use a year or an interval instead", code="date_covariate"
        )
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.array
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.to_numpy(dtype=np.float64, na_value=np.nan)
    return pd.Categorical(column)


def _is_yes_no(column: Any) -> bool:
    """Return whether a column of numbers holds only 0, 1 and missing, and any value at all."""
    if isinstance(column, pd.Categorical):
        return False
    # most numbers show what they are within their first values
    for part in (column[:1000], column):
        inside = (part == 0.0) | (part == 1.0)
        if not (inside | np.isnan(part)).all():
            return False
    return bool(inside.any())


def _grouping(sample: StudySample, rows: Any, by: By) -> tuple[Any, tuple[str, ...]]:
    """Return the group of each eligible case, groups with cases only, and the groups compared."""
    if by == "strategy":
        names, codes = strategies_seen(sample)
        wanted = sample.study.strategy.judged
    else:
        names, wanted = REDUCTION_LABELS, REDUCTION_LABELS[:2]
        codes = pd.Categorical(sample.frame["reduction"].to_numpy(dtype=object)[rows], categories=names).codes
    grouping = pd.Categorical.from_codes(codes, categories=pd.Index(names)).remove_unused_categories()
    return grouping, tuple(name for name in wanted if name in grouping.categories)


def _groups(summary: GroupSummary, codes: Any, patients: Any) -> tuple[BaselineGroup, ...]:
    """Return the columns of the table with their cases and patients; everybody last."""
    names, sizes = (*summary.groups[:-1], "all"), summary.sizes
    # only patients with several cases can stand in a group more than once
    again = np.flatnonzero(np.bincount(patients)[patients] > 1)
    pairs = pd.DataFrame({"group": codes[again].astype(np.int64), "patient": patients[again]})
    extra = np.bincount(pairs["group"], minlength=len(names) - 1)
    extra -= np.bincount(pairs.drop_duplicates()["group"], minlength=len(names) - 1)
    doubled = [*extra.tolist(), len(again) - pairs["patient"].nunique()]
    counts = [size - more for size, more in zip(sizes, doubled, strict=True)]
    return tuple(
        BaselineGroup(name=name, n_cases=size, n_patients=n)
        for name, size, n in zip(names, sizes, counts, strict=True)
    )


def _rows(
    column: NumberSummary | LevelSummary, gap: StandardisedDifference | None
) -> tuple[BaselineRow, ...]:
    """Return the lines of one variable: one, or one a level."""
    shared: dict[str, Any] = {
        "variable": column.name, "label": column.name.replace("_", " "), "unit": _unit(column.name),
        "std_difference": None if gap is None or gap.value is None else abs(gap.value),
        "between": () if gap is None else gap.between,
    }  # fmt: skip
    if isinstance(column, NumberSummary):
        cells = tuple(
            BaselineCell(
                n=column.n[i], n_missing=column.n_missing[i], mean=column.mean[i], sd=column.sd[i],
                median=column.median[i], q1=column.q1[i], q3=column.q3[i],
            )
            for i in range(len(column.n))
        )  # fmt: skip
        return (BaselineRow(level="", kind="number", cells=cells[:-1], overall=cells[-1], **shared),)
    shared["kind"] = "yes_no" if column.levels == ("yes",) else "category"
    made = []
    for j, level in enumerate(column.levels):
        cells = tuple(
            BaselineCell(n=n, n_missing=missing, count=counts[j], share=counts[j] / n if n else None)
            for n, missing, counts in zip(column.n, column.n_missing, column.counts, strict=True)
        )
        # a declared level that nobody has is left out; an all-missing variable keeps its first line
        if cells[-1].count or shared["kind"] == "yes_no" or (column.n[-1] == 0 and j == 0):
            made.append(BaselineRow(level=level, cells=cells[:-1], overall=cells[-1], **shared))
    return tuple(made)


def _unit(name: str) -> str:
    """Return the internal unit of a column named after a concept; empty for others."""
    for concept in concepts().values():
        own = name == concept.name or (concept.takes and name.startswith(f"{concept.name}_"))
        if concept.measure and own:
            return units_of(concept.measure)[0]
    return ""
