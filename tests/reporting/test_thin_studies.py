"""Studies with hardly anything in them: the report is complete and says what it cannot."""

from __future__ import annotations

import json
import re

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.run import analyse
from outcomes.analysis.study_file import read_study
from outcomes.cohort.table import read_cohort
from outcomes.reporting.run_folder import RunFolder, write_run
from outcomes.reporting.verify import verify_run

DICTIONARY = {
    "columns": {
        "No": {"is": "patient_id"},
        "Treated": {"is": "treatment_date"},
        "How": {
            "is": "covariate",
            "name": "how",
            "kind": "category",
            "levels": {"plate": [], "pins": [], "cast": []},
        },
        "Age": {"is": "age"},
        "Score": {"is": "prwe", "time": "12 months"},
        "Again": {"is": "covariate", "name": "again", "kind": "yes_no", "yes": ["y"], "no": ["n"]},
        "Tilt": {"is": "tilt", "time": "union", "unit": "degrees", "positive": "volar"},
        "UV": {"is": "ulnar_variance", "time": "union", "unit": "mm", "positive": "ulna longer"},
    }
}
FILMS = {"criteria": "brogren-2013", "film": "union", "intermediate": []}


def cohort_of(n: int, *, score: str = "spread", again: str = "some", tilt: str = "spread") -> object:
    rng = np.random.default_rng(20260115)
    made = {
        "spread": rng.normal(30, 10, n).round(1).clip(0, 100).astype(str),
        "one value": ["20"] * n,
        "none": [""] * n,
    }
    frame = pd.DataFrame(
        {
            "No": [f"P{i:04d}" for i in range(n)],
            "Treated": "2024-03-01",
            "How": [("plate", "pins", "cast")[i % 3] for i in range(n)],
            "Age": rng.integers(20, 80, n).astype(str),
            "Score": made[score],
            "Again": {"some": ["y" if i % 5 == 0 else "n" for i in range(n)], "never": ["n"] * n}[again],
            "Tilt": {
                "spread": rng.normal(-5, 12, n).round().astype(str),
                "good": ["5"] * n,
                "none": [""] * n,
            }[tilt],
            "UV": "0",
        }
    )
    return read_cohort(frame, DICTIONARY)


def study_of(*, films: bool, covariates: list[str] | None = None, margin: bool = True) -> object:
    size = (
        {"margin": 10, "margin_unit": "points", "margin_source": "declared by the authors: test"}
        if margin
        else {}
    )
    points = {
        "margin": 10,
        "margin_unit": "percentage points",
        "margin_source": "declared by the authors: test",
    }
    return read_study(
        {
            "format": "outcomes study 1",
            "title": "Thin",
            "data_seen_before_plan": "no",
            "declared": "2026-01-15",
            "strategy": {"judged": ["plate", "pins", "cast"], "recorded_column": "how"},
            **({"reduction": FILMS} if films else {}),
            "outcomes": [
                {"name": "prwe", "visit": "12 months", "role": "primary", "better": "lower", **size},
                {"name": "again", "better": "lower", **(points if margin else {})},
            ],
            **({"covariates": {"names": covariates, "why": "test"}} if covariates else {}),
        }
    )


CASES = {
    "three cases": (cohort_of, {"n": 3}, {"films": True}),
    "nine cases": (cohort_of, {"n": 9}, {"films": True, "covariates": ["age"]}),
    "no events": (cohort_of, {"n": 60, "again": "never"}, {"films": True}),
    "one value": (cohort_of, {"n": 60, "score": "one value"}, {"films": True}),
    "outcome never known": (cohort_of, {"n": 60, "score": "none"}, {"films": True}),
    "all met": (cohort_of, {"n": 60, "tilt": "good"}, {"films": True}),
    "all indeterminate": (cohort_of, {"n": 60, "tilt": "none"}, {"films": True}),
    "no margin": (cohort_of, {"n": 60}, {"films": True, "margin": False}),
    "reduction not asked": (cohort_of, {"n": 150}, {"films": False, "covariates": ["age"]}),
    "ordinary": (cohort_of, {"n": 300}, {"films": True, "covariates": ["age"]}),
}


@pytest.fixture(scope="module", params=CASES, ids=str)
def thin(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    make, cohort, study = CASES[request.param]
    analysis = analyse(make(**cohort), study_of(**study))  # type: ignore[arg-type]
    return write_run(analysis, tmp_path_factory.mktemp("thin") / "run")


def test_the_report_is_complete_and_holds_no_broken_number(thin: RunFolder) -> None:
    page = (thin.folder / "report.html").read_text(encoding="utf-8")
    words = re.sub(r"base64,[A-Za-z0-9+/=]+|<style>.*?</style>", "", page, flags=re.S)
    words = re.sub(r"<[^>]+>", " ", words)
    assert not re.search(r"\b(nan|NaN|None(?! was given)|inf|Infinity)\b|\b0\.000\b", words)
    for title in (
        "The answer in full",
        "Participant flow",
        "Who the cases are",
        "Methods",
        "Provenance",
        "Cautions",
    ):
        assert title in words
    assert thin.page_words <= 250
    content = json.loads((thin.folder / "results.json").read_text(encoding="utf-8"))
    assert len(content["answers"]) == 2


def test_a_run_from_python_is_intact_and_says_that_it_cannot_be_repeated(thin: RunFolder) -> None:
    found = verify_run(thin.folder)
    assert found.exit_code == 2
    assert "written from Python" in str(found)
    assert (thin.private / "dictionary.toml").is_file()
