"""Tables of the answer: the estimands, the share meeting criteria, the gates, what was not comparable."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import pandas as pd

from outcomes.analysis.answer import Answer, Effect
from outcomes.cohort.reduction import ShareMet
from outcomes.reporting.formatting import (
    NOTHING,
    capital,
    count,
    decimals_for,
    estimate_cells,
    interval,
    margin_text,
    number,
    percentage,
    sentence,
)
from outcomes.reporting.tables import Table, data_rows, grouped_rows

#: Heading of each family of effects, in the order in which they are printed.
_FAMILIES = (
    ("E1", "", "Meeting the criteria, each case keeping its own strategy (E1)"),
    ("E1(s)", "", "Meeting the criteria, users of one strategy (E1 by strategy)"),
    ("E2", "met", "Strategies once the criteria are met (E2)"),
    ("E2", "not met", "Strategies when the criteria are not met (E2, beside)"),
    ("E3", "", "Strategies in total, reduction left out of the model (E3)"),
    ("E4", "", "Does the effect of meeting the criteria depend on the strategy? (E4)"),
)

#: States in which the direction of an effect is part of what is known.
_DIRECTED = ("material", "present", "trivial")

STATE_WORDS = {
    "material": "counts: beyond the margin",
    "present": "counts: detectable, whether it reaches the margin is not settled",
    "trivial": "does not count: detectable, below the margin",
    "absent": "does not count: inside the margin",
    "undetermined": "not settled",
}


def contrast_words(effect: Effect) -> str:
    """Return what is subtracted from what, in words.

    Examples
    --------
    >>> from outcomes.estimates import Estimate
    >>> none = Estimate.not_estimable("too few cases")
    >>> print(contrast_words(Effect(estimand="E2", groups=("cast", "pinning"), estimate=none, ordinary=none,
    ...                             state="undetermined", direction="", population="", at="met")))
    cast minus pinning
    """
    if not effect.groups:
        return "met minus not met"
    if effect.estimand == "E1":
        return effect.groups[0]
    return " minus ".join(effect.groups)


def families(answer: Answer) -> Iterator[tuple[str, str, str, tuple[Effect, ...]]]:
    """Yield estimand, reduction at which it is read, heading and effects, in printing order."""
    effects = {
        ("E1", ""): () if answer.reduction is None else (answer.reduction,),
        ("E1(s)", ""): answer.reduction_by_strategy,
        ("E2", "met"): answer.pairs,
        ("E2", "not met"): answer.pairs_not_met,
        ("E3", ""): answer.total_pairs,
        ("E4", ""): answer.interaction,
    }
    for estimand, at, heading in _FAMILIES:
        yield estimand, at, heading, effects[(estimand, at)]


def estimand_table(answer: Answer, events: Sequence[str] = ()) -> Table:
    """Return every effect of one outcome with its two intervals, its state and its n.

    The 95 % interval is simultaneous over the judged pairs of a family; the 90 % interval is the ordinary
    one of two one-sided tests at 5 %. `events` says which events a complication counts.
    """
    margin = None if answer.margin is None else answer.margin.value
    groups = [
        (heading, [_effect_cells(effect, margin) for effect in effects])
        for _, _, heading, effects in families(answer)
    ]
    return Table(
        key=f"answer_{answer.outcome}",
        title=f"{capital(answer.label)}: the effects behind the answer ({answer.unit})",
        header=(
            "Contrast",
            "Estimate",
            "95 % interval",
            "90 % interval",
            "Reading against the margin",
            "Cases used, n",
        ),
        rows=grouped_rows(groups),
        frame=effects_frame(answer),
        notes=(*_estimand_notes(answer), *(sentence(note) for note in events)),
        text_columns=(0, 4),
    )


def _effect_cells(effect: Effect, margin: float | None) -> tuple[str, ...]:
    value, limits = estimate_cells(effect.estimate, margin=margin)
    marks = [0.0] if margin is None else [0.0, -margin, margin]
    ordinary = interval(
        effect.ordinary.conf_low,
        effect.ordinary.conf_high,
        decimals_for(effect.estimate.unit),
        landmarks=marks,
    )
    if effect.estimate.value is None:
        reading = effect.estimate.reason
    elif margin is None:
        reading = "no margin declared"
    else:
        reading = STATE_WORDS[effect.state] + (f" ({effect.direction})" if effect.state in _DIRECTED else "")
    return contrast_words(effect), value, limits, ordinary, reading, count(effect.estimate.n)


def _estimand_notes(answer: Answer) -> tuple[str, ...]:
    notes = []
    if answer.margin is None:
        notes.append("No margin was declared for this outcome: there are estimates and no answer.")
    else:
        notes.append(f"Margin {margin_text(answer.margin)}: {answer.margin.source}.")
    if answer.margin is not None and answer.margin.warning:
        notes.append(f"Warning: {answer.margin.warning}.")
    notes.append(
        "95 % intervals are simultaneous over the pairs of their family (largest of the t statistics); 90 % "
        "intervals are ordinary ones (two one-sided tests at 5 %). n is the number of cases that the model used "
        "of the population that a contrast is standardised to; the rest of that population is n_missing in the workbook. "
        "Pairs overlap and need not add up."
    )
    notes.append(
        "E1 is standardised to the eligible cases with support for both labels, E1 by strategy to the users of that "
        "strategy, a pair to the users of either strategy in the fracture patterns where both were used; the workbook "
        "names the population of every line."
    )
    if answer.model:
        notes.append(f"Model: {answer.model}")
    return tuple(notes)


def effects_frame(answer: Answer) -> pd.DataFrame:
    """Return the effects of one answer unrounded, one line an effect."""
    lines = []
    for estimand, _, _, effects in families(answer):
        for effect in effects:
            lines.append(
                {
                    "outcome": answer.outcome,
                    "estimand": estimand,
                    "at": effect.at,
                    "contrast": contrast_words(effect),
                    "unit": effect.estimate.unit,
                    "estimate": effect.estimate.value,
                    "std_error": effect.estimate.std_error,
                    "conf_low": effect.estimate.conf_low,
                    "conf_high": effect.estimate.conf_high,
                    "conf_low_90": effect.ordinary.conf_low,
                    "conf_high_90": effect.ordinary.conf_high,
                    "p_value": effect.estimate.p_value,
                    "n": effect.estimate.n,
                    "n_missing": effect.estimate.n_missing,
                    "state": effect.state,
                    "direction": effect.direction,
                    "population": effect.population,
                    "reason": effect.estimate.reason,
                }
            )
    return pd.DataFrame(lines)


def states_table(answers: Iterable[Answer]) -> Table:
    """Return one line an outcome: its answer, the states of both axes and the cases used."""
    lines, tidy = [], []
    for answer in answers:
        margin = NOTHING if answer.margin is None else margin_text(answer.margin)
        lines.append(
            (
                answer.label,
                answer.role,
                answer.overall,
                answer.reduction_state,
                answer.strategy_state,
                answer.total_state,
                margin,
                f"{count(answer.n_used)} of {count(answer.n_eligible)}",
            )
        )
        tidy.append(
            {
                "outcome": answer.outcome,
                "role": answer.role,
                "answer": answer.overall,
                "reduction": answer.reduction_state,
                "strategy": answer.strategy_state,
                "strategy_in_total": answer.total_state,
                "margin": None if answer.margin is None else answer.margin.value,
                "unit": answer.unit,
                "n": answer.n_used,
                "n_missing": answer.n_eligible - answer.n_used,
            }
        )
    return Table(
        key="answers",
        title="The answer for every outcome of the plan",
        header=(
            "Outcome",
            "Role",
            "Answer",
            "Reduction",
            "Strategy, reduction met",
            "Strategy, in total",
            "Margin",
            "n",
        ),
        rows=data_rows(lines),
        frame=pd.DataFrame(tidy),
        notes=("The answer of the study is that of the primary outcome; the others are secondary.",),
        text_columns=(0, 1, 2, 3, 4, 5, 6),
    )


def share_met_table(answer: Answer) -> Table:
    """Return the share of cases meeting the criteria by strategy: standardised, as counted, and its bounds."""
    lines, tidy = [], []
    for strategy, share in answer.share_met.items():
        counted = answer.counted_met.get(strategy)
        shown, limits = f"not estimable: {share.reason}", NOTHING
        if share.value is not None:
            scale = 1.0 if share.unit in ("percent", "%", "percentage points") else 100.0
            low, high = (
                None if limit is None else limit * scale for limit in (share.conf_low, share.conf_high)
            )
            shown, limits = f"{number(share.value * scale)}\u00a0%", interval(low, high)
        own, bounds = _counted(counted)
        lines.append((strategy, shown, limits, own, bounds))
        tidy.append(
            {
                "outcome": "reduction_met",
                "group": strategy,
                "estimate": share.value,
                "conf_low": share.conf_low,
                "conf_high": share.conf_high,
                "unit": share.unit,
                "n": share.n,
                "n_met": None if counted is None else counted.n_met,
                "n_not_met": None if counted is None else counted.n_not_met,
                "n_indeterminate": None if counted is None else counted.n_indeterminate,
                "low": None if counted is None else counted.low,
                "high": None if counted is None else counted.high,
            }
        )
    return Table(
        key="share_met",
        title="Share meeting the criteria by strategy",
        header=("Strategy", "Standardised", "95 % interval", "As labelled", "Bounds"),
        rows=data_rows(lines),
        frame=pd.DataFrame(tidy),
        notes=(
            "Standardised to all eligible cases, so that strategies used for worse fractures are comparable.",
            "As labelled: met of met and not met. Bounds: share met of all its cases if every indeterminate reduction were "
            "not met, and if every one were met.",
        ),
    )


def _counted(counted: ShareMet | None) -> tuple[str, str]:
    """Return the counted share of one strategy and its bounds."""
    if counted is None or counted.low is None or counted.high is None:
        return NOTHING, NOTHING
    labelled = counted.n_met + counted.n_not_met
    total = labelled + counted.n_indeterminate
    own = f"{count(counted.n_met)} of {count(labelled)}"
    low = percentage(counted.n_met, total)
    high = percentage(counted.n_met + counted.n_indeterminate, total)
    return own, low if low == high else f"{low} to {high}"


def gates_table(answer: Answer) -> Table:
    """Return the limits that closed an axis: what was found, what is needed, what would open it."""
    lines = [
        (f"{gate.name}", gate.axis, f"{gate.found:.3g}", f"{gate.limit:.3g}", gate.remedy)
        for gate in answer.gates
    ]
    tidy = [
        {"outcome": answer.outcome, "axis": g.axis, "gate": g.name, "found": g.found, "limit": g.limit,
         "remedy": g.remedy}
        for g in answer.gates
    ]  # fmt: skip
    return Table(
        key=f"gates_{answer.outcome}",
        title=f"{capital(answer.label)}: gates that closed an axis",
        header=("Gate", "Axis", "Found", "Needed", "What would open it"),
        rows=data_rows(lines),
        frame=pd.DataFrame(tidy),
        notes=(
            "A closed gate withholds the answer on that axis; the estimates above are printed all the same.",
        ),
        text_columns=(0, 1, 4),
    )


def unsettled_table(answer: Answer) -> Table:
    """Return what would settle the effects of an axis that is open by its intervals alone."""
    lines = [
        (each.contrast, f"{each.half_width:.3g}", f"{each.needed:.3g}", each.settles_as, count(each.n), count(each.n_needed))
        for each in answer.unsettled
    ]  # fmt: skip
    tidy = [
        {"outcome": answer.outcome, "contrast": u.contrast, "half_width": u.half_width, "needed": u.needed,
         "settles_as": u.settles_as, "n": u.n, "n_needed": u.n_needed}
        for u in answer.unsettled
    ]  # fmt: skip
    return Table(
        key=f"unsettled_{answer.outcome}",
        title=f"{capital(answer.label)}: what would settle it ({answer.unit})",
        header=("Contrast", "Half-width", "Needed", "To be", "Cases", "About needed"),
        rows=data_rows(lines),
        frame=pd.DataFrame(tidy),
        notes=(
            "Half the width of the interval, and what it would have to be if the estimate stayed where it is. "
            "Half-widths shrink with the root of the number of cases. A plan for the next study, not a promise.",
        ),
        text_columns=(0, 3),
    )


def few_clusters_table(answer: Answer) -> Table:
    """Return the wild cluster bootstrap intervals that stand beside the others where clusters are few."""
    lines = [(e.contrast, *estimate_cells(e), count(e.n), e.method) for e in answer.few_clusters]
    return Table(
        key=f"few_clusters_{answer.outcome}",
        title=f"{capital(answer.label)}: few clusters, a second interval ({answer.unit})",
        header=("Contrast", "Estimate", "95 % interval", "n", "Method"),
        rows=data_rows(lines),
        frame=pd.DataFrame(
            [
                {"outcome": answer.outcome, "contrast": e.contrast, "estimate": e.value, "conf_low": e.conf_low,
                 "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "method": e.method}
                for e in answer.few_clusters
            ]
        ),
        notes=("With so few clusters no interval is reliable; these are not simultaneous.",),
        text_columns=(0, 4),
    )  # fmt: skip


def outside_table(answer: Answer) -> Table:
    """Return the fracture patterns that are not comparable for a pair of strategies."""
    lines = [(" and ".join(o.groups), o.pattern, count(o.n_cases), o.why) for o in answer.outside]
    tidy = [
        {"outcome": answer.outcome, "group": " and ".join(o.groups), "pattern": o.pattern, "n": o.n_cases,
         "why": o.why}
        for o in answer.outside
    ]  # fmt: skip
    return Table(
        key=f"outside_{answer.outcome}",
        title=f"{capital(answer.label)}: fracture patterns outside the comparison",
        header=("Strategies", "Fracture pattern", "Cases", "Why"),
        rows=data_rows(lines),
        frame=pd.DataFrame(tidy),
        notes=("These cases are listed, not modelled, for that pair of strategies.",),
        text_columns=(0, 1, 3),
    )


def margins_table(answer: Answer) -> Table:
    """Return what the answer would be at other margins, published ones included."""
    lines = [(margin_text(at.margin), at.overall, at.margin.source) for at in answer.by_margin]
    tidy = [
        {"outcome": answer.outcome, "margin": at.margin.value, "unit": at.margin.unit, "answer": at.overall,
         "source": at.margin.source, "kind": at.margin.kind, "warning": at.margin.warning}
        for at in answer.by_margin
    ]  # fmt: skip
    return Table(
        key=f"margins_{answer.outcome}",
        title=f"{capital(answer.label)}: the answer at other margins",
        header=("Margin", "Answer", "Where the margin comes from"),
        rows=data_rows(lines),
        frame=pd.DataFrame(tidy),
        notes=("The answer of the report is that at the declared margin.",),
        text_columns=(0, 1, 2),
    )
