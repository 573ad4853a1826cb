"""Faults planted by hand: what a biostatistician or a data manager gets wrong, each in the line where it would stand.

Thirty in the statistics, then four in units, signs and labels. `planting.py --thirty` plants them one at a time and
the tests must find all. A fault names text that stands exactly once in its file (test_planted_faults.py holds that).
"""

from __future__ import annotations

from typing import NamedTuple


class Fault(NamedTuple):
    """One fault: `old` becomes `new` in `file`, and what that would do to a reader."""

    file: str
    old: str
    new: str
    effect: str


STATISTICS = (
    Fault(
        "survival/cox_risk_sets.py", 'if ties == "efron" else np.zeros(', 'if ties == "breslow" else np.zeros(',
        "Efron's and Breslow's ties are swapped",
    ),
    Fault(
        "numerics/moments.py", "float(residual @ residual) / (n - 1)", "float(residual @ residual) / n",
        "variances are divided by n",
    ),
    Fault(
        "numerics/student.py", "2.0 * special.ndtr(-np.abs(t))", "special.ndtr(-np.abs(t))",
        "p of the normal is one-sided",
    ),
    Fault(
        "testing/equivalence.py", "else -margin.value < low and high < margin.value",
        "else -margin.value <= low and high <= margin.value", "a limit on the margin counts as within",
    ),
    Fault("groups/means.py", "    if pooled:\n", "    if not pooled:\n", "pooled variance where Welch is asked for"),
    Fault(
        "proportions/risks.py", "total == 0:\n        return Estimate.not_estimable(\"no patients\", contrast=contrast, "
        "unit=unit, method=\"Wilson\")\n    low, high = _wilson_limits(e, total, z)\n    return _share(e / total,",
        "total == 0:\n        return Estimate.not_estimable(\"no patients\", contrast=contrast, "
        "unit=unit, method=\"Wilson\")\n    low, high = _wilson_limits(e, total, z)\n    return _share(e / max(total - e, 1),",
        "a percentage is of those without the event",
    ),
    Fault("regression/clusters.py", "* (n - 1) / (n - p)", "* n / (n - p)", "the factor of HC1 and CR1 is too large"),
    Fault(
        "regression/clusters.py", 'if covariance not in ("CR2", "CR3", "HC2", "HC3")',
        'if covariance not in ("CR3", "HC2", "HC3")', "CR2 is not adjusted cluster by cluster, as CR1 is not",
    ),
    Fault(
        "pooling/pooled_effect.py", 'return spread * plain, float(k - 1), ""', 'return spread * plain, math.inf, ""',
        "Hartung-Knapp by the normal, not by t",
    ),
    Fault(
        "proportions/strata.py", "(p * s + q * r).sum()", "(p * s.sum() / len(s) + q * r).sum()",
        "a term of the Robins-Breslow-Greenland variance comes from all strata, not its own",
    ),
    Fault(
        "proportions/risks.py", "low = value - math.hypot(p1 - low1, high0 - p0)",
        "low = value - z * math.sqrt(p1 * (1 - p1) / total1 + p0 * (1 - p0) / total0)",
        "Newcombe's lower limit is Wald's",
    ),
    Fault(
        "testing/multiplicity.py", "np.maximum.accumulate(_countdown(p) * p)", "_countdown(p) * p",
        "Holm's adjusted p falls where p rises",
    ),
    Fault(
        "missing/rubin.py", "added = (1.0 + 1.0 / m) * between", "added = between",
        "Rubin's rules without (1 + 1/m)",
    ),
    Fault(
        "pooling/pooled_effect.py", 'if interval.endswith("not below normal")',
        'if not interval.endswith("not below normal")', "Hartung-Knapp is cut at the normal when not asked",
    ),
    Fault(
        "causal/weighting.py", "means = outcome @ w / safe", "means = outcome @ w / n",
        "weighted means are not divided by the sum of the weights",
    ),
    Fault(
        "causal/doubly_robust.py", "weights * (outcome[:, None] - m)", "weights * (m - outcome[:, None])",
        "the doubly robust correction has the wrong sign",
    ),
    Fault(
        "causal/weighting.py", "top, slopes = e[:, t],", "top, slopes = np.ones(len(e)),",
        "weights for the treated speak for all cases",
    ),
    Fault(
        "causal/evalue.py", "bias + math.sqrt(bias) * math.sqrt(bias - 1)", "bias + bias * (bias - 1)",
        "E-values without the square root",
    ),
    Fault(
        "survival/kaplan_meier.py", "events / (n * np.maximum(left, 1))", "events / (n * n)",
        "Greenwood's error with n in place of n - d",
    ),
    Fault(
        "survival/kaplan_meier.py", "data, table.time, table.at_risk[0], table.events[0], table.censored[0]",
        "data, table.time, table.at_risk[0] + np.cumsum(table.censored[0]) - table.censored[0], table.events[0], "
        "table.censored[0]", "cases stay at risk after they were censored",
    ),
    Fault(
        "agreement/kappa.py", "((1 - credit) - spread * (missed / by_chance)) / by_chance",
        "((1 - credit) - spread / 2 * (missed / by_chance)) / by_chance", "the error of kappa has lost a factor 2",
    ),
    Fault(
        "agreement/icc.py", "k * (ms.raters - ms.residual) / n", "k * (ms.residual - ms.raters) / n",
        "mean squares of raters and error are swapped",
    ),
    Fault(
        "agreement/bland_altman.py", "z = normal_quantile(0.95) if multiplier is None", "z = 2.0 if multiplier is None",
        "limits of agreement at 2 SD, not 1.96",
    ),
    Fault(
        "printed/printed_text.py", "exact - step / 2, exact + step / 2", "exact, exact + step / 2",
        "a printed number is taken as rounded down only, in GRIM and all other checks",
    ),
    Fault(
        "printed/fragility.py", "return 0 if difference <= 0 else 1", "return 1 if difference <= 0 else 0",
        "outcomes change in the wrong arm",
    ),
    Fault(
        "charts/funnel.py", "PROBABILITIES = (0.001, 0.025, 0.975, 0.999)", "PROBABILITIES = (0.002, 0.05, 0.95, 0.998)",
        "funnel limits are one-sided",
    ),
    Fault(
        "charts/risk_adjusted_cusum.py", "y * math.log(odds_ratio) - np.log1p", "y * math.log(odds_ratio) + np.log1p",
        "the weight of a case without event has the wrong sign",
    ),
    Fault(
        "planning/sample_size_clusters.py", "((1 + cv * cv) * cluster_size - 1) * icc",
        "((1 + cv * cv) * cluster_size) * icc", "the design effect without - 1",
    ),
    Fault("numerics/noncentral.py", "half = 0.5 * df\n", "half = 0.5 * (df + 1)\n", "noncentral t with one df more"),
    Fault(
        "regression/splines.py", "+ slope * beyond)", "+ slope * beyond**2)",
        "a restricted spline is not straight beyond its last knot",
    ),
)  # fmt: skip

LABELS = (
    Fault("reference/concepts.toml", '"0.45359237"', '"0.45454545"', "a kilogram is 2.2 pounds"),
    Fault(
        "cohort/numbers.py", "column.positive != concept.sign[0]", "column.positive == concept.sign[0]",
        "tilt has the opposite sign",
    ),
    Fault(
        "cohort/reduction.py", "values >= criterion.low if", "values > criterion.low if",
        "a value on the limit of a criterion fails it",
    ),
    Fault(
        "cohort/function.py", "100.0 * injured[~gone] / expected[~gone]", "100.0 * expected[~gone] / injured[~gone]",
        "per cent of the other hand is upside down",
    ),
)  # fmt: skip

#: Files below `outcomes/`.
FAULTS = (*(fault._replace(file=f"stats/{fault.file}") for fault in STATISTICS), *LABELS)
