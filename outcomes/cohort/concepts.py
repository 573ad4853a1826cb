"""What a column can mean: concepts, times, units and the internal names built from them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Context, Decimal
from functools import cache
from typing import Any

from outcomes.reference import load_reference

EXACT = Context(prec=40)


@dataclass(frozen=True, slots=True, kw_only=True)
class Concept:
    """One thing a column can mean.

    Attributes
    ----------
    name, kind, meaning : str
        Concept, kind of value (key, text, category, yes_no, date, number, own) and one line of words.
    takes, needs : tuple of str
        Dictionary keys that belong to the internal name; keys without which the meaning is not settled.
    measure : str
        angle, length, force, years, points, or empty.
    sign, references : tuple of str
        Words allowed for ``positive`` (the first is positive inside the package) and ``reference``.
    levels : tuple of str
        The only levels a category may have; empty when the dictionary names them.
    default_levels : tuple of str
        Levels used when the dictionary names none.
    open_levels : bool
        Whether the levels may be taken from the table as they stand.
    hard, soft : tuple of float or None
        Outside `hard` a value is impossible and set missing; outside `soft` it is listed and kept.
    whole : bool
        Only whole numbers make sense.
    """

    name: str
    kind: str
    meaning: str = ""
    takes: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    measure: str = ""
    sign: tuple[str, ...] = ()
    references: tuple[str, ...] = ()
    levels: tuple[str, ...] = ()
    default_levels: tuple[str, ...] = ()
    open_levels: bool = False
    hard: tuple[float, float] | None = None
    soft: tuple[float, float] | None = None
    whole: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A unit as an exact decimal fraction of the internal unit of its measure."""

    name: str
    measure: str
    times: Decimal
    divide: Decimal = Decimal(1)

    def to_internal(self, value: Decimal) -> Decimal:
        """Return `value` in the internal unit, exact to 40 digits.

        Examples
        --------
        >>> print(unit_named("cm").to_internal(Decimal("1.00")))
        10.00
        """
        if self.times == self.divide:
            return value
        return EXACT.divide(EXACT.multiply(value, self.times), self.divide)

    def from_internal(self, value: Decimal) -> Decimal:
        """Return a value of the internal unit in this unit."""
        if self.times == self.divide:
            return value
        return EXACT.divide(EXACT.multiply(value, self.divide), self.times)


def _tuples(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in entry.items()}


@cache
def concepts() -> Mapping[str, Concept]:
    """Return every concept by name.

    Examples
    --------
    >>> concepts()["tilt"].sign
    ('volar', 'dorsal')
    """
    shipped = load_reference("concepts")["concepts"]
    return {name: Concept(name=name, **_tuples(entry)) for name, entry in shipped.items()}


#: The first film after the index strategy, whatever the treatment; only films can be from then.
FIRST_FILM_TIME = "first after index"
#: Hands by side: what they mean for a case depends on the side of its fracture.
BY_SIDE = ("left", "right")


@cache
def times() -> tuple[str, ...]:
    """Return the times a measurement can belong to, in order."""
    return tuple(load_reference("concepts")["times"])


@cache
def hands() -> Mapping[str, str]:
    """Return the words for the two hands, each with what it means.

    Examples
    --------
    >>> list(hands())
    ['injured', 'other', 'left', 'right']
    """
    return dict(load_reference("concepts")["hands"])


def times_of(concept: Concept) -> tuple[str, ...]:
    """Return the times that a concept can belong to: only films can be the first after the index strategy.

    Examples
    --------
    >>> "first after index" in times_of(concepts()["tilt"])
    True
    >>> "first after index" in times_of(concepts()["prwe"])
    False
    """
    film = "reader" in concept.takes or concept.name == "film_date"
    return tuple(time for time in times() if film or time != FIRST_FILM_TIME)


@cache
def components() -> tuple[str, ...]:
    """Return the parts a treatment can consist of."""
    return tuple(load_reference("concepts")["components"])


@cache
def _units() -> tuple[dict[str, Unit], dict[str, Unit]]:
    by_name: dict[str, Unit] = {}
    by_alias: dict[str, Unit] = {}
    for name, entry in load_reference("concepts")["units"].items():
        unit = Unit(
            name=name,
            measure=entry["measure"],
            times=Decimal(entry["times"]),
            divide=Decimal(entry.get("divide", "1")),
        )
        by_name[name] = unit
        by_alias.update(dict.fromkeys(entry["aliases"], unit))
    return by_name, by_alias


def units_of(measure: str) -> tuple[str, ...]:
    """Return the units a measure may be declared in, the internal one first.

    Examples
    --------
    >>> units_of("force")
    ('kg', 'lb', 'N')
    """
    return tuple(unit.name for unit in _units()[0].values() if unit.measure == measure)


def unit_named(name: str) -> Unit:
    """Return a unit by its declared name."""
    return _units()[0][name]


def unit_written(text: str) -> Unit | None:
    """Return the unit that a word behind a number stands for, or None.

    Examples
    --------
    >>> unit_written("lbs").name
    'lb'
    """
    return _units()[1].get(text.casefold().rstrip("."))


def slug(text: str) -> str:
    """Return `text` as part of an internal name.

    Examples
    --------
    >>> slug("post-reduction")
    'post_reduction'
    """
    return re.sub(r"[^0-9a-z]+", "_", text.casefold()).strip("_")


def internal_name(
    concept: str, *, hand: str = "", time: str = "", slot: int = 0, reader: int = 1, component: str = ""
) -> str:
    """Return the column name used inside the package.

    Examples
    --------
    >>> internal_name("grip", hand="injured", time="12 months")
    'grip_injured_12_months'
    >>> internal_name("tilt", time="union", reader=2)
    'tilt_union_reader2'
    >>> internal_name("component", component="volar_plate")
    'component_volar_plate'
    """
    parts = [concept, component, hand, slug(time), str(slot) if slot else ""]
    if reader != 1:
        parts.append(f"reader{reader}")
    return "_".join(part for part in parts if part)
