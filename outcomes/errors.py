"""Exceptions of the package.

::

    OutcomesError
    ├── DictionaryError   the data dictionary cannot be used
    ├── CohortError       the cohort table cannot be used
    ├── CriteriaError     a criteria set, rule table or reference row cannot be used
    ├── StudyError        the study file (the plan) cannot be used
    ├── EstimationError   a statistic cannot be computed from what was given
    └── RunError          a run folder cannot be written, read or verified

Messages name what was got, what is allowed and what to do next. They never carry the content of a
cohort cell: where a cell is at fault the message gives file, row and column.
"""

from __future__ import annotations


class OutcomesError(Exception):
    """Root of every error that the package raises on purpose.

    Parameters
    ----------
    message : str
        What was got, what is allowed, what to do next; never a patient value.
    code : str
        Short reason code, stable between versions.
    """

    def __init__(self, message: str, *, code: str = "refused") -> None:
        super().__init__(message)
        self.code = code


class DictionaryError(OutcomesError):
    """The data dictionary cannot be used as it stands."""


class CohortError(OutcomesError):
    """The cohort table cannot be used as it stands."""


class CriteriaError(OutcomesError):
    """A criteria set, rule table or other reference file cannot be used."""


class StudyError(OutcomesError):
    """The study file, which is the declared plan, cannot be used."""


class EstimationError(OutcomesError):
    """A statistic is not estimable from what was given; the message says why."""


class RunError(OutcomesError):
    """A run folder cannot be written, read or verified."""


class OutcomesWarning(UserWarning):
    """A result stands, but something about it must be known."""
