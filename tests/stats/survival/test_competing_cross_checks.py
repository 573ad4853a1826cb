"""Competing and recurrent events against R on 600 random small data sets; the README there explains differences."""

from __future__ import annotations

import importlib.util
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence
from outcomes.stats.survival.gray import gray_test
from outcomes.stats.survival.recurrent_events import mean_cumulative_count
from outcomes.stats.survival.subdistribution import fit_subdistribution

FOLDER = Path(__file__).parents[2] / "reference" / "competing_cross_checks"
RESULTS = pd.read_csv(FOLDER / "results.csv").set_index("set")


def made_again() -> ModuleType:
    spec = importlib.util.spec_from_file_location("competing_data_sets", FOLDER / "data_sets.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # a dataclass looks itself up there
    spec.loader.exec_module(module)
    return module


DATA = made_again()


class Compared:
    """Collects pairs and says at the end which differ."""

    def __init__(self) -> None:
        self.count, self.wrong = 0, []

    def same(self, number: int, what: str, mine: float | None, theirs: float) -> None:
        if np.isnan(theirs):
            return
        self.count += 1
        if mine is None or not np.isclose(mine, theirs, rtol=1e-7, atol=1e-9):
            self.wrong.append((number, what, mine, theirs))

    def check(self, at_least: int) -> None:
        assert self.wrong == []
        assert self.count >= at_least


@cache
def sets() -> list:
    return [DATA.data_set(number) for number in range(DATA.N_SETS)]


@pytest.mark.parametrize(
    ("error", "clustered", "column"),
    [
        ("counting process", False, "var"),
        ("infinitesimal jackknife", False, "se"),
        ("infinitesimal jackknife", True, "cl"),
    ],
)
def test_cumulative_incidence(error, clustered, column):
    compared = Compared()
    for number, d in enumerate(sets()):
        found = cumulative_incidence(
            d.time, d.event, at=DATA.TIMES, causes=[1, 2], error=error,
            groups=pd.Categorical(d.group, categories=[0, 1]), clusters=d.cluster if clustered else None,
        )  # fmt: skip
        for group in (0, 1):
            for t in (4, 8):
                e, row = found.at("1", str(group), t), RESULTS.loc[number]
                compared.same(number, "incidence", e.value, row[f"est{group}_{t}"])
                if e.value == 1:
                    continue  # a share of 1 has no error: see the README
                mine = (e.std_error or 0.0) ** (2 if column == "var" else 1)
                compared.same(number, column, mine, row[f"{column}{group}_{t}"])
    compared.check(3600)


def test_gray():
    compared, reduced = Compared(), 0
    for number, d in enumerate(sets()):
        row = RESULTS.loc[number]
        for column, groups, strata in (("gray", d.group, None), ("gray_strata", d.third, d.stratum)):
            if np.isnan(row[column]):
                continue
            found = gray_test(d.time, d.event, groups, cause=1, causes=[1, 2], strata=strata)
            if (
                row[column] == -1
            ):  # their word for a singular variance; ours is no test, or fewer degrees of freedom
                reduced += 1
                assert found.statistic is None or found.df < len(found.groups) - 1, number
            else:
                compared.same(number, column, found.statistic, row[column])
                assert found.df == len(found.groups) - 1
    compared.check(1000)
    assert reduced == 60


@pytest.mark.parametrize("ties", ["together", "events first"])
def test_subdistribution_regression(ties):
    compared = Compared()
    for number, d in enumerate(sets()):
        row = RESULTS.loc[number]
        columns = ["b1", "b2", "s1", "s2", "loglik"]
        if ties == "events first":
            # without ties both are the same; with ties only the coefficients have an independent source
            columns = ["h1", "h2", "s1", "s2"] if number % 2 else ["h1", "h2"]
        if row[columns].isna().any():
            continue
        fit = fit_subdistribution(d.time, d.event, d.x, names=["a", "b"], cause=1, causes=[1, 2], ties=ties)
        errors = np.sqrt(np.diag(fit.covariance))
        mine = dict(zip(["b1", "b2", "s1", "s2"], [*fit.coefficients, *errors], strict=True))
        mine |= {"h1": mine["b1"], "h2": mine["b2"], "loglik": fit.log_likelihood}
        for column in columns:
            compared.same(number, column, mine[column], row[column])
    compared.check(1100)


def test_fits_that_the_other_program_gave_up_are_refused_or_far_out():
    codes, ratios = [], []
    for number, d in enumerate(sets()):
        if RESULTS.loc[number, ["b1", "b2"]].isna().any():
            try:
                fit = fit_subdistribution(d.time, d.event, d.x, names=["a", "b"], cause=1, causes=[1, 2])
            except EstimationError as error:
                codes.append(error.code)
            else:
                ratios += [ratio.value for ratio in fit.ratios]
    assert set(codes) == {"no_maximum", "rank_deficient", "no_events"}
    assert len(codes) > 100
    assert min(ratios) > 0


def test_mean_cumulative_count():
    compared = Compared()
    for number in range(DATA.N_SETS):
        r, row = DATA.recurrent(number), RESULTS.loc[number]
        found = mean_cumulative_count(r.end, r.when, r.whose, at=DATA.TIMES)
        for t, made in zip((4, 8), found.rows, strict=True):
            compared.same(number, "count", made.estimate.value, row[f"count_{t}"])
            compared.same(number, "error", made.estimate.std_error or 0.0, row[f"count_se_{t}"])
    compared.check(2000)


def slope(end, when, whose, died, case, at):
    """Return the derivative of the count by the weight of a case, by differences of the sum written out."""
    found = []
    for step in (1e-6, -1e-6):
        weight = np.ones(len(end))
        weight[case] += step
        alive, total = 1.0, 0.0
        for t in sorted({*when, *end[died == 1]}):
            if t <= at:
                risk = weight[end >= t].sum()
                total += alive * weight[whose[when == t]].sum() / risk
                alive *= 1 - weight[(end == t) & (died == 1)].sum() / risk
        found.append(total)
    return (found[0] - found[1]) / 2e-6


def test_mean_cumulative_count_with_death():
    """Values agree; errors are the exact derivative, theirs the formula for large samples (see the README)."""
    compared, ratios = Compared(), []
    for number in range(DATA.N_SETS):
        r, row = DATA.recurrent(number), RESULTS.loc[number]
        # the other program needs times without ties
        end = r.end + 0.05 + 1e-4 * np.arange(1, len(r.end) + 1)
        when = r.when + 1e-4 * np.arange(1, len(r.when) + 1)
        found = mean_cumulative_count(end, when, r.whose, at=DATA.TIMES, died=r.died)
        for t, made in zip((4, 8), found.rows, strict=True):
            compared.same(number, "count", made.estimate.value, row[f"alive_{t}"])
            if len(end) > 15 and row[f"alive_se_{t}"] > 0:
                ratios.append(made.estimate.std_error / row[f"alive_se_{t}"])
        if number % 10 == 0 and found.rows[0].estimate.std_error:
            slopes = [slope(end, when, r.whose, r.died, case, 4.0) for case in range(len(end))]
            assert np.isclose(np.linalg.norm(slopes), found.rows[0].estimate.std_error, rtol=1e-6), number
    compared.check(1000)
    assert 0.97 < np.median(ratios) < 1.03
    assert len(ratios) > 100
