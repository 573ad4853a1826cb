"""The rule table that turns recorded components and words into a fixation strategy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from outcomes.cohort.concepts import components
from outcomes.cohort.criteria import read_toml
from outcomes.errors import CriteriaError
from outcomes.reference import load_reference

FORMAT = "outcomes rules 1"
UNCLEAR = "unclear"
_ROUGH = ("refined_by", "yields_to")
CUES = (
    "neutral", "negation", "negation_after", "removal", "removal_after", "temporary", "doubt", "doubt_after",
    "earlier", "later",
)  # fmt: skip
#: Ways in which a label can be unclear before any rule is asked.
BUILT_IN = {
    "column-and-text-disagree": "a component column and the operation text contradict each other",
    "doubtful-text": "the operation text leaves open whether a component was used",
    "only-removal": "only the removal of a component is mentioned",
    "only-earlier-treatment": "only an earlier treatment is mentioned",
    "only-later-treatment": "only a later treatment is mentioned",
    "nothing-recorded": "no component is recorded and the operation text names none",
    "no-rule-matches": "components are recorded, but no rule of the table covers them",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One row of the rule table; it matches when every condition it states holds.

    Attributes
    ----------
    id, says, strategy : str
        Name kept with every label, the rule in words, and the strategy it gives.
    all_of, any_of : frozenset of str
        Components of which every one, or at least one, must be present.
    only : frozenset of str
        Nothing outside may be present; empty is no condition.
    at_least : int
        How many of `of` must be present.
    of : frozenset of str
    assumes : str
        Component that the rule reads although it was not stated; its cases are counted apart, and a column that
        denies the component makes the case unclear.
    """

    id: str
    says: str
    strategy: str
    all_of: frozenset[str] = frozenset()
    any_of: frozenset[str] = frozenset()
    only: frozenset[str] = frozenset()
    at_least: int = 0
    of: frozenset[str] = frozenset()
    assumes: str = ""

    def matches(self, present: frozenset[str]) -> bool:
        """Return whether the rule covers this set of components."""
        return (
            self.all_of <= present
            and (not self.any_of or bool(self.any_of & present))
            and (not self.only or present <= self.only)
            and len(self.of & present) >= self.at_least
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StrategyRules:
    """A rule table: words, their components, ordered rules.

    Attributes
    ----------
    title, version, source : str
    strategies : tuple of str
        Every label the table can give, ``"unclear"`` among them.
    terms : mapping of str to frozenset of str
        Term -> components it names.
    refined_by : mapping of str to frozenset of str
        Component known only roughly (``"plate"``) -> components that say it exactly.
    column_wins : frozenset of str
        Rough components that a column denying every exact one ends without contradiction.
    yields_to : mapping of str to frozenset of str
        Component that means nothing of its own once another is there (``"closed_reduction"``) -> those others.
    settled_by : mapping of str to mapping of str to str
        Rough component -> words elsewhere in the note -> exact component.
    cues : mapping of str to tuple of str
        Words of negation, removal, doubt and so on.
    rules : tuple of Rule
    """

    title: str
    version: str
    source: str
    strategies: tuple[str, ...]
    terms: Mapping[str, frozenset[str]]
    refined_by: Mapping[str, frozenset[str]]
    column_wins: frozenset[str]
    yields_to: Mapping[str, frozenset[str]]
    settled_by: Mapping[str, Mapping[str, str]]
    cues: Mapping[str, tuple[str, ...]]
    rules: tuple[Rule, ...]

    def decide(self, present: frozenset[str]) -> tuple[str, str]:
        """Return strategy and rule id of the first rule that covers `present`."""
        for rule in self.rules:
            if rule.matches(present):
                return rule.strategy, rule.id
        return UNCLEAR, "no-rule-matches" if present else "nothing-recorded"

    def assumed(self, rule_id: str) -> frozenset[str]:
        """Return the component that a rule reads although it was not stated, as a set of none or one."""
        return frozenset(rule.assumes for rule in self.rules if rule.id == rule_id and rule.assumes)

    def says(self, rule_id: str) -> str:
        """Return a rule in words."""
        return BUILT_IN.get(rule_id) or next(rule.says for rule in self.rules if rule.id == rule_id)

    @property
    def assumptions(self) -> frozenset[str]:
        """Ids of rules that read something that was not stated."""
        return frozenset(rule.id for rule in self.rules if rule.assumes)


@cache
def shipped_rules() -> StrategyRules:
    """Return the rule table that comes with the package.

    Examples
    --------
    >>> shipped_rules().decide(frozenset({"volar_plate", "external_fixator_bridging"}))
    ('combined', 'two-or-more')
    """
    return read_rules(load_reference("strategy_rules"))


def read_rules(source: str | Path | Mapping[str, Any] | None = None) -> StrategyRules:
    """Read a rule table.

    Parameters
    ----------
    source : str, Path, mapping or None
        Path of a TOML file in the format of the shipped table, its content as a mapping, or None or
        ``"shipped"`` for the shipped table.

    Returns
    -------
    StrategyRules

    Raises
    ------
    CriteriaError
        When the table is not valid; one message lists every problem.

    Examples
    --------
    >>> "unclear" in read_rules().strategies
    True
    """
    if source is None or source == "shipped":
        return shipped_rules()
    where = "rule table"
    if not isinstance(source, Mapping):
        path = Path(source)
        if not path.is_file():
            raise CriteriaError(
                f'no rule table at {str(source)!r}; give a TOML file, or "shipped"', code="no_file"
            )
        source, where = read_toml(path), path.name
    problems: list[str] = []
    found = _read(source, problems)
    if problems or found is None:
        raise CriteriaError(f"{where}: " + "; ".join(problems), code="bad_rules")
    return found


def _read(content: Mapping[str, Any], problems: list[str]) -> StrategyRules | None:
    if content.get("format") != FORMAT:
        problems.append(f'the first line must be format = "{FORMAT}"')
    keys = ("format", "title", "version", "source", "strategies", "component", "cues", "rule")
    _unknown("the file", content, keys, problems)
    words = {key: content.get(key) for key in ("title", "version", "source")}
    problems.extend(f"needs {key} as text" for key, value in words.items() if not _text(value))
    strategies = _strings(content.get("strategies"), "strategies", problems)
    if UNCLEAR not in strategies:
        problems.append(f'strategies must contain "{UNCLEAR}"')
    rows = _tables(content.get("component"), "component", problems)
    names = [str(row.get("name", "")) for row in rows]
    problems.extend(f"component {name!r} stands twice" for name in {n for n in names if names.count(n) > 1})
    lacking = [name for name in components() if name not in names]
    if lacking:
        problems.append(f"components without an entry: {', '.join(lacking)}")
    terms, settled = _words(rows, set(names), problems)
    rough = {key: _rough(rows, key, set(names), problems) for key in ("refined_by", "yields_to")}
    cues = content.get("cues", {})
    _unknown("cues", cues, CUES, problems)
    read_cues = {cue: _strings(cues.get(cue, []), f"cues.{cue}", problems, empty=True) for cue in CUES}
    rules = [
        _rule(row, set(names), set(strategies), problems)
        for row in _tables(content.get("rule"), "rule", problems)
    ]
    ids = [rule.id for rule in rules]
    problems.extend(f"rule id {each!r} stands twice" for each in {i for i in ids if ids.count(i) > 1})
    problems.extend(f"rule id {each!r} is reserved" for each in set(ids) & set(BUILT_IN))
    if problems:
        return None
    return StrategyRules(
        title=str(words["title"]), version=str(words["version"]), source=str(words["source"]),
        strategies=tuple(strategies), terms=terms, refined_by=rough["refined_by"], yields_to=rough["yields_to"],
        column_wins=frozenset(str(row.get("name")) for row in rows if row.get("column_wins") is True), settled_by=settled, cues=read_cues,
        rules=tuple(rules),
    )  # fmt: skip


def _words(
    rows: Sequence[Mapping[str, Any]], names: set[str], problems: list[str]
) -> tuple[dict[str, frozenset[str]], dict[str, dict[str, str]]]:
    """Return term -> components, and rough component -> words that settle it."""
    terms: dict[str, frozenset[str]] = {}
    settled: dict[str, dict[str, str]] = {}
    for row in rows:
        name = str(row.get("name", ""))
        _unknown(
            f"component {name!r}", row, ("name", "terms", *_ROUGH, "column_wins", "settled_by"), problems
        )
        for term in _strings(row.get("terms", []), f"terms of {name!r}", problems, empty=True):
            terms[term] = terms.get(term, frozenset()) | {name}
        if name not in components() and not set(_ROUGH) & set(row):
            problems.append(
                f"component {name!r} cannot be recorded ({', '.join(components())} can): give refined_by"
            )
        for entry in row.get("settled_by", []):
            target = _known([entry.get("component")], f"settled_by of {name!r}", names, problems)
            words = _strings(entry.get("words"), f"settled_by of {name!r}", problems)
            for each in target:
                settled.setdefault(name, {}).update(dict.fromkeys(words, each))
    return terms, settled


def _rough(
    rows: Sequence[Mapping[str, Any]], key: str, names: set[str], problems: list[str]
) -> dict[str, frozenset[str]]:
    """Return component -> components that say it more exactly, or that it yields to."""
    return {
        str(row.get("name", "")): _known(row[key], f"{key} of {row.get('name')!r}", names, problems)
        for row in rows
        if key in row
    }


def _rule(row: Mapping[str, Any], names: set[str], strategies: set[str], problems: list[str]) -> Rule:
    rule_id = str(row.get("id", ""))
    what = f"rule {rule_id!r}"
    keys = ("id", "says", "strategy", "all", "any", "only", "at_least", "of", "assumes")
    _unknown(what, row, keys, problems)
    if not rule_id or not _text(row.get("says")):
        problems.append(f"{what} needs id and says as text")
    if row.get("strategy") not in strategies:
        problems.append(f"{what}: strategy must be one of: {', '.join(sorted(strategies))}")
    if "assumes" in row:
        _known([row["assumes"]], f"{what}, assumes", names, problems)
    if not {"all", "any", "of"} & set(row):
        problems.append(f"{what} needs a condition: all, any, or at_least with of")
    at_least = row.get("at_least", 0)
    if ("of" in row) != ("at_least" in row) or not isinstance(at_least, int) or isinstance(at_least, bool):
        problems.append(f"{what}: at_least is a whole number and goes with of")
        at_least = 0
    sets = {
        key: _known(row.get(key, []), f"{what}, {key}", names, problems)
        for key in ("all", "any", "only", "of")
    }
    return Rule(
        id=rule_id, says=str(row.get("says", "")), strategy=str(row.get("strategy", "")), all_of=sets["all"],
        any_of=sets["any"], only=sets["only"], of=sets["of"], at_least=at_least,
        assumes=str(row.get("assumes", "")),
    )  # fmt: skip


def _text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _strings(value: object, what: str, problems: list[str], *, empty: bool = False) -> tuple[str, ...]:
    if not isinstance(value, list | tuple) or not all(_text(each) for each in value) or not (value or empty):
        problems.append(f"{what} must be a list of texts")
        return ()
    return tuple(value)


def _tables(value: object, what: str, problems: list[str]) -> list[Mapping[str, Any]]:
    if not isinstance(value, list) or not value or not all(isinstance(each, Mapping) for each in value):
        problems.append(f"there is no [[{what}]]")
        return []
    return value


def _known(value: object, what: str, names: set[str], problems: list[str]) -> frozenset[str]:
    given = _strings(value, what, problems, empty=True)
    wrong = sorted(set(given) - names)
    if wrong:
        problems.append(f"{what} names {', '.join(wrong)}, which are no components of the table")
    return frozenset(given)


def _unknown(what: str, row: Mapping[str, Any], allowed: Sequence[str], problems: list[str]) -> None:
    unknown = sorted(set(row) - set(allowed))
    if unknown:
        problems.append(f"{what} has unknown keys {', '.join(unknown)}; allowed: {', '.join(allowed)}")
