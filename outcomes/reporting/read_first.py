"""What must be read before anything else: losses so large that the answer may be about other patients.

The three shares are choices of this project, without a source. They close nothing: the answer stands, with the
banner above it and exit code 2. A closed gate, or an answer that these data cannot tell, needs no banner.
"""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.answer import Answer
from outcomes.analysis.sample import STRATEGY_UNCLEAR, StudySample
from outcomes.cohort.table import Cohort
from outcomes.reporting.formatting import count, percentage

#: Largest share of the rows of cases that may be set aside by the reading.
MOST_SET_ASIDE = 0.10
#: Largest share of the cases read that may be left out because the strategy is unclear.
MOST_UNCLEAR = 0.20
#: Least share of the eligible cases that the model of the primary outcome uses.
LEAST_USED = 0.50


def losses(
    cohort: Cohort, sample: StudySample | None = None, primary: Answer | None = None
) -> tuple[str, ...]:
    """Return the losses that are beyond this project's limits, in words.

    Parameters
    ----------
    cohort : Cohort
    sample : StudySample, optional
        Needed to tell how many cases have no clear strategy.
    primary : Answer, optional
        Of the primary outcome, needed to tell how many cases are used.

    Returns
    -------
    tuple of str
        Empty when nothing is beyond.
    """
    n_aside = len(cohort.quarantine)
    found = [(n_aside, n_aside + len(cohort), MOST_SET_ASIDE, "rows of cases were set aside")]
    if sample is not None:
        unclear = int((sample.frame["excluded_because"] == STRATEGY_UNCLEAR).sum())
        found.append(
            (
                unclear,
                len(sample.frame),
                MOST_UNCLEAR,
                "cases were left out because their strategy is unclear",
            )
        )
    texts = [
        f"{count(n)} of {count(of)} {what} ({percentage(n, of)}; this project's limit is {100 * limit:.0f}\u00a0%)"
        for n, of, limit, what in found
        if n > limit * of
    ]
    if primary is not None and primary.n_used < LEAST_USED * primary.n_eligible:
        used, of = primary.n_used, primary.n_eligible
        texts.append(
            f"only {count(used)} of {count(of)} eligible cases are used for {primary.label} ({percentage(used, of)}; this "
            f"project asks for {100 * LEAST_USED:.0f}\u00a0%)"
        )
    return tuple(texts)


def read_first(cohort: Cohort, sample: StudySample, answers: Sequence[Answer]) -> tuple[str, ...]:
    """Return what stands in the banner of a report and makes the exit code 2.

    Parameters
    ----------
    cohort : Cohort
    sample : StudySample
    answers : sequence of Answer

    Returns
    -------
    tuple of str
        Effects in the unexpected direction, then losses; empty when there is nothing.
    """
    turned = [f"{answer.label}: an effect points the unexpected way" for answer in answers if answer.reversed]
    primary = next(answer for answer in answers if answer.role == "primary")
    return (*turned, *losses(cohort, sample, primary))
