"""Tables of one outcome compared without adjustment: groups, differences, pooled differences and tests."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from outcomes.analysis.across_strata import Pooled
from outcomes.analysis.comparison import Comparison
from outcomes.analysis.group_contrasts import Contrast, OutcomeSummary
from outcomes.analysis.joint_tests import JointTest
from outcomes.analysis.measurement import EVENTS
from outcomes.analysis.sample import Measured
from outcomes.estimates import Estimate
from outcomes.reporting.formatting import (
    NOTHING,
    capital,
    count,
    decimals_for,
    estimate_cells,
    events_of,
    interval,
    level_unit,
    number,
    p_value,
    sentence,
)
from outcomes.reporting.tables import Table, grouped_rows

_EVERYBODY = "all eligible cases"
_EVERY_EVENT = "all, every event"
_TWO_SETS = (
    'The lines "all, every event", the strategies in total and the tests of several strategies at once count every event '
    "of the set of E3; the other lines leave out events linked to the reduction and those up to its film, so the lines "
    "of one strategy do not add up."
)


def comparison_tables(comparison: Comparison, measured: Measured) -> tuple[Table, ...]:
    """Return the tables of one outcome: by group, differences, and pooled over strata where that applies."""
    tables = [group_table(comparison, measured), difference_table(comparison, measured)]
    if comparison.pooled or comparison.tests or comparison.two_way is not None:
        tables.append(joint_table(comparison, measured))
    return tuple(tables)


def event_notes(measured: Measured) -> tuple[str, ...]:
    """Return which events an outcome counts and which it does not, to be printed under every number of it."""
    return tuple(sentence(note) for note in measured.notes) if measured.key in EVENTS else ()


def _two_sets(comparison: Comparison, measured: Measured) -> bool:
    """Return whether totals count other events than what is read beside the reduction."""
    return comparison.asked and measured.key in EVENTS


def _set_notes(comparison: Comparison, measured: Measured) -> tuple[str, ...]:
    return (*((_TWO_SETS,) if _two_sets(comparison, measured) else ()), *event_notes(measured))


def _marked(comparison: Comparison, measured: Measured) -> pd.DataFrame:
    """Return the tidy numbers; where totals count other events, a column says which set each line counts."""
    frame = comparison.tidy()
    if _two_sets(comparison, measured):
        whole = (frame["section"] == "summary") & (frame["stratum"] == "all")
        every = whole | frame["section"].isin(["crude total", "joint test"])
        frame["events_counted"] = every.map(
            {True: "every event (set of E3)", False: "set beside the reduction"}
        )
    return frame


def group_table(comparison: Comparison, measured: Measured) -> Table:
    """Return the outcome in every group of strategy and reduction; unplanned strategies only in the frame."""
    every = _EVERY_EVENT if _two_sets(comparison, measured) else "all"
    shown = [*(name for name in comparison.planned if name in comparison.strategies), ""]
    groups = [
        (
            name or _EVERYBODY,
            [_summary_line(s, comparison, every) for s in comparison.summaries if s.strategy == name],
        )
        for name in shown
    ]
    frame = _marked(comparison, measured)
    binary = comparison.kind == "binary"
    columns = ("Events/n", "95 % interval, %") if binary else ("Mean (SD)", "Median (quartiles)")
    notes = [_TWO_SETS] if _two_sets(comparison, measured) else []
    notes += [sentence(note) for note in comparison.notes]
    hidden = len(comparison.strategies) - len(shown) + 1
    if hidden > 0:
        notes.append(
            f'{count(hidden)} strategies that are not to be judged are in the workbook; they count under "{every}".'
        )
    return Table(
        key=f"groups_{comparison.key}",
        title=f"{capital(comparison.label)} by strategy and reduction"
        + ("" if binary else f" ({level_unit(comparison.unit)})"),
        header=("Reduction", *columns, "n", "Missing"),
        rows=grouped_rows(groups),
        frame=_section(frame, "summary"),
        notes=tuple(notes),
    )


def _summary_line(summary: OutcomeSummary, comparison: Comparison, every: str) -> tuple[str, ...]:
    name = summary.reduction or every
    tail = (count(summary.n), count(summary.n_missing))
    if comparison.kind == "binary":
        risk = summary.risk
        limits = NOTHING if risk is None else interval(risk.conf_low, risk.conf_high)
        return name, events_of(summary.events or 0, summary.n), limits, *tail
    digits = decimals_for(comparison.unit)
    if summary.mean is None or summary.median is None:
        return name, NOTHING, NOTHING, *tail
    spread = "" if summary.sd is None else f" ({number(summary.sd, digits)})"
    quartiles = interval(summary.q1, summary.q3, digits, landmarks=())
    return (
        name,
        number(summary.mean, digits) + spread,
        f"{number(summary.median, digits)} ({quartiles})",
        *tail,
    )


def difference_table(comparison: Comparison, measured: Measured) -> Table:
    """Return differences within strata, or in total where reduction is not asked, with other methods beside."""
    groups: list[tuple[str, list[tuple[str, ...]]]] = []
    if comparison.asked:
        groups.append(
            ("Met minus not met, within strategy", [_line(c, c.within) for c in comparison.within_strategy])
        )
        for label in ("met", "not met"):
            pairs = [c for c in comparison.within_reduction if c.within == label]
            groups.append(
                (f"Strategies, reduction {label}", [_line(c, " minus ".join(c.groups)) for c in pairs])
            )
    total = "Strategies in total" + (", every event" if _two_sets(comparison, measured) else "")
    groups.append((total, [_line(c, " minus ".join(c.groups)) for c in comparison.crude]))
    frame = _marked(comparison, measured)
    sections = ("strategy within reduction", "reduction within strategy", "crude total")
    unit = "percentage points" if comparison.kind == "binary" else comparison.unit
    return Table(
        key=f"differences_{comparison.key}",
        title=f"{capital(comparison.label)}: differences, not adjusted ({unit})",
        header=("Contrast", "Difference", "95 % interval", "p", "p, Holm", "n", "Beside"),
        rows=grouped_rows(groups),
        frame=_section(frame, *sections),
        notes=(
            f"Holm over {comparison.family} ({count(comparison.family_size)} tests). These p-values describe; they do not "
            "enter the answer.",
            *_methods(comparison),
            *_set_notes(comparison, measured),
        ),
        text_columns=(0, 6),
    )


def _line(contrast: Contrast, name: str) -> tuple[str, ...]:
    value, limits = estimate_cells(contrast.estimate)
    if contrast.estimate.value is None:
        value = f"not estimable: {contrast.estimate.reason}"
    return (
        name,
        value,
        limits,
        p_value(contrast.estimate.p_value),
        p_value(contrast.p_holm),
        count(contrast.estimate.n),
        "; ".join(_beside(contrast)) or NOTHING,
    )


def _beside(contrast: Contrast) -> Iterator[str]:
    """Yield other methods for the same groups in short: shift, ratios, exact p."""
    for estimate in contrast.beside:
        value, limits = estimate_cells(estimate)
        if estimate.value is not None:
            yield f"{_short_name(estimate)} {value} ({limits})"
    if contrast.p_exact is not None and contrast.sparse:
        yield f"exact p {p_value(contrast.p_exact)}"


def _short_name(estimate: Estimate) -> str:
    """Return the first words of a method's name."""
    known = (("odds ratio", "odds ratio"), ("risk ratio", "risk ratio"), ("hodges", "shift"), ("newcombe", "Newcombe"),
             ("welch", "Welch"), ("cr2", "clustered"), ("katz", "risk ratio"), ("woolf", "odds ratio"),
             ("conditional", "odds ratio"))  # fmt: skip
    method = estimate.method.lower()
    return next((short for word, short in known if word in method), estimate.method)


def _methods(comparison: Comparison) -> tuple[str, ...]:
    contrasts = (*comparison.within_strategy, *comparison.within_reduction, *comparison.crude)
    reported = list(dict.fromkeys(c.estimate.method for c in contrasts if c.estimate.method))
    tests = list(dict.fromkeys(c.test for c in contrasts if c.test))
    beside = list(dict.fromkeys(e.method for c in contrasts for e in c.beside if e.method))
    lines = []
    if reported:
        lines.append(f"Intervals: {'; '.join(reported)}. p from: {'; '.join(tests)}.")
    if beside:
        lines.append(f"Beside: {'; '.join(beside)}.")
    return tuple(lines)


def joint_table(comparison: Comparison, measured: Measured) -> Table:
    """Return differences pooled over strata and tests of several differences at once."""
    groups: list[tuple[str, Sequence[tuple[str, ...]]]] = [
        ("Pooled over strata", [_pooled_line(pooled) for pooled in comparison.pooled]),
    ]
    if comparison.two_way is not None:
        tests = (comparison.two_way.interaction, comparison.two_way.classical)
        groups.append(("Strategy by reduction, linear model", [_test_line(test) for test in tests]))
    several = "Several strategies at once" + (", every event" if _two_sets(comparison, measured) else "")
    groups.append((several, [_test_line(test) for test in comparison.tests]))
    frame = _marked(comparison, measured)
    pooled_by = dict.fromkeys(p.estimate.method for p in comparison.pooled if p.estimate.method)
    same_by = dict.fromkeys(p.homogeneity.method for p in comparison.pooled if p.homogeneity.method)
    methods = (
        [f"Pooled by {'; '.join(pooled_by)}. Same in every stratum by {'; '.join(same_by)}."]
        if pooled_by
        else []
    )
    return Table(
        key=f"pooled_{comparison.key}",
        title=f"{capital(comparison.label)}: pooled over strata, and tests of several differences at once",
        header=("Question", "Strata", "Difference", "95 % interval", "p", "Same in every stratum? p", "n"),
        rows=grouped_rows(groups),
        frame=_section(frame, "pooled over strata", "two-way model", "joint test"),
        notes=(
            "A small p for the same in every stratum says that one pooled number hides a difference.",
            *methods,
            *_set_notes(comparison, measured),
        ),
    )


def _pooled_line(pooled: Pooled) -> tuple[str, ...]:
    value, limits = estimate_cells(pooled.estimate)
    if pooled.estimate.value is None:
        value = f"not estimable: {pooled.estimate.reason}"
    return (
        " minus ".join(pooled.groups),
        count(len(pooled.strata)),
        value,
        limits,
        p_value(pooled.test.p_value),
        p_value(pooled.homogeneity.p_value),
        count(pooled.estimate.n),
    )


def _test_line(test: JointTest) -> tuple[str, ...]:
    method = f"{test.method}: {test.reason}" if test.reason else test.method
    name = f"{test.question} ({method})"
    return name, NOTHING, NOTHING, NOTHING, p_value(test.p_value), NOTHING, count(test.n)


def spread_frame(comparison: Comparison) -> pd.DataFrame:
    """Return quartiles by planned strategy and reduction, for the figure; empty for events."""
    labels = ("met", "not met") if comparison.asked else ("",)
    lines = [
        {
            "strategy": s.strategy, "reduction": s.reduction, "n": s.n, "median": s.median, "q1": s.q1, "q3": s.q3,
            "mean": s.mean,
        }
        for name in comparison.planned
        for s in comparison.summaries
        if comparison.kind == "continuous" and s.strategy == name and s.reduction in labels
    ]  # fmt: skip
    columns = ["strategy", "reduction", "n", "median", "q1", "q3", "mean"]
    return pd.DataFrame(lines, columns=columns)


def _section(frame: pd.DataFrame, *sections: str) -> pd.DataFrame:
    """Return the rows of some sections without the columns that are empty in them."""
    part = frame[frame["section"].isin(sections)].reset_index(drop=True)
    return part.dropna(axis="columns", how="all")
