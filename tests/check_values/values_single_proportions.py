"""Check values of one proportion."""

from __future__ import annotations

from typing import Any

from outcomes.stats.proportions import clopper_pearson, wilson


def limits(case: dict[str, Any]) -> dict[str, Any]:
    events, n, level = case["inputs"]["x"], case["inputs"]["n"], case["inputs"]["level"]
    score, exact = wilson(events, n, level), clopper_pearson(events, n, level)
    return {
        "p": score.value, "wilson_lo": score.conf_low, "wilson_hi": score.conf_high, "cp_lo": exact.conf_low,
        "cp_hi": exact.conf_high,
    }  # fmt: skip


COMPUTED = {
    name: limits for name in ("wilson-81-263", "wilson-15-148", "wilson-0-20", "wilson-1-29")
}  # fmt: skip
