"""From an analysis to the content of its report, section by section."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from outcomes.analysis.answer import Answer
from outcomes.analysis.description import BaselineTable
from outcomes.analysis.protocol import Study
from outcomes.analysis.run import Analysis
from outcomes.analysis.sample import FlowStep, Measured
from outcomes.reporting.answer_tables import (
    estimand_table,
    few_clusters_table,
    gates_table,
    margins_table,
    outside_table,
    share_met_table,
    states_table,
    unsettled_table,
)
from outcomes.reporting.canvas import Picture
from outcomes.reporting.comparison_tables import comparison_tables, event_notes, spread_frame
from outcomes.reporting.criteria_table import criteria_table
from outcomes.reporting.description_tables import (
    balance_frame,
    baseline_page_table,
    flow_table,
    overlap_page_table,
)
from outcomes.reporting.figures import MAIN, TOTAL, Better, forest_picture
from outcomes.reporting.figures_description import balance_picture, spread_picture
from outcomes.reporting.formatting import level_unit, sentence
from outcomes.reporting.front_page import BANNER, CAUTION, NO_RECORD, front_page
from outcomes.reporting.manifest import InputFile, package_version, versions
from outcomes.reporting.methods_text import methods_paragraphs
from outcomes.reporting.quality_tables import cells_table, labelling_table, problems_table, rows_table
from outcomes.reporting.queries import labelling_queries
from outcomes.reporting.read_first import read_first
from outcomes.reporting.report import Block, Flow, Report, Section, Terms, Text
from outcomes.reporting.tables import Table

FRONT_CAPTION = (
    "Thick bar (90 % interval) inside the shading: smaller than the margin. Thin bar: 95 % interval, widened where several "
    "pairs are judged."
)

ABBREVIATIONS = (
    ("Case", "one fractured wrist; a patient with two is two cases"),
    ("Strategy", "what held the fracture, as decided first"),
    ("Reduction met, not met, indeterminate", "whether the first film after the strategy met the criteria of the plan; "
     "indeterminate when a required value is missing and none failed"),
    ("Margin", "the smallest difference that would matter, declared in the plan with its source"),
    ("95 % interval", "the range of differences that fit the data, widened where several pairs are judged together"),
    ("90 % interval", "two one-sided tests at 5 %: inside the margin means smaller than the margin"),
    ("E1", "effect of meeting the criteria, each case keeping its own strategy"),
    ("E2", "one strategy against another once the criteria are met"),
    ("E3", "one strategy against another in total, whatever reduction followed"),
    ("E4", "whether E1 differs between strategies"),
    ("SD", "standard deviation"),
    ("CR2", "bias-reduced standard errors that allow for clusters"),
    ("n", "cases, unless patients are named"),
)  # fmt: skip

CAUTIONS = (
    CAUTION,
    "Surgeons chose the strategy after seeing the fracture and the patient (confounding by indication). Adjustment allows "
    "only for what the table holds.",
    "Reduction is known only after the strategy was chosen, and may be easier to reach with one strategy than with "
    "another. Once the criteria are met is therefore a different question from in total; both are answered.",
    "Criteria were read from films by people; a misread label makes the effect of meeting the criteria look smaller.",
    "Cases without the outcome or without a full set of measurements were left out; if they did worse or better than the "
    "others, every estimate moves.",
)


def build_report(analysis: Analysis, inputs: tuple[InputFile, ...] = ()) -> Report:
    """Return the content of the report of a study.

    Parameters
    ----------
    analysis : Analysis
    inputs : tuple of InputFile
        Files whose hashes the provenance names.

    Returns
    -------
    Report
    """
    study = analysis.sample.study
    primary = next(answer for answer in analysis.answers if answer.role == "primary")
    sections = [
        _answer_section(analysis, primary, study),
        _flow_section(analysis),
        _baseline_section(analysis),
        *_overlap_sections(analysis, primary),
        _comparison_section(analysis),
        *_secondary_sections(analysis, study),
        *_criteria_sections(analysis),
        _methods_section(analysis),
        _quality_section(analysis),
        _provenance_section(analysis, inputs),
        Section(key="cautions", title="Cautions", blocks=(Text(paragraphs=CAUTIONS, kind="points"),)),
        Section(key="abbreviations", title="Words and abbreviations", blocks=(Terms(pairs=ABBREVIATIONS),)),
    ]
    forest = _forest(study, primary)
    front = front_page(
        study,
        primary,
        n_cases=len(analysis.sample.frame),
        n_set_aside=len(analysis.cohort.quarantine),
        figure=replace(forest, caption=FRONT_CAPTION) if primary.margin is not None else forest,
        first=read_first(analysis.cohort, analysis.sample, analysis.answers),
    )
    return Report(front=front, sections=tuple(sections), made_by=f"outcomes {package_version()}")


def all_tables(report: Report, analysis: Analysis) -> tuple[Table, ...]:
    """Return the tables of the workbook: those of the report and the participant flow."""
    return (flow_table(analysis.sample.flow), *report.tables())


def _better(study: Study, answer: Answer) -> Better:
    return next(plan.better for plan in study.outcomes if plan.key == answer.outcome)


def _forest(study: Study, answer: Answer) -> Picture:
    """Return the main forest plot: reduction and strategies, or strategies in total when reduction is not asked."""
    which = TOTAL if study.reduction is None else MAIN
    return forest_picture(answer, better=_better(study, answer), which=which)


def _answer_blocks(answer: Answer, measured: Measured) -> Iterator[Block]:
    """Yield the sentences and tables of one answer."""
    said = [sentence(answer.headline), sentence(answer.pathway)]
    yield Text(paragraphs=tuple(text for text in said if text))
    if answer.gates:
        yield gates_table(answer)
    yield estimand_table(answer, event_notes(measured))
    if answer.unsettled:
        yield unsettled_table(answer)
    if answer.few_clusters:
        yield few_clusters_table(answer)
    if answer.by_margin:
        yield margins_table(answer)
    if answer.reasons:
        reasons = tuple(sentence(reason) for reason in answer.reasons)
        yield Text(paragraphs=reasons, kind="points", heading="What must be known beside it")


def _answer_section(analysis: Analysis, primary: Answer, study: Study) -> Section:
    blocks: list[Block] = [Text(paragraphs=(CAUTION,), kind="caution")]
    warnings = tuple(sentence(warning) for warning in dict.fromkeys(analysis.warnings))
    if warnings:
        blocks.append(Text(paragraphs=warnings, kind="points"))
    blocks += _answer_blocks(primary, analysis.sample.outcomes[primary.outcome])
    if primary.share_met:
        blocks.append(share_met_table(primary))
    if primary.total_pairs and study.reduction is not None:
        blocks.append(forest_picture(primary, better=_better(study, primary), which=TOTAL, key="in_total"))
    if len(analysis.answers) > 1:
        blocks.append(states_table(analysis.answers))
    return Section(key="answer", title=f"The answer in full: {primary.label}", blocks=tuple(blocks))


def _flow_section(analysis: Analysis) -> Section:
    return Section(
        key="flow",
        title="Participant flow",
        blocks=(
            _flow(analysis.sample.flow),
            Text(
                paragraphs=(
                    "A case is one fractured wrist; the first reason that applies is the one counted.",
                )
            ),
        ),
    )


def _flow(steps: tuple[FlowStep, ...]) -> Flow:
    """Split the flow where the eligible cases divide by label."""
    branches = tuple(step for step in steps if step.label.startswith("eligible, "))
    return Flow(trunk=tuple(step for step in steps if step not in branches), branches=branches)


def _baseline_section(analysis: Analysis) -> Section:
    blocks: list[Block] = []
    for baseline in (analysis.baseline_by_strategy, analysis.baseline_by_reduction):
        if baseline is not None:
            blocks += _baseline_blocks(baseline)
    return Section(key="baseline", title="Who the cases are", blocks=tuple(blocks))


def _baseline_blocks(baseline: BaselineTable) -> Iterator[Block]:
    yield baseline_page_table(baseline)
    balance = balance_frame(baseline)
    if len(balance):
        yield balance_picture(balance, by=baseline.by)


def _overlap_sections(analysis: Analysis, primary: Answer) -> Iterator[Section]:
    blocks: list[Block] = []
    if analysis.overlap is not None:
        blocks.append(overlap_page_table(analysis.overlap))
    if primary.outside:
        blocks.append(outside_table(primary))
    if blocks:
        yield Section(key="overlap", title="Which fractures can be compared", blocks=tuple(blocks))


def _comparison_section(analysis: Analysis) -> Section:
    blocks: list[Block] = [
        Text(
            paragraphs=(
                "As recorded, not adjusted for who got which strategy. These comparisons and their p-values describe; "
                "they do not enter the answer.",
            )
        )
    ]
    for comparison in analysis.comparisons:
        measured = analysis.sample.outcomes[comparison.key]
        blocks += comparison_tables(comparison, measured)
        spread = spread_frame(comparison)
        if len(spread):
            blocks.append(
                spread_picture(
                    spread, key=comparison.key, label=measured.label, unit=level_unit(measured.unit)
                )
            )
    return Section(key="comparisons", title="Comparisons by strategy and reduction", blocks=tuple(blocks))


def _secondary_sections(analysis: Analysis, study: Study) -> Iterator[Section]:
    for answer in analysis.answers:
        if answer.role == "primary":
            continue
        measured = analysis.sample.outcomes[answer.outcome]
        forest = _forest(study, answer)
        caption = " ".join([forest.caption, *event_notes(measured)[:1]])
        blocks = [*_answer_blocks(answer, measured), replace(forest, caption=caption)]
        title = f"Secondary outcome: {answer.label}"
        yield Section(key=f"secondary-{answer.outcome}", title=title, blocks=tuple(blocks))


def _criteria_sections(analysis: Analysis) -> Iterator[Section]:
    side_by_side = analysis.sample.side_by_side
    if len(side_by_side):
        yield Section(
            key="criteria",
            title="Criteria sets side by side",
            blocks=(criteria_table(side_by_side, _sets_without_films(analysis)),),
        )


def _sets_without_films(analysis: Analysis) -> tuple[str, ...]:
    """Return the criteria sets of the plan that the films of the table do not allow."""
    plan = analysis.sample.study.reduction
    wanted = () if plan is None else (plan.criteria, *plan.also)
    done = set(analysis.sample.side_by_side["group"])
    return tuple(name for name in wanted if name not in done and not name.endswith(".toml"))


def _methods_section(analysis: Analysis) -> Section:
    blocks: list[Block] = []
    for heading, paragraphs in methods_paragraphs(analysis):
        blocks.append(Text(paragraphs=paragraphs, heading=heading))
    return Section(key="methods", title="Methods", blocks=tuple(blocks))


def _quality_section(analysis: Analysis) -> Section:
    cohort = analysis.cohort
    blocks: list[Block] = [rows_table(cohort.ledger), cells_table(cohort.ledger)]
    if cohort.problems:
        blocks.append(problems_table(cohort.problems))
    labelling = labelling_queries(cohort, analysis.sample.study)
    if len(labelling):
        blocks.append(labelling_table(labelling))
    return Section(key="quality", title="Data quality", blocks=tuple(blocks))


def _provenance_section(analysis: Analysis, inputs: tuple[InputFile, ...]) -> Section:
    study = analysis.sample.study
    plan = [
        ("Plan", study.title),
        ("Date of the plan", f"{study.declared.isoformat()}, as declared by the authors; {NO_RECORD}"),
        ("Data seen before the plan", study.data_seen_before_plan),
        ("Hash of the plan", study.plan_hash or "none: the plan was written in Python"),
        ("Seed", str(study.seed)),
        ("Profile", BANNER),
    ]
    files = [(f"Input: {entry.path.name}", f"{entry.role}; SHA-256 {entry.sha256}") for entry in inputs]
    made = [("Versions", "; ".join(f"{name} {version}" for name, version in versions().items()))]
    statements = [(key, text) for key, text in study.manuscript.items()]
    return Section(
        key="provenance",
        title="Provenance",
        blocks=(Terms(pairs=tuple([*plan, *files, *statements, *made])),),
    )
