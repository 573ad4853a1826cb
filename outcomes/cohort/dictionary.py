"""The data dictionary: what each heading of a table means, declared and never guessed."""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, cast

from outcomes.cohort.concepts import BY_SIDE, concepts, internal_name, units_of
from outcomes.cohort.dictionary_checks import FORMAT, column_faults, column_name, cross_faults, top_faults
from outcomes.cohort.toml_text import toml_table, toml_value
from outcomes.errors import DictionaryError

Kind = Literal["key", "text", "category", "yes_no", "date", "number"]
DateOrder = Literal["day-month-year", "month-day-year", "year-month-day"]
DecimalMark = Literal["point", "comma"]
Levels = tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableLayout:
    """How the table is laid out.

    Attributes
    ----------
    sheet : str
        Sheet of a workbook; needed when there are several.
    header_row : int
        Physical row of the headings, from 1.
    delimiter, encoding : str
        Of a CSV file; empty means: read from the header line, and UTF-8.
    missing, footer : tuple of str
        Words that mean missing; words that mark a row that is not data.
    date_order, decimal : str
        Declared order of dates in text, and decimal mark; empty means not declared.
    episodes : str
        What to do when one wrist of one patient is there twice, 60 days or more apart: "one" refuses,
        "all" makes each its own case, "first" keeps the earlier and sets the later aside.
    extract_date : date or None
        Day the table was drawn; later dates are impossible.
    """

    sheet: str = ""
    header_row: int = 1
    delimiter: str = ""
    encoding: str = ""
    missing: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()
    date_order: DateOrder | Literal[""] = ""
    decimal: DecimalMark | Literal[""] = ""
    episodes: Literal["one", "all", "first"] = "one"
    extract_date: datetime.date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What one heading of the table means.

    Attributes
    ----------
    source : str
        Heading as the dictionary writes it.
    concept, name, kind : str
        Concept, column name inside the package and kind of value.
    unit, positive, reference, hand, time, component : str
        As declared; empty where they do not apply.
    slot, reader : int
        Number of the event (0 where it does not apply) and reader of the film.
    levels : tuple of (level, spellings)
        For categories and keys; spellings are compared without case and outer spaces.
    yes, no, missing : tuple of str
        Spellings of yes, of no, and of missing (in addition to those of the table).
    blank : str
        "yes" or "no" where an empty cell was declared to mean it; empty otherwise.
    codes : tuple of float
        Numbers that mean missing.
    low, high : float or None
        Plausible range in the unit and sign of the table; outside is listed and kept.
    date_order, decimal : str
        Of this column; empty means that of the table.
    """

    source: str
    concept: str
    name: str
    kind: Kind
    unit: str = ""
    positive: str = ""
    reference: str = ""
    hand: str = ""
    time: str = ""
    component: str = ""
    slot: int = 0
    reader: int = 1
    levels: Levels = ()
    yes: tuple[str, ...] = ()
    no: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    blank: str = ""
    codes: tuple[float, ...] = ()
    low: float | None = None
    high: float | None = None
    date_order: DateOrder | Literal[""] = ""
    decimal: DecimalMark | Literal[""] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DataDictionary:
    """A checked data dictionary.

    Attributes
    ----------
    title : str
        Title of the table.
    table : TableLayout
        Layout of the file.
    columns : tuple of Column
        One a declared heading, in the order of the dictionary.
    """

    title: str
    table: TableLayout
    columns: tuple[Column, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Internal names in the order of the dictionary."""
        return tuple(column.name for column in self.columns)

    @property
    def data_columns(self) -> tuple[Column, ...]:
        """What the columns of ``Cohort.data`` mean: as declared, but injured and other for left and right."""
        return tuple(map(_by_fracture, self.columns))

    def column(self, name: str) -> Column:
        """Return the column with an internal name.

        Raises
        ------
        DictionaryError
            When the dictionary declares no such column.
        """
        for column in self.columns:
            if column.name == name:
                return column
        raise DictionaryError(
            f"the dictionary declares no column for {name!r}; it declares {', '.join(self.names)}",
            code="no_column",
        )

    def to_toml(self) -> str:
        """Return the dictionary as TOML text that reads back to the same dictionary.

        Examples
        --------
        >>> small = read_dictionary({"columns": {"No.": {"is": "patient_id"}}})
        >>> import tomllib
        >>> read_dictionary(tomllib.loads(small.to_toml())) == small
        True
        """
        parts = [toml_table("", {"format": FORMAT, "title": self.title})]
        table = _stated(self.table)
        if table:
            parts.append(toml_table("table", table))
        for column in self.columns:
            parts.append(toml_table(f"columns.{toml_value(column.source)}", _column_entry(column)))
        return "\n\n".join(parts) + "\n"


def read_dictionary(source: str | Path | Mapping[str, Any] | DataDictionary) -> DataDictionary:
    """Read and check a data dictionary.

    Parameters
    ----------
    source : str, Path, mapping or DataDictionary
        Path of a TOML file, or the same content as a mapping.

    Raises
    ------
    DictionaryError
        With every fault of the dictionary in one list.

    Examples
    --------
    >>> dictionary = read_dictionary({"columns": {
    ...     "Hospital no.": {"is": "patient_id"},
    ...     "Tilt": {"is": "tilt", "time": "union", "unit": "degrees", "positive": "dorsal"}}})
    >>> dictionary.names
    ('patient_id', 'tilt_union')
    """
    if isinstance(source, DataDictionary):
        return source
    if isinstance(source, Mapping):
        return _build(source, "the dictionary")
    path = Path(source)
    return _build(_toml_of(path), path.name)


def _toml_of(path: Path) -> Mapping[str, Any]:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise DictionaryError(f"{path.name}: no such file; give a TOML dictionary", code="no_file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise DictionaryError(
            f"{path.name} cannot be read ({type(error).__name__}); close it elsewhere, save it as UTF-8 text",
            code="unreadable",
        ) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DictionaryError(
            f"{path.name} is not valid TOML: {error}. A text with a backslash needs single quotes",
            code="not_toml",
        ) from None


def _build(source: Mapping[str, Any], name: str) -> DataDictionary:
    faults = top_faults(source)
    columns = source.get("columns", {})
    if isinstance(columns, Mapping):
        own = [fault for heading, entry in columns.items() for fault in column_faults(heading, entry)]
        faults += own or cross_faults(columns)
    if faults:
        lines = "\n".join(f"- {fault}" for fault in faults)
        raise DictionaryError(f"{name}: {len(faults)} to correct\n{lines}", code="dictionary_faults")
    return DataDictionary(
        title=source.get("title", ""),
        table=TableLayout(**_frozen(source.get("table", {}))),
        columns=tuple(_column(heading, entry) for heading, entry in columns.items()),
    )


def _column(heading: str, entry: Mapping[str, Any]) -> Column:
    concept = concepts()[entry["is"]]
    apart = ("is", "kind", "name", "levels")
    given = _frozen({key: value for key, value in entry.items() if key not in apart})
    spellings = entry.get("levels") or {level: () for level in concept.levels or concept.default_levels}
    levels = tuple((level, tuple(words)) for level, words in spellings.items())
    kind = cast(Kind, entry["kind"] if concept.kind == "own" else concept.kind)
    name = column_name(entry)
    return Column(source=heading, concept=concept.name, name=name, kind=kind, levels=levels, **given)


def _by_fracture(column: Column) -> Column:
    """Return a column by injured or other hand in place of one by left or right; both sides feed each."""
    if column.hand not in BY_SIDE:
        return column
    hand = "injured" if column.hand == "left" else "other"
    return Column(
        source=column.source,
        concept=column.concept,
        name=internal_name(column.concept, hand=hand, time=column.time),
        kind=column.kind,
        unit=units_of(concepts()[column.concept].measure)[0],
        hand=hand,
        time=column.time,
    )


def _frozen(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, (list, tuple)) else value for key, value in entry.items()}


def _stated(record: TableLayout | Column) -> dict[str, Any]:
    """Return what differs from the default, in the order of the fields."""
    stated = {}
    for key, field in type(record).__dataclass_fields__.items():
        value = getattr(record, key)
        if value != field.default:
            stated[key] = value
    return stated


def _column_entry(column: Column) -> dict[str, Any]:
    stated = _stated(column)
    entry: dict[str, Any] = {"is": stated.pop("concept")}
    for key in ("source", "name", "kind"):
        stated.pop(key)
    if column.concept == "covariate":
        entry |= {"name": column.name, "kind": column.kind}
    if "levels" in stated:
        stated["levels"] = {level: list(words) for level, words in column.levels}
    return entry | stated
