"""Find the words of a rule table in an operation note: whole words, with negation, removal and doubt.

Nothing here is a pattern written by a user: terms are sequences of plain words, found by walking a tree of
words, so the work grows with the length of the note only.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from outcomes.cohort.rules import StrategyRules

#: Where a phrase ends: punctuation, a full stop before a space, a dash between spaces.
_PHRASE_END = re.compile(r"[,;()\[\]\n\r\t]|\.(?=\s|$)|\s[-–—]+\s|[-=]+>|→")
_WORD = re.compile(r"\w+|[/?]")
_JOINING = {
    "and": "and", "plus": "and", "or": "or", "nor": "or", "with": "with", "using": "with", "but": "but",
    "then": "but",
}  # fmt: skip

ASSERTED, NEGATED, DOUBTFUL, REMOVED, EARLIER = "asserted", "negated", "doubtful", "removed", "earlier"


@dataclass(frozen=True, slots=True)
class _Item:
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
    """What one phrase says: mentions with how they are meant, settling words, flags."""

    mentions: tuple[tuple[frozenset[str], str, str], ...]
    words: frozenset[str]
    temporary: bool
    removal: bool
    only_negation: bool
    has_or: bool
    understood: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteReading:
    """What an operation note says.

    Attributes
    ----------
    asserted, negated, doubtful, removed, earlier : frozenset of str
        Components by how they are meant.
    terms : mapping of str to str
        Component -> the term of the rule table that named it.
    temporary, removal : bool
        Whether something is called temporary, and whether a removal is mentioned.
    unmatched : tuple of str
        Phrases in which no term was found; private.
    """

    asserted: frozenset[str]
    negated: frozenset[str]
    doubtful: frozenset[str]
    removed: frozenset[str]
    earlier: frozenset[str]
    terms: Mapping[str, str]
    temporary: bool = False
    removal: bool = False
    unmatched: tuple[str, ...] = field(default=(), repr=False)


def words_of(text: str) -> list[str]:
    """Return the words of a text: folded, hyphens and apostrophes gone, ``&`` and ``+`` as ``and``.

    Examples
    --------
    >>> words_of("K-wires + Ex-Fix")
    ['k', 'wires', 'and', 'ex', 'fix']
    """
    folded = unicodedata.normalize("NFKC", text).casefold().replace("’", "").replace("'", "")
    return _WORD.findall(folded.replace("&", " and ").replace("+", " and "))


class NoteReader:
    """Reads notes by one rule table; remembers phrases, which repeat far more than notes.

    Examples
    --------
    >>> from outcomes.cohort.rules import shipped_rules
    >>> found = NoteReader(shipped_rules()).read("Volar locking plate, no graft. Backslab.")
    >>> sorted(found.asserted), sorted(found.negated)
    (['cast', 'volar_plate'], ['bone_graft'])
    """

    def __init__(self, rules: StrategyRules) -> None:
        self._rules = rules
        self._tree: dict[str, Any] = {}
        for term, named in rules.terms.items():
            self._plant(term, _Item("component", named, term))
        for cue, listed in rules.cues.items():
            for words in listed:
                self._plant(words, _Item(cue, term=words))
        for settling in rules.settled_by.values():
            for words in settling:
                self._plant(words, _Item("settling", term=words))
        self._phrases: dict[str, PhraseReading] = {}

    def _plant(self, words: str, item: _Item) -> None:
        """Add a term to the tree, with a plural s on its last word."""
        sequence = words_of(words)
        endings = {sequence[-1], f"{sequence[-1]}s"} if item.kind == "component" else {sequence[-1]}
        for ending in endings:
            branch = self._tree
            for word in [*sequence[:-1], ending]:
                branch = branch.setdefault(word, {})
            branch.setdefault("", {})[item.kind] = item

    def read(self, text: str) -> NoteReading:
        """Return what a note says."""
        phrases = [self._phrase(part) for part in _PHRASE_END.split(text)]
        mentions: list[list[tuple[frozenset[str], str, str]]] = [list(phrase.mentions) for phrase in phrases]
        for place, phrase in enumerate(phrases[1:], start=1):
            before = mentions[place - 1]
            if phrase.only_negation and before:  # "wires - no": the answer stands in a phrase of its own
                before[-1] = (*before[-1][:2], NEGATED)
            if phrase.has_or and before and before[-1][2] == NEGATED:  # "no wires, graft or fixator"
                mentions[place] = [(*each[:2], DOUBTFUL) for each in mentions[place]]
        found: dict[str, set[str]] = {key: set() for key in (ASSERTED, NEGATED, DOUBTFUL, REMOVED, EARLIER)}
        terms: dict[str, str] = {}
        for named, term, meant in (mention for each in mentions for mention in each):
            found[meant] |= named
            if meant in (ASSERTED, DOUBTFUL):
                terms.update(dict.fromkeys(named, term))
        self._settle(found, terms, frozenset().union(*(phrase.words for phrase in phrases)))
        both = found[ASSERTED] & found[NEGATED]
        return NoteReading(
            asserted=frozenset(found[ASSERTED] - both),
            negated=frozenset(found[NEGATED] - both),
            doubtful=frozenset((found[DOUBTFUL] - found[ASSERTED]) | both),
            removed=frozenset(found[REMOVED]),
            earlier=frozenset(found[EARLIER]),
            terms=terms,
            temporary=any(phrase.temporary for phrase in phrases),
            removal=any(phrase.removal for phrase in phrases),
            unmatched=tuple(
                " ".join(part.split())
                for part, phrase in zip(_PHRASE_END.split(text), phrases, strict=True)
                if not phrase.understood
            ),
        )

    def _settle(self, found: dict[str, set[str]], terms: dict[str, str], words: Iterable[str]) -> None:
        """Turn a rough component into the exact one that other words of the note name."""
        for rough, settling in self._rules.settled_by.items():
            exact = {settling[word] for word in words if word in settling}
            for meant in (ASSERTED, DOUBTFUL):
                if rough in found[meant] and exact:
                    found[meant].discard(rough)
                    found[meant] |= exact
                    terms.update(dict.fromkeys(exact, terms[rough]))

    def _phrase(self, text: str) -> PhraseReading:
        key = text.strip()
        if key not in self._phrases:
            self._phrases[key] = _read_phrase(self._items(words_of(key)), bool(re.search(r"[^\W\d_]", key)))
        return self._phrases[key]

    def _items(self, words: list[str]) -> list[dict[str, _Item]]:
        """Return the phrase as items, longest term first; an item may be a cue of several kinds."""
        items: list[dict[str, _Item]] = []
        place = 0
        while place < len(words):
            branch, longest, found = self._tree, 0, None
            for step, word in enumerate(words[place:], start=1):
                if word not in branch:
                    break
                branch = branch[word]
                if "" in branch:
                    longest, found = step, branch[""]
            word = words[place]
            if found:
                items.append(found)
            elif word in _JOINING:
                items.append({"joining": _Item("joining", term=_JOINING[word])})
            else:
                items.append({})
            place += longest or 1
        return items


def _read_phrase(items: list[dict[str, _Item]], has_letters: bool) -> PhraseReading:
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
        if scope in (NEGATED, EARLIER):  # "no wires and graft" leaves open whether the graft is denied too
            return DOUBTFUL
        return REMOVED if scope == REMOVED else ""
    return ""


def _close(item: dict[str, _Item], mentions: list[_Mention], at_end: bool) -> bool:
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


def _opened(item: dict[str, _Item]) -> str:
    """Return what a cue does to the components that follow it in the phrase."""
    opening = {
        "negation": NEGATED,
        "doubt": DOUBTFUL,
        "removal": REMOVED,
        "removal_after": REMOVED,
        "earlier": EARLIER,
    }
    return next((meant for kind, meant in opening.items() if kind in item), "")
