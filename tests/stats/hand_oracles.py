"""Closed forms worked out by hand, for every estimator that has one; test_hand_oracles.py asks for 12 digits.

Each function of the files ``hand_*.py`` returns pairs: what the package gives, what the hand gives.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

Pairs = Sequence[tuple[Any, Any]]
FILES = ("hand_means", "hand_tables", "hand_models", "hand_times", "hand_plans", "hand_more")

#: What has no closed form, and why: checked against other software, by simulation or by counting, as its page says.
NO_CLOSED_FORM = {
    "random draws": (
        "regression.risk_resamples.bootstrap_risk_contrasts", "regression.firth_resamples.fit_firth_resamples",
        "resampling.bootstrap.cluster_resamples", "resampling.totals_bootstrap.bootstrap_totals",
        "resampling.totals_bootstrap.bootstrap_mean_difference", "causal.doubly_robust_bootstrap.bootstrap_doubly_robust",
        "missing.imputation.impute", "missing.imputation.completed", "missing.tipping_point.shifted_analysis",
        "planning.simulated_power.simulated_power", "agreement.kappa.kappa_bootstrap", "causal.crossfit.cluster_folds",
        "causal.crossfit.cross_fitted", "regression.share_intervals.share_intervals",
        "charts.risk_adjusted_cusum.cusum_limit", "charts.run_rules.rule_false_alarms",
        "regression.wild.wild_cluster_bootstrap",
    ),
    "a word or a range of printed numbers": (
        "printed.attainable.find_sample", "printed.spread_limits.judge_sd", "printed.spread_limits.judge_order",
        "printed.percent_counts.judge_percent", "printed.printed_tests.judge_statistic",
        "printed.printed_comparisons.judge_two_means", "printed.printed_comparisons.judge_two_counts",
        "printed.printed_comparisons.judge_direction", "printed.printed_intervals.judge_interval",
        "regression.separation.find_separation",
    ),
    "the smallest size or effect found by search": (
        "planning.sample_size_means.detectable_two_means", "planning.sample_size_means.detectable_paired_means",
        "planning.sample_size_proportions.detectable_two_proportions",
        "planning.sample_size_interaction.detectable_interaction_means",
        "planning.sample_size_survival.detectable_hazard_ratio", "planning.precision.precision_of_mean",
        "planning.precision.precision_of_mean_difference", "planning.precision.precision_of_risk_difference",
        "planning.precision.precision_of_agreement_limits", "planning.precision.precision_of_icc",
        "missing.tipping_point.find_tipping_point",
    ),
    "a root or a maximum of more than one term": (
        "proportions.mid_p.mid_p_odds_ratio", "regression.proportional_odds.proportional_odds_test",
        "regression.likelihood.likelihood_interval", "regression.firth_profile.profile_interval",
        "pooling.heterogeneity.tau_squared_interval", "causal.mediation_sensitivity.correlation_sensitivity",
        "charts.cusum_run_length.cusum_run_length", "survival.cox_proportionality.proportionality_test",
        "survival.cox_penalised.cox_profile_interval",
    ),
    "other functions put together": (
        "groups.balance.standardised_differences", "groups.summary.summarise_groups",
        "regression.contrasts.contrast_estimates", "regression.splines.spline_knots",
        "regression.splines.nonlinearity_test", "repeated.visits.visit_design", "repeated.visits.visit_contrasts",
        "regression.specifications.fit_specifications", "proportions.tables_from_rows.stratified_tables",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """A closed form: the functions that it checks, what was worked out, and the pairs."""

    functions: tuple[str, ...]
    what: str
    pairs: Callable[[], Pairs]


HANDS: list[Hand] = []


def hand(*functions: str, what: str) -> Callable[[Callable[[], Pairs]], Callable[[], Pairs]]:
    """Enter a closed form into the table."""

    def enter(pairs: Callable[[], Pairs]) -> Callable[[], Pairs]:
        HANDS.append(Hand(functions=functions, what=what, pairs=pairs))
        return pairs

    return enter


def all_hands() -> list[Hand]:
    """Return the table, filled by its files, in the order of the files whichever was imported first."""
    for name in FILES:
        importlib.import_module(name)
    return sorted(HANDS, key=lambda entry: FILES.index(entry.pairs.__module__))
