"""Check values of charts of units and of consecutive cases."""

from __future__ import annotations

from typing import Any

from outcomes.stats.charts.cusum_run_length import cusum_run_length
from outcomes.stats.charts.funnel import proportion_funnel
from outcomes.stats.charts.risk_adjusted_cusum import observed_minus_expected, risk_adjusted_cusum


def funnel(case: dict[str, Any]) -> dict[str, Any]:
    given = case["inputs"]
    made = {}
    for name, method in (("exact_interp", "exact"), ("normal", "normal")):
        limits = proportion_funnel(given["n"], given["target"], probabilities=given["probs"], method=method)
        made |= {f"{name}_{p:g}": limits.raw[:, j].tolist() for j, p in enumerate(given["probs"])}
    return made


def run_length(case: dict[str, Any]) -> dict[str, Any]:
    return {
        f"arl{shift}_k.5_h{limit}": cusum_run_length(0.5, limit, shift=shift).average
        for shift in (0, 1)
        for limit in (4, 5)
    }


def risk_adjusted(case: dict[str, Any]) -> dict[str, Any]:
    given = case["inputs"]
    chart = risk_adjusted_cusum(given["y"], given["p"], odds_ratio=given["odds_ratio"])
    running = observed_minus_expected(given["y"], given["p"]).difference
    return {"W": chart.weights.tolist(), "S": chart.score.tolist(), "vlad": running.tolist()}


COMPUTED = {"funnel-limits": funnel, "cusum-arl": run_length, "cusum-ra": risk_adjusted}
