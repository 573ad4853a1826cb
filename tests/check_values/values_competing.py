"""Check values of cumulative incidence with competing causes."""

from __future__ import annotations

from typing import Any

import numpy as np
from case_data import load

from outcomes.stats.survival.cumulative_incidence import cumulative_incidence
from outcomes.stats.survival.gray import gray_test
from outcomes.stats.survival.subdistribution import fit_subdistribution

YEARS = (2.0, 5.0, 8.0)


def melanoma() -> tuple[Any, Any, Any]:
    """Return years, event (1 melanoma, 3 other death, 2 alive) and ulceration."""
    table = load("melanoma")
    return table["time"] / 365.25, table["status"], table["ulcer"]


def by_counting(case: dict[str, Any]) -> dict[str, Any]:
    time, event, ulcer = melanoma()
    found = cumulative_incidence(
        time, event, at=YEARS, censored=2, causes=[1, 3], groups=ulcer, error="counting process"
    )
    rows = {
        f"{group} {position}": [found.at(cause, group, t) for t in YEARS]
        for position, cause in (("1", "1"), ("2", "3"))
        for group in ("0", "1")
    }
    return {
        "rows": list(rows),
        "est": [[e.value for e in row] for row in rows.values()],
        "var": [[(e.std_error or 0.0) ** 2 for e in row] for row in rows.values()],
    }


def by_jackknife(case: dict[str, Any]) -> dict[str, Any]:
    time, event, ulcer = melanoma()
    found = cumulative_incidence(time, event, at=YEARS, censored=2, causes=[1, 3], groups=ulcer)
    rows = [
        [found.at(cause, group, t) for cause in ("event-free", "1", "3")]
        for group in ("0", "1")
        for t in YEARS
    ]
    return {
        "pstate": [[e.value for e in row] for row in rows],
        "se": [[e.std_error or 0.0 for e in row] for row in rows],
    }


def gray(case: dict[str, Any]) -> dict[str, Any]:
    time, event, ulcer = melanoma()
    own, other = (gray_test(time, event, ulcer, cause=cause, censored=2) for cause in (1, 3))
    return {
        "chi2_cause1": own.statistic, "p1": own.p_value, "chi2_cause2": other.statistic, "p2": other.p_value,
    }  # fmt: skip


def fine_gray(case: dict[str, Any]) -> dict[str, Any]:
    time, event, ulcer = melanoma()
    table = load("melanoma")
    design = np.column_stack([ulcer, np.log(table["thickness"]), table["sex"]])
    names = ["ulcer", "logthick", "male"]
    fit = fit_subdistribution(time, event, design, names=names, cause=1, censored=2, ties="together")
    return (
        {f"b_{name}": b for name, b in zip(names, fit.coefficients, strict=True)}
        | {f"se_{name}": ratio.std_error for name, ratio in zip(names, fit.ratios, strict=True)}
        | {"p_ulcer": float(f"{fit.ratios[0].p_value:.2g}"), "loglik": fit.log_likelihood}
        | {"loglik_null": fit.log_likelihood_null}
    )


COMPUTED = {
    "aj-melanoma": by_counting, "aj-melanoma-surv": by_jackknife, "finegray-melanoma": fine_gray,
    "gray-melanoma": gray,
}  # fmt: skip
