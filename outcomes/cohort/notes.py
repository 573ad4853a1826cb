"""Find the words of a rule table in an operation note: whole words, with negation, removal and doubt.

Nothing here is a pattern written by a user: terms are sequences of plain words, found by walking a tree of
words, so the work grows with the length of the note only. Words that the table does not know are replaced by
a mark before a note is read, so that notes that differ in such words only are read once.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from outcomes.cohort.phrases import (
    ASSERTED,
    DOUBTFUL,
    EARLIER,
    LATER,
    NEGATED,
    REMOVED,
    Item,
    PhraseReading,
    read_phrase,
)
from outcomes.cohort.rules import StrategyRules

#: Where a phrase ends: punctuation, a full stop before a space, a dash between spaces, an arrow.
_END = r"[,;()\[\]\n\r\t]|\.(?=\s|$)|(?<=\s)[-–—]+(?=\s)|[-=]+>|→"
_PHRASE_END = re.compile(_END)
_TOKEN = re.compile(rf"\w+|[/?]|{_END}")
_MEANINGS = (ASSERTED, NEGATED, DOUBTFUL, REMOVED, EARLIER, LATER)
_SHORT = re.compile(r"\b(ext|ex|perc|k)\.\s*")
_BREAK, _OTHER_WORD, _NUMBER = "|", "~", "#"
_JOINING = {
    "and": "and", "plus": "and", "or": "or", "nor": "or", "with": "with", "using": "with", "but": "but",
    "then": "but",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteReading:
    """What an operation note says.

    Attributes
    ----------
    asserted, negated, doubtful, removed, earlier, later : frozenset of str
        Components by how they are meant.
    terms : mapping of str to str
        Component -> the term of the rule table that named it.
    temporary, removal : bool
        Whether something is called temporary, and whether a removal is mentioned.
    unmatched : tuple of int
        Which phrases, counted from 0, hold no term of the table.
    """

    asserted: frozenset[str]
    negated: frozenset[str]
    doubtful: frozenset[str]
    removed: frozenset[str]
    earlier: frozenset[str]
    later: frozenset[str]
    terms: Mapping[str, str]
    temporary: bool = False
    removal: bool = False
    unmatched: tuple[int, ...] = ()


def folded(text: str) -> str:
    """Return a text without regard to case, width of characters, apostrophes; ``&`` and ``+`` as ``and``."""
    plain = text if text.isascii() else unicodedata.normalize("NFKC", text).replace("’", "")
    plain = plain.casefold().replace("'", "").replace("&", " and ").replace("+", " and ")
    return _SHORT.sub(r"\1 ", plain) if "." in plain else plain


def phrases_of(text: str) -> list[str]:
    """Return the phrases of a note.

    Examples
    --------
    >>> phrases_of("VLP, 2.4 mm. No graft")
    ['vlp', '2.4 mm', 'no graft']
    """
    return [" ".join(part.split()) for part in _PHRASE_END.split(folded(text))]


class NoteReader:
    """Reads notes by one rule table and remembers what it has read.

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
        self._marks: dict[str, str] = {word: word for word in _JOINING}
        for term, named in rules.terms.items():
            self._plant(term, Item("component", named, term))
        for cue, listed in rules.cues.items():
            for words in listed:
                self._plant(words, Item(cue, term=words))
        for settling in rules.settled_by.values():
            for words in settling:
                self._plant(words, Item("settling", term=words))
        self._phrases: dict[tuple[str, ...], PhraseReading] = {}
        self._notes: dict[str, NoteReading] = {}

    def _plant(self, words: str, item: Item) -> None:
        """Add a term to the tree, with a plural s on its last word."""
        sequence = _TOKEN.findall(folded(words))
        endings = (
            {sequence[-1], f"{sequence[-1]}s"} if item.kind in ("component", "neutral") else {sequence[-1]}
        )
        for ending in endings:
            branch = self._tree
            for word in [*sequence[:-1], ending]:
                self._marks[word] = word
                branch = branch.setdefault(word, {})
            branch.setdefault("", {})[item.kind] = item

    def read(self, text: str) -> NoteReading:
        """Return what a note says; the same object for notes that differ in unknown words only."""
        marks = self._marks
        words: list[str] = []
        for token in _TOKEN.findall(folded(text)):
            mark = marks.get(token)
            if mark is None:
                if not (token[0].isalnum() or token[0] in "_/?"):
                    mark = _BREAK
                else:
                    mark = _NUMBER if token.isdecimal() else _OTHER_WORD
                if words and words[-1] == mark != _BREAK:
                    continue
            words.append(mark)
        key = " ".join(words)
        found = self._notes.get(key)
        if found is None:
            found = self._notes[key] = self._read([self._phrase(part) for part in _split(words)])
        return found

    def _read(self, phrases: list[PhraseReading]) -> NoteReading:
        """Return what phrases say together."""
        mentions: list[list[tuple[frozenset[str], str, str]]] = [list(phrase.mentions) for phrase in phrases]
        for place, phrase in enumerate(phrases[1:], start=1):
            before = mentions[place - 1]
            if phrase.only_negation and before:  # "wires - no": the answer stands in a phrase of its own
                before[-1] = (*before[-1][:2], NEGATED)
            if phrase.has_or and before and before[-1][2] == NEGATED:  # "no wires, graft or fixator"
                mentions[place] = [(*each[:2], DOUBTFUL) for each in mentions[place]]
        found: dict[str, set[str]] = {key: set() for key in _MEANINGS}
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
            later=frozenset(found[LATER]),
            terms=terms,
            temporary=any(phrase.temporary for phrase in phrases),
            removal=any(phrase.removal for phrase in phrases),
            unmatched=tuple(place for place, phrase in enumerate(phrases) if not phrase.understood),
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

    def _phrase(self, words: tuple[str, ...]) -> PhraseReading:
        if words not in self._phrases:
            has_words = any(word != _NUMBER and word[0] != "/" for word in words)
            self._phrases[words] = read_phrase(self._items(words), has_words)
        return self._phrases[words]

    def _items(self, words: tuple[str, ...]) -> list[dict[str, Item]]:
        """Return the phrase as items, longest term first; an item may be a cue of several kinds."""
        items: list[dict[str, Item]] = []
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
                items.append({"joining": Item("joining", term=_JOINING[word])})
            else:
                items.append({})
            place += longest or 1
        return items


def _split(words: list[str]) -> list[tuple[str, ...]]:
    """Return the phrases of a note of marks, one more than there are breaks."""
    phrases: list[list[str]] = [[]]
    for word in words:
        if word == _BREAK:
            phrases.append([])
        else:
            phrases[-1].append(word)
    return [tuple(phrase) for phrase in phrases]
