"""Collect strategies under fewer names, as the study file declares."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from outcomes.cohort.columns import ObjectArray
from outcomes.cohort.fixation import FixationLabels
from outcomes.cohort.rules import shipped_rules
from outcomes.errors import StudyError


def group_strategies(
    labels: FixationLabels | Iterable[str | None],
    groups: Mapping[str, Sequence[str]],
    *,
    strategies: Iterable[str] | None = None,
) -> ObjectArray:
    """Return the strategies with those of a group under the group's name.

    Parameters
    ----------
    labels : FixationLabels or iterable of str, length n_cases
    groups : mapping of str to sequence of str
        Group name -> strategies it collects. Strategies in no group keep their name.
    strategies : iterable of str, optional
        Every strategy that there can be; default those of the rule table that gave the labels, or for bare names
        those of the shipped table and those that occur.

    Returns
    -------
    ndarray of str, shape (n_cases,)

    Raises
    ------
    StudyError
        When a member is no strategy or stands in two groups, or a group takes the name of a strategy that it
        does not collect.

    Examples
    --------
    >>> list(group_strategies(["dorsal plate", "spanning plate"], {"plate": ["dorsal plate"]}))
    ['plate', 'spanning plate']
    """
    if isinstance(labels, FixationLabels):
        found, known = labels.strategy, set(labels.rules.strategies)
    else:
        found = np.array(list(labels), dtype=object)
        known = {str(each) for each in found if each is not None} | set(shipped_rules().strategies)
    if strategies is not None:
        known = set(strategies)
    _check(groups, known)
    new_name = {member: name for name, members in groups.items() for member in members}
    grouped: ObjectArray = np.array([new_name.get(each, each) for each in found], dtype=object)
    return grouped


def _check(groups: Mapping[str, Sequence[str]], known: set[str]) -> None:
    """Refuse groups that cannot be meant, naming every problem."""
    problems = []
    seen: dict[str, str] = {}
    for name, members in groups.items():
        if isinstance(members, str) or not members:
            problems.append(f"group {name!r} must list at least one strategy")
            continue
        wrong = [member for member in members if member not in known]
        if wrong:
            problems.append(
                f"group {name!r} lists {', '.join(wrong)}; strategies are: {', '.join(sorted(known))}"
            )
        for member in members:
            if member in seen:
                problems.append(f"{member!r} stands in the groups {seen[member]!r} and {name!r}")
            seen[member] = name
        if name in known and name not in members:
            problems.append(f"group {name!r} has the name of a strategy that it does not collect")
    if problems:
        raise StudyError("strategy groups: " + "; ".join(problems), code="bad_groups")
