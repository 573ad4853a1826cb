"""Criteria sets: the radiographic limits by which a reduction is called met, as data with their source."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Literal, get_args

from outcomes.cohort.concepts import internal_name
from outcomes.errors import CriteriaError
from outcomes.reference import load_reference

Evidence = Literal["seen in source", "from memory", "common practice, no source", "declared by the authors"]

FORMAT = "outcomes criteria 1"
LIMIT_WORDS = {"above": "above", "at_least": "at least", "below": "below", "at_most": "at most"}
#: Concepts that a criterion may name, with the unit they are kept in; "" marks a yes/no finding.
UNITS = {
    "tilt": "degrees", "inclination": "degrees", "ulnar_variance": "mm", "shortening": "mm", "step": "mm",
    "gap": "mm", "druj_congruent": "",
}  # fmt: skip
REFERENCES = ("other side", "normal height")


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """One limit, or pair of limits, of a criteria set.

    Attributes
    ----------
    name : str
        Words used in tables.
    concept : str
        What is measured: ``"tilt"``, ``"inclination"``, ``"ulnar_variance"``, ``"shortening"``, ``"step"``,
        ``"gap"`` or ``"druj_congruent"``, in internal sign and unit.
    low, high : float or None
        Limits of what is acceptable, in `unit`.
    low_included, high_included : bool
        Whether a value equal to the limit is acceptable.
    finding : bool or None
        For yes/no findings: what is acceptable.
    intra_articular_only : bool
        Not applicable (which is not missing) to extra-articular fractures.
    required : bool
        Needed to call a case met; a criterion that is not required can only fail a case.
    reference : str
        What shortening must have been measured against; empty when the set does not say.

    Examples
    --------
    >>> print(Criterion(name="dorsal tilt", concept="tilt", unit="degrees", low=-10))
    dorsal tilt: tilt above -10 degrees
    """

    name: str
    concept: str
    unit: str
    low: float | None = None
    high: float | None = None
    low_included: bool = False
    high_included: bool = False
    finding: bool | None = None
    intra_articular_only: bool = False
    required: bool = True
    reference: str = ""

    def __str__(self) -> str:
        """Return the criterion in words."""
        what = self.concept.replace("_", " ")
        if self.finding is not None:
            return f"{self.name}: {what} = {'yes' if self.finding else 'no'}"
        limits = []
        if self.low is not None:
            limits.append(f"{'at least' if self.low_included else 'above'} {self.low:g}")
        if self.high is not None:
            limits.append(f"{'at most' if self.high_included else 'below'} {self.high:g}")
        tail = f" (against the {self.reference})" if self.reference else ""
        return f"{self.name}: {what} {' and '.join(limits)} {self.unit}{tail}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReductionCriteria:
    """A named, versioned set of criteria with its source.

    Attributes
    ----------
    id, version, title, citation : str
    evidence : str
        ``"seen in source"``, ``"from memory"``, ``"common practice, no source"`` or
        ``"declared by the authors"``.
    scope : str
        For whom and for what the source stated it.
    film : str
        The film on which the source judged it; the film that a study uses is the study's own choice.
    criteria : tuple of Criterion
    """

    id: str
    version: str
    title: str
    citation: str
    evidence: Evidence
    scope: str
    film: str
    criteria: tuple[Criterion, ...]

    @property
    def seen(self) -> bool:
        """Whether the limits were read in their source."""
        return self.evidence == "seen in source"

    @property
    def caution(self) -> str:
        """What must stand wherever the set is shown; empty when the limits were seen in their source."""
        if self.evidence == "from memory":
            return "limits quoted from memory, not checked in their source"
        return "" if self.seen else self.evidence

    @property
    def label(self) -> str:
        """Title with its caution."""
        return f"{self.title} ({self.caution})" if self.caution else self.title

    def columns(self, time: str, *, reader: int = 1, required_only: bool = False) -> tuple[str, ...]:
        """Return the internal columns that the set reads on the film `time`."""
        return tuple(
            internal_name(criterion.concept, time=time, reader=reader)
            for criterion in self.criteria
            if criterion.required or not required_only
        )

    def __str__(self) -> str:
        """Return the set in words."""
        return f"{self.label}, version {self.version}: " + "; ".join(str(each) for each in self.criteria)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingErrorSize:
    """How far two readings of one film can lie apart, with its source."""

    concept: str
    value: float
    unit: str
    source: str
    evidence: str


@dataclass(slots=True)
class _Problems:
    """Everything wrong with a criteria file, so that it is said in one message."""

    where: str
    found: list[str] = field(default_factory=list)

    def add(self, text: str) -> None:
        self.found.append(text)

    def stop(self) -> None:
        if self.found:
            raise CriteriaError(f"{self.where}: " + "; ".join(self.found), code="bad_criteria")


@cache
def _shipped() -> dict[str, Any]:
    return load_reference("criteria")


def shipped_criteria() -> tuple[str, ...]:
    """Return the ids of the criteria sets that come with the package.

    Examples
    --------
    >>> "common-practice" in shipped_criteria()
    True
    """
    return tuple(str(row["id"]) for row in _shipped()["set"])


def reading_error_sizes() -> dict[str, ReadingErrorSize]:
    """Return the published 95 % errors of reading a film, by concept.

    Examples
    --------
    >>> reading_error_sizes()["tilt"].value
    7.0
    """
    rows = _shipped()["reading_error"]
    return {row["concept"]: ReadingErrorSize(**{**row, "value": float(row["value"])}) for row in rows}


def read_criteria(
    source: str | Path | Mapping[str, Any] | None = None, *, set_id: str | None = None
) -> ReductionCriteria:
    """Read a criteria set.

    Parameters
    ----------
    source : str, Path, mapping or None
        Id of a shipped set, path of a TOML file (``format = "outcomes criteria 1"`` and one or more
        ``[[set]]``), the same content as a mapping, or None for the set ``"common-practice"``.
    set_id : str, optional
        Which set, when a file or mapping holds several.

    Returns
    -------
    ReductionCriteria

    Raises
    ------
    CriteriaError
        When there is no such set or the content is not valid; one message lists every problem.

    Examples
    --------
    >>> read_criteria("aaos-2009").seen
    True
    >>> read_criteria("graham-1997").caution
    'limits quoted from memory, not checked in their source'
    """
    content, where = _content("common-practice" if source is None else source)
    if source is None or (isinstance(source, str) and source in shipped_criteria()):
        set_id = source or "common-practice"
    problems = _Problems(where)
    if content.get("format") != FORMAT:
        problems.add(f'the first line must be format = "{FORMAT}"')
    _refuse_unknown(problems, "the file", content, {"format", "set", "reading_error"})
    rows = content.get("set")
    if not isinstance(rows, list) or not rows:
        problems.add("there is no [[set]]")
    problems.stop()
    row = _choose(content["set"], set_id, where)
    found = _read_set(row, problems)
    problems.stop()
    return found


def _content(source: str | Path | Mapping[str, Any]) -> tuple[Mapping[str, Any], str]:
    """Return the raw content and the words that name it in messages."""
    if isinstance(source, Mapping):
        return source, "criteria"
    if isinstance(source, str) and source in shipped_criteria():
        return _shipped(), f"shipped criteria set {source}"
    path = Path(source)
    if not path.is_file():
        raise CriteriaError(
            f"criteria {str(source)!r}: neither a shipped set ({', '.join(shipped_criteria())}) nor a file",
            code="unknown_criteria",
        )
    return read_toml(path), path.name


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file, with or without byte-order mark, naming the file when it is not valid."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CriteriaError(f"{path.name} is not valid TOML: {error}", code="not_toml") from error


def _choose(rows: list[Mapping[str, Any]], set_id: str | None, where: str) -> Mapping[str, Any]:
    ids = [str(row.get("id", "")) for row in rows]
    if len(set(ids)) != len(ids):
        raise CriteriaError(f"{where}: two sets have the same id", code="bad_criteria")
    if set_id is None and len(rows) == 1:
        return rows[0]
    if set_id not in ids:
        raise CriteriaError(
            f"{where}: choose a set with set_id, one of: {', '.join(ids)}", code="unknown_criteria"
        )
    return rows[ids.index(set_id)]


def _refuse_unknown(problems: _Problems, what: str, row: Mapping[str, Any], allowed: set[str]) -> None:
    unknown = sorted(set(row) - allowed)
    if unknown:
        problems.add(f"{what} has unknown keys {', '.join(unknown)}; allowed: {', '.join(sorted(allowed))}")


def _read_set(row: Mapping[str, Any], problems: _Problems) -> ReductionCriteria:
    words = ("id", "version", "title", "citation", "evidence", "scope", "film")
    _refuse_unknown(problems, "the set", row, {*words, "criterion"})
    for word in words:
        if not isinstance(row.get(word), str) or not row[word].strip():
            problems.add(f"the set needs {word} as text")
    if row.get("evidence") not in get_args(Evidence):
        problems.add(f"evidence must be one of: {', '.join(get_args(Evidence))}")
    rows = row.get("criterion")
    if not isinstance(rows, list) or not rows:
        problems.add("the set has no [[set.criterion]]")
        problems.stop()
    criteria = tuple(_read_criterion(each, problems) for each in row["criterion"])
    names = [criterion.name for criterion in criteria]
    if len(set(names)) != len(names):
        problems.add("two criteria have the same name")
    problems.stop()
    return ReductionCriteria(**{word: row[word] for word in words}, criteria=criteria)


def _read_criterion(row: Mapping[str, Any], problems: _Problems) -> Criterion:
    name = str(row.get("name", "")) or "a criterion without name"
    allowed = {"name", "concept", "unit", *LIMIT_WORDS, "is", "intra_articular_only", "required", "reference"}
    _refuse_unknown(problems, name, row, allowed)
    concept = row.get("concept")
    if concept not in UNITS:
        problems.add(f"{name}: concept must be one of: {', '.join(UNITS)}")
    elif row.get("unit", "") != UNITS[concept]:
        problems.add(f'{name}: {concept} is kept in "{UNITS[concept]}"; write unit = "{UNITS[concept]}"')
    for key in ("intra_articular_only", "required"):
        if not isinstance(row.get(key, True), bool):
            problems.add(f"{name}: {key} must be true or false")
    reference = row.get("reference", "")
    if reference and (concept != "shortening" or reference not in REFERENCES):
        problems.add(f"{name}: reference belongs to shortening and is one of: {', '.join(REFERENCES)}")
    low, low_included, high, high_included = _read_limits(name, row, problems)
    finding = {"yes": True, "no": False}.get(str(row.get("is")))
    if concept == "druj_congruent":
        if finding is None or low is not None or high is not None:
            problems.add(f'{name}: a finding needs is = "yes" or is = "no" and no limits')
    elif "is" in row or (low is None and high is None):
        problems.add(f"{name}: needs one or two of: {', '.join(LIMIT_WORDS)}")
    return Criterion(
        name=name, concept=str(concept), unit=str(row.get("unit", "")), low=low, high=high,
        low_included=low_included, high_included=high_included, finding=finding,
        intra_articular_only=bool(row.get("intra_articular_only", False)),
        required=bool(row.get("required", True)), reference=str(reference),
    )  # fmt: skip


def _read_limits(
    name: str, row: Mapping[str, Any], problems: _Problems
) -> tuple[float | None, bool, float | None, bool]:
    for word in LIMIT_WORDS:
        value = row.get(word, 0)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            problems.add(f"{name}: {word} must be a number")
            return None, False, None, False
    for one, other in (("above", "at_least"), ("below", "at_most")):
        if one in row and other in row:
            problems.add(f"{name}: give {one} or {other}, not both")
    low = row.get("above", row.get("at_least"))
    high = row.get("below", row.get("at_most"))
    if low is not None and high is not None and low >= high:
        problems.add(f"{name}: the lower limit must be below the upper")
    return (
        None if low is None else float(low),
        "at_least" in row,
        None if high is None else float(high),
        "at_most" in row,
    )
