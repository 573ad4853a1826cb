"""Which strategies were used in which fracture patterns: where a comparison has any support at all."""

from __future__ import annotations

import html
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.analysis.sample import StudySample
from outcomes.analysis.support import limits_of
from outcomes.errors import StudyError

IntArray = NDArray[np.int64]

#: The pattern of cases without one; it is judged for support like any other.
NOT_RECORDED = "not recorded"


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlapCell:
    """Use of one strategy in one fracture pattern.

    Attributes
    ----------
    pattern, strategy : str
    n : int
        Eligible cases of the pattern treated by the strategy.
    share : float
        `n` over the eligible cases of the pattern: the crude probability of the strategy in it.
    flagged : bool
        The share is under the limit, so the pattern leaves the comparable set of every pair with the
        strategy.
    """

    pattern: str
    strategy: str
    n: int
    share: float
    flagged: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlapTable:
    """Pattern by strategy counts among the eligible cases.

    Attributes
    ----------
    column : str
        Column that holds the fracture pattern.
    patterns, strategies : tuple of str
        Patterns seen, in declared order, *not recorded* last; planned strategies first, in plan order, then
        the others.
    planned : tuple of str
        Strategies that the plan wants judged.
    n_by_pattern : tuple of int
        Eligible cases of each pattern.
    cells : tuple of OverlapCell
        Pattern by pattern, every strategy in each.
    limit : float
        Smallest share that counts as support (this project's choice unless the study declares another).
    n, n_missing : int
        Eligible cases, and those of them without a pattern.
    """

    column: str
    patterns: tuple[str, ...]
    strategies: tuple[str, ...]
    planned: tuple[str, ...]
    n_by_pattern: tuple[int, ...]
    cells: tuple[OverlapCell, ...]
    limit: float
    n: int
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a cell: pattern, group (the strategy), n, share, flagged."""
        return pd.DataFrame(
            [
                {"pattern": c.pattern, "group": c.strategy, "n": c.n, "share": c.share, "flagged": c.flagged}
                for c in self.cells
            ],
            columns=["pattern", "group", "n", "share", "flagged"],
        )

    def __str__(self) -> str:
        """Return a sentence on where planned strategies lack support."""
        lead = (
            f"{self.n} eligible cases in {len(self.patterns)} fracture patterns"
            f" ({self.n_missing} with none recorded)"
        )
        flagged = [c for c in self.cells if c.flagged and c.strategy in self.planned]
        thin = [f"{c.strategy} in {c.pattern} ({c.n})" for c in flagged]
        if not thin:
            return f"{lead}: every planned strategy is used in every pattern."
        return f"{lead}; used in under {self.limit * 100:g} % of the cases of a pattern: {', '.join(thin)}."

    def _repr_html_(self) -> str:
        """Return the table; flagged cells carry an asterisk."""
        at = {(c.pattern, c.strategy): c for c in self.cells}
        head = "".join(f"<th>{html.escape(s)}</th>" for s in self.strategies)
        body = "".join(
            f"<tr><th>{html.escape(p)}</th>"
            + "".join(f"<td>{at[p, s].n}{'*' if at[p, s].flagged else ''}</td>" for s in self.strategies)
            + "</tr>"
            for p in self.patterns
        )
        note = f"* under {self.limit * 100:g} % of the pattern; {self.n_missing} cases with none recorded"
        return f"<table><tr><th>pattern</th>{head}</tr>{body}</table><p>{note}</p>"


def overlap_table(sample: StudySample) -> OverlapTable | None:
    """Count the eligible cases by fracture pattern and strategy.

    Parameters
    ----------
    sample : StudySample

    Returns
    -------
    OverlapTable or None
        None when the plan names no pattern column.

    Raises
    ------
    StudyError
        When the pattern column is not in the sample.

    Notes
    -----
    Within a pattern a strategy's share is its fitted probability under a model with pattern indicators, so
    the flag is the rule that takes a pattern out of a pair's comparable set.

    Examples
    --------
    >>> from outcomes.analysis.protocol import OutcomePlan, StrategyPlan, Study
    >>> import datetime as dt
    >>> study = Study(title="t", declared=dt.date(2026, 1, 1),
    ...               strategy=StrategyPlan(judged=("plate", "pins")),
    ...               outcomes=(OutcomePlan(name="pain", better="lower", role="primary"),), pattern="pattern")
    >>> frame = pd.DataFrame({"eligible": True, "strategy": ["plate", "pins", "plate"],
    ...                       "pattern": ["bending", "bending", "rim shear"]})
    >>> sample = StudySample(study=study, frame=frame, outcomes={}, flow=(), share_met_bounds=None,
    ...                      side_by_side=pd.DataFrame())
    >>> print(overlap_table(sample))
    3 eligible cases in 2 fracture patterns (0 with none recorded); used in under 2.5 % of the cases of a \
pattern: pins in rim shear (0).
    """
    column = sample.study.pattern
    if not column:
        return None
    if column not in sample.frame.columns:
        raise StudyError(
            f"pattern column {column!r} is not in this cohort; name a column of the dictionary, or leave "
            "'pattern' out",
            code="no_pattern_column",
        )
    rows = sample.frame["eligible"].to_numpy(dtype=bool)
    pattern = sample.frame[column][rows].astype("category")
    codes = pattern.cat.codes.to_numpy()
    patterns = [str(level) for level in pattern.cat.categories]
    planned = sample.study.strategy.judged
    strategies, strategy_codes = strategies_seen(sample)
    missing = codes < 0
    codes = np.where(missing, len(patterns), codes)
    patterns.append(NOT_RECORDED)
    counts = np.zeros((len(patterns), len(strategies)), dtype=np.int64)
    np.add.at(counts, (codes, strategy_codes), 1)
    totals = counts.sum(axis=1)
    limit = limits_of(sample.study.limits)["propensity_min"]
    cells = []
    for i, j in np.ndindex(counts.shape):
        if totals[i]:
            share = float(counts[i, j] / totals[i])
            cells.append(
                OverlapCell(
                    pattern=patterns[i], strategy=strategies[j], n=int(counts[i, j]), share=share,
                    flagged=share < limit,
                )
            )  # fmt: skip
    return OverlapTable(
        column=column,
        patterns=tuple(name for name, total in zip(patterns, totals, strict=True) if total),
        strategies=strategies,
        planned=planned,
        n_by_pattern=tuple(int(total) for total in totals if total),
        cells=tuple(cells),
        limit=limit,
        n=len(codes),
        n_missing=int(missing.sum()),
    )


def strategies_seen(sample: StudySample) -> tuple[tuple[str, ...], IntArray]:
    """Return planned strategies, then the others seen, and each eligible case's position among them.

    Examples
    --------
    >>> from outcomes.analysis.protocol import OutcomePlan, StrategyPlan, Study
    >>> import datetime as dt
    >>> study = Study(title="t", declared=dt.date(2026, 1, 1),
    ...               strategy=StrategyPlan(judged=("plate", "pins")),
    ...               outcomes=(OutcomePlan(name="pain", better="lower", role="primary"),))
    >>> frame = pd.DataFrame({"eligible": True, "strategy": ["other", "pins", "plate"]})
    >>> sample = StudySample(study=study, frame=frame, outcomes={}, flow=(), share_met_bounds=None,
    ...                      side_by_side=pd.DataFrame())
    >>> strategies_seen(sample)
    (('plate', 'pins', 'other'), array([2, 1, 0]))
    """
    rows = sample.frame["eligible"].to_numpy(dtype=bool)
    codes, levels = pd.factorize(sample.frame["strategy"].to_numpy(dtype=object)[rows])
    planned = sample.study.strategy.judged
    others = sorted(str(level) for level in levels if level not in planned)
    names = (*planned, *others)
    place = {name: position for position, name in enumerate(names)}
    return names, np.array([place[str(level)] for level in levels], dtype=np.int64)[codes]


def patient_codes(sample: StudySample) -> IntArray:
    """Return the patient of each eligible case as a number.

    Examples
    --------
    >>> from outcomes.analysis.protocol import OutcomePlan, StrategyPlan, Study
    >>> import datetime as dt
    >>> study = Study(title="t", declared=dt.date(2026, 1, 1), strategy=StrategyPlan(judged=("plate",)),
    ...               outcomes=(OutcomePlan(name="pain", better="lower", role="primary"),))
    >>> frame = pd.DataFrame({"eligible": True, "patient_id": ["007", "011", "007"]})
    >>> sample = StudySample(study=study, frame=frame, outcomes={}, flow=(), share_met_bounds=None,
    ...                      side_by_side=pd.DataFrame())
    >>> patient_codes(sample)
    array([0, 1, 0])
    """
    rows = sample.frame["eligible"].to_numpy(dtype=bool)
    # clusters that are patients are numbers already; hashing 10^5 text ids would cost more than the table
    by_patient = sample.study.cluster == "patient_id" and "cluster" in sample.frame
    column = sample.frame["cluster" if by_patient else "patient_id"].to_numpy()
    return np.asarray(pd.factorize(column[rows])[0], dtype=np.int64)
