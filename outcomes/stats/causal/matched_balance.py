"""Balance of matched cases, before and after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Literal, get_args

import numpy as np

from outcomes.errors import EstimationError
from outcomes.stats.causal.matching import MatchedSets
from outcomes.stats.causal.weighting import WeightedBalance, weighted_balance
from outcomes.stats.groups.balance import Kind, StandardisedDifference
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_choice
from outcomes.stats.numerics.moments import moments

Divisor = Literal["both groups", "treated"]


def matched_balance(
    columns: Mapping[str, Any],
    sets: MatchedSets,
    *,
    kinds: Mapping[str, Kind] | None = None,
    divisor: Divisor = "both groups",
) -> tuple[WeightedBalance, ...]:
    """Return the standardised differences, treated minus control, before and after matching.

    Parameters
    ----------
    columns : mapping of str to array_like, shape (n,)
        Values of each variable, in the rows given to :func:`outcomes.stats.causal.matching.match_cases`.
    sets : MatchedSets
    kinds : mapping of str to {"continuous", "binary", "categorical"}, optional
        "continuous" where not said.
    divisor : {"both groups", "treated"}
        Root of the mean of both groups' variances, or the spread of the treated (not for "categorical").

    Returns
    -------
    tuple of WeightedBalance
        Both divided by the spread before matching.

    Raises
    ------
    EstimationError
        Columns of other rows; "treated" with a categorical variable.

    Notes
    -----
    Source: Stuart (2010) Stat Sci 25:1 (the same denominator before and after; that of the treated where the
    comparison speaks for them).

    Examples
    --------
    >>> from outcomes.stats.causal.matching import match_cases
    >>> sets = match_cases(list("ttccc"), [2.0, 1.0, 2.1, 1.1, 9.0], treated="t", caliper=None)
    >>> b = matched_balance({"age": [60, 50, 61, 51, 90]}, sets)[0]
    >>> round(b.before.value, 4), round(b.after.value, 4)
    (-0.8129, -0.0659)
    """
    check_choice(divisor, get_args(Divisor), "divisor")
    exposure = np.where(sets.codes == 1, "0", "1")  # sorted so that treated comes first
    made = weighted_balance(columns, exposure, sets.weights, kinds=kinds)
    if divisor == "treated":
        if "categorical" in (kinds or {}).values():
            raise EstimationError(
                "a categorical variable has no spread of the treated alone; give its levels as binary columns",
                code="bad_choice",
            )
        factors = [
            _factor(np.asarray(columns[b.name], dtype=np.float64), sets.codes, b.before.kind) for b in made
        ]
    else:
        factors = [1.0] * len(made)
    pair = (sets.levels[1], sets.levels[0])
    return tuple(
        WeightedBalance(name=b.name, before=_named(b.before, pair, f), after=_named(b.after, pair, f))
        for b, f in zip(made, factors, strict=True)
    )


def _factor(values: FloatArray, codes: IntArray, kind: str) -> float:
    """Return the spread of both groups over that of the treated; 0 where the treated have none."""
    spreads = []
    for side in (0, 1):
        part = values[(codes == side) & ~np.isnan(values)]
        spread = moments(part).variance if kind == "continuous" else part.mean() * (1.0 - part.mean())
        spreads.append(0.0 if spread is None else float(spread))
    return float(np.sqrt(np.mean(spreads) / spreads[1])) if spreads[1] > 0.0 else 0.0


def _named(
    difference: StandardisedDifference, pair: tuple[str, str], factor: float
) -> StandardisedDifference:
    """Return a standardised difference with the levels' own names, times a factor (no value for 0)."""
    value = None if difference.value is None or factor == 0.0 else difference.value * factor
    reason = difference.reason or ("" if factor else "the treated do not vary")
    return replace(
        difference, value=value, between=pair if value is not None else (), reason=reason,
        denominator=difference.denominator if factor == 1.0 else "spread of the treated",
        pairs=((*pair, value),),
    )  # fmt: skip
