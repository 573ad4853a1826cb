"""Page one: at most 250 words and one figure, in words that the glossary has.

Each fact has a long and a short wording; when the page is too long, wordings are shortened from the least
important fact upwards until it fits.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from outcomes.analysis.answer import Answer, Effect
from outcomes.analysis.protocol import Study
from outcomes.analysis.unsettled import Unsettled
from outcomes.reporting.answer_tables import contrast_words
from outcomes.reporting.canvas import Picture
from outcomes.reporting.formatting import (
    count,
    estimate_cells,
    listing,
    margin_text,
    percentage,
    sentence,
    with_unit,
)
from outcomes.reporting.report import FrontPage

MOST_WORDS = 250
BANNER = "Contains small counts: for use inside the department."
CAUTION = (
    "Associations in past cases, not treatment advice. Local protocols, ethics approval and licensed practice decide. "
    "Not a medical device."
)
NO_RECORD = "no independent record of the plan exists"
#: What is said when nothing stronger stands against the answer.
INDICATION = (
    "surgeons chose the strategy after seeing the fracture; what they saw and the table does not hold may explain the "
    "difference"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fact:
    label: str
    long: str
    short: str


def front_page(
    study: Study,
    answer: Answer,
    *,
    n_cases: int,
    n_set_aside: int = 0,
    figure: Picture | None,
    first: tuple[str, ...] = (),
) -> FrontPage:
    """Return page one for the primary answer.

    Parameters
    ----------
    study : Study
    answer : Answer
        That of the primary outcome.
    n_cases, n_set_aside : int
        Cases read, before eligibility, and rows set aside by the reading.
    figure : Picture or None
    first : tuple of str
        What must be read before the answer; never shortened.

    Returns
    -------
    FrontPage
        With at most 250 words wherever shortening can reach it.
    """
    facts = [
        _by_how_much(answer),
        _for_whom(answer, n_cases),
        _objection(answer),
        _left_out(answer, n_cases, n_set_aside),
        _statements(study),
    ]
    headlines = _headlines(answer)
    said = tuple(sentence(text) for text in first)
    page = _page(study, answer, headlines[0], facts, set(), figure, said)
    for headline, shortened in _steps(headlines):
        if page.n_words <= MOST_WORDS:
            break
        page = _page(study, answer, headline, facts, shortened, figure, said)
    return page


def _headlines(answer: Answer) -> tuple[str, ...]:
    """Return the headline in ever fewer words; the last says only where to read it."""
    without_brackets = re.sub(r"\s*\([^()]*(\([^()]*\)[^()]*)*\)", "", answer.headline)
    told, separator, rare = without_brackets.partition("Not judged: ")
    n_rare = len(answer.not_judged)
    counted = f"{told}Not judged: {count(n_rare)} rarer strategies" if separator and rare else told
    return answer.headline, without_brackets, counted, f"{answer.overall}: see the answer in full below"


def _steps(headlines: tuple[str, ...]) -> Iterator[tuple[str, set[int]]]:
    """Yield what is shortened next: the left out and for whom, then the headline, then the rest."""
    yield headlines[0], {3}
    yield headlines[0], {3, 1}
    yield headlines[1], {3, 1}
    yield headlines[2], {3, 1}
    yield headlines[2], {3, 1, 0}
    yield headlines[2], {3, 1, 0, 2}
    yield headlines[3], {3, 1, 0, 2}


def _page(
    study: Study,
    answer: Answer,
    headline: str,
    facts: list[_Fact],
    shortened: set[int],
    figure: Picture | None,
    first: tuple[str, ...],
) -> FrontPage:
    return FrontPage(
        banner=BANNER,
        study=study.title,
        answer=sentence(answer.overall).rstrip("."),
        about=answer.label,
        sentence=sentence(headline),
        facts=tuple(
            (fact.label, sentence(fact.short if position in shortened else fact.long))
            for position, fact in enumerate(facts)
        ),
        caution=CAUTION,
        figure=figure,
        first=first,
    )


def _for_whom(answer: Answer, n_cases: int) -> _Fact:
    used = f"{count(answer.n_used)} of {count(n_cases)} cases"
    return _Fact(
        label="For whom", long=f"{used}: {answer.population}" if answer.population else used, short=used
    )


def _by_how_much(answer: Answer) -> _Fact:
    """State the effect of reduction and the largest strategy difference, each beside the margin."""
    margin = None if answer.margin is None else answer.margin.value
    effects: list[tuple[str, Effect]] = []
    if answer.reduction is not None and answer.reduction.estimate.value is not None:
        effects.append(("meeting the criteria", answer.reduction))
    pairs = [pair for pair in answer.pairs or answer.total_pairs if pair.estimate.value is not None]
    if pairs:
        when = "" if answer.pairs else " in total"
        largest = max(pairs, key=lambda pair: abs(pair.estimate.value or 0.0))
        effects.append((f"largest difference between strategies{when}", largest))
    size = (
        f"margin {margin_text(answer.margin)}"
        if answer.margin
        else "no margin was declared, so there is no answer"
    )
    if not effects:
        text = f"not estimable from these data; {size}"
        return _Fact(label="By how much", long=text, short=text)
    short = [
        f"{words} {_amount(effect, margin, spelled=position == 0)}"
        for position, (words, effect) in enumerate(effects)
    ]
    long = list(short)
    if pairs:
        long[-1] += f", {contrast_words(effects[-1][1])}"
    return _Fact(label="By how much", long="; ".join([*long, size]), short="; ".join([*short, size]))


def _amount(effect: Effect, margin: float | None, *, spelled: bool) -> str:
    """Return estimate and interval; the first of a line spells out unit and level."""
    value, limits = estimate_cells(effect.estimate, margin=margin)
    if not spelled:
        return f"{value} ({limits})"
    return f"{with_unit(value, effect.estimate.unit)} (95\u00a0% interval {limits})"


def _objection(answer: Answer) -> _Fact:
    """Pick the strongest objection: a closed gate, then a reversed effect, then losses, then indication."""
    if answer.gates:
        gate = answer.gates[0]
        return _Fact(label="Strongest objection", long=str(gate), short=f"{gate.name}: {gate.remedy}")
    if answer.unsettled:
        return _too_few(answer.unsettled)
    if answer.reversed:
        text = "an effect points the way nobody expected; check signs and coding before believing it"
        return _Fact(label="Strongest objection", long=text, short=text)
    lost = answer.n_outcome_missing + answer.n_indeterminate + answer.n_covariate_missing
    if answer.n_eligible and lost > 0.25 * answer.n_eligible:
        text = f"{percentage(lost, answer.n_eligible)} of eligible cases had no outcome, label or covariate"
        return _Fact(label="Strongest objection", long=f"{text}; {INDICATION}", short=text)
    return _Fact(label="Strongest objection", long=INDICATION, short=INDICATION)


def _too_few(unsettled: Sequence[Unsettled]) -> _Fact:
    """Say how many cases would settle the contrast that is furthest from it, and how many others are open."""
    worst = max(unsettled, key=lambda each: each.n_needed / max(each.n, 1))
    size = f"about {count(worst.n_needed)} such cases instead of {count(worst.n)}"
    others = len(unsettled) - 1
    more = f"; {count(others)} other contrast{'s are' if others > 1 else ' is'} open too" if others else ""
    return _Fact(
        label="Strongest objection",
        long=f"too few cases to settle {worst.contrast}: {size} would, if the estimate stays{more}",
        short=f"too few cases to settle {worst.contrast}: {size} would",
    )


def _left_out(answer: Answer, n_cases: int, n_set_aside: int) -> _Fact:
    parts = [
        (n_set_aside, "rows set aside" if n_set_aside > 1 else "row set aside"),
        (n_cases - answer.n_eligible, "not eligible"),
        (answer.n_outcome_missing, "without the outcome"),
        (answer.n_indeterminate, "with reduction indeterminate"),
        (answer.n_covariate_missing, "with an incomplete record"),
    ]
    counted = [f"{count(n)} {why}" for n, why in parts if n > 0]
    short = listing(counted) if counted else "nobody"
    extra = []
    if answer.outside:
        n_patterns = len({place.pattern for place in answer.outside})
        extra.append(
            f"{count(n_patterns)} fracture pattern{'s' if n_patterns > 1 else ''} not comparable everywhere"
        )
    return _Fact(label="Left out", long="; ".join([short, *extra]), short=short)


def _statements(study: Study) -> _Fact:
    """Say whether an ethics statement was given and that nobody else keeps the plan."""
    ethics = study.manuscript.get("ethics", "").strip()
    said = "An ethics statement was given" if ethics else "No ethics statement was given"
    text = f"{said}. Plan dated {study.declared.isoformat()} as declared; {NO_RECORD}"
    return _Fact(label="Ethics and plan", long=text, short=text)
