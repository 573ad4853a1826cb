"""The methods paragraphs: every method by name, every choice of the plan, in words to be edited by the authors."""

from __future__ import annotations

import re
from pathlib import Path

from outcomes.analysis.answer import Answer
from outcomes.analysis.protocol import FIRST_FILM, EligibilityRule, OutcomePlan, Study
from outcomes.analysis.run import Analysis
from outcomes.reporting.formatting import count, listing, margin_text, number, sentence
from outcomes.reporting.front_page import CAUTION, NO_RECORD
from outcomes.reporting.manifest import package_version
from outcomes.reporting.quality_tables import in_words

Paragraphs = tuple[tuple[str, tuple[str, ...]], ...]

MANUSCRIPT = {
    "ethics": "Ethics",
    "registration": "Registration",
    "setting": "Setting",
    "measurement": "Who measured",
    "blinding": "Blinding",
    "funding": "Funding",
    "data": "Data",
}


def methods_paragraphs(analysis: Analysis) -> Paragraphs:
    """Return the methods as headed paragraphs.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    tuple of (heading, paragraphs)
    """
    study = analysis.sample.study
    parts = [
        ("Plan", (_plan(study),)),
        ("Cases", (_cases(analysis),)),
        ("Strategy", (_strategy(study),)),
        ("Reduction", _reduction(analysis)),
        ("Outcomes", tuple(_outcome(plan, analysis) for plan in study.outcomes)),
        ("Comparisons", (COMPARISONS,)),
        ("The answer", _answer(analysis)),
        ("Missing values", (_missing(analysis),)),
        ("Software", (f"Computed with outcomes {package_version()} (BSD-3-Clause); seed {study.seed}.",)),
    ]
    statements = tuple(
        f"{MANUSCRIPT.get(key, in_words(key))}: {text}" for key, text in study.manuscript.items()
    )
    parts.append(
        ("Statements of the authors", statements or ("None was given; no ethics statement was given.",))
    )
    return tuple((heading, tuple(p for p in paragraphs if p)) for heading, paragraphs in parts)


def methods_markdown(analysis: Analysis) -> str:
    """Return the methods as Markdown; what users wrote is escaped."""
    lines = ["# Methods", "", escape_markdown(CAUTION), ""]
    for heading, paragraphs in methods_paragraphs(analysis):
        lines += [f"## {heading}", ""]
        for paragraph in paragraphs:
            lines += [escape_markdown(paragraph), ""]
    return "\n".join(lines).rstrip() + "\n"


def escape_markdown(text: str) -> str:
    r"""Return text in which nothing is read as Markdown or as HTML.

    Examples
    --------
    >>> print(escape_markdown("<b>grip_share</b> *"))
    \<b\>grip\_share\</b\> \*
    """
    escaped = re.sub(r"([\\`*_\[\]<>#|!~])", r"\\\1", text)
    return re.sub(r"(?m)^(\s*)([-+=]|\d+\.)", r"\1\\\2", escaped)


COMPARISONS = (
    "Each outcome was compared by strategy within reduction strata and by reduction within strategy. Numbers: difference "
    "of means with the interval of Welch, Hodges-Lehmann shift with the rank-sum test of Mann and Whitney, two-way linear "
    "model with interaction. Events: risk difference with the hybrid score interval of Newcombe, risk ratio with the "
    "interval of Katz, odds ratio with the interval of Woolf or the conditional exact one where counts are sparse, "
    "Fisher's exact test; single proportions with the interval of Wilson; Mantel-Haenszel estimates across strata with the "
    "variance of Robins, Breslow and Greenland and the test of homogeneity of Breslow and Day with Tarone's correction. "
    "p-values are adjusted by Holm within the declared family; they describe and never enter the answer. These "
    "comparisons are not adjusted for who got which strategy."
)

_ESTIMANDS = (
    "Four effects were estimated for each outcome. E1: meeting the criteria, each case keeping its own strategy. E2: one "
    "strategy against another once the criteria are met. E3: the same in total, from a model that has neither reduction "
    "nor anything after the strategy. E4: whether E1 differs between strategies, on the additive scale. Each is "
    "standardised (g-formula) to its stated population: the model predicts every case of the population under both sides "
    "of the contrast, and the differences are averaged."
)
_ERRORS = (
    "Standard errors allow for clusters by the bias-reduced sandwich of Bell and McCaffrey (CR2) with Satterthwaite "
    "degrees of freedom, plus the variance of averaging over a sampled population. A contrast that the modelled clusters "
    "cannot carry has no interval, and the reason stands in its place; with fewer than ten clusters intervals are called "
    "unreliable and a wild cluster bootstrap interval stands beside. 95 % intervals of E2, E3 and E4 are simultaneous over "
    "the pairs judged, by the largest of the correlated t statistics, or by Bonferroni where pairs come from different "
    "fits; ordinary 90 % intervals serve two one-sided tests at 5 % (Schuirmann). Risks come from a logistic model and are "
    "read as risk differences by the delta method. Where nothing is adjusted for and reduction is not asked they are raw, "
    "with the interval of Newcombe. Where events are fewer than ten a parameter, or separate the outcome (looked for by "
    "linear programming, independently of the solver), a penalised model (Firth, with intercept correction) without "
    "interaction is used and said, with intervals by bootstrap over whole clusters. A strategy with few cases on one side "
    "of the criteria shares its effect of meeting them with other such strategies."
)
_STATES = (
    "An effect is material when its 95 % interval lies wholly beyond the margin on one side; trivial when the 90 % interval "
    "lies inside the margin and the 95 % interval excludes 0; absent when the 90 % interval lies inside and the 95 % interval "
    "includes 0; present when the 95 % interval excludes 0 otherwise; else undetermined. Material and present count, "
    "trivial and absent do not. The strategy axis does not count only when every judged pair does not. Fracture patterns in "
    "which a strategy was not or hardly used leave the comparison of that pair, which is then fitted without them; limits on "
    "counts, effective sizes and missing data close an axis (gates), and a closed axis is undetermined. That reduction does "
    "not count must also survive the declared reading error."
)


def _plan(study: Study) -> str:
    seen = {"yes": "after", "no": "before", "partly": "partly after"}[study.data_seen_before_plan]
    return (
        f"The plan is dated {study.declared.isoformat()} as declared by its authors, made {seen} the data had been seen; "
        f"{NO_RECORD}."
    )


def _cases(analysis: Analysis) -> str:
    sample = analysis.sample
    rules = [_rule(rule) for rule in sample.study.eligibility]
    kept = int(sample.frame["eligible"].sum())
    eligible = f"Eligible: {listing(rules)}." if rules else "No eligibility rule was declared."
    return (
        f"A case is one fractured wrist. {eligible} {count(kept)} of {count(len(sample.frame))} cases were eligible. Time "
        f"zero is the day of the index strategy. Observations are clustered by {in_words(sample.study.cluster)}."
    )


def _rule(rule: EligibilityRule) -> str:
    name = in_words(rule.column)
    if rule.one_of:
        return f"{name} {listing(rule.one_of, last='or')}"
    parts = []
    if rule.at_least is not None:
        parts.append(f"at least {rule.at_least}")
    if rule.at_most is not None:
        parts.append(f"at most {rule.at_most}")
    return f"{name} {' and '.join(parts)}"


def _strategy(study: Study) -> str:
    plan = study.strategy
    how = (
        f"taken as recorded in the column {in_words(plan.recorded_column)}"
        if plan.recorded_column
        else f"labelled from recorded components and operation text by an ordered rule table ({_file_name(plan.rules)}); every label "
        "names its rule"
    )
    groups = "; ".join(f"{name} collects {listing(parts)}" for name, parts in plan.groups.items())
    grouping = f" Grouped: {groups}." if groups else ""
    return f"The strategy was {how}. To be judged: {listing(plan.judged)}.{grouping}"


def _file_name(written: str) -> str:
    """Return the name of a shipped table, or of a file without its folder."""
    return Path(written).name if written.endswith(".toml") else written


def _reduction(analysis: Analysis) -> tuple[str, ...]:
    plan = analysis.sample.study.reduction
    if plan is None:
        return ("The plan does not ask about reduction.",)
    film = (
        "the first film after the index strategy (cast: post-reduction, operated: postoperative)"
        if plan.film == FIRST_FILM
        else f"the film at {plan.film}"
    )
    bounds = analysis.sample.share_met_bounds
    text = (
        f"Reduction was read on {film} by reader {plan.reader} against the criteria set {_file_name(plan.criteria)}. Any measured failure "
        "is not met; all required values measured and passing is met; anything else is indeterminate."
    )
    if bounds is not None:
        low, high = (f"{number(100 * bound)}\u00a0%" for bound in bounds)
        text += f" Between {low} and {high} of eligible cases met them, depending on what the indeterminate ones were."
    error = plan.reading_error
    reading = (
        "No reading error was declared: labels are taken as read without error."
        if error is None
        else f"Declared reading error: the label keeps {number(error.retained, 2)} of a true difference ({error.source})."
    )
    return text, reading


def _outcome(plan: OutcomePlan, analysis: Analysis) -> str:
    measured = analysis.sample.outcomes[plan.key]
    text = f"{measured.label} ({plan.role}; {plan.better} is better"
    if plan.margin is None:
        text += "; no margin declared, hence no answer)"
    else:
        text += f"; margin {margin_text(plan.margin)}, {plan.margin.source})"
    return " ".join([sentence(text), *(sentence(note) for note in measured.notes)])


def _answer(analysis: Analysis) -> tuple[str, ...]:
    study = analysis.sample.study
    covariates = listing([in_words(name) for name in study.covariates])
    why = f" Why these: {study.covariates_why}" if study.covariates_why else ""
    adjusted = (
        f"Adjusted for {covariates}."
        if study.covariates
        else "Nothing was adjusted for: estimates are crude."
    )
    limits = "; ".join(f"{in_words(name)} {value:g}" for name, value in study.limits.items())
    changed = (
        f"Limits changed from the defaults: {limits}."
        if limits
        else "Limits are the defaults of the package."
    )
    models = tuple(_model(answer) for answer in analysis.answers if answer.model)
    return (_ESTIMANDS, f"{adjusted}{why}", _ERRORS, _STATES, changed, *models)


def _model(answer: Answer) -> str:
    return sentence(f"{answer.label}: {answer.model[:1].lower()}{answer.model[1:]}")


def _missing(analysis: Analysis) -> str:
    parts = [
        f"{answer.label}: {count(answer.n_outcome_missing)} without the outcome, {count(answer.n_indeterminate)} with "
        f"reduction indeterminate, {count(answer.n_covariate_missing)} with a covariate missing"
        for answer in analysis.answers
    ]
    return f"Nothing was imputed. Left out of the models: {'; '.join(parts)}."
