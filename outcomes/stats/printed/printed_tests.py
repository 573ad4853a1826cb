"""A printed p against the test statistic printed beside it, allowing for the rounding of both.

From the printed statistic an interval of p follows: every p whose statistic prints like this. The finding is
"inconsistent" only when the printed p lies outside of it, and the decision is "reversed" only when the whole
interval lies on the other side of alpha. After the idea of Nuijten MB, Hartgerink CHJ, van Assen MALM, Epskamp S,
Wicherts JM. Behavior Research Methods 2016; 48: 1205-1226.
"""

from __future__ import annotations

import math
from typing import Literal

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import check_choice
from outcomes.stats.numerics.inputs import chi2_p, f_p, two_sided_p
from outcomes.stats.printed.printed_text import (
    Printed,
    PrintedCheck,
    PrintedP,
    group_size,
    judge_p,
    read_printed,
    read_printed_p,
)

Statistic = Literal["t", "F", "chi2", "r", "z"]
STATISTICS = ("t", "F", "chi2", "r", "z")


def p_from_statistic(
    kind: Statistic, value: float, df: float | None = None, df2: float | None = None
) -> float:
    """Return the p of a test statistic: two-sided for t, r and z, upper tail for F and chi-squared.

    Parameters
    ----------
    kind : {"t", "F", "chi2", "r", "z"}
    value : float
        The statistic; F and chi-squared 0 or more, r from -1 to 1.
    df : float, optional
        Degrees of freedom, above 0; of the numerator for F; n - 2 for r; none for z.
    df2 : float, optional
        Degrees of freedom of the denominator of F.

    Returns
    -------
    float
        Never exactly 0: the smallest positive number where the tail is smaller still.

    Raises
    ------
    EstimationError
        Degrees of freedom that are missing or too many, or a value out of range.

    References
    ----------
    Student. Biometrika 1908; 6: 1-25. r: Fisher RA. Biometrika 1915; 10: 507-521.

    Examples
    --------
    >>> round(p_from_statistic("t", 2.2, 28), 4), round(p_from_statistic("F", 4.35, 2, 57), 4)
    (0.0362, 0.0175)
    """
    check_choice(kind, STATISTICS, "kind")
    _check_df(kind, df, df2)
    lowest = 0.0 if kind in ("F", "chi2") else -1.0 if kind == "r" else -math.inf
    if math.isnan(value) or value < lowest or (kind == "r" and value > 1):
        raise EstimationError(
            "value: F and chi2 are 0 or more, r from -1 to 1; check the kind", code="bad_statistic"
        )
    if kind == "F":
        return f_p(value, float(df or 0), float(df2 or 0))
    if kind == "chi2":
        return chi2_p(value, float(df or 0))
    if kind == "z":
        return two_sided_p(value)
    if kind == "t":
        return two_sided_p(value, float(df or 0))
    rest = (1 - value) * (1 + value)
    return two_sided_p(math.inf if rest <= 0 else value * math.sqrt(float(df or 0) / rest), float(df or 0))


def judge_statistic(
    kind: Statistic,
    statistic: str | int,
    p: str,
    *,
    df: str | int | None = None,
    df2: str | int | None = None,
    n: int | None = None,
    alpha: float = 0.05,
) -> PrintedCheck:
    """Say whether a printed p agrees with its printed test statistic.

    Parameters
    ----------
    kind : {"t", "F", "chi2", "r", "z"}
    statistic : str or int
        As printed.
    p : str
        As printed, such as ``"0.037"`` or ``"< .05"``.
    df, df2 : str or int, optional
        Degrees of freedom; a whole number is taken as exact, text with decimals as rounded (Welch).
    n : int, optional
        For r only, instead of df = n - 2.
    alpha : float
        Level of significance for the decision.

    Returns
    -------
    PrintedCheck
        The note says when a one-sided test would agree.

    Raises
    ------
    EstimationError
        As for :func:`p_from_statistic`.

    References
    ----------
    Nuijten MB, et al. Behavior Research Methods 2016; 48: 1205-1226.

    Examples
    --------
    >>> print(judge_statistic("t", "2.20", "< .05", df=28))
    t(28) = 2.20, p < .05: consistent; p from the printed numbers 0.0358 to 0.0366
    >>> judge_statistic("r", "0.071", ".546", n=180).finding
    'inconsistent'
    """
    check_choice(kind, STATISTICS, "kind")
    number, said = read_printed(statistic, kind), read_printed_p(p)
    if n is not None:
        if kind != "r" or df is not None:
            raise EstimationError("n is for r only, and instead of df", code="bad_df")
        df = group_size(n, "n", 3) - 2
    freedoms, freedoms2 = _freedoms(df, "df"), _freedoms(df2, "df2")
    low, high = _limits(kind, number)
    every = [
        p_from_statistic(kind, value, d, d2) for value in (low, high) for d in freedoms for d2 in freedoms2
    ]
    shown = ", ".join(str(d) for d in (df, df2) if d is not None)
    return compare_p(
        said, min(every), max(every), alpha, check=f"{kind}({shown})" if shown else kind,
        printed=f"= {number.text}", n=0 if n is None else n, halve=kind in ("t", "r", "z"), joined=" ",
    )  # fmt: skip


def compare_p(
    said: PrintedP,
    low: float,
    high: float,
    alpha: float,
    *,
    check: str,
    printed: str,
    n: int = 0,
    halve: bool = True,
    method: str = "",
    reason: str = "",
    note: str = "",
    agrees: bool | None = None,
    joined: str = ", ",
) -> PrintedCheck:
    """Return the finding for a printed p and the limits of the p worked out again.

    Parameters
    ----------
    said : PrintedP
    low, high, alpha : float
        Limits of p, level of significance.
    check, printed, n, method, reason, note
        As for :class:`outcomes.stats.printed.printed_text.PrintedCheck`.
    halve : bool
        Whether a one-sided p exists that might have been printed.
    agrees : bool, optional
        Whether one of several tests agrees; by default whether p lies between the limits.
    joined : str
        Between check and printed numbers.

    Examples
    --------
    >>> compare_p(read_printed_p("0.03"), 0.05, 0.07, 0.05, check="t", printed="= 2").note
    'a one-sided p would agree'
    """
    finding, decision = judge_p(said, low, high, alpha)
    if agrees is not None:
        finding = "consistent" if agrees else "inconsistent"
    one_sided = (
        halve and finding == "inconsistent" and judge_p(said, low / 2, high / 2, alpha)[0] == "consistent"
    )
    words = [note] if note else []
    if one_sided:
        words.append("a one-sided p would agree")
    label, shown = (
        (f"{check} {printed}", f"p {said.text}") if joined == " " else (check, f"{printed}, p {said.text}")
    )
    return PrintedCheck(
        check=label, printed=shown, finding=finding, quantity="p", low=low, high=high, decision=decision, n=n,
        method=method, reason=reason, note="; ".join(words),
    )  # fmt: skip


def _limits(kind: str, number: Printed) -> tuple[float, float]:
    """Return limits of the statistic's size within its range; p falls between them, steadily."""
    low, high = float(number.low), float(number.high)
    if kind in ("F", "chi2"):
        if number.value < 0:
            raise EstimationError("F and chi2 are 0 or more; check the kind", code="bad_statistic")
        return max(low, 0.0), high
    most = max(abs(low), abs(high))
    least = 0.0 if low <= 0 <= high else min(abs(low), abs(high))
    if kind == "r":
        if abs(number.value) > 1:
            raise EstimationError("r is from -1 to 1; check the kind", code="bad_statistic")
        return least, min(most, 1.0)
    return least, most


def _freedoms(df: str | int | None, name: str) -> tuple[float | None, ...]:
    """Return the limits of printed degrees of freedom; a whole number is exact."""
    if df is None:
        return (None,)
    number = read_printed(df, name)
    if number.value <= 0:
        raise EstimationError(f"{name} must be above 0", code="bad_df")
    if number.decimals <= 0:
        return (float(number.value),)
    return (max(float(number.low), float(number.value) / 2), float(number.high))


def _check_df(kind: str, df: float | None, df2: float | None) -> None:
    """Refuse degrees of freedom that do not belong to the statistic."""
    wanted = {"t": (True, False), "F": (True, True), "chi2": (True, False), "r": (True, False)}
    for name, given, needed in zip(("df", "df2"), (df, df2), wanted.get(kind, (False, False)), strict=True):
        if needed != (given is not None):
            raise EstimationError(
                f"{name}: {'missing for' if needed else 'not a part of'} {kind}; F takes df and df2, t, chi2 and r "
                "(n - 2) take df, z none",
                code="bad_df",
            )
        if given is not None and not given > 0:
            raise EstimationError(f"{name} must be above 0", code="bad_df")
