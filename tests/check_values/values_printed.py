"""Check values of printed numbers, fragility and sample size."""

from __future__ import annotations

from typing import Any

from outcomes.stats.planning.sample_size_margins import size_equivalence_means, size_non_inferiority_means
from outcomes.stats.planning.sample_size_means import size_two_means
from outcomes.stats.planning.sample_size_proportions import size_two_proportions
from outcomes.stats.planning.sample_size_survival import events_for_hazard_ratio
from outcomes.stats.printed.fragility import fragility_index
from outcomes.stats.printed.granularity import grim
from outcomes.stats.printed.printed_tests import p_from_statistic


def granularity(case: dict[str, Any]) -> dict[str, Any]:
    found = [grim(line["mean"], line["n"], items=line["items"]) for line in case["inputs"]]
    return {"consistent": [line.finding == "consistent" for line in found]}


def p_values(case: dict[str, Any]) -> dict[str, Any]:
    given = case["inputs"]
    return {
        "t": p_from_statistic("t", given["t"]["t"], given["t"]["df"]),
        "F": p_from_statistic("F", given["F"]["F"], given["F"]["df1"], given["F"]["df2"]),
        "chi2": p_from_statistic("chi2", given["chi2"]["x"], given["chi2"]["df"]),
        "r": p_from_statistic("r", given["r"]["r"], given["r"]["n"] - 2),
        "z": p_from_statistic("z", given["z"]),
    }


def fragility(case: dict[str, Any]) -> dict[str, Any]:
    values = {}
    for line in case["inputs"]:
        found = fragility_index(line["e1"], line["n1"], line["e2"], line["n2"])
        name = f"{line['e1']}_{line['e2']}"
        values |= {f"fi_{name}": found.index, f"p_{name}": list(found.p_values)}
    return values


def sizes(case: dict[str, Any]) -> dict[str, Any]:
    mean, noninf, equiv, prop = (case["inputs"][name] for name in ("mean", "noninf", "equiv", "prop"))
    plan = {"alpha": mean["alpha"], "power": mean["power"]}
    by_z = size_two_means(mean["delta"], mean["sd"], method="z", **plan)
    shown = size_non_inferiority_means(
        noninf["margin"], noninf["sd"], true_difference=noninf["true_diff"], alpha=noninf["alpha_one_sided"],
        power=noninf["power"], method="z",
    )  # fmt: skip
    equal = size_equivalence_means(
        equiv["margin"], equiv["sd"], true_difference=equiv["true_diff"], alpha=equiv["alpha"],
        power=1 - equiv["beta"], method="half beta",
    )  # fmt: skip
    shares = {
        name: size_two_proportions(prop["p1"], prop["p2"], method=method).unrounded[0]
        for name, method in (
            ("prop_unpooled", "unpooled"),
            ("prop_pooled", "pooled"),
            ("prop_arcsine", "arcsine"),
            ("prop_cc", "continuity-corrected"),
        )
    }
    return shares | {
        "mean_z": by_z.unrounded[0], "mean_z_ceiling": by_z.groups[0],
        "mean_t": size_two_means(mean["delta"], mean["sd"], **plan).unrounded[0],
        "noninf_z": shown.unrounded[0], "noninf": shown.groups[0], "equiv": equal.groups[0], "equiv_z": equal.unrounded[0], "events": events_for_hazard_ratio(2),
    }  # fmt: skip


COMPUTED = {"grim": granularity, "pcheck": p_values, "fragility": fragility, "samplesize": sizes}
