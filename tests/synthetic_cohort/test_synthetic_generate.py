"""The table: deterministic, complete in its columns, coherent in its dates."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

import synthetic_cohort
from synthetic_cohort import Simulation, generate, scenario_named, scenario_names
from synthetic_cohort.__main__ import main
from synthetic_cohort.levels import columns


@pytest.mark.parametrize("scenario", scenario_names())
def test_same_seed_same_table(scenario: str) -> None:
    assert_frame_equal(generate(120, scenario, seed=5), generate(120, scenario, seed=5))
    assert not generate(120, scenario, seed=6).equals(generate(120, scenario, seed=5))


def test_the_columns_are_those_announced(demo: Simulation) -> None:
    assert tuple(demo.table.columns) == columns()
    assert len(set(columns())) == len(columns())


@pytest.mark.parametrize("n", [1, 2, 3, 40])
def test_any_size(n: int) -> None:
    assert len(generate(n, "both", seed=1)) == n


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1 case"):
        generate(0, "both")
    with pytest.raises(ValueError, match="there are: demo, reduction_only"):
        generate(5, "reduction")


def test_ids_and_wrists(plain: Simulation) -> None:
    table = plain.table
    assert table["case_id"].is_unique
    wrists = table.groupby("patient_id").size()
    assert wrists.max() == 2
    assert (wrists == 2).mean() == pytest.approx(0.03, abs=0.002)
    both = table[table["patient_id"].duplicated(keep=False)]
    assert (both.groupby("patient_id")["side"].nunique() == 2).all()
    assert (
        not both.drop_duplicates(["patient_id", "age", "sex", "injury_date"])["patient_id"].duplicated().any()
    )


def test_the_other_hand_of_two_broken_wrists_is_the_other_broken_one(plain: Simulation) -> None:
    both = plain.table[plain.table["patient_id"].duplicated(keep=False)].dropna(
        subset="grip_injured_12_months"
    )
    pairs = both[both["patient_id"].duplicated(keep=False)].groupby("patient_id")
    first, second = pairs.nth(0), pairs.nth(1)
    assert len(first) > 100
    np.testing.assert_array_equal(first["grip_other_12_months"], second["grip_injured_12_months"])


def test_kinds_of_values(demo: Simulation) -> None:
    table = demo.table
    for name in table.columns:
        if "date" in name:
            assert table[name].dtype == np.dtype("datetime64[ns]"), name
        elif name.startswith(
            ("component_", "druj_congruent", "open", "diabetes", "smoking", "renal", "other_hand")
        ):
            assert set(table[name].dropna()) <= {"yes", "no"}, name
    for name in ("shortening_postoperative", "step_union", "grip_injured_12_months"):
        value = table[name].dropna()
        assert (value >= 0).all()
        assert (value * 2 == (value * 2).round()).all()
    assert table["prwe_12_months"].dropna().between(0, 100).all()


def test_dates_are_in_order(demo: Simulation) -> None:
    table = demo.table
    assert (table["treatment_date"] >= table["injury_date"]).all()
    known = table["film_date_postoperative"].notna()
    assert (table["film_date_postoperative"] >= table["treatment_date"])[known].all()
    operated = known & table["film_date_post_reduction"].notna()
    assert (table["film_date_post_reduction"] < table["treatment_date"])[operated].all()
    cast = table["component_cast"] == "yes"
    assert table.loc[cast, "film_date_postoperative"].isna().all()
    events = table.filter(regex=r"^event_date_\d$")
    ahead = events.diff(axis=1).iloc[:, 1:].to_numpy()
    assert (ahead[~np.isnat(ahead)] >= np.timedelta64(0)).all()
    assert (events.gt(table["treatment_date"], axis=0) | events.isna()).all().all()
    assert (events.le(table["last_seen_date"], axis=0) | events.isna()).all().all()


def test_events_fill_the_slots_from_the_first(demo: Simulation) -> None:
    kinds = demo.table.filter(regex=r"^event_\d$").notna().to_numpy()
    assert (kinds[:, 1:] <= kinds[:, :-1]).all()
    dates = demo.table.filter(regex=r"^event_date_\d$").notna().to_numpy()
    np.testing.assert_array_equal(kinds, dates)


@pytest.mark.parametrize("scenario", [name for name in scenario_names() if name != "demo"])
def test_named_scenarios_have_what_they_promise(scenario: str) -> None:
    plan = scenario_named(scenario)
    table = generate(4000, scenario, seed=3)
    assert len(plan.strategies) == 3
    deciding = table[["tilt_postoperative", "shortening_postoperative", "druj_congruent_postoperative"]]
    assert deciding.notna().all().all()
    covariates = ["age", "sex", "energy", "pattern", "tilt_injury", "shortening_injury", "bone_quality"]
    assert table[covariates].notna().all().all()
    assert (table["other_hand_impaired"] == "no").all()
    assert table["prwe_12_months"].isna().mean() == pytest.approx(0.08, abs=0.02)


def test_missed_visits_depend_on_who_the_patient_is(demo: Simulation) -> None:
    table = demo.table
    missed = table["prwe_12_months"].isna()
    assert missed[table["smoking"] == "yes"].mean() > missed[table["smoking"] == "no"].mean() + 0.02


def test_it_imports_nothing_of_the_other_package() -> None:
    allowed = set(sys.stdlib_module_names) | {"numpy", "pandas", "openpyxl", "synthetic_cohort"}
    for path in Path(synthetic_cohort.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert {name.split(".")[0] for name in names} <= allowed, path.name


def test_command_line_writes_the_same_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "a cohort.csv"
    assert main(["--n", "30", "--scenario", "mediated", "--seed", "4", "--out", str(out)]) == 0
    assert capsys.readouterr().out.strip() == str(out)
    read = pd.read_csv(out, parse_dates=["injury_date"], dtype={"case_id": str})
    expected = generate(30, "mediated", seed=4)
    np.testing.assert_array_equal(read["injury_date"], expected["injury_date"])
    np.testing.assert_allclose(read["grip_injured_12_months"], expected["grip_injured_12_months"])
