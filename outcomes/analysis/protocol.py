"""The declared plan: what a study asks, of whom, by which rules, before the data speak.

A :class:`Study` is frozen and complete: everything that can change a number is in it, is printed in the
report and enters the plan hash. ``read_study`` in :mod:`outcomes.analysis.study_file` makes one from a
TOML file; in a notebook it can be written directly.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from outcomes.errors import StudyError
from outcomes.estimates import Margin

Better = Literal["higher", "lower"]
Role = Literal["primary", "secondary"]
DataSeen = Literal["yes", "no", "partly"]
ClusterBy = Literal["patient_id", "surgeon", "hospital"]
Road = Literal["standardisation"]

#: Limits that are least numbers of cases, and limits that are shares.
COUNTED_LIMITS = frozenset({"judged_met_min", "judged_not_met_min"})
SHARED_LIMITS = frozenset(
    {"judged_cover_min", "propensity_min", "comparable_keep_min", "arm_effective_share_min", "indeterminate_max",
     "outcome_missing_max", "fragile_min"}
)  # fmt: skip

#: Film that defines reduction when the plan asks for the first film after the index strategy.
FIRST_FILM = "first after index"


@dataclass(frozen=True, slots=True, kw_only=True)
class EligibilityRule:
    """One condition that a case must meet; exactly one of the conditions is given.

    Attributes
    ----------
    column : str
        Internal column name of the cohort (``"age"``, ``"open_injury"``, ``"treatment_date"``).
    at_least, at_most : float or datetime.date or None
        Inclusive limits.
    one_of : tuple of str
        Allowed levels; for a yes/no column ``"yes"`` or ``"no"``.
    reason : str
        The words used in the participant flow for a case that fails.
    """

    column: str
    reason: str
    at_least: float | dt.date | None = None
    at_most: float | dt.date | None = None
    one_of: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a rule without a condition."""
        if self.at_least is None and self.at_most is None and not self.one_of:
            raise StudyError(
                f"eligibility rule on {self.column!r} has no condition: give at_least, at_most or one_of",
                code="rule_without_condition",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class StrategyPlan:
    """How cases are grouped by fixation strategy and which strategies are to be judged.

    Attributes
    ----------
    judged : tuple of str
        Strategies (after grouping) that the plan wants compared; those with too few cases are named as
        *not judged*. The first is the reference of printed pairs.
    groups : mapping
        New name -> strategies of the rule table that it collects.
    rules : str
        ``"shipped"`` or the path of a rule table.
    recorded_column : str
        Internal name of a category column that already holds the strategy (published tables, registries
        that code it); empty when it is labelled from components and operation text.
    """

    judged: tuple[str, ...]
    groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    rules: str = "shipped"
    recorded_column: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingError:
    """How much of a true difference survives misreading of the films, with its source."""

    retained: float
    source: str

    def __post_init__(self) -> None:
        """Refuse a share outside (0, 1] or without source."""
        if not 0 < self.retained <= 1 or not self.source.strip():
            raise StudyError(
                "reading_error needs 'retained' above 0 and at most 1 (share of a true difference that the label "
                "keeps) and a source",
                code="bad_reading_error",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReductionPlan:
    """Which criteria, read on which film, make a reduction *met*.

    Attributes
    ----------
    criteria : str
        Id of a shipped criteria set, or the path of one.
    film : str
        ``"first after index"`` (cast: post-reduction film, operated: postoperative film) or ``"union"``.
    also : tuple of str
        Further criteria sets shown side by side; they never enter the answer.
    intermediate : tuple of str or None
        What happens between strategy and film and touches both reduction and outcome (`L`). An empty tuple
        states that there is none; None that the plan does not say. At union the plan must say.
    reader : int
        Reader whose measurements label the cases.
    reading_error : ReadingError or None
        Declared misreading of the label.
    """

    criteria: str
    film: str = FIRST_FILM
    also: tuple[str, ...] = ()
    intermediate: tuple[str, ...] | None = None
    reader: int = 1
    reading_error: ReadingError | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomePlan:
    """One outcome at one visit, its direction, and the difference that would matter.

    Attributes
    ----------
    name : str
        ``"grip_share"``, ``"grip_kg"``, ``"rotation_arc"``, ``"pronation"``, ``"supination"``, ``"prwe"``,
        ``"dash"``, ``"quickdash"``, ``"pain"``, ``"complication"``, ``"unplanned_reoperation"``, or the name
        of a numeric or yes/no column of the cohort.
    visit : str
        Visit time (``"12 months"``); for complications empty.
    better : {"higher", "lower"}
        Which way is good for the patient.
    margin : Margin or None
        Without one there are estimates and no answer.
    window_days : int or None
        For complications: events up to that many days after treatment; None is all recorded follow-up.
    dominance : str
        Dominance rule of the grip share: ``"none"`` or ``"ten_percent"``.
    """

    name: str
    better: Better
    visit: str = ""
    role: Role = "secondary"
    margin: Margin | None = None
    window_days: int | None = None
    dominance: Literal["none", "ten_percent"] = "none"

    def __post_init__(self) -> None:
        """Refuse a window that ends before it begins."""
        if self.window_days is not None and self.window_days < 1:
            raise StudyError(
                f"window_days of {self.name!r} is {self.window_days}; give at least 1, or leave it out for all recorded "
                "follow-up",
                code="bad_window",
            )

    @property
    def key(self) -> str:
        """Identifier used in results, e.g. ``grip_share_12_months``."""
        slug = "_".join(self.visit.replace("-", " ").split())
        return f"{self.name}_{slug}" if slug else self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """The plan of one study.

    Attributes
    ----------
    title, declared, seed, data_seen_before_plan
        What is asked, the date the authors declare for the plan, the seed of every random step, and whether
        the data had been looked at before.
    cohort_file, dictionary_file : str
        Paths as written in the study file; empty in a notebook.
    eligibility : tuple of EligibilityRule
    strategy : StrategyPlan
    reduction : ReductionPlan or None
        None when the data hold no films: the reduction axis is then *not asked*.
    outcomes : tuple of OutcomePlan
        Exactly one is primary.
    covariates : tuple of str
        Internal column names of `X`, everything declared to be before the index strategy.
    covariates_why : str
        Why these.
    pattern : str
        Column that defines the fracture patterns in which support is judged; empty for none.
    cluster : str
        Level at which observations are clustered.
    manuscript : mapping
        Optional statements (ethics, registration, setting, ...), printed as written.
    plan_hash : str
        Hash of the study file's meaning; filled by ``read_study``.
    """

    title: str
    declared: dt.date
    strategy: StrategyPlan
    outcomes: tuple[OutcomePlan, ...]
    seed: int = 1
    data_seen_before_plan: DataSeen = "partly"
    cohort_file: str = ""
    dictionary_file: str = ""
    eligibility: tuple[EligibilityRule, ...] = ()
    reduction: ReductionPlan | None = None
    covariates: tuple[str, ...] = ()
    covariates_why: str = ""
    pattern: str = ""
    cluster: ClusterBy = "patient_id"
    road: Road = "standardisation"
    manuscript: Mapping[str, str] = field(default_factory=dict)
    limits: Mapping[str, float] = field(default_factory=dict)
    plan_hash: str = ""

    def __post_init__(self) -> None:
        """Refuse plans that contradict themselves."""
        primaries = [plan.key for plan in self.outcomes if plan.role == "primary"]
        if len(primaries) != 1:
            raise StudyError(
                f'a study has exactly one primary outcome; this one has {len(primaries)}: set role = "primary" on one',
                code="primary_outcome",
            )
        keys = [plan.key for plan in self.outcomes]
        if len(set(keys)) != len(keys):
            raise StudyError("two outcomes share name and visit: remove one", code="duplicate_outcome")
        for names, what in ((self.strategy.judged, "strategy.judged"), (self.covariates, "covariates")):
            repeated = sorted({name for name in names if names.count(name) > 1})
            if repeated:
                raise StudyError(f"{what} names {', '.join(repeated)} more than once", code="named_twice")
        wrong = [
            name
            for name, value in self.limits.items()
            if not math.isfinite(value)
            or value < (1 if name in COUNTED_LIMITS else 0)
            or (value > 1 and name in SHARED_LIMITS)
        ]
        if wrong:
            raise StudyError(
                f"limits {', '.join(sorted(wrong))} cannot be meant: least numbers of cases are at least 1, shares between "
                "0 and 1, the others at least 0",
                code="bad_limit",
            )
        if self.seed < 0:
            raise StudyError("seed must be a whole number of at least 0", code="bad_seed")
        plan = self.reduction
        if plan is not None and plan.film == "union" and plan.intermediate is None:
            raise StudyError(
                "reduction at union needs 'intermediate' in the study file: list what happens between strategy and "
                "the film at union and touches both (conversion, early complication, ...), or write intermediate = [] "
                "to state that there is none",
                code="intermediate_not_declared",
            )
        if plan is not None and plan.film == "union" and plan.intermediate:
            raise StudyError(
                "intermediate confounders at union need weighting or the sequential g-formula, which this release does "
                'not have; use film = "first after index", or intermediate = [] with your reasons',
                code="intermediate_not_supported",
            )
        if plan is not None and plan.film not in (FIRST_FILM, "union"):
            raise StudyError(
                f"film = {plan.film!r} is not allowed: a film taken before the index strategy belongs to the "
                f'covariates; use "{FIRST_FILM}" or "union"',
                code="film_before_strategy",
            )

    @property
    def primary(self) -> OutcomePlan:
        """The primary outcome."""
        return next(plan for plan in self.outcomes if plan.role == "primary")
