"""Events and patients for a comparison of two survival curves by the log-rank test or a Cox model.

Schoenfeld's formula counts events; accrual, follow-up and losses turn events into patients when times are
exponential. lifelines has the formula for equal groups without accrual.
"""

from __future__ import annotations

import math

from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.planning.plans import (
    PlannedPower,
    SampleSize,
    Sided,
    check_plan,
    check_positive,
    largest_effect,
    round_up,
    z_of,
)
from outcomes.stats.planning.sample_size_means import power_of_shift
from outcomes.stats.printed.printed_text import group_size

METHOD = "Schoenfeld, log-rank test"


def events_for_hazard_ratio(
    hazard_ratio: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    ratio: float = 1.0,
) -> float:
    """Return the number of events that detects a hazard ratio, unrounded.

    Parameters
    ----------
    hazard_ratio : float
        Above 0, not 1.
    power, alpha : float
    sided : {"one", "two"}
    ratio : float
        Size of group 1 over size of group 0.

    Returns
    -------
    float
        ``(z_alpha + z_beta)^2 / (share1 share0 log(hazard_ratio)^2)``.

    Raises
    ------
    EstimationError
        A ratio of 1.

    References
    ----------
    Schoenfeld DA. Biometrics 1983; 39: 499-503.

    Examples
    --------
    4 x 7.849 / 0.4805:

    >>> round(events_for_hazard_ratio(2), 2)
    65.35
    """
    check_plan(alpha, sided, power, ratio)
    distance = _log(hazard_ratio)
    share = ratio / (1 + ratio)
    return float((z_of(alpha, sided) + special.ndtri(power)) ** 2 / (share * (1 - share) * distance**2))


def size_survival(
    hazard_ratio: float,
    hazard0: float,
    *,
    follow_up: float,
    accrual: float = 0.0,
    loss_hazard: float = 0.0,
    power: float = 0.8,
    alpha: float = 0.05,
    sided: Sided = "two",
    ratio: float = 1.0,
) -> SampleSize:
    """Return the patients who give the events that detect a hazard ratio.

    Parameters
    ----------
    hazard_ratio : float
        Group 1 over group 0.
    hazard0 : float
        Constant hazard of group 0, per unit of time: ``-log(S) / t`` when a share S is free at time t.
    follow_up : float
        Time after the last patient entered.
    accrual : float
        Time over which patients enter evenly, same unit.
    loss_hazard : float
        Constant hazard of being lost, same in both groups.
    power, alpha, sided, ratio
        As for :func:`events_for_hazard_ratio`.

    Returns
    -------
    SampleSize
        `events` is rounded up.

    Raises
    ------
    EstimationError
        A ratio of 1, hazards or times out of range.

    References
    ----------
    Schoenfeld DA. Biometrics 1983; 39: 499-503. Accrual: Lachin JM, Foulkes MA. Biometrics 1986; 42: 507-519.

    Examples
    --------
    Nobody enters late and half of group 0 has the event at time 1: 65.35 / (0.5 + 0.75) in each group:

    >>> import math
    >>> size_survival(2, math.log(2), follow_up=1).groups
    (53, 53)
    """
    events = events_for_hazard_ratio(hazard_ratio, power=power, alpha=alpha, sided=sided, ratio=ratio)
    chance1 = share_with_event(hazard_ratio * hazard0, follow_up, accrual=accrual, loss_hazard=loss_hazard)
    chance0 = share_with_event(hazard0, follow_up, accrual=accrual, loss_hazard=loss_hazard)
    n0 = events / (ratio * chance1 + chance0)
    groups = (round_up(n0 * ratio), round_up(n0))
    expected = groups[0] * chance1 + groups[1] * chance0
    share = groups[0] / sum(groups)
    shift = abs(_log(hazard_ratio)) * math.sqrt(expected * share * (1 - share))
    return SampleSize(
        design="survival of two groups", groups=groups, n=sum(groups), unrounded=(n0 * ratio, n0),
        power=power_of_shift(shift, math.inf, alpha, sided), target_power=power, effect=hazard_ratio,
        alpha=alpha, sided=sided, events=round_up(events), method=METHOD,
        assumed=(
            f"a hazard ratio of {hazard_ratio:g}", f"events in {100 * chance1:.3g} and {100 * chance0:.3g} %",
            "constant hazards",
        ),
    )  # fmt: skip


def share_with_event(
    hazard: float, follow_up: float, *, accrual: float = 0.0, loss_hazard: float = 0.0
) -> float:
    """Return the share of a group whose event is seen before the study ends.

    Parameters
    ----------
    hazard : float
        Constant hazard, above 0.
    follow_up, accrual, loss_hazard : float
        As for :func:`size_survival`; follow_up and accrual not both 0.

    Returns
    -------
    float

    Raises
    ------
    EstimationError
        Hazards or times out of range, nobody observed, or nobody with the event.

    References
    ----------
    Lachin JM, Foulkes MA. Biometrics 1986; 42: 507-519.

    Examples
    --------
    >>> round(share_with_event(1.0, 1.0), 4), round(share_with_event(1.0, 0.0, accrual=1.0), 4)
    (0.6321, 0.3679)
    """
    check_positive(hazard, "hazard")
    for name, value in (("follow_up", follow_up), ("accrual", accrual), ("loss_hazard", loss_hazard)):
        if not (math.isfinite(value) and value >= 0):
            raise EstimationError(f"{name} must be finite and 0 or more", code="bad_plan")
    if follow_up + accrual == 0:
        raise EstimationError("follow_up and accrual must not both be 0: nobody is observed", code="bad_plan")
    leaving = hazard + loss_hazard
    # mean over entry times of exp(-leaving x time observed)
    spread = leaving * accrual
    kept = math.exp(-leaving * follow_up) * (-math.expm1(-spread) / spread if spread > 0 else 1.0)
    share = hazard / leaving * (1 - kept)
    if share <= 0:
        raise EstimationError(
            "hazard is so small beside the time observed that nobody has the event; check the unit of time",
            code="bad_plan",
        )
    return share


def power_survival(
    events: int, hazard_ratio: float, *, alpha: float = 0.05, sided: Sided = "two", ratio: float = 1.0
) -> PlannedPower:
    """Return the power of a number of events to detect a hazard ratio.

    Parameters
    ----------
    events : int
        In both groups together, 1 or more.
    hazard_ratio, alpha, sided, ratio
        As for :func:`events_for_hazard_ratio`.

    Returns
    -------
    PlannedPower

    References
    ----------
    As for :func:`events_for_hazard_ratio`.

    Examples
    --------
    >>> round(power_survival(66, 2).power, 4)
    0.8039
    """
    check_plan(alpha, sided, None, ratio)
    total, share = group_size(events, "events"), ratio / (1 + ratio)
    shift = abs(_log(hazard_ratio)) * math.sqrt(total * share * (1 - share))
    return PlannedPower(
        design="survival of two groups, events", solved_for="power", effect=hazard_ratio, groups=(total,),
        power=power_of_shift(shift, math.inf, alpha, sided), alpha=alpha, sided=sided, method=METHOD,
        assumed=(f"a hazard ratio of {hazard_ratio:g}",),
    )  # fmt: skip


def detectable_hazard_ratio(
    events: int, *, power: float = 0.8, alpha: float = 0.05, sided: Sided = "two", ratio: float = 1.0
) -> PlannedPower:
    """Return the hazard ratio above 1 that a number of events detects; its inverse is detected as well.

    Parameters
    ----------
    events : int
        In both groups together, 1 or more.
    power, alpha, sided, ratio
        As for :func:`events_for_hazard_ratio`.

    Returns
    -------
    PlannedPower

    Raises
    ------
    EstimationError
        Numbers out of range, or too few events for any ratio.

    References
    ----------
    As for :func:`events_for_hazard_ratio`.

    Examples
    --------
    >>> round(detectable_hazard_ratio(66).effect, 3)
    1.993
    """
    check_plan(alpha, sided, power, ratio)
    total, share = group_size(events, "events"), ratio / (1 + ratio)
    shift = largest_effect(lambda value: power_of_shift(value, math.inf, alpha, sided), power, 1.0)
    exponent = shift / math.sqrt(total * share * (1 - share))
    if exponent > 700:
        raise EstimationError("no hazard ratio is detected with so few events", code="too_few")
    return PlannedPower(
        design="survival of two groups, events", solved_for="effect", power=power, effect=math.exp(exponent),
        groups=(total,), alpha=alpha, sided=sided, method=METHOD, assumed=("proportional hazards",),
    )  # fmt: skip


def _log(hazard_ratio: float) -> float:
    """Return the logarithm of a hazard ratio that is not 1."""
    check_positive(hazard_ratio, "hazard_ratio")
    if hazard_ratio == 1:
        raise EstimationError(
            "hazard_ratio must not be 1: no number of events detects no effect", code="bad_plan"
        )
    return math.log(hazard_ratio)
