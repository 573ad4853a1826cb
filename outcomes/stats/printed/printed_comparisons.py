"""A printed p against the two groups printed beside it: means with SDs, or counts.

Means and SDs are rounded, so an interval of t follows from them; counts are exact, so each of the usual tests gives
one p. A paper seldom says which test it was: the printed p is consistent when one of them agrees.
"""

from __future__ import annotations

import math
from typing import Literal

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.inputs import chi2_p, events_of, two_sided_p
from outcomes.stats.printed.attainable import spread
from outcomes.stats.printed.printed_tests import compare_p
from outcomes.stats.printed.printed_text import (
    Finding,
    Printed,
    PrintedCheck,
    group_size,
    judge_p,
    read_printed,
    read_printed_p,
)
from outcomes.stats.proportions.contingency import chi_squared
from outcomes.stats.proportions.fisher_tables import fisher_p

Direction = Literal["higher", "lower", "equal"]
MeansTest = Literal["pooled", "Welch", "either"]
Limits = tuple[float, float]


def judge_two_means(
    mean1: str | int,
    sd1: str | int,
    n1: int,
    mean0: str | int,
    sd0: str | int,
    n0: int,
    p: str,
    *,
    test: MeansTest = "either",
    alpha: float = 0.05,
) -> PrintedCheck:
    """Say whether a printed p agrees with two printed means and SDs.

    Parameters
    ----------
    mean1, sd1, n1, mean0, sd0, n0
        Mean and SD as printed (text keeps the decimals) and size, 2 or more, of either group.
    p : str
        As printed, two-sided.
    test : {"pooled", "Welch", "either"}
        Which t test; "either" when the paper does not say.
    alpha : float
        Level of significance for the decision.

    Returns
    -------
    PrintedCheck
        `low` and `high` hold every p of the test(s) over all means and SDs that print like these. The
        note says when p agrees once the SDs are read as standard errors, or one-sided. An adjusted p,
        or one of a rank test, has nothing to do with these numbers and must not be checked.

    Raises
    ------
    EstimationError
        Negative SDs; groups smaller than 2.

    References
    ----------
    Welch BL. Biometrika 1947; 34: 28-35. Idea: Nuijten MB, et al. Behavior Research Methods 2016; 48: 1205-1226.

    Examples
    --------
    Taken at face value these give p = 0.012; means rounded to whole numbers allow 0.0003 to 0.12:

    >>> print(judge_two_means("14", "6", 49, "17", "6", 55, "0.037"))
    two means, 14 (6), n = 49 v 17 (6), n = 55, p = 0.037: consistent; p from the printed numbers 0.000347 to 0.121
    >>> judge_two_means("12.2", "3.1", 25, "14.5", "5.6", 25, "< .05").decision
    'reversed'
    """
    check_choice(test, ("pooled", "Welch", "either"), "test")
    said = read_printed_p(p)
    means = read_printed(mean1, "mean1"), read_printed(mean0, "mean0")
    spreads, sizes = (spread(sd1), spread(sd0)), (group_size(n1, "n1", 2), group_size(n0, "n0", 2))
    kinds = ("pooled", "Welch") if test == "either" else (test,)
    words = " v ".join(f"{m.text} ({s.text}), n = {n}" for m, s, n in zip(means, spreads, sizes, strict=True))
    limits = [_p_limits(kind, _apart(*means), _sd_limits(spreads, sizes, False), sizes) for kind in kinds]
    agreeing = [found for found in limits if judge_p(said, *found, alpha)[0] == "consistent"]
    low, high = min(found[0] for found in limits), max(found[1] for found in limits)
    note = ""
    if not agreeing:
        errors = [_p_limits(kind, _apart(*means), _sd_limits(spreads, sizes, True), sizes) for kind in kinds]
        if any(judge_p(said, *found, alpha)[0] == "consistent" for found in errors):
            note = "would agree if the SDs are standard errors"
    return compare_p(
        said, low, high, alpha, check="two means", printed=words, n=sum(sizes), note=note,
        method=" or ".join(kinds) + " t test", agrees=bool(agreeing),
    )  # fmt: skip


def judge_two_counts(
    events1: int, n1: int, events0: int, n0: int, p: str, *, alpha: float = 0.05
) -> PrintedCheck:
    """Say whether a printed p agrees with the counts of two groups by one of the usual tests.

    Parameters
    ----------
    events1, n1, events0, n0 : int
        Events and cases of either group.
    p : str
        As printed, two-sided.
    alpha : float
        Level of significance for the decision.

    Returns
    -------
    PrintedCheck
        Tests: Fisher's exact, chi-squared without and with Yates' correction. The reason names those that
        agree, or gives p of each; "cannot tell" when there are no events or only events.

    References
    ----------
    Fisher RA. J R Stat Soc 1935; 98: 39-82. Yates F. Supplement to J R Stat Soc 1934; 1: 217-235.

    Examples
    --------
    >>> print(judge_two_counts(9, 43, 7, 42, ".78"))
    two counts, 9/43 v 7/42, p = .78: consistent; p from the printed numbers 0.615 to 0.822; agrees with Fisher's exact test
    """
    said = read_printed_p(p)
    e1, total1 = events_of(events1, n1, "group 1")
    e0, total0 = events_of(events0, n0, "group 0")
    words, n = f"{e1}/{total1} v {e0}/{total0}", total1 + total0
    plain = chi_squared([[e1, total1 - e1], [e0, total0 - e0]])
    if plain.p_value is None:
        return PrintedCheck(
            check="two counts",
            printed=f"{words}, p {said.text}",
            finding="cannot tell",
            n=n,
            reason=plain.reason,
        )
    every = {
        "Fisher's exact test": fisher_p(e1, total1, e0, total0),
        "chi-squared": plain.p_value,
        "chi-squared with Yates' correction": corrected_chi2_p(e1, total1, e0, total0),
    }
    agreeing = [
        name for name, value in every.items() if judge_p(said, value, value, alpha)[0] == "consistent"
    ]
    low, high = min(every.values()), max(every.values())
    given = ", ".join(f"{name} {value:.3g}" for name, value in every.items())
    return compare_p(
        said, low, high, alpha, check="two counts", printed=words, n=n, method="three tests",
        reason=f"agrees with {', '.join(agreeing)}" if agreeing else given, agrees=bool(agreeing),
    )  # fmt: skip


def judge_direction(
    value1: str | int, value0: str | int, said: Direction, *, what: str = "first and second"
) -> PrintedCheck:
    """Say whether a printed sentence names the direction that the printed numbers have.

    Parameters
    ----------
    value1, value0 : str or int
        As printed.
    said : {"higher", "lower", "equal"}
        What the text says of the first.
    what : str
        What is compared.

    Returns
    -------
    PrintedCheck
        "cannot tell" when numbers that print like these may differ in either direction.

    References
    ----------
    None needed: an order of two numbers, allowing for their rounding.

    Examples
    --------
    >>> judge_direction("3.5", "11.2", "higher").finding, judge_direction("3", "3", "lower").finding
    ('inconsistent', 'cannot tell')
    """
    check_choice(said, ("higher", "lower", "equal"), "said")
    first, second = read_printed(value1, "value1"), read_printed(value0, "value0")
    touching = first.low <= second.high and second.low <= first.high
    same = first.value == second.value
    right = {"higher": first.value > second.value, "lower": first.value < second.value, "equal": same}[said]
    finding: Finding = "consistent" if right else "cannot tell" if touching else "inconsistent"
    order = (
        "equal as printed" if same else f"the first is {'higher' if first.value > second.value else 'lower'}"
    )
    return PrintedCheck(
        check="direction", printed=f"{what} {first.text} and {second.text}, said to be {said}",
        finding=finding, reason="" if right else order,
    )  # fmt: skip


def _apart(first: Printed, second: Printed) -> Limits:
    """Return the limits of the distance of two printed means."""
    low, high = first.low - second.high, first.high - second.low
    least = 0 if low <= 0 <= high else min(abs(low), abs(high))
    return float(least), float(max(abs(low), abs(high)))


def _sd_limits(
    spreads: tuple[Printed, Printed], sizes: tuple[int, int], are_errors: bool
) -> tuple[Limits, Limits]:
    """Return the limits of both SDs, or of the SDs behind what are standard errors."""
    first, second = (
        (max(float(s.low), 0.0) * scale, float(s.high) * scale)
        for s, scale in zip(spreads, [math.sqrt(n) if are_errors else 1.0 for n in sizes], strict=True)
    )
    return first, second


def _p_limits(kind: str, apart: Limits, sds: tuple[Limits, Limits], sizes: tuple[int, int]) -> Limits:
    """Return limits of p that no means and SDs within their limits exceed."""
    n1, n0 = sizes
    errors = [_error(kind, sds[0][i], n1, sds[1][i], n0) for i in (0, 1)]
    smallest = apart[0] / errors[1] if errors[1] > 0 else math.inf if apart[0] > 0 else 0.0
    largest = apart[1] / errors[0] if errors[0] > 0 else math.inf if apart[1] > 0 else 0.0
    low_df, high_df = (n1 + n0 - 2.0,) * 2 if kind == "pooled" else _welch_df(sds, sizes)
    # p falls with t and with the degrees of freedom
    return two_sided_p(largest, high_df), two_sided_p(smallest, low_df)


def _error(kind: str, sd1: float, n1: int, sd0: float, n0: int) -> float:
    """Return the standard error of the difference."""
    if kind == "Welch":
        return math.sqrt(sd1 * sd1 / n1 + sd0 * sd0 / n0)
    pooled = ((n1 - 1) * sd1 * sd1 + (n0 - 1) * sd0 * sd0) / (n1 + n0 - 2)
    return math.sqrt(pooled * (1 / n1 + 1 / n0))


def _welch_df(sds: tuple[Limits, Limits], sizes: tuple[int, int]) -> Limits:
    """Return the limits of Welch's degrees of freedom, which have one peak in the share of the first variance."""
    n1, n0 = sizes

    def share(sd1: float, sd0: float) -> float:
        first, second = sd1 * sd1 / n1, sd0 * sd0 / n0
        return first / (first + second) if first + second > 0 else 0.0

    def df(w: float) -> float:
        return 1 / (w * w / (n1 - 1) + (1 - w) ** 2 / (n0 - 1))

    low, high = share(sds[0][0], sds[1][1]), share(sds[0][1], sds[1][0])
    if sds[0][0] == sds[1][0] == 0:  # either SD can be 0 beside the other
        low, high = 0.0, 1.0
    peak = min(max((n1 - 1) / (n1 + n0 - 2), low), high)
    return min(df(low), df(high)), df(peak)


def corrected_chi2_p(events1: int, n1: int, events0: int, n0: int) -> float:
    """Return p of chi-squared with Yates' correction, which never turns the difference around.

    Parameters
    ----------
    events1, n1, events0, n0 : int
        Events and cases of either group, some with and some without the event.

    Returns
    -------
    float

    Raises
    ------
    EstimationError
        Counts that do not fit, or a table with an empty margin.

    References
    ----------
    Yates F. Supplement to J R Stat Soc 1934; 1: 217-235.

    Examples
    --------
    20 x (10 x 10 - 0 x 0 - 10)^2 / 10^4 = 16.2:

    >>> corrected_chi2_p(10, 10, 0, 10) == chi2_p(16.2, 1)
    True
    """
    e1, total1 = events_of(events1, n1, "group 1")
    e0, total0 = events_of(events0, n0, "group 0")
    n, m = total1 + total0, e1 + e0
    product = m * (n - m) * total1 * total0
    if product == 0:
        raise EstimationError("a group, the events or the cases without are empty: no test", code="too_few")
    apart = abs(e1 * (total0 - e0) - e0 * (total1 - e1))
    reduced = max(apart - n / 2, 0.0)
    return chi2_p(n * reduced * reduced / product, 1)
