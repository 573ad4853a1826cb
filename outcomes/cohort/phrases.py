"""What one phrase of an operation note says: components with how they are meant, by the words around them."""

from __future__ import annotations

from dataclasses import dataclass

ASSERTED, NEGATED, DOUBTFUL = "asserted", "negated", "doubtful"
REMOVED, EARLIER, LATER = "removed", "earlier", "later"


@dataclass(frozen=True, slots=True)
class Item:
    """A stretch of words with a meaning: a component term, a cue, or a joining word."""

    kind: str
    components: frozenset[str] = frozenset()
    term: str = ""


@dataclass(slots=True)
class _Mention:
    """One mention of components and how it is meant."""

    components: frozenset[str]
    term: str
    meant: str = ASSERTED
    joined: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhraseReading:
    """What one phrase says.

    Attributes
    ----------
    mentions : tuple of (components, term, how it is meant)
    words : frozenset of str
        Words that settle a rough component.
    temporary, removal : bool
        Whether something is called temporary, and whether a removal is mentioned.
    only_negation : bool
        The phrase is nothing but a "no": it answers the phrase before.
    has_or : bool
    understood : bool
        Some term or cue was found, or there is no word in the phrase.
    """

    mentions: tuple[tuple[frozenset[str], str, str], ...]
    words: frozenset[str]
    temporary: bool
    removal: bool
    only_negation: bool
    has_or: bool
    understood: bool


def read_phrase(items: list[dict[str, Item]], has_letters: bool) -> PhraseReading:
    """Return what one phrase says."""
    mentions: list[_Mention] = []
    scope, joined = "", ""  # what the words before do to the next component, and how it is joined on
    last = max((place for place, item in enumerate(items) if "component" in item), default=-1)
    for place, item in enumerate(items):
        if "component" in item:
            named = item["component"]
            mentions.append(_Mention(named.components, named.term, scope or ASSERTED, joined))
            joined = ""
        elif "joining" in item:
            word = item["joining"].term
            scope = _after_joining(word, scope, mentions)
            joined = word if mentions else ""
        elif _close(item, mentions, place > last):
            scope = ""
        else:
            scope = _opened(item) or scope
    kinds = {kind for item in items for kind in item}
    only_negation = bool(items) and all("negation" in item for item in items)
    removal = bool(kinds & {"removal", "removal_after"})
    return PhraseReading(
        mentions=tuple((each.components, each.term, each.meant) for each in mentions),
        words=frozenset(item["settling"].term for item in items if "settling" in item),
        temporary="temporary" in kinds,
        removal=removal,
        only_negation=only_negation,
        has_or=any(item["joining"].term == "or" for item in items if "joining" in item),
        understood=bool(mentions or removal or only_negation or not has_letters)
        or bool(kinds & {"neutral", "settling", "temporary"}),
    )


def _after_joining(word: str, scope: str, mentions: list[_Mention]) -> str:
    """Return how far a cue reaches over a joining word."""
    if word == "or":
        if scope == NEGATED:
            return scope
        if mentions and mentions[-1].meant == ASSERTED:  # "wires or plate"
            mentions[-1].meant = DOUBTFUL
        return DOUBTFUL
    if word == "and":
        if scope == LATER:
            return LATER
        if scope in (NEGATED, EARLIER):  # "no wires and graft" leaves open whether the graft is denied too
            return DOUBTFUL
        return REMOVED if scope == REMOVED else ""
    return scope if scope == LATER and word == "with" else ""


def _close(item: dict[str, Item], mentions: list[_Mention], at_end: bool) -> bool:
    """Apply a cue that stands behind its component ("graft not used"); return whether it did."""
    if not mentions:
        return False
    latest = mentions[-1]
    if ("negation_after" in item and (at_end or "negation" not in item)) or ("negation" in item and at_end):
        latest.meant = NEGATED
        if latest.joined == "and" and len(mentions) > 1 and mentions[-2].meant == ASSERTED:
            mentions[-2].meant = DOUBTFUL  # "wires and graft not used": are the wires denied too?
    elif "doubt_after" in item and (at_end or "doubt" not in item):
        latest.meant = DOUBTFUL
    elif "removal_after" in item:
        if latest.meant == ASSERTED:
            # "plate and fixator removed": was the fixator part of the treatment, or only taken off?
            latest.meant = DOUBTFUL if latest.joined else REMOVED
    else:
        return False
    return True


def _opened(item: dict[str, Item]) -> str:
    """Return what a cue does to the components that follow it in the phrase."""
    opening = {
        "negation": NEGATED,
        "doubt": DOUBTFUL,
        "removal": REMOVED,
        "removal_after": REMOVED,
        "earlier": EARLIER,
        "later": LATER,
    }
    return next((meant for kind, meant in opening.items() if kind in item), "")
