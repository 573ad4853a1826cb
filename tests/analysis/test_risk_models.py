"""Which model carries a binary outcome, and over whom it is averaged."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.analysis.answer import answer_question

PLATE, PINS, NAIL = "volar locking plate", "percutaneous pinning", "intramedullary nail"


def cohort(make_sample, *, nail_events: float, n_missing: int = 0, drop: bool = False):
    rng = np.random.default_rng(1)
    strategy = [PLATE] * 280 + [PINS] * 280 + [NAIL] * 40
    reduction = np.where(rng.random(600) < 0.6, "met", "not met").tolist()
    event = (rng.random(600) < 0.35).astype(float)
    event[560:] = rng.random(40) < nail_events
    age = rng.normal(60, 10, 600)
    without = rng.choice(600, n_missing, replace=False)
    age[without] = np.nan
    eligible = np.ones(600, dtype=bool)
    eligible[without] = not drop
    return make_sample(
        strategy, outcome=event, reduction=reduction, kind="binary", judged=(PLATE, PINS), eligible=eligible.tolist(),
        covariates=("age",), columns={"age": age},
    )  # fmt: skip


def test_a_strategy_without_any_event_calls_for_the_penalised_model(make_sample):
    """Its coefficient is infinite: the declared fallback answers, instead of no answer at all."""
    answer = answer_question(cohort(make_sample, nail_events=0.0), "result")
    assert answer.model.startswith("Penalised logistic regression")
    assert not any("not fitted" in reason for reason in answer.reasons)
    assert answer.pairs[0].estimate.conf_low is not None
    assert answer.total_pairs[0].estimate.conf_low is not None
    assert answer.interaction == ()


def test_with_events_everywhere_the_ordinary_model_stands(make_sample):
    answer = answer_question(cohort(make_sample, nail_events=0.35), "result")
    assert answer.model.startswith("Logistic regression")


def test_cases_without_covariates_do_not_enter_the_average(make_sample):
    """Left in or taken out beforehand, they change neither the estimate nor its error."""
    kept = answer_question(cohort(make_sample, nail_events=0.35, n_missing=200), "result")
    gone = answer_question(cohort(make_sample, nail_events=0.35, n_missing=200, drop=True), "result")
    for one, other in zip((kept.reduction, *kept.pairs), (gone.reduction, *gone.pairs), strict=True):
        assert one.estimate.n == other.estimate.n
        assert one.estimate.value == pytest.approx(other.estimate.value, abs=1e-10)
        assert one.estimate.std_error == pytest.approx(other.estimate.std_error, rel=1e-10)
