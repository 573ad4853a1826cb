"""The numbers of a comparison as one table with the package's column names."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import pandas as pd

from outcomes.analysis.across_strata import Pooled, TwoWay
from outcomes.analysis.group_contrasts import Contrast, OutcomeSummary
from outcomes.analysis.joint_tests import JointTest
from outcomes.estimates import Estimate

COLUMNS = (
    "outcome", "section", "group", "stratum", "contrast", "estimate", "std_error", "conf_low", "conf_high",
    "p_value", "p_holm", "n", "n_missing", "unit", "method", "test", "reported", "reason", "events", "mean",
    "sd", "median", "q1", "q3", "statistic", "df", "df_within",
)  # fmt: skip


def tidy_rows(
    *,
    key: str,
    unit: str,
    summaries: Sequence[OutcomeSummary],
    contrasts: Sequence[tuple[str, Sequence[Contrast]]],
    pooled: Sequence[Pooled],
    two_way: TwoWay | None,
    tests: Sequence[JointTest],
) -> pd.DataFrame:
    """Return all parts of a comparison below one another; columns that do not apply are empty."""
    rows: list[dict[str, Any]] = [_summary(summary, unit) for summary in summaries]
    for section, made in contrasts:
        for contrast in made:
            rows.extend(_contrast(contrast, section))
    for each in pooled:
        rows.extend(_pooled(each))
    if two_way is not None:
        rows.extend(_estimate(e, "two-way model", ", ".join(two_way.strategies)) for e in two_way.pairs)
        rows.extend(_test(test, "two-way model") for test in (two_way.interaction, two_way.classical))
    rows.extend(_test(test, "joint test") for test in tests)
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    frame["outcome"] = key
    return frame


def _summary(summary: OutcomeSummary, unit: str) -> dict[str, Any]:
    """Return one group: the mean or the risk as the estimate."""
    row: dict[str, Any] = {
        "section": "summary", "group": summary.strategy or "all", "stratum": summary.reduction or "all",
        "n": summary.n, "n_missing": summary.n_missing, "unit": unit, "reported": True,
        "events": summary.events, "mean": summary.mean, "sd": summary.sd, "median": summary.median, "q1": summary.q1,
        "q3": summary.q3, "estimate": summary.mean,
    }  # fmt: skip
    if summary.risk is not None:
        risk = summary.risk
        row |= {
            "estimate": risk.value, "conf_low": risk.conf_low, "conf_high": risk.conf_high, "unit": risk.unit,
            "method": risk.method, "reason": risk.reason,
        }  # fmt: skip
    return row


def _estimate(estimate: Estimate, section: str, stratum: str, *, reported: bool = True) -> dict[str, Any]:
    """Return one estimate."""
    return {
        "section": section, "stratum": stratum, "contrast": estimate.contrast, "estimate": estimate.value,
        "std_error": estimate.std_error, "conf_low": estimate.conf_low, "conf_high": estimate.conf_high,
        "p_value": estimate.p_value, "n": estimate.n, "n_missing": estimate.n_missing, "unit": estimate.unit,
        "method": estimate.method, "reported": reported, "reason": estimate.reason,
    }  # fmt: skip


def _contrast(contrast: Contrast, section: str) -> Iterator[dict[str, Any]]:
    """Yield the reported estimate, those beside it, and the exact test of a binary outcome."""
    stratum = contrast.within or "all"
    yield _estimate(contrast.estimate, section, stratum) | {"p_holm": contrast.p_holm, "test": contrast.test}
    for estimate in contrast.beside:
        yield _estimate(estimate, section, stratum, reported=False)
    if contrast.p_exact is not None:
        yield {
            "section": section, "stratum": stratum, "contrast": contrast.estimate.contrast,
            "p_value": contrast.p_exact, "n": contrast.estimate.n, "n_missing": contrast.estimate.n_missing,
            "method": "Fisher exact", "test": "Fisher exact", "reported": False,
        }  # fmt: skip


def _pooled(pooled: Pooled) -> Iterator[dict[str, Any]]:
    """Yield the pooled estimate, the ratios beside it, its test and the test of homogeneity."""
    stratum = ", ".join(pooled.strata)
    yield _estimate(pooled.estimate, "pooled over strata", stratum)
    for estimate in pooled.beside:
        yield _estimate(estimate, "pooled over strata", stratum, reported=False)
    for test in (pooled.test, pooled.homogeneity):
        yield _test(test, "pooled over strata") | {"stratum": stratum}


def _test(test: JointTest, section: str) -> dict[str, Any]:
    """Return one joint test."""
    return {
        "section": section, "contrast": test.question, "p_value": test.p_value, "n": test.n,
        "n_missing": test.n_missing, "method": test.method, "test": test.symbol, "reported": True,
        "reason": test.reason, "statistic": test.statistic, "df": test.df, "df_within": test.df_within,
    }  # fmt: skip
