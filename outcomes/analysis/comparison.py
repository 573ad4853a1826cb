"""One outcome compared without adjustment: by strategy within reduction, by reduction within strategy.

These comparisons describe. The answer to *reduction or implant* is made elsewhere, from adjusted effects and
declared margins; no p-value given here enters it.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.analysis.across_strata import Pooled, TwoWay, pool, two_way
from outcomes.analysis.comparison_rows import tidy_rows
from outcomes.analysis.group_contrasts import (
    REDUCTION,
    Contrast,
    OutcomeCases,
    OutcomeSummary,
    contrast_groups,
    outcome_cases,
    summarise,
)
from outcomes.analysis.joint_tests import JointTest, crude_tests
from outcomes.analysis.sample import StudySample
from outcomes.errors import StudyError
from outcomes.stats.testing.multiplicity import holm

__all__ = ["Comparison", "Contrast", "JointTest", "OutcomeSummary", "Pooled", "TwoWay", "compare"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Everything unadjusted about one outcome.

    Attributes
    ----------
    key, label, unit : str
        Of the outcome; risks are in percent, their differences in percentage points.
    kind : {"continuous", "binary"}
    asked : bool
        Whether the plan asks about reduction; if not, only crude totals by strategy are compared.
    strategies, planned : tuple of str
        Strategies seen (planned ones first), and those that the plan compares.
    summaries : tuple of OutcomeSummary
        Strategy by reduction (met, not met, indeterminate); then each strategy, each reduction and all.
    within_reduction : tuple of Contrast
        Pairs of planned strategies at met and at not met.
    within_strategy : tuple of Contrast
        Met minus not met for each planned strategy.
    crude : tuple of Contrast
        Pairs of planned strategies in total, nothing held fixed.
    pooled : tuple of Pooled
        Reduction across all strategies; then each pair of planned strategies across met and not met.
    two_way : TwoWay or None
        Of a continuous outcome when reduction is asked.
    tests : tuple of JointTest
        Whether planned strategies differ in total, crude.
    family : str
        Which contrasts Holm's adjustment is made over.
    family_size : int
        How many of them have a p-value.
    n_eligible, n_missing : int
        Eligible cases, and those without the outcome as totals use it.
    n_two_wrists : int
        Patients with more than one eligible case.
    notes : tuple of str
        Rules and cautions that belong under the numbers.
    """

    key: str
    label: str
    unit: str
    kind: Literal["continuous", "binary"]
    asked: bool
    strategies: tuple[str, ...]
    planned: tuple[str, ...]
    summaries: tuple[OutcomeSummary, ...]
    within_reduction: tuple[Contrast, ...]
    within_strategy: tuple[Contrast, ...]
    crude: tuple[Contrast, ...]
    pooled: tuple[Pooled, ...]
    two_way: TwoWay | None
    tests: tuple[JointTest, ...]
    family: str
    family_size: int
    n_eligible: int
    n_missing: int
    n_two_wrists: int
    notes: tuple[str, ...]

    def tidy(self) -> pd.DataFrame:
        """Return every number as rows with the common columns.

        `section` says where a row belongs: ``"summary"``, ``"strategy within reduction"``,
        ``"reduction within strategy"``, ``"crude total"``, ``"pooled over strata"``, ``"two-way model"`` or
        ``"joint test"``; `reported` is False for methods shown beside the reported one.
        """
        return tidy_rows(
            key=self.key, unit=self.unit, summaries=self.summaries,
            contrasts=(
                ("strategy within reduction", self.within_reduction),
                ("reduction within strategy", self.within_strategy),
                ("crude total", self.crude),
            ),
            pooled=self.pooled, two_way=self.two_way, tests=self.tests,
        )  # fmt: skip

    def __str__(self) -> str:
        """Return a paragraph of a results section."""
        known = self.n_eligible - self.n_missing
        lines = [f"{self.label}: known in {known} of {self.n_eligible} eligible cases."]
        contrasts = self.within_strategy if self.asked else self.crude
        lines += [f"{_sentence(c)}, p {_p(c.estimate.p_value)}, Holm {_p(c.p_holm)}." for c in contrasts]
        methods = ", ".join(dict.fromkeys(contrast.estimate.method for contrast in contrasts))
        lines.append(f"95 % intervals ({methods}).")
        reduction = [pooled for pooled in self.pooled if pooled.axis == "reduction"]
        lines += [f"Over all strata {pooled.estimate}; {pooled.homogeneity}." for pooled in reduction]
        lines += [f"Supposing {test}." for test in self.tests[:1]]
        tests = "1 test" if self.family_size == 1 else f"{self.family_size} tests"
        lines.append(f"Holm's family: {self.family} ({tests}; they decide nothing).")
        return " ".join(lines)

    def _repr_html_(self) -> str:
        """Return the outcome by strategy and reduction, and the differences by reduction (or crude)."""
        labels = (*REDUCTION, "indeterminate", "") if self.asked else ("",)
        at = {(s.strategy, s.reduction): s for s in self.summaries}
        head = "".join(f"<th>{label or 'all'}</th>" for label in labels)
        body = "".join(
            f"<tr><th>{html.escape(name)}</th>"
            + "".join(f"<td>{_cell(at.get((name, label)))}</td>" for label in labels)
            + "</tr>"
            for name in self.strategies
        )
        contrasts = self.within_strategy if self.asked else self.crude
        listed = "".join(f"<li>{html.escape(_sentence(c))}</li>" for c in contrasts[:10])
        title = html.escape(f"{self.label} ({self.unit}), without adjustment")
        return f"<p>{title}</p><table><tr><th></th>{head}</tr>{body}</table><ul>{listed}</ul>"


def compare(sample: StudySample, key: str) -> Comparison:
    """Compare one outcome by strategy within reduction and by reduction within strategy.

    Parameters
    ----------
    sample : StudySample
    key : str
        Key of the outcome, e.g. ``"grip_share_12_months"``.

    Returns
    -------
    Comparison
        Differences between means carry Welch intervals with Hodges-Lehmann shifts beside them; differences
        between risks carry Newcombe intervals with risk and odds ratios beside them and Fisher's exact test
        where an expected count is below 5. When a cluster (a patient) has several eligible cases, a
        difference with CR2 errors and Satterthwaite degrees of freedom is the reported one, and Welch or
        Newcombe stands beside it; in a sparse two-by-two table Newcombe stays the reported one.

    Raises
    ------
    StudyError
        The sample has no such outcome; the message lists those it has.

    References
    ----------
    Welch BL. Biometrika 1947; 34: 28-35. Newcombe RG. Statistics in Medicine 1998; 17: 873-890. Bell RM,
    McCaffrey DF. Survey Methodology 2002; 28: 169-181. Holm S. Scandinavian Journal of Statistics 1979; 6:
    65-70.

    Examples
    --------
    Two cases of four against one of four, in percentage points:

    >>> import datetime as dt
    >>> from outcomes.analysis.protocol import OutcomePlan, StrategyPlan, Study
    >>> from outcomes.analysis.sample import Measured
    >>> study = Study(title="t", declared=dt.date(2026, 1, 1),
    ...               strategy=StrategyPlan(judged=("plate", "pins")),
    ...               outcomes=(OutcomePlan(name="complication", better="lower", role="primary"),))
    >>> frame = pd.DataFrame({"eligible": True, "strategy": ["plate"] * 4 + ["pins"] * 4, "reduction": "",
    ...                       "patient_id": list("abcdefgh"), "cluster": range(8)})
    >>> events = np.array([1.0, 1, 0, 0, 1, 0, 0, 0])
    >>> risk = Measured(key="complication", label="any complication", unit="percentage points", kind="binary",
    ...                 values=events, total_values=events)
    >>> sample = StudySample(study=study, frame=frame, outcomes={"complication": risk}, flow=(),
    ...                      share_met_bounds=None, side_by_side=pd.DataFrame())
    >>> print(compare(sample, "complication").crude[0].estimate)
    plate minus pins: 25 percentage points (95 % CI -31.96 to 65.53; n = 8; Newcombe)
    """
    if key not in sample.outcomes:
        raise StudyError(
            f"no outcome {key!r} in this study; it has: {', '.join(sample.outcomes)}", code="no_outcome"
        )
    measured = sample.outcomes[key]
    cases = outcome_cases(sample, measured)
    seen = [name for name in cases.planned if cases.users(name).any()]
    pairs = list(combinations(seen, 2))
    by_reduction = _within_reduction(cases, pairs) if cases.asked else []
    by_strategy = [_met_minus_not_met(cases, name) for name in seen] if cases.asked else []
    crude = [
        contrast_groups(
            cases, cases.users(a), cases.users(b), axis="strategy", groups=(a, b), within="", total=True
        )
        for a, b in pairs
    ]
    if cases.asked:
        family = "all contrasts of this outcome within strata, by strategy and by reduction"
        adjusted = _adjusted([*by_reduction, *by_strategy])
        by_reduction, by_strategy = adjusted[: len(by_reduction)], adjusted[len(by_reduction) :]
    else:
        family = "all pairs of planned strategies for this outcome"
        crude = adjusted = _adjusted(crude)
    return Comparison(
        key=key,
        label=measured.label,
        unit=measured.unit,
        kind=measured.kind,
        asked=cases.asked,
        strategies=tuple(name for name in cases.strategies if cases.users(name).any()),
        planned=cases.planned,
        summaries=_summaries(cases),
        within_reduction=tuple(by_reduction),
        within_strategy=tuple(by_strategy),
        crude=tuple(crude),
        pooled=_pooled(cases, pairs) if cases.asked else (),
        two_way=two_way(cases) if cases.asked and cases.kind == "continuous" else None,
        tests=crude_tests(cases),
        family=family,
        family_size=sum(c.p_holm is not None for c in adjusted),
        n_eligible=len(cases.values),
        n_missing=int(np.isnan(cases.total_values).sum()),
        n_two_wrists=cases.n_two_wrists,
        notes=_notes(cases, measured.notes),
    )


def _summaries(cases: OutcomeCases) -> tuple[OutcomeSummary, ...]:
    """Describe every cell of strategy by reduction, then its margins."""
    everybody = np.ones(len(cases.values), dtype=bool)
    seen = [name for name in cases.strategies if cases.users(name).any()]
    labels = [*REDUCTION, "indeterminate"] if cases.asked else []
    cells = [
        summarise(cases, cases.users(s) & (cases.reduction == r), strategy=s, reduction=r, total=False)
        for s in seen
        for r in labels
    ]
    cells += [summarise(cases, cases.users(s), strategy=s, reduction="", total=True) for s in seen]
    cells += [summarise(cases, cases.reduction == r, strategy="", reduction=r, total=False) for r in labels]
    return (*cells, summarise(cases, everybody, strategy="", reduction="", total=True))


def _within_reduction(cases: OutcomeCases, pairs: Sequence[tuple[str, str]]) -> list[Contrast]:
    """Compare each pair of strategies at met and at not met."""
    return [
        contrast_groups(
            cases, cases.users(a) & (cases.reduction == label), cases.users(b) & (cases.reduction == label),
            axis="strategy", groups=(a, b), within=label,
        )
        for label in REDUCTION
        for a, b in pairs
    ]  # fmt: skip


def _met_minus_not_met(cases: OutcomeCases, name: str) -> Contrast:
    """Compare met with not met among the users of one strategy."""
    met, not_met = (cases.users(name) & (cases.reduction == label) for label in REDUCTION)
    return contrast_groups(cases, met, not_met, axis="reduction", groups=("met", "not met"), within=name)


def _pooled(cases: OutcomeCases, pairs: Sequence[tuple[str, str]]) -> tuple[Pooled, ...]:
    """Pool reduction across strategies, and every pair of strategies across reduction."""
    met, not_met = (np.asarray(cases.reduction == label) for label in REDUCTION)
    strata = [(name, cases.users(name)) for name in cases.strategies]
    reduction = pool(cases, met, not_met, strata, axis="reduction", groups=("met", "not met"))
    labels = [("met", met), ("not met", not_met)]
    strategies = [
        pool(cases, cases.users(a), cases.users(b), labels, axis="strategy", groups=(a, b)) for a, b in pairs
    ]
    return (reduction, *strategies)


def _adjusted(contrasts: Sequence[Contrast]) -> list[Contrast]:
    """Return a family of contrasts with Holm's p-values."""
    values = holm([contrast.estimate.p_value for contrast in contrasts])
    return [replace(c, p_holm=p) for c, p in zip(contrasts, values, strict=True)]


def _notes(cases: OutcomeCases, rules: tuple[str, ...]) -> tuple[str, ...]:
    """Return what must stand under the numbers."""
    notes = list(rules)
    absent = [name for name in cases.planned if not cases.users(name).any()]
    if absent:
        notes.append(f"planned strategies without an eligible case: {', '.join(absent)}")
    if cases.clustered:
        several = f"{cases.n_shared} {cases.cluster_name}s have more than one eligible case"
        notes.append(
            f"{several}: differences carry CR2 errors clustered by {cases.cluster_name}"
            + (" and Newcombe's interval where a table is sparse" if cases.kind == "binary" else "")
        )
        if cases.kind == "binary":
            notes.append("Wilson, Newcombe, exact and Mantel-Haenszel results take cases as independent")
    if cases.asked:
        n = int((~np.isin(cases.reduction, REDUCTION)).sum())
        notes.append(f"{n} cases with an indeterminate reduction are described, not compared within strata")
    notes.append("nothing is adjusted for: differences include those in who received which strategy")
    return tuple(notes)


def _sentence(contrast: Contrast) -> str:
    """Return a contrast with its stratum as the start of a sentence, without its method."""
    estimate = contrast.estimate
    where = ""
    if contrast.within:
        where = f"{'At' if contrast.axis == 'strategy' else 'With'} {contrast.within}, "
    if estimate.value is None:
        return f"{where}{estimate}"
    limits = "no interval"
    if estimate.conf_low is not None and estimate.conf_high is not None:
        limits = f"{estimate.conf_low:.4g} to {estimate.conf_high:.4g}"
    return f"{where}{estimate.contrast} {estimate.value:.4g} {estimate.unit} ({limits}; n = {estimate.n})"


def _p(p: float | None) -> str:
    """Return a p-value for a sentence."""
    if p is None:
        return "none"
    return "< 0.001" if p < 0.001 else f"{p:.2g}"


def _cell(summary: OutcomeSummary | None) -> str:
    """Return a group as events / n or mean (SD), n."""
    if summary is None or summary.n == 0:
        return ""
    if summary.events is not None:
        return f"{summary.events}/{summary.n} ({summary.events / summary.n * 100:.0f} %)"
    spread = "" if summary.sd is None else f" ({summary.sd:.3g})"
    return f"{summary.mean:.4g}{spread}, n = {summary.n}"
