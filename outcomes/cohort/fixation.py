"""Label every case by fixation strategy, from recorded components and the operation text.

Every label names the rule that gave it and the components and terms it rests on; what contradicts itself or
is not recorded is *unclear*, never guessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.cohort.columns import HasData, ObjectArray, numbers, row_numbers, texts
from outcomes.cohort.concepts import components, internal_name
from outcomes.cohort.html_text import sentence_and_table
from outcomes.cohort.notes import NoteReader, NoteReading, phrases_of
from outcomes.cohort.rules import UNCLEAR, StrategyRules, read_rules
from outcomes.cohort.text import counted
from outcomes.errors import CohortError

#: With more components in doubt than this the label is unclear without trying every combination.
_MOST_IN_DOUBT = 6
_NO_TEXT = NoteReading(
    asserted=frozenset(), negated=frozenset(), doubtful=frozenset(), removed=frozenset(), earlier=frozenset(),
    later=frozenset(), terms={},
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FixationLabels:
    """Fixation strategy of every case with where it came from.

    Attributes
    ----------
    strategy, rule : ndarray of str, shape (n_cases,)
        Strategy, and id of the rule that gave it.
    parts : ndarray of tuple of str, shape (n_cases,)
        Components taken as present.
    matched : ndarray of tuple of str, shape (n_cases,)
        What they rest on: ``"column volar_plate"``, ``"text: vlp"``.
    flags : ndarray of tuple of str, shape (n_cases,)
        ``"temporary"``, ``"removal mentioned"``, ``"later treatment mentioned"``, ``"column and text disagree"``.
    rules : StrategyRules
    n_unmatched : int
        Phrases of the operation texts, over all cases, in which no term was found.
    unmatched : DataFrame
        ``phrase, n_cases, first_row``: for the private folder only, it holds words of the notes.
    """

    strategy: ObjectArray = field(repr=False)
    rule: ObjectArray = field(repr=False)
    parts: ObjectArray = field(repr=False)
    matched: ObjectArray = field(repr=False)
    flags: ObjectArray = field(repr=False)
    rules: StrategyRules = field(repr=False)
    n_unmatched: int
    unmatched: pd.DataFrame = field(repr=False)

    @property
    def n_assumed(self) -> int:
        """Cases whose rule reads something that was not stated."""
        return int(np.isin(self.rule.astype(str), sorted(self.rules.assumptions)).sum())

    def tidy(self) -> pd.DataFrame:
        """Return one row a strategy and rule: ``outcome, group, rule, says, assumption, n``."""
        counts = (
            pd.DataFrame({"group": self.strategy, "rule": self.rule}).value_counts().rename("n").reset_index()
        )
        counts = counts.sort_values(["n", "group", "rule"], ascending=[False, True, True], ignore_index=True)
        counts["says"] = [self.rules.says(each) for each in counts["rule"]]
        counts["assumption"] = counts["rule"].isin(self.rules.assumptions)
        counts.insert(0, "outcome", "strategy")
        return counts[["outcome", "group", "rule", "says", "assumption", "n"]]

    def __str__(self) -> str:
        """Return the counts as a results sentence."""
        counts = pd.Series(self.strategy, dtype=object).value_counts()
        listed = "; ".join(f"{name} {counts[name]}" for name in self.rules.strategies if name in counts.index)
        text = f"Strategy of {counted(len(self.strategy), 'case')} by rule table '{self.rules.title}': {listed or 'none'}."
        if self.n_assumed:
            text += f" In {self.n_assumed} the rule reads something that was not stated."
        if self.n_unmatched:
            text += f" No term was found in {counted(self.n_unmatched, 'phrase')} of the operation texts."
        return text

    def _repr_html_(self) -> str:
        """Return the sentence and the tidy table."""
        return sentence_and_table(str(self), self.tidy())


def classify_fixation(
    cohort: HasData, rules: StrategyRules | str | Path | Mapping[str, Any] | None = None
) -> FixationLabels:
    """Label every case by fixation strategy.

    Parameters
    ----------
    cohort : HasData
        Table with ``component_*`` columns (1 used, 0 not used, missing not recorded), ``operation_text``, or
        both.
    rules : StrategyRules, str, Path, mapping or None
        Rule table; default the shipped one.

    Returns
    -------
    FixationLabels

    Raises
    ------
    CohortError
        When the table records neither components nor operation text, or a component column holds other
        numbers.
    CriteriaError
        When the rule table is not valid.

    Notes
    -----
    A recorded column wins over a doubtful text. Where column and text contradict each other, or the text
    leaves a component open, the label is *unclear* if it would change with that component, and stands
    otherwise.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> notes = ["VLP, no graft", "Ex-fix (bridging) + K-wires", "Volar plate. Temporary spanning ex fix"]
    >>> labels = classify_fixation(SimpleNamespace(data=pd.DataFrame({"operation_text": notes})))
    >>> list(labels.strategy)
    ['volar locking plate', 'bridging external fixation, augmented', 'combined']
    >>> labels.parts[2]
    ('external_fixator_bridging', 'volar_plate')
    """
    table = rules if isinstance(rules, StrategyRules) else read_rules(rules)
    data = cohort.data
    names = [name for name in components() if internal_name("component", component=name) in data.columns]
    if not names and "operation_text" not in data.columns:
        raise CohortError(
            "labelling the strategy needs columns declared as component or operation_text: declare one",
            code="column_needed",
        )
    yes, no = _recorded(data, names)
    codes, notes, n_unmatched, unmatched = _read_notes(data, table)
    # one whole number a distinct combination of text, recorded yes and recorded no
    combined = (codes.astype(np.int64) + 1 << 2 * len(names)) + (yes << len(names)) + no
    which, distinct = pd.factorize(combined)
    first = np.full(len(distinct), -1)
    first[which[::-1]] = np.arange(len(which))[::-1]
    decided = [
        _label(_members(int(yes[row]), names), _members(int(no[row]), names), notes[codes[row]], table)
        for row in first
    ]
    columns = [_spread(values, which) for values in zip(*decided, strict=True)] or [_spread((), which)] * 5
    return FixationLabels(
        strategy=columns[0], rule=columns[1], parts=columns[2], matched=columns[3], flags=columns[4],
        rules=table, n_unmatched=n_unmatched, unmatched=unmatched,
    )  # fmt: skip


def _recorded(data: pd.DataFrame, names: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return the components recorded as used and as not used, one bit a component."""
    yes = np.zeros(len(data), dtype=np.int64)
    no = np.zeros(len(data), dtype=np.int64)
    for bit, name in enumerate(names):
        column = internal_name("component", component=name)
        values = numbers(data, column)
        odd = np.flatnonzero(~(np.isnan(values) | (values == 0) | (values == 1)))
        if len(odd):
            raise CohortError(
                f"column {column!r} must be 1, 0 or missing; {len(odd)} {'is' if len(odd) == 1 else 'are'} not: {row_numbers(data, odd)}",
                code="not_yes_no",
            )
        yes |= (values == 1).astype(np.int64) << bit
        no |= (values == 0).astype(np.int64) << bit
    return yes, no


def _read_notes(
    data: pd.DataFrame, rules: StrategyRules
) -> tuple[np.ndarray, list[NoteReading], int, pd.DataFrame]:
    """Return the code of each case's reading, the readings, and phrases not understood.

    Code -1 stands for the last reading, that of no text.
    """
    codes, distinct = pd.factorize(texts(data, "operation_text"))
    reader = NoteReader(rules)
    places: dict[int, int] = {}
    readings: list[NoteReading] = []
    of_text = np.full(len(distinct) + 1, -1, dtype=np.int64)
    phrases: list[tuple[int, str]] = []
    for place, text in enumerate(distinct):
        reading = reader.read(str(text))
        code = places.setdefault(id(reading), len(readings))
        if code == len(readings):
            readings.append(reading)
        of_text[place] = code
        if reading.unmatched:
            said = phrases_of(str(text))
            phrases += [(place, said[which]) for which in reading.unmatched]
    return of_text[codes], [*readings, _NO_TEXT], *_unmatched(data, codes, phrases)


def _unmatched(
    data: pd.DataFrame, codes: np.ndarray, phrases: list[tuple[int, str]]
) -> tuple[int, pd.DataFrame]:
    """Return how many phrases were not understood, and the private list of them."""
    rows = data["source_row"].to_numpy() if "source_row" in data.columns else np.arange(1, len(data) + 1)
    cases = pd.DataFrame({"text": codes, "row": rows}).groupby("text")["row"].agg(["size", "min"])
    found = pd.DataFrame(phrases, columns=["text", "phrase"]).merge(cases, left_on="text", right_index=True)
    table = found.groupby("phrase", sort=False).agg(n_cases=("size", "sum"), first_row=("min", "min"))
    table = table.reset_index().sort_values(
        ["n_cases", "first_row"], ascending=[False, True], ignore_index=True
    )
    return int(table["n_cases"].sum()), table


def _members(bits: int, names: list[str]) -> frozenset[str]:
    return frozenset(name for bit, name in enumerate(names) if bits >> bit & 1)


def _spread(values: tuple[object, ...], which: np.ndarray) -> ObjectArray:
    """Return the values of distinct combinations for every case."""
    distinct: ObjectArray = np.empty(len(values), dtype=object)
    distinct[:] = list(values)
    spread: ObjectArray = distinct[which]
    return spread


def _label(
    yes: frozenset[str], no: frozenset[str], note: NoteReading, rules: StrategyRules
) -> tuple[str, str, tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Return strategy, rule, parts, what they rest on, and flags of one combination."""
    asserted, clash = _refine(yes, no, note, rules)
    clash |= (yes & note.negated) | (no & asserted)
    open_ = note.doubtful - yes - no
    certain = (yes | asserted) - clash - open_
    strategy, rule = _decide(certain, clash, open_, rules)
    if rules.assumed(rule) & no:
        clash |= rules.assumed(rule)
        strategy, rule = UNCLEAR, "column-and-text-disagree"
    if rule == "nothing-recorded" and note.removed:
        rule = "only-removal"
    elif rule == "nothing-recorded" and note.earlier:
        rule = "only-earlier-treatment"
    elif rule == "nothing-recorded" and note.later:
        rule = "only-later-treatment"
    present = certain | ((clash | open_) if strategy == UNCLEAR else frozenset())
    matched = [f"column {name}" for name in sorted(yes)]
    matched += sorted({f"text: {note.terms[name]}" for name in present if name in note.terms})
    said = (
        (note.temporary, "temporary"),
        (note.removal, "removal mentioned"),
        (bool(note.later), "later treatment mentioned"),
        (bool(clash), "column and text disagree"),
    )
    return strategy, rule, tuple(sorted(certain)), tuple(matched), tuple(word for true, word in said if true)


def _refine(
    yes: frozenset[str], no: frozenset[str], note: NoteReading, rules: StrategyRules
) -> tuple[frozenset[str], frozenset[str]]:
    """Drop rough components that exact ones cover; return what the text asserts, and contradictions."""
    asserted, clash = note.asserted, frozenset[str]()
    for weak, strong in rules.yields_to.items():
        if strong & (yes | note.asserted):
            asserted -= {weak}
    for rough, exact in rules.refined_by.items():
        if rough in note.asserted:
            if exact & (yes | note.asserted) or (exact <= no and rough in rules.column_wins):
                asserted -= {rough}
            elif exact <= no:
                clash |= {rough}
        if rough in note.negated:
            clash |= exact & (yes | note.asserted)
    return asserted, clash


def _decide(
    certain: frozenset[str], clash: frozenset[str], open_: frozenset[str], rules: StrategyRules
) -> tuple[str, str]:
    """Return strategy and rule; unclear when what is in doubt would change the strategy."""
    strategy, rule = rules.decide(certain)
    in_doubt = sorted(clash | open_)
    if not in_doubt:
        return strategy, rule
    extras = (
        frozenset(each) for size in range(1, len(in_doubt) + 1) for each in combinations(in_doubt, size)
    )
    if len(in_doubt) > _MOST_IN_DOUBT or any(
        rules.decide(certain | extra)[0] != strategy for extra in extras
    ):
        return UNCLEAR, "column-and-text-disagree" if clash else "doubtful-text"
    return strategy, rule
