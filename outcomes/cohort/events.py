"""Read the event slots of a cohort into one row an event, by a table of kinds and reasons."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.cohort.columns import HasData, dates, numbers, texts
from outcomes.cohort.concepts import internal_name
from outcomes.cohort.criteria import read_toml
from outcomes.cohort.event_words import StrangeCells, words_refused
from outcomes.errors import CohortError, CriteriaError
from outcomes.reference import load_reference

Unmapped = Literal["refuse", "query"]
FORMAT = "outcomes complications 1"
UNKNOWN, UNMAPPED = "unknown", "unmapped"
EVENT_COLUMNS = (
    "position", "slot", "kind", "family", "date", "severity", "reason", "planned", "reoperation",
    "linked_to_reduction",
)  # fmt: skip
_EVENT = re.compile(r"event_(\d+)")
_OWN_REASON = "the kind says it"


@dataclass(frozen=True, slots=True, kw_only=True)
class EventKind:
    """What an event is: its family, and whether it is planned, an operation, or part of a lost reduction."""

    name: str
    family: str
    planned: bool = False
    reoperation: bool = False
    reduction_linked: bool = False
    link_unknown: bool = False
    own_reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventReason:
    """Why an operation was done."""

    name: str
    planned: bool = False
    reduction_linked: bool = False
    unknown: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class EventTable:
    """Words of a cohort table -> kinds and reasons.

    Attributes
    ----------
    version, source : str
    kinds : mapping of str to EventKind
        By token, folded.
    reasons : mapping of str to EventReason
        By token, folded; the words of kinds that are no operation are reasons too.
    nothing : frozenset of str
        Tokens that state that nothing happened.
    """

    version: str
    source: str
    kinds: Mapping[str, EventKind]
    reasons: Mapping[str, EventReason]
    nothing: frozenset[str]


def fold(token: str) -> str:
    """Return a token as it is compared: no case, hyphens, full stops or outer spaces, no plural s.

    Examples
    --------
    >>> fold(" Pin-site infections ")
    'pin site infection'
    """
    plain = " ".join(token.casefold().replace("-", " ").replace(".", " ").replace("_", " ").split())
    plural = len(plain) > 4 and plain.endswith("s") and not plain.endswith(("ss", "is", "us"))
    return plain[:-1] if plural else plain


@cache
def shipped_events() -> EventTable:
    """Return the table of kinds and reasons that comes with the package.

    Examples
    --------
    >>> shipped_events().kinds["malunion"].reduction_linked
    True
    """
    return read_events(load_reference("complications"))


def read_events(source: str | Path | Mapping[str, Any] | None = None) -> EventTable:
    """Read a table of event kinds and reasons.

    Parameters
    ----------
    source : str, Path, mapping or None
        Path of a TOML file in the format of the shipped table, its content as a mapping, or None for that
        table.

    Returns
    -------
    EventTable

    Raises
    ------
    CriteriaError
        When the table is not valid; one message lists every problem.
    """
    if source is None:
        return shipped_events()
    where = "event table"
    if not isinstance(source, Mapping):
        path = Path(source)
        if not path.is_file():
            raise CriteriaError(f"no event table at {str(source)!r}; give a TOML file", code="no_file")
        source, where = read_toml(path), path.name
    problems: list[str] = []
    if source.get("format") != FORMAT:
        problems.append(f'the first line must be format = "{FORMAT}"')
    if not str(source.get("source", "")).strip():
        problems.append("needs a source")
    allowed = {
        "name",
        "family",
        "tokens",
        "planned",
        "reoperation",
        "reduction_linked",
        "link_unknown",
        "own_reason",
    }
    kinds = _by_token(source.get("kind", []), EventKind, allowed, problems)
    reasons = _by_token(
        source.get("reason", []),
        EventReason,
        {"name", "tokens", "planned", "reduction_linked", "unknown"},
        problems,
    )
    problems.extend(f"kind {each.name!r} needs a family" for each in set(kinds.values()) if not each.family)
    if not kinds:
        problems.append("there is no [[kind]]")
    if problems:
        raise CriteriaError(f"{where}: " + "; ".join(problems), code="bad_events")
    also = {
        token: EventReason(name=kind.name, reduction_linked=kind.reduction_linked)
        for token, kind in kinds.items()
        if not (kind.reoperation or kind.planned)
    }
    return EventTable(
        version=str(source.get("version", "")), source=str(source["source"]), kinds=kinds, reasons={**also, **reasons},
        nothing=frozenset(fold(str(each)) for each in source.get("nothing", [])),
    )  # fmt: skip


def _by_token(rows: object, row_type: type[Any], allowed: set[str], problems: list[str]) -> dict[str, Any]:
    """Return rows by token, refusing a token that means two things."""
    found: dict[str, Any] = {}
    if not isinstance(rows, list):
        problems.append("kinds and reasons are lists of tables")
        return found
    for row in rows:
        name = str(row.get("name", ""))
        unknown = sorted(set(row) - allowed)
        tokens = row.get("tokens", [])
        if unknown:
            problems.append(
                f"{name!r} has unknown keys {', '.join(unknown)}; allowed: {', '.join(sorted(allowed))}"
            )
            continue
        if not name or not isinstance(tokens, list):
            problems.append(f"{name!r} needs a name and a list of tokens")
            continue
        try:
            entry = row_type(**{key: value for key, value in row.items() if key != "tokens"})
        except TypeError:
            problems.append(f"{name!r} lacks a key; allowed: {', '.join(sorted(allowed))}")
            continue
        for token in {fold(each) for each in [name, *tokens]}:
            if token in found and found[token] != entry:
                problems.append(f"token {token!r} belongs to {found[token].name!r} and {name!r}")
            found[token] = entry
    return found


def event_slots(data: pd.DataFrame) -> tuple[int, ...]:
    """Return the numbers of the event slots of a table."""
    matches = (_EVENT.fullmatch(str(name)) for name in data.columns)
    return tuple(sorted(int(match[1]) for match in matches if match))


def case_events(
    cohort: HasData, *, table: EventTable | str | Path | Mapping[str, Any] | None = None,
    unmapped: Unmapped = "refuse",
) -> pd.DataFrame:  # fmt: skip
    """Return the events of a cohort, one row an event.

    Parameters
    ----------
    cohort : HasData
        Table with ``event_1``, and where recorded ``event_date_1``, ``event_severity_1``, ``event_reason_1``, and
        so on for further slots.
    table : EventTable, str, Path, mapping or None
        Kinds and reasons; default the shipped table.
    unmapped : {"refuse", "query"}
        What to do with words that the table does not know, and with a date, grade or reason that stands
        without an event: stop with column and rows, or keep the event with the kind ``"unmapped"``.

    Returns
    -------
    DataFrame
        ``position`` (row of the cohort, from 0), ``slot``, ``kind``, ``family``, ``date``, ``severity``,
        ``reason`` (``""`` where none is asked for, ``"unknown"`` where one is missing), ``planned``,
        ``reoperation``, ``linked_to_reduction`` (``"yes"``, ``"no"`` or ``"unknown"``).

    Raises
    ------
    CohortError
        When there is no event column, or a word is not known and `unmapped` is ``"refuse"``: with column, count
        and rows, what is allowed and how to declare it, and never the word.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> rows = pd.DataFrame({"event_1": ["CTS", "removal of K-wires", None], "event_2": ["osteotomy", None, None]})
    >>> case_events(SimpleNamespace(data=rows))[["position", "kind", "planned", "linked_to_reduction"]]
       position                      kind  planned linked_to_reduction
    0         0     median nerve symptoms    False                  no
    1         0      corrective osteotomy    False                 yes
    2         1  planned removal of wires     True                  no
    """
    if unmapped not in get_args(Unmapped):
        raise CohortError(
            f"unmapped = {unmapped!r} is not allowed; use one of: {', '.join(get_args(Unmapped))}",
            code="bad_option",
        )
    known = table if isinstance(table, EventTable) else read_events(table)
    data = cohort.data
    slots = event_slots(data)
    if not slots:
        raise CohortError(
            "complications need columns declared as event, one a slot: declare them in the dictionary",
            code="column_needed",
        )
    found: list[StrangeCells] = []
    parts = [_read_slot(data, slot, known, found) for slot in slots]
    if found and unmapped == "refuse":
        raise CohortError(
            words_refused(
                cohort, found, (kind.name for kind in known.kinds.values()),
                (reason.name for reason in known.reasons.values()),
                lambda level: fold(level) in {*known.kinds, *known.reasons, *known.nothing},
            ),
            code="unmapped_event",
        )  # fmt: skip
    events = pd.concat(parts, ignore_index=True)
    return events.sort_values(["position", "slot"], ignore_index=True)[list(EVENT_COLUMNS)]


def strange_cells(cohort: HasData, table: EventTable) -> tuple[StrangeCells, ...]:
    """Return the cells about events that cannot be read with a table of kinds and reasons."""
    found: list[StrangeCells] = []
    for slot in event_slots(cohort.data):
        _read_slot(cohort.data, slot, table, found)
    return tuple(found)


def _read_slot(data: pd.DataFrame, slot: int, table: EventTable, found: list[StrangeCells]) -> pd.DataFrame:
    """Return the events of one slot; cells that cannot be read go to `found`."""
    name, reason_name = internal_name("event", slot=slot), internal_name("event_reason", slot=slot)
    when = dates(data, internal_name("event_date", slot=slot))
    grade = numbers(data, internal_name("event_severity", slot=slot))
    codes, words = _coded(data, name, table)
    why_codes, why_words = _coded(data, reason_name, table)
    recorded = codes >= 0
    orphan = ~recorded & (~np.isnat(when) | ~np.isnan(grade) | (why_codes >= 0))
    rows = np.flatnonzero(recorded | orphan)
    kinds = [*(table.kinds.get(word) for word in words), None]
    pairs, distinct = pd.factorize(codes[rows].astype(np.int64) * (len(why_words) + 1) + why_codes[rows])
    read = []
    for pair in distinct.tolist():
        code, why = divmod(pair + 1, len(why_words) + 1)
        reason = _reason(kinds[code], why_words[why - 1] if why else None, table)
        read.append((kinds[code] is None, reason is None, *_event(kinds[code], reason)))
    names = [
        "strange",
        "strange_reason",
        "kind",
        "family",
        "reason",
        "planned",
        "reoperation",
        "linked_to_reduction",
    ]
    frame = pd.DataFrame(read, columns=names).take(pairs).reset_index(drop=True)
    strange = frame["strange"].to_numpy(dtype=bool)
    odd = (
        StrangeCells(column=name, code="unknown_event", positions=rows[strange & recorded[rows]]),
        StrangeCells(column=name, code="event_empty", positions=rows[orphan[rows]]),
        StrangeCells(
            column=reason_name, code="unknown_event_reason",
            positions=rows[frame["strange_reason"].to_numpy(dtype=bool)],
        ),
    )  # fmt: skip
    found += [cells for cells in odd if len(cells.positions)]
    return frame.assign(position=rows, slot=slot, date=when[rows], severity=grade[rows])


def _coded(data: pd.DataFrame, name: str, table: EventTable) -> tuple[NDArray[np.int64], list[str]]:
    """Return a code a row and the folded words; -1 where the cell is empty or says that nothing happened."""
    codes, distinct = pd.factorize(texts(data, name))
    words = [fold(str(each)) for each in distinct]
    of_word = [-1 if word in table.nothing else code for code, word in enumerate(words)]
    return np.array([*of_word, -1], dtype=np.int64)[codes], words


def _reason(kind: EventKind | None, word: str | None, table: EventTable) -> EventReason | None:
    """Return why an event was done; None when the word is not known."""
    if word is not None:
        return table.reasons.get(word)
    if kind is not None and kind.own_reason:
        return EventReason(name=kind.own_reason)
    if kind is not None and kind.reoperation and kind.reduction_linked:
        return EventReason(name=_OWN_REASON, reduction_linked=True)
    return EventReason(name=UNKNOWN, unknown=True)


def _event(kind: EventKind | None, reason: EventReason | None) -> tuple[str, str, str, bool, bool, str]:
    """Return kind, family, reason, planned, reoperation and link to reduction of one event."""
    if kind is None:
        return UNMAPPED, UNMAPPED, "", False, False, UNKNOWN
    why = reason or EventReason(name=UNKNOWN, unknown=True)
    if kind.planned and (why.unknown or why.planned):
        return kind.name, kind.family, "planned", True, False, "no"
    if kind.planned:  # wires taken out early because they were infected: no longer as planned
        linked = "yes" if why.reduction_linked else "no"
        return f"early: {kind.name}", "reoperation", why.name, False, True, linked
    if not kind.reoperation:
        linked = UNKNOWN if kind.link_unknown else "yes" if kind.reduction_linked else "no"
        return kind.name, kind.family, "" if why.unknown else why.name, False, False, linked
    if why.planned:
        return kind.name, "planned", "planned", True, False, "no"
    if kind.reduction_linked or why.reduction_linked:
        return kind.name, kind.family, why.name, False, True, "yes"
    return kind.name, kind.family, why.name, False, True, UNKNOWN if why.unknown else "no"
