"""Exact coverage of intervals of proportions: two independent roads, the stored grid, the page.

`make simulate` goes through the whole grid again; here a part of it, which shows that the stored grid belongs to
this code.
"""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import proportion_coverage as study
import pytest

ROOT = Path(__file__).parents[3]
FOLDER = ROOT / "tests" / "reference" / "proportion_coverage"
STORED = json.loads((FOLDER / "coverage.json").read_text(encoding="utf-8"))


def same(coverage, stored) -> bool:
    return bool(np.allclose([coverage.mean(), coverage.min()], stored[:2], rtol=0, atol=1e-10))


@pytest.mark.parametrize("n", [10, 17, 45])
@pytest.mark.parametrize("method", study.ONE)
def test_one_proportion(method: str, n: int):
    ours = study.one_by_limits(method, n)
    assert np.allclose(ours, study.one_by_test(method, n), rtol=0, atol=1e-10)
    assert same(ours, STORED["one"][method][str(n)])


@pytest.mark.parametrize("pair", [(10, 10), (10, 30)])
@pytest.mark.parametrize("method", study.TWO)
def test_two_proportions(method: str, pair: tuple[int, int]):
    ours = study.two_by_limits(method, *pair)
    assert np.allclose(ours, study.two_by_test(method, *pair), rtol=0, atol=1e-10)
    assert same(ours, STORED["two"][method][f"{pair[0]}, {pair[1]}"])


@pytest.mark.parametrize("method", ["Sato", "Greenland-Robins", "odds ratio"])
def test_small_strata(method: str):
    design = study.DESIGNS[3]
    ours, there = study.strata_by_limits(method, design)
    other, other_there = study.strata_by_formula(method, design)
    assert np.allclose(ours, other, rtol=0, atol=1e-10)
    assert np.allclose(there, other_there, rtol=0, atol=1e-10)
    assert same(ours, STORED["strata"][method]["2, 3; 3, 2; 2, 2"])


def test_small_strata_by_score_and_by_newcombe():
    design = study.DESIGNS[3]
    score, _ = study.strata_by_test(design)
    assert same(score, STORED["strata"]["stratified Miettinen-Nurminen"]["2, 3; 3, 2; 2, 2"])
    tables = study.every_table(design)[::37]
    for part in tables:
        low, high = study.stratum_interval("stratified Miettinen-Nurminen", part)
        assert -1 <= low <= high <= 1
    newcombe, _ = study.strata_by_limits("stratified Newcombe", design)
    assert same(newcombe, STORED["strata"]["stratified Newcombe"]["2, 3; 3, 2; 2, 2"])


def test_whole_grid_is_stored_and_both_roads_agree():
    assert STORED["farthest"] < 1e-10
    assert {method: len(sizes) for method, sizes in STORED["one"].items()} == dict.fromkeys(study.ONE, 191)
    assert {method: len(pairs) for method, pairs in STORED["two"].items()} == dict.fromkeys(study.TWO, 8)
    assert set(STORED["strata"]) == set(study.STRATA)


def test_what_the_intervals_hold():
    """The bars: mean 94.5 to 96 % for Wilson, never under the level for Clopper-Pearson, never under 90 % for two groups."""
    for n, (mean, low, _) in STORED["one"]["Wilson"].items():
        assert 0.945 <= mean <= 0.96, n
        assert low >= (0.90 if int(n) >= 60 else 0.84)
    assert min(low for _, low, _ in STORED["one"]["Clopper-Pearson"].values()) >= 0.95
    for method in ("Newcombe", "Miettinen-Nurminen", "Mee", "Koopman ratio"):
        assert min(low for _, low, _ in STORED["two"][method].values()) >= 0.90
    for method in ("stratified Newcombe", "stratified Miettinen-Nurminen"):
        assert min(low for _, low, *_ in STORED["strata"][method].values()) >= 0.92


def test_the_page_shows_the_stored_grid():
    page = (ROOT / "docs" / "validation" / "proportions.md").read_text(encoding="utf-8")
    assert [line for line in study.page_rows(STORED) if line not in page] == []


@pytest.mark.simulation
def test_whole_grid_again():
    spec = importlib.util.spec_from_file_location("make_coverage", FOLDER / "make_coverage.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found = json.loads(json.dumps(module.whole_grid()))
    assert found["farthest"] < 1e-10
    for part in ("one", "two", "strata"):
        for method, cells in found[part].items():
            for place, values in cells.items():
                assert np.allclose(values[:2], STORED[part][method][place][:2], rtol=0, atol=1e-10)
