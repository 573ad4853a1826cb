"""A check finds everything that an analysis would refuse, and an analysis that a check lets through runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pandas as pd
import pytest

from outcomes.analysis.protocol import EligibilityRule, Study
from outcomes.analysis.run import analyse
from outcomes.cohort.table import Cohort
from outcomes.errors import OutcomesError
from outcomes.estimates import Margin
from outcomes.reporting.inputs import Inputs
from outcomes.reporting.rehearsal import rehearse

Change = Callable[[Study], Study]
NOBODY = EligibilityRule(column="age", at_least=119, reason="too young")
KG = Margin(value=1, unit="kg", source="declared by the authors: invented for a test")


def outcome(position: int, **changes: object) -> Change:
    def change(study: Study) -> Study:
        plans = list(study.outcomes)
        plans[position] = replace(plans[position], **changes)  # type: ignore[arg-type]
        return replace(study, outcomes=tuple(plans))

    return change


def plan(**changes: object) -> Change:
    return lambda study: replace(study, **changes)  # type: ignore[arg-type]


REFUSED: dict[str, Change] = {
    "covariate": plan(covariates=("age", "shoe_size")),
    "covariate after the strategy": plan(covariates=("age", "grip_injured_12_months")),
    "outcome": outcome(0, name="toe_grip"),
    "later outcome": outcome(3, name="toe_grip", visit="12 months"),
    "margin": outcome(2, margin=KG),
    "eligibility": plan(eligibility=(EligibilityRule(column="shoe_size", at_least=1, reason="barefoot"),)),
    "nobody": plan(eligibility=(NOBODY,)),
    "pattern": plan(pattern="age"),
    "criteria": lambda study: replace(study, reduction=replace(study.reduction, criteria="nowhere")),
    "film": lambda study: replace(
        study, reduction=replace(study.reduction, film="union", intermediate=(), reader=2)
    ),
    "rules": lambda study: replace(study, strategy=replace(study.strategy, rules="nowhere.toml")),
    "strategy": lambda study: replace(study, strategy=replace(study.strategy, judged=("splint", "sling"))),
}


@pytest.mark.parametrize("change", REFUSED.values(), ids=REFUSED)
def test_what_an_analysis_refuses_a_check_finds(inputs: Inputs, change: Change) -> None:
    study = change(inputs.study)
    with pytest.raises(OutcomesError) as refused:
        analyse(inputs.cohort, study)
    assert str(refused.value) in rehearse(inputs.cohort, study).refused


@pytest.mark.parametrize("number", range(4))
def test_every_outcome_that_is_refused_is_named(inputs: Inputs, number: int) -> None:
    study = outcome(number, margin=KG)(outcome((number + 1) % 4, margin=KG)(inputs.study))
    found = rehearse(inputs.cohort, study)
    assert found.sample is None
    assert len(found.refused) == 2
    for position in (number, (number + 1) % 4):
        assert any(inputs.study.outcomes[position].key in text for text in found.refused)


def test_a_refusal_behind_another_is_found(inputs: Inputs) -> None:
    study = outcome(0, margin=KG)(replace(inputs.study, eligibility=(NOBODY,), covariates=("shoe_size",)))
    refused = rehearse(inputs.cohort, study).refused
    assert any("shoe_size" in text for text in refused)
    study = outcome(0, margin=KG)(replace(inputs.study, eligibility=(NOBODY,)))
    first, *others = rehearse(inputs.cohort, study).refused
    assert "no case is eligible" in first
    assert any("the margin of grip_share_12_months is in 'kg'" in text for text in others)


def test_a_word_for_an_event_that_is_not_known_is_found(inputs: Inputs) -> None:
    data: pd.DataFrame = inputs.cohort.data.copy()
    column = next(str(name) for name in data.columns if str(name).startswith("event") and "date" not in name)
    data.loc[data.index[0], column] = "fell off a horse"
    cohort: Cohort = replace(inputs.cohort, data=data)
    found = rehearse(cohort, inputs.study)
    assert any("1 not known" in text for text in found.refused)
    assert not any("horse" in text for text in found.refused)


def test_what_would_run_is_not_refused(inputs: Inputs) -> None:
    found = rehearse(inputs.cohort, inputs.study)
    assert found.refused == ()
    assert found.primary is not None
    assert found.primary.outcome == inputs.study.primary.key


def test_a_refused_outcome_hides_no_covariate(inputs: Inputs) -> None:
    study = outcome(0, name="toe_grip")(replace(inputs.study, covariates=("shoe_size",)))
    study = replace(study, outcomes=study.outcomes[:1])
    refused = rehearse(inputs.cohort, study).refused
    assert len(refused) == 2
    assert any("shoe_size" in text for text in refused)
    assert any("toe_grip" in text for text in refused)
