"""What a plan may name: no key, no free text, no strategy that cannot be."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd
import pytest

import outcomes
from outcomes.analysis.named_columns import check_judged
from outcomes.errors import StudyError

DICTIONARY: dict[str, Any] = {
    "format": "outcomes dictionary 1",
    "columns": {
        "id": {"is": "patient_id"},
        "side": {"is": "side"},
        "surgeon": {"is": "surgeon"},
        "note": {"is": "operation_text"},
        "arm": {
            "is": "covariate",
            "name": "arm",
            "kind": "category",
            "levels": {"plate": ["p"], "pins": ["k"]},
        },
        "well": {"is": "covariate", "name": "well", "kind": "yes_no", "yes": ["1"], "no": ["0"]},
    },
}


def cohort() -> outcomes.Cohort:
    frame = pd.DataFrame(
        {
            "id": [f"ZEBRA-{i}" for i in range(60)],
            "side": ["left"] * 60,
            "surgeon": ["S1", "S2"] * 30,
            "note": ["volar plate by Mr Quagga"] * 60,
            "arm": ["p"] * 30 + ["k"] * 30,
            "well": ["1", "0", "1"] * 20,
        }
    )
    return outcomes.read_cohort(frame, DICTIONARY)


def study(
    recorded: str = "arm", rule: str = "", judged: tuple[str, ...] = ("plate", "pins")
) -> outcomes.Study:
    rules = (outcomes.EligibilityRule(column=rule, one_of=("ZEBRA-1",), reason="asked for"),) if rule else ()
    return outcomes.Study(
        title="invented",
        declared=dt.date(2026, 1, 1),
        strategy=outcomes.StrategyPlan(judged=judged, recorded_column=recorded),
        outcomes=(outcomes.OutcomePlan(name="well", better="higher", role="primary"),),
        eligibility=rules,
    )


def test_a_declared_category_may_record_the_strategy():
    sample = outcomes.assemble(cohort(), study())
    assert set(sample.frame["strategy"]) == {"plate", "pins"}


@pytest.mark.parametrize("column", ["note", "operation_text", "patient_id", "surgeon", "well", "nothing"])
def test_keys_and_free_text_may_not_record_the_strategy(column):
    with pytest.raises(StudyError) as caught:
        outcomes.assemble(cohort(), study(recorded=column))
    assert caught.value.code == "recorded_column"
    assert "arm" in str(caught.value)
    assert "Quagga" not in str(caught.value)


@pytest.mark.parametrize("column", ["patient_id", "case_id", "operation_text"])
def test_eligibility_may_not_name_persons(column):
    with pytest.raises(StudyError) as caught:
        outcomes.assemble(cohort(), study(rule=column))
    assert caught.value.code == "personal_rule"
    assert "ZEBRA" not in str(caught.value)


def test_a_strategy_nobody_can_have_is_refused_with_the_closest():
    with pytest.raises(StudyError, match="did you mean 'pins'"):
        outcomes.assemble(cohort(), study(judged=("plate", "pin")))
    check_judged(["plate"], ["plate", "pins"])
