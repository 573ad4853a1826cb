"""Tables by stratum from rows: equal to cross-tabulation, missing counted, nothing shown."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.proportions.strata import mantel_haenszel
from outcomes.stats.proportions.tables_from_rows import stratified_tables


def rows(n=400, seed=1):
    rng = np.random.default_rng(seed)
    return (
        rng.integers(0, 2, n),
        rng.integers(0, 2, n),
        np.array([f"h{k:02d}" for k in rng.integers(0, 12, n)]),
    )


def test_equal_to_cross_tabulation_whatever_the_order():
    first, event, strata = rows()
    found = stratified_tables(first, event, strata)
    for name, table in zip(found.strata, found.tables, strict=True):
        here = pd.crosstab(first[strata == name], event[strata == name]).reindex(
            index=[1, 0], columns=[1, 0], fill_value=0
        )
        assert table.tolist() == here.to_numpy().tolist()
    assert (found.strata, found.n) == (tuple(sorted(set(strata))), 400)
    turned = stratified_tables(first[::-1], event[::-1].astype(bool), pd.Categorical(strata[::-1]))
    assert turned.tables.tolist() == found.tables.tolist()
    swapped = stratified_tables(1 - first, event, strata)
    assert swapped.tables[:, ::-1].tolist() == found.tables.tolist()
    assert mantel_haenszel(swapped.tables).risk_difference.value == pytest.approx(
        -mantel_haenszel(found.tables).risk_difference.value, rel=1e-12
    )


def test_strata_given_as_numbers_close_together_or_far_apart():
    first, event, strata = rows()
    number = np.array([int(name[1:]) for name in strata])
    near, far = stratified_tables(first, event, number - 5), stratified_tables(first, event, number * 10**9)
    by_name = dict(
        zip(
            *(stratified_tables(first, event, strata).strata, stratified_tables(first, event, strata).tables),
            strict=True,
        )
    )
    for found, name_of in ((near, lambda s: int(s) + 5), (far, lambda s: int(s) // 10**9)):
        for name, table in zip(found.strata, found.tables, strict=True):
            assert table.tolist() == by_name[f"h{name_of(name):02d}"].tolist()
    assert len(near.strata) == len(far.strata) == len(by_name)


def test_missing_rows_are_counted_and_empty_strata_dropped():
    found = stratified_tables([1, np.nan, 0, 1], [1, 1, np.nan, 0], ["a", "b", "c", None])
    assert (found.strata, found.tables.tolist(), found.n, found.n_missing) == (
        ("a",),
        [[[1, 0], [0, 0]]],
        1,
        3,
    )
    assert str(found) == "1 rows in 1 strata; 3 rows with something missing left out"
    assert found.tidy().to_dict("records") == [
        {"group": "a", "first_events": 1, "first_n": 1, "second_events": 0, "second_n": 0}
    ]


@pytest.mark.parametrize(
    ("first", "event", "strata", "words"),
    [
        ([1, 2], [0, 1], ["a", "b"], "first: 1 values are neither"),
        ([1, 0], [0, np.inf], ["a", "b"], "event: 1 values"),
        ([1, -1], [0, 1], ["a", "b"], "first: 1 values are neither"),
        ([1.0, -1.0], [0, 1], ["a", "b"], "first: 1 values are neither"),
        (["yes", "no"], [0, 1], ["a", "b"], "first: give 0, 1 or missing"),
        ([1, 0, 1], [0, 1], ["a", "b"], r"shape \(3,\)"),
        ([1, np.nan], [np.nan, 1], ["a", "b"], "no row with"),
    ],
)
def test_bad_input_is_named_without_its_values(first, event, strata, words):
    with pytest.raises(EstimationError, match=words) as raised:
        stratified_tables(first, event, strata)
    assert "yes" not in str(raised.value)
