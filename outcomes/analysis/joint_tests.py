"""Tests of several differences at once: they describe, and never enter an answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.analysis.group_contrasts import FloatArray, OutcomeCases, one_cluster
from outcomes.errors import EstimationError
from outcomes.stats.groups.anova import welch_anova
from outcomes.stats.groups.ranks import kruskal_wallis
from outcomes.stats.proportions.exact_tables import exact_test
from outcomes.stats.proportions.risks import chi_squared
from outcomes.stats.proportions.strata import StratifiedTest
from outcomes.stats.regression.linear import LinearFit, fit_linear
from outcomes.stats.regression.wald import wald_test


@dataclass(frozen=True, slots=True, kw_only=True)
class JointTest:
    """A test of several differences at once. It describes; it never enters an answer.

    Attributes
    ----------
    question : str
        What the test supposes and a small p speaks against, in words.
    symbol : str
        ``"F"``, ``"chi2"``, ``"H"``, or ``"exact"``, which has a p and no statistic.
    statistic, df, df_within, p_value : float or None
        None where `reason` says why; `df_within` belongs to F only.
    n, n_missing : int
    method, reason : str
    """

    question: str
    symbol: str
    statistic: float | None
    df: float | None
    p_value: float | None
    n: int
    n_missing: int
    method: str
    df_within: float | None = None
    reason: str = ""

    def __str__(self) -> str:
        """Return the test as one would print it."""
        if self.symbol == "exact" and self.p_value is not None:
            return f"{self.question}: p = {self.p_value:.2g} ({self.method})"
        if self.statistic is None or self.p_value is None or self.df is None:
            return f"{self.question}: no test ({self.reason})"
        within = "" if self.df_within is None else f", {self.df_within:.4g}"
        value = f"{self.symbol}({self.df:.4g}{within}) = {self.statistic:.4g}"
        return f"{self.question}: {value}, p = {self.p_value:.2g} ({self.method})"


def crude_tests(cases: OutcomeCases) -> tuple[JointTest, ...]:
    """Test whether planned strategies differ in total, without adjustment.

    Binary: Pearson's chi-squared, and the exact test of the table where over a fifth of its expected counts are
    below 5 (Cochran's rule). Continuous: Welch's analysis of variance and Kruskal-Wallis. When a cluster
    (a patient) has several eligible cases, a Wald test with cluster-robust errors comes first.

    Parameters
    ----------
    cases : OutcomeCases

    Returns
    -------
    tuple of JointTest
        Each says why when there is no test.

    References
    ----------
    Welch BL. Biometrika 1951; 38: 330-336. Kruskal WH, Wallis WA. J Am Stat Assoc 1952; 47: 583-621. Cochran
    WG. Biometrics 1954; 10: 417-451. Freeman GH, Halton JH. Biometrika 1951; 38: 141-149.
    """
    seen = [name for name in cases.planned if cases.users(name).any()]
    values = [cases.total_values[cases.users(name)] for name in seen]
    known = [group[~np.isnan(group)] for group in values]
    n, n_missing = sum(g.size for g in known), sum(int(np.isnan(g).sum()) for g in values)
    question = "strategies alike in total, crude"
    tests = [_clustered_crude(cases, seen, question, n_missing)] if cases.clustered else []
    if cases.kind == "binary":
        table = [[int(group.sum()), int(group.size - group.sum())] for group in known]
        chi = chi_squared(table or [[0, 0]])
        tests.append(JointTest(
            question=question, symbol="chi2", statistic=chi.statistic, df=chi.df, p_value=chi.p_value, n=n,
            n_missing=n_missing, method=chi.method, reason=chi.reason,
        ))  # fmt: skip
        if chi.share_expected_below_5 is not None and chi.share_expected_below_5 > 0.2:
            tests.append(_exact(table, question, n, n_missing))
        return tuple(tests)
    anova, rank = welch_anova(known), kruskal_wallis(known)
    tests.append(JointTest(
        question=question, symbol="F", statistic=anova.f, df=anova.df_between, df_within=anova.df_within,
        p_value=anova.p_value, n=n, n_missing=n_missing, method=anova.method, reason=anova.reason,
    ))  # fmt: skip
    tests.append(JointTest(
        question=question, symbol="H", statistic=rank.statistic, df=rank.df, p_value=rank.p_value, n=n,
        n_missing=n_missing, method=rank.method, reason=rank.reason,
    ))  # fmt: skip
    return tuple(tests)


def _clustered_crude(cases: OutcomeCases, seen: Sequence[str], question: str, n_missing: int) -> JointTest:
    """Test equal means (or risks) of strategies with cluster-robust errors."""
    known = ~np.isnan(cases.total_values)
    groups = [(name, cases.users(name) & known) for name in seen]
    groups = [(name, rows) for name, rows in groups if rows.sum() >= 2]
    rows = np.any([mask for _, mask in groups], axis=0) if groups else known & False
    if len(groups) < 2 or one_cluster(cases, rows):
        reason = "fewer than two strategies have two cases with the outcome, or all share a cluster"
        return no_joint_test(question, int(rows.sum()), n_missing, reason)
    design = np.column_stack([mask[rows] for _, mask in groups]).astype(float)
    fit = fit_linear(
        design, cases.total_values[rows], names=[name for name, _ in groups], clusters=cases.clusters[rows]
    )
    contrasts = np.eye(len(groups))[1:] - np.eye(len(groups))[0]
    return of_wald(fit, contrasts, question, n_missing)


def _exact(table: list[list[int]], question: str, n: int, n_missing: int) -> JointTest:
    """Test a sparse table exactly; a table too large for it says so."""
    p, reason, method = None, "", "Fisher-Freeman-Halton exact"
    try:
        p = exact_test(table).p_value
    except EstimationError as problem:  # too many tables with these margins: kept as the reason
        reason = str(problem)
    return JointTest(
        question=question, symbol="exact", statistic=None, df=None, p_value=p, n=n, n_missing=n_missing,
        method=method, reason=reason,
    )  # fmt: skip


def no_joint_test(question: str, n: int, n_missing: int, reason: str) -> JointTest:
    """Return the test that says why there is none."""
    return JointTest(
        question=question, symbol="F", statistic=None, df=None, p_value=None, n=n, n_missing=n_missing,
        method="", reason=reason,
    )  # fmt: skip


def of_wald(fit: LinearFit, rows: FloatArray, question: str, n_missing: int) -> JointTest:
    """Make a joint Wald test."""
    test = wald_test(fit, rows)
    return JointTest(
        question=question, symbol="F", statistic=test.f, df=test.df_between, df_within=test.df_within,
        p_value=test.p_value, n=test.n, n_missing=n_missing, method=test.method, reason=test.reason,
    )  # fmt: skip


def of_strata(test: StratifiedTest, question: str, n: int, n_missing: int) -> JointTest:
    """Carry over a chi-squared test over strata."""
    return JointTest(
        question=question, symbol="chi2", statistic=test.statistic, df=test.df, p_value=test.p_value, n=n,
        n_missing=n_missing, method=test.method, reason=test.reason,
    )  # fmt: skip
