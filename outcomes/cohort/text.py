"""Spelling that carries no meaning: spaces, case, invisible characters."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable

# Zero-width space, joiners, word joiner, byte-order mark, soft hyphen: invisible, so never meant.
_INVISIBLE = dict.fromkeys(map(ord, "\u200b\u200c\u200d\u2060\ufeff\u00ad"))
_SPACES = re.compile(r"\s+")


def tidy(text: str) -> str:
    r"""Return `text` without invisible characters and with single spaces.

    Examples
    --------
    >>> tidy("  Grip\u00a0inj\n12/12 ")
    'Grip inj 12/12'
    """
    if text.isascii() and " " not in text and text.isprintable():
        return text
    return _SPACES.sub(" ", text.translate(_INVISIBLE)).strip()


def fold(text: str) -> str:
    """Return the form in which headings and category tokens are compared.

    Examples
    --------
    >>> fold(" Volar  PLATE ") == fold("volar plate")
    True
    """
    if text.isascii() and text.isalnum():
        return text.casefold()
    plain = tidy(text)
    if not plain.isascii():
        plain = tidy(unicodedata.normalize("NFKC", plain))
    return plain.casefold()


def closest(word: str, known: Iterable[str], *, n: int = 3) -> tuple[str, ...]:
    """Return the spellings nearest to `word`, nearest first; empty when none is near.

    Examples
    --------
    >>> closest("Tilt postop", ["Tilt post-op", "Grip"])
    ('Tilt post-op',)
    """
    folded = {fold(name): name for name in known}
    return tuple(folded[hit] for hit in difflib.get_close_matches(fold(word), folded, n=n, cutoff=0.6))


def listed(words: Iterable[object], *, limit: int = 12) -> str:
    """Return words as one comma-separated list, cut with a count after `limit`.

    Examples
    --------
    >>> listed(range(4), limit=2)
    '0, 1 and 2 more'
    """
    items = [str(word) for word in words]
    if len(items) <= limit:
        return ", ".join(items)
    return f"{', '.join(items[:limit])} and {len(items) - limit} more"


def counted(n: int, noun: str) -> str:
    """Return a number with its noun, which ends in s unless there is one.

    Examples
    --------
    >>> counted(1, "row"), counted(0, "row"), counted(2500, "empty row")
    ('1 row', '0 rows', '2500 empty rows')
    """
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
