"""Closed forms by hand: sizes and powers by the normal."""

from __future__ import annotations

from math import ceil, log, sqrt

from hand_oracles import Pairs, hand
from scipy import stats

from outcomes.stats.planning.sample_size_clusters import inflate
from outcomes.stats.planning.sample_size_interaction import (
    power_interaction_means,
    power_interaction_proportions,
    size_interaction_means,
    size_interaction_proportions,
)
from outcomes.stats.planning.sample_size_margins import (
    power_equivalence_means,
    power_non_inferiority_means,
    size_equivalence_means,
    size_non_inferiority_means,
)
from outcomes.stats.planning.sample_size_means import power_paired_means, size_paired_means, size_two_means
from outcomes.stats.planning.sample_size_proportions import power_two_proportions
from outcomes.stats.planning.sample_size_share_margins import (
    power_equivalence_proportions,
    power_non_inferiority_proportions,
    size_equivalence_proportions,
    size_non_inferiority_proportions,
)
from outcomes.stats.planning.sample_size_survival import size_survival

Z, Z80 = stats.norm.ppf(0.975), stats.norm.ppf(0.8)
Z95 = stats.norm.ppf(0.95)


def upper(shift: float, z: float = Z) -> float:
    """Return the chance that a normal deviate with this shift lies beyond either limit."""
    return float(stats.norm.sf(z - shift) + stats.norm.cdf(-z - shift))


@hand(
    "planning.sample_size_means.size_paired_means",
    "planning.sample_size_means.power_paired_means",
    what="half an SD of the difference by the normal: 4 (z + z)^2",
)
def _() -> Pairs:
    return [
        (size_paired_means(0.5, 1, method="z").n, ceil(4 * (Z + Z80) ** 2)),
        (power_paired_means(16, 0.5, 1, method="z").power, upper(2)),
    ]  # fmt: skip


@hand("planning.sample_size_proportions.power_two_proportions", what="0.65 and 0.85, 70 each, unpooled")
def _() -> Pairs:
    power = power_two_proportions(70, 70, 0.85, 0.65, method="unpooled").power
    return [(power, upper(0.2 / sqrt((0.65 * 0.35 + 0.85 * 0.15) / 70)))]


@hand(
    "planning.sample_size_margins.size_non_inferiority_means",
    "planning.sample_size_margins.power_non_inferiority_means",
    what="margin of half an SD by the normal",
)
def _() -> Pairs:
    return [
        (size_non_inferiority_means(0.5, 1, method="z").groups[0], ceil(8 * (Z + Z80) ** 2)),
        (power_non_inferiority_means(32, 32, 0.5, 1, method="z").power, stats.norm.sf(Z - 2)),
    ]  # fmt: skip


@hand(
    "planning.sample_size_margins.size_equivalence_means",
    "planning.sample_size_margins.power_equivalence_means",
    what="P(|Z| < 2 - 1.645); half beta: 8 (z + z)^2",
)
def _() -> Pairs:
    return [
        (power_equivalence_means(32, 32, 0.5, 1, method="z").power, 2 * stats.norm.cdf(2 - Z95) - 1),
        (size_equivalence_means(0.5, 1, method="half beta").groups[0], ceil(8 * (Z95 + stats.norm.ppf(0.9)) ** 2)),
    ]  # fmt: skip


@hand(
    "planning.sample_size_share_margins.size_non_inferiority_proportions",
    "planning.sample_size_share_margins.power_non_inferiority_proportions",
    "planning.sample_size_share_margins.size_equivalence_proportions",
    "planning.sample_size_share_margins.power_equivalence_proportions",
    what="equal shares 0.85 within 0.1, 0.5 within 0.2",
)  # fmt: skip
def _() -> Pairs:
    error = sqrt(2 * 0.85 * 0.15 / 200)
    return [
        (size_non_inferiority_proportions(0.85, 0.85, 0.1, better="higher").groups[0], ceil((Z + Z80) ** 2 * 25.5)),
        (power_non_inferiority_proportions(200, 200, 0.85, 0.85, 0.1, better="higher").power, stats.norm.sf(Z - 0.1 / error)),
        (size_equivalence_proportions(0.5, 0.5, 0.2).groups[0], ceil((Z95 + stats.norm.ppf(0.9)) ** 2 * 12.5)),
        (power_equivalence_proportions(108, 108, 0.5, 0.5, 0.2).power, 2 * stats.norm.cdf(0.2 / sqrt(0.5 / 108) - Z95) - 1),
    ]  # fmt: skip


@hand(
    "planning.sample_size_interaction.size_interaction_means", "planning.sample_size_interaction.power_interaction_means",
    "planning.sample_size_interaction.size_interaction_proportions",
    "planning.sample_size_interaction.power_interaction_proportions",
    what="four cells: error sqrt(4 / n) of an interaction; shares 0.5, 0.3, 0.3, 0.3",
)  # fmt: skip
def _() -> Pairs:
    shares = [0.5, 0.3, 0.3, 0.3]
    spread = sum(p * (1 - p) for p in shares)
    return [
        (size_interaction_means(0.5, 1, method="z").groups[0], ceil(16 * (Z + Z80) ** 2)),
        (power_interaction_means([64] * 4, 0.5, 1, method="z").power, upper(2)),
        (size_interaction_proportions(shares).groups[0], ceil((Z + Z80) ** 2 * spread / 0.04)),
        (power_interaction_proportions([173] * 4, shares).power, upper(0.2 / sqrt(spread / 173))),
    ]  # fmt: skip


@hand(
    "planning.sample_size_survival.size_survival",
    what="half of group 0 and 3/4 of group 1 have the event: events / 1.25",
)
def _() -> Pairs:
    size = size_survival(2, log(2), follow_up=1).groups[0]
    return [(size, ceil(4 * (Z + Z80) ** 2 / log(2) ** 2 / 1.25))]


@hand("planning.sample_size_clusters.inflate", what="64 each, effect of clusters 2, a fifth lost: 160")
def _() -> Pairs:
    return [(inflate(size_two_means(5, 10), cluster_size=21, icc=0.05, lost=0.2).groups[0], 160)]
