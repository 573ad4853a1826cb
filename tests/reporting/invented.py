"""Invented results, made by hand, for tests of pages, figures and folders. Nothing here was computed."""

from __future__ import annotations

from dataclasses import replace

from outcomes.analysis.answer import Answer, Effect, Gate, OutOfComparison
from outcomes.estimates import Estimate, Margin

CAST = "closed reduction and cast"
PINS = "percutaneous pinning"
FIXATOR = "bridging external fixation, augmented"
PLATE = "volar locking plate"
POINTS = "percentage points"


def effect(
    estimand,
    groups,
    value,
    half,
    *,
    at="",
    state="undetermined",
    direction="",
    n=300,
    unit=POINTS,
    population="eligible cases",
):
    """One effect with a symmetrical 95 % interval and a 90 % interval 0.84 times as wide."""
    if value is None:
        none = Estimate.not_estimable("no cases not meeting the criteria", unit=unit, n=n)
        return Effect(estimand=estimand, groups=groups, at=at, estimate=none, ordinary=none, state="undetermined",
                      direction="", population=population)  # fmt: skip
    wide = Estimate(value=value, conf_low=value - half, conf_high=value + half, std_error=half / 1.96, unit=unit,
                    n=n, method="CR2", contrast=" minus ".join(groups) or "met minus not met")  # fmt: skip
    narrow = replace(wide, level=0.90, conf_low=value - 0.84 * half, conf_high=value + 0.84 * half)
    return Effect(estimand=estimand, groups=groups, at=at, estimate=wide, ordinary=narrow, state=state,
                  direction=direction, population=population)  # fmt: skip


def grip_answer(**changes) -> Answer:
    """The primary answer: reduction counts, strategies do not."""
    pairs = [(CAST, PINS), (CAST, PLATE), (PINS, PLATE), (FIXATOR, PLATE)]
    answer = Answer(
        outcome="grip_share_12_months",
        label="grip, share of the other hand at 12 months",
        unit=POINTS,
        role="primary",
        margin=Margin(value=6.0, unit=POINTS, source="declared by the authors: invented for a test"),
        n_eligible=548,
        n_used=431,
        n_outcome_missing=71,
        n_indeterminate=40,
        n_covariate_missing=6,
        population="eligible cases with a label and the outcome",
        reduction_state="counts",
        strategy_state="does not count",
        total_state="undetermined",
        overall="reduction, not strategy",
        headline="Meeting the criteria goes with better grip, by more than the margin; once they are met, "
        "cast, pinning, augmented bridging fixation and volar plate do not differ by as much as the margin.",
        reduction=effect("E1", (), 11.3, 3.9, state="material", direction="better", n=431),
        reduction_by_strategy=(
            effect("E1", (CAST,), 10.1, 5.2, state="present", direction="better", n=120),
            effect("E1", (PINS,), 12.4, 6.0, state="present", direction="better", n=88),
            effect("E1", (FIXATOR,), None, 0, n=21),
            effect("E1", (PLATE,), 11.8, 5.1, state="material", direction="better", n=202),
        ),
        pairs=tuple(
            effect("E2", pair, value, 4.1, at="met", state="absent", n=210)
            for pair, value in zip(pairs, (0.4, -1.3, -1.7, 1.1), strict=True)
        ),
        pairs_not_met=tuple(effect("E2", pair, 1.0, 9.5, at="not met", n=101) for pair in pairs),
        total_pairs=tuple(
            effect("E3", pair, value, 4.4, n=311)
            for pair, value in zip(pairs, (-3.1, -5.0, -1.9, 0.4), strict=True)
        ),
        interaction=tuple(effect("E4", pair, 2.0, 9.9, n=311) for pair in pairs[:2]),
        judged=(CAST, PINS, FIXATOR, PLATE),
        not_judged=("spanning plate", "intramedullary nail"),
        share_met={
            CAST: Estimate(value=0.55, conf_low=0.47, conf_high=0.63, unit="", n=150),
            PLATE: Estimate(value=0.81, conf_low=0.75, conf_high=0.86, unit="", n=240),
        },
        pathway="In total the strategies may differ, through how often they reach the criteria; this is not settled.",
        gates=(),
        outside=(
            OutOfComparison(
                groups=(CAST, PLATE), pattern="volar rim shear", n_cases=14, why="no cast in this pattern"
            ),
        ),
        by_margin=(),
        reasons=("whether the effect depends on the strategy is undetermined",),
        reversed=False,
        model="linear model of the outcome on strategy, reduction, their product and the covariates; CR2 errors, "
        "clustered by patient",
    )
    return replace(answer, **changes)


def closed_answer() -> Answer:
    """A secondary answer that a gate closed."""
    return replace(
        grip_answer(),
        outcome="complication",
        label="any complication",
        role="secondary",
        overall="these data cannot tell",
        headline="These data cannot tell about complications.",
        reduction_state="undetermined",
        strategy_state="undetermined",
        gates=(
            Gate(
                axis="strategy", name="effective sample", found=14.2, limit=20, remedy="group plates together"
            ),
        ),
    )
