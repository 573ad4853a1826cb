"""Was the reduction met? Three-valued, per criterion and overall, on a named film.

Rule: any measured criterion that fails makes a case *not met*; all required criteria measured (or not
applicable) and passing make it *met*; anything else is *indeterminate*, counted and never dropped.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.cohort.columns import (
    BoolArray,
    FloatArray,
    HasData,
    ObjectArray,
    texts,
)
from outcomes.cohort.concepts import FIRST_FILM_TIME
from outcomes.cohort.criteria import (
    Criterion,
    ReductionCriteria,
    read_criteria,
    shipped_criteria,
)
from outcomes.cohort.films import check_film_columns, check_references, film_values, films_by_case
from outcomes.cohort.fracture import articular
from outcomes.cohort.html_text import sentence_and_table
from outcomes.cohort.text import counted
from outcomes.errors import CriteriaError

OVERALL = ("met", "not met", "indeterminate")
PER_CRITERION = ("met", "not met", "missing", "not applicable")
_WORDS = np.array(PER_CRITERION, dtype=object)
_MET, _NOT_MET, _MISSING, _NOT_APPLICABLE = range(4)
#: Distances are rounded to this many decimals, only so that 10.1 - 10 prints as 0.1; labels use raw values.
_DECIMALS = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class ReductionGrades:
    """Reduction of every case by one criteria set on one film.

    Attributes
    ----------
    overall : ndarray of str, shape (n_cases,)
        ``"met"``, ``"not met"`` or ``"indeterminate"``.
    per_criterion : DataFrame of str, shape (n_cases, n_criteria)
        ``"met"``, ``"not met"``, ``"missing"`` or ``"not applicable"``; one column a criterion name.
    distance : DataFrame of float, shape (n_cases, n_criteria)
        Distance to the nearer limit in the criterion's unit, positive inside, negative outside, 0 on the
        limit (where inclusiveness decides); NaN where missing, not applicable or a yes/no finding.
    n_failed : ndarray of int, shape (n_cases,)
        How many criteria were measured and not met.
    criteria : ReductionCriteria
    time : str or ndarray of str, shape (n_cases,)
        Film judged. Reduction achieved (post-reduction, postoperative) and maintained (union) are different
        exposures.
    reader : int
        Whose measurements.
    """

    overall: ObjectArray = field(repr=False)
    per_criterion: pd.DataFrame = field(repr=False)
    distance: pd.DataFrame = field(repr=False)
    n_failed: np.ndarray = field(repr=False)
    criteria: ReductionCriteria
    time: str | ObjectArray = field(repr=False)
    reader: int

    @property
    def film(self) -> str:
        """The film in words."""
        times = (
            [self.time] if isinstance(self.time, str) else [each for each in self.time if each is not None]
        )
        labels = sorted({str(each) for each in times})
        if labels == [FIRST_FILM_TIME]:
            return "first film after the index strategy"
        return " or ".join(labels) + (" film" if isinstance(self.time, str) else " film, by case")

    def tidy(self) -> pd.DataFrame:
        """Return counts per criterion and overall: ``outcome, group, n, n_missing, criteria, film``."""
        rows = [("reduction", word, int((self.overall == word).sum()), 0) for word in OVERALL]
        for name in self.per_criterion.columns:
            column = self.per_criterion[name]
            absent = int((column == "missing").sum())
            rows += [(str(name), word, int((column == word).sum()), absent) for word in PER_CRITERION]
        frame = pd.DataFrame(rows, columns=["outcome", "group", "n", "n_missing"])
        return frame.assign(criteria=self.criteria.id, film=self.film, caution=self.criteria.caution)

    def __str__(self) -> str:
        """Return the counts as a results sentence."""
        counts = {word: int((self.overall == word).sum()) for word in OVERALL}
        film = self.film if self.reader == 1 else f"{self.film}, reader {self.reader}"
        return (
            f"Reduction by {self.criteria.label}, version {self.criteria.version}, on the {film}: "
            f"met in {counts['met']}, not met in {counts['not met']}, "
            f"indeterminate in {counts['indeterminate']} of {counted(len(self.overall), 'case')}."
        )

    def _repr_html_(self) -> str:
        """Return the sentence and the tidy table."""
        return sentence_and_table(str(self), self.tidy())


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareMet:
    """Share of cases whose reduction was met, with the bounds that indeterminate labels leave.

    Attributes
    ----------
    n_met, n_not_met, n_indeterminate : int
    low, high : float or None
        Share met among all cases if every indeterminate case were *not met*, and if every one were *met*.
    labelled_only : float or None
        Share met among labelled cases. It is too low when values are missing by chance, because a failure
        needs one value and a pass needs all.
    """

    n_met: int
    n_not_met: int
    n_indeterminate: int
    low: float | None
    high: float | None
    labelled_only: float | None

    def tidy(self) -> pd.DataFrame:
        """Return one row: share met among labelled cases with its bounds (not a confidence interval)."""
        names = ["outcome", "estimate", "low", "high", "n", "n_missing"]
        labelled = self.n_met + self.n_not_met
        row = ("reduction met", self.labelled_only, self.low, self.high, labelled, self.n_indeterminate)
        return pd.DataFrame([row], columns=names)

    def __str__(self) -> str:
        """Return the share as a results sentence."""
        total = self.n_met + self.n_not_met + self.n_indeterminate
        if self.low is None or self.high is None:
            return "Reduction met: no cases."
        share = self.labelled_only
        labelled = "none labelled" if share is None else f"{100 * share:.1f} % of labelled"
        return (
            f"Reduction met in {self.n_met} of {counted(total, 'case')} ({labelled}); "
            f"{self.n_indeterminate} indeterminate: {100 * self.low:.1f} % to {100 * self.high:.1f} % of all."
        )

    def _repr_html_(self) -> str:
        """Return the sentence and the tidy table."""
        return sentence_and_table(str(self), self.tidy())


def grade_reduction(
    cohort: HasData,
    criteria: ReductionCriteria | str,
    time: str | Sequence[str | None] | ObjectArray,
    *,
    reader: int = 1,
) -> ReductionGrades:
    """Grade the reduction of every case.

    Parameters
    ----------
    cohort : HasData
        Table in internal columns, signs and units.
    criteria : ReductionCriteria or str
        A set, or the id of a shipped one.
    time : str or sequence of str, length n_cases
        Film: one time for all, or one a case (a cast is judged post-reduction, an operation postoperative).
        None marks a case without such a film; it is indeterminate.
    reader : int
        1, or 2 for the second reader's columns.

    Returns
    -------
    ReductionGrades

    Raises
    ------
    CriteriaError
        When a required film column is not in the table (the message names every one), or shortening was
        measured against another reference than the set demands.

    Notes
    -----
    Values and limits are both the nearest binary number to the same decimal, so comparing them is exact in
    decimals: a tilt of 10.0 after unit conversion behaves as 10.0.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> films = pd.DataFrame({"tilt_union": [-10.0, -10.1, 4.0], "ulnar_variance_union": [0.0, 0.9, None]})
    >>> grades = grade_reduction(SimpleNamespace(data=films), "brogren-2013", "union")
    >>> list(grades.overall)
    ['met', 'not met', 'indeterminate']
    >>> list(grades.distance["dorsal tilt"])
    [0.0, -0.1, 14.0]
    """
    chosen = read_criteria(criteria) if isinstance(criteria, str) else criteria
    data = cohort.data
    films = films_by_case(time, len(data))
    outside = articular(texts(data, "fracture_class")).extra_articular
    check_film_columns(data, chosen, films, outside, reader)
    check_references(cohort, chosen)
    codes = np.empty((len(data), len(chosen.criteria)), dtype=np.int8)
    distance = np.empty(codes.shape)
    for place, criterion in enumerate(chosen.criteria):
        values = film_values(data, criterion.concept, films, reader)
        applies = ~outside if criterion.intra_articular_only else np.ones(len(data), dtype=bool)
        codes[:, place], distance[:, place] = _grade_one(criterion, values, applies)
    names = [criterion.name for criterion in chosen.criteria]
    return ReductionGrades(
        overall=_overall(codes, np.array([criterion.required for criterion in chosen.criteria])),
        per_criterion=pd.DataFrame({name: _WORDS[codes[:, place]] for place, name in enumerate(names)}),
        distance=pd.DataFrame({name: distance[:, place] for place, name in enumerate(names)}),
        n_failed=(codes == _NOT_MET).sum(axis=1),
        criteria=chosen,
        time=time if isinstance(time, str) else films,
        reader=reader,
    )


def _grade_one(criterion: Criterion, values: FloatArray, applies: BoolArray) -> tuple[np.ndarray, FloatArray]:
    """Return codes and signed distances of one criterion."""
    measured = ~np.isnan(values)
    distance = np.full(len(values), np.nan)
    if criterion.finding is not None:
        inside = values == float(criterion.finding)
    else:
        inside = np.ones(len(values), dtype=bool)
        gaps = []
        if criterion.low is not None:
            inside &= values >= criterion.low if criterion.low_included else values > criterion.low
            gaps.append(values - criterion.low)
        if criterion.high is not None:
            inside &= values <= criterion.high if criterion.high_included else values < criterion.high
            gaps.append(criterion.high - values)
        distance = np.where(applies, np.round(np.minimum.reduce(gaps), _DECIMALS) + 0.0, np.nan)
    codes = np.where(inside, _MET, _NOT_MET)
    codes = np.where(measured, codes, _MISSING)
    return np.where(applies, codes, _NOT_APPLICABLE).astype(np.int8), distance


def _overall(codes: np.ndarray, required: BoolArray) -> ObjectArray:
    """Return the overall label; a case to which no criterion applies stays indeterminate."""
    failed = (codes == _NOT_MET).any(axis=1)
    needed = codes[:, required]
    complete = np.isin(needed, (_MET, _NOT_APPLICABLE)).all(axis=1) & (needed == _MET).any(axis=1)
    labels: ObjectArray = np.array(OVERALL, dtype=object)[np.where(failed, 1, np.where(complete, 0, 2))]
    return labels


def share_met_bounds(overall: ReductionGrades | Iterable[str], *, where: BoolArray | None = None) -> ShareMet:
    """Return the share met with the bounds that indeterminate labels leave.

    Parameters
    ----------
    overall : ReductionGrades or iterable of str, length n_cases
    where : ndarray of bool, optional
        Cases to count, e.g. the eligible ones.

    Returns
    -------
    ShareMet

    Examples
    --------
    >>> print(share_met_bounds(["met", "met", "not met", "indeterminate"]))
    Reduction met in 2 of 4 cases (66.7 % of labelled); 1 indeterminate: 50.0 % to 75.0 % of all.
    """
    given = overall.overall if isinstance(overall, ReductionGrades) else np.array(list(overall), dtype=object)
    labels = given if where is None else given[where]
    unknown = set(labels) - set(OVERALL)
    if unknown:
        raise CriteriaError(f"labels must be one of: {', '.join(OVERALL)}", code="unknown_label")
    met, not_met, open_ = (int((labels == word).sum()) for word in OVERALL)
    total = met + not_met + open_
    return ShareMet(
        n_met=met, n_not_met=not_met, n_indeterminate=open_,
        low=met / total if total else None,
        high=(met + open_) / total if total else None,
        labelled_only=met / (met + not_met) if met + not_met else None,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SideBySide:
    """The same films judged by several criteria sets.

    Attributes
    ----------
    grades : tuple of ReductionGrades
        Sets whose films the table holds.
    not_possible : mapping of str to str
        Set id -> why it could not be applied.
    """

    grades: tuple[ReductionGrades, ...]
    not_possible: Mapping[str, str]

    def tidy(self) -> pd.DataFrame:
        """Return one row a set: counts, share met among labelled cases with bounds, source and caution."""
        rows = []
        for grades in self.grades:
            share = share_met_bounds(grades)
            rows.append(
                {
                    "outcome": "reduction met", "group": grades.criteria.id, "estimate": share.labelled_only,
                    "low": share.low, "high": share.high, "n": share.n_met + share.n_not_met,
                    "n_missing": share.n_indeterminate, "film": grades.film,
                    "caution": grades.criteria.caution, "citation": grades.criteria.citation,
                }
            )  # fmt: skip
        names = [
            "outcome",
            "group",
            "estimate",
            "low",
            "high",
            "n",
            "n_missing",
            "film",
            "caution",
            "citation",
        ]
        return pd.DataFrame(rows, columns=names)

    def __str__(self) -> str:
        """Return one sentence a set."""
        lines = [str(grades) for grades in self.grades]
        lines += [f"{name}: not applied, {why}" for name, why in self.not_possible.items()]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        """Return the sentence and the tidy table."""
        return sentence_and_table(str(self), self.tidy())


def grade_all(
    cohort: HasData,
    time: str | Sequence[str | None] | ObjectArray,
    sets: Iterable[ReductionCriteria | str] | None = None,
    *,
    reader: int = 1,
) -> SideBySide:
    """Judge the same films by several criteria sets.

    Parameters
    ----------
    cohort, time, reader
        As in :func:`grade_reduction`.
    sets : iterable of ReductionCriteria or str, optional
        Default every shipped set.

    Returns
    -------
    SideBySide
        Sets whose films are not in the table are listed with the columns they need.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> films = pd.DataFrame({"tilt_union": [-12.0], "ulnar_variance_union": [0.0]})
    >>> both = grade_all(SimpleNamespace(data=films), "union", ["brogren-2013", "aaos-2009"])
    >>> [grades.criteria.id for grades in both.grades], list(both.not_possible)
    (['brogren-2013'], ['aaos-2009'])
    """
    done, not_possible = [], {}
    for each in shipped_criteria() if sets is None else sets:
        chosen = read_criteria(each) if isinstance(each, str) else each
        try:
            done.append(grade_reduction(cohort, chosen, time, reader=reader))
        except CriteriaError as error:
            if error.code not in ("film_needed", "wrong_reference"):
                raise
            not_possible[chosen.id] = str(error)
    return SideBySide(grades=tuple(done), not_possible=not_possible)
