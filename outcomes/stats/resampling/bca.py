"""Bias-corrected and accelerated limits from bootstrap replicates and the jackknife."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import special

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import cluster_codes, floats
from outcomes.stats.resampling.bootstrap import BootstrapInterval, limit_at, percentile_interval

FEWEST = 10
"""Independent units below which acceleration is not trusted and limits are percentiles (this project's choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Jackknife:
    """What leaving out one unit at a time says.

    Attributes
    ----------
    std_error : float
        Jackknife standard error.
    acceleration : float
        How fast the standard error changes with the value, 0 for a symmetric influence.
    n : int
        Units (rows or clusters) that were left out in turn.
    """

    std_error: float
    acceleration: float
    n: int


def jackknife(leave_one_out: Any, *, strata: Any = None, counts: Any = None) -> Jackknife:
    """Return standard error and acceleration from the values without each unit.

    Parameters
    ----------
    leave_one_out : array_like, shape (u,)
        The statistic without each unit.
    strata : array_like, shape (u,), optional
        Stratum of each unit, when units were drawn within strata.
    counts : array_like of int, shape (u,), optional
        How many units share each value; ones otherwise.

    Returns
    -------
    Jackknife

    Raises
    ------
    EstimationError
        Missing or infinite values, counts that are not positive, fewer than two units in a stratum.

    Notes
    -----
    With l_i = (n_h - 1) (mean of stratum h - value without i): variance = sum of l^2 / (n_h (n_h - 1)) over all
    units, acceleration = sum of l^3 / n_h^3 over 6 (sum of l^2 / n_h^2)^1.5. Sources: Efron (1987) J Am Stat Assoc
    82:171-185; Davison and Hinkley, Bootstrap Methods and their Application (1997), section 5.3, for strata.

    Examples
    --------
    The mean of 1, 2, 3, 10: its jackknife error is the ordinary one.

    >>> x = np.array([1.0, 2.0, 3.0, 10.0])
    >>> found = jackknife((x.sum() - x) / 3)
    >>> round(found.std_error, 9), round(float(x.std(ddof=1) / 2), 9)
    (2.041241452, 2.041241452)
    >>> round(found.acceleration, 6)  # deviations -3, -2, -1, 6: 180 / (6 * 50 ** 1.5)
    0.084853
    """
    values = np.ravel(floats(leave_one_out, "the values without a unit"))
    many = np.ones(len(values)) if counts is None else np.ravel(floats(counts, "the counts"))
    codes, n_strata = (
        (np.zeros(len(values), dtype=np.int64), 1) if strata is None else cluster_codes(strata, len(values))
    )
    if many.shape != values.shape or not np.isfinite(values).all() or not (many > 0).all():
        raise EstimationError(
            f"{int((~np.isfinite(values)).sum())} of {len(values)} values without a unit are missing or infinite, or "
            "counts do not fit; the statistic must exist without any one unit",
            code="not_finite",
        )
    size = np.bincount(codes, many, minlength=n_strata)
    if not len(values) or (size < 2).any():
        raise EstimationError(
            "a stratum with fewer than 2 units; merge it with another, or leave it out",
            code="too_few_clusters",
        )
    mean = np.bincount(codes, many * values, minlength=n_strata) / size
    n_own = size[codes]
    pull = (n_own - 1.0) * (mean[codes] - values)
    variance = float((many * pull**2 / (n_own * (n_own - 1.0))).sum())
    spread = float((many * pull**2 / n_own**2).sum())
    third = float((many * pull**3 / n_own**3).sum())
    return Jackknife(
        std_error=variance**0.5,
        acceleration=third / (6.0 * spread**1.5) if spread > 0.0 else 0.0,
        n=int(size.sum()),
    )


def bias_correction(replicates: Any, value: float) -> float:
    """Return z0: the normal quantile of the share of replicates below the value, ties counted half.

    Raises
    ------
    EstimationError
        All replicates on one side of the value.

    Notes
    -----
    Source: Efron (1987), as in :func:`jackknife`; ties as in Efron and Tibshirani (1993), section 14.3.

    Examples
    --------
    >>> bias_correction([1.0, 2.0, 3.0, 4.0], 2.5), round(bias_correction([1.0, 2.0, 3.0, 4.0], 4.0), 4)
    (0.0, 1.1503)
    """
    draws = floats(replicates, "the replicates")
    draws = draws[np.isfinite(draws)]
    share = float((draws < value).mean() + 0.5 * (draws == value).mean()) if len(draws) else 0.0
    if not 0.0 < share < 1.0:
        raise EstimationError(
            "all replicates lie on one side of the value; their limits cannot be corrected, so read the bias first",
            code="one_sided_replicates",
        )
    return float(special.ndtri(share))


def bca_interval(
    replicates: Any,
    value: float,
    units: Jackknife,
    *,
    level: float = 0.95,
    contrast: str = "",
    unit: str = "",
    n: int = 0,
    n_missing: int = 0,
    method: str = "bootstrap",
) -> BootstrapInterval:
    """Return the bias-corrected and accelerated interval of bootstrap replicates.

    Parameters
    ----------
    replicates, value, level, contrast, unit, n, n_missing, method
        As for :func:`outcomes.stats.resampling.bootstrap.percentile_interval`.
    units : Jackknife
        Acceleration, and the number of units that were drawn.

    Returns
    -------
    BootstrapInterval
        Under 10 units, or where a corrected limit lies beyond the replicates, the percentile interval, and the
        method says so.

    Raises
    ------
    EstimationError
        As :func:`outcomes.stats.resampling.bootstrap.percentile_interval`.

    Notes
    -----
    The Monte Carlo error of a limit counts the replicates at the limit and the error of z0, as if the two were
    independent. Source: Efron (1987) J Am Stat Assoc 82:171-185; DiCiccio and Efron (1996) Stat Sci 11:189-228.

    Examples
    --------
    Replicates spread evenly around the value and no acceleration: the percentile limits.

    >>> r = bca_interval(np.arange(1.0, 1000.0), 500.0, Jackknife(std_error=1.0, acceleration=0.0, n=50))
    >>> round(r.estimate.conf_low, 6), round(r.estimate.conf_high, 6)
    (25.0, 975.0)
    """
    plain = percentile_interval(
        replicates, value, level=level, contrast=contrast, unit=unit, n=n, n_missing=n_missing, method=method
    )
    if plain.estimate.conf_low is None:
        return plain
    if units.n < FEWEST:
        return _named(plain, f"{units.n} units, fewer than {FEWEST}: limits not corrected")
    draws = floats(replicates, "the replicates")
    good = np.sort(draws[np.isfinite(draws)])
    if good[0] == good[-1]:
        return _named(plain, "no variation between replicates: limits not corrected")
    try:
        z0 = bias_correction(good, value)
    except EstimationError:
        return _named(plain, "all replicates on one side of the value: limits not corrected")
    wanted = [corrected_probability(p, z0, units.acceleration) for p in (0.5 - level / 2, 0.5 + level / 2)]
    edge = 1.0 / (len(good) + 1)
    if not all(edge <= p <= 1.0 - edge for p in wanted):
        return _named(plain, "a corrected limit lies beyond the replicates: limits not corrected")
    limits = [limit_at(good, p) for p in wanted]
    error_z0 = _error_of_z0(z0, len(good))
    errors = []
    for p, (_, error) in zip((0.5 - level / 2, 0.5 + level / 2), limits, strict=True):
        moved = [
            limit_at(
                good,
                float(
                    np.clip(corrected_probability(p, z0 + s * error_z0, units.acceleration), edge, 1 - edge)
                ),
            )[0]
            for s in (-1.0, 1.0)
        ]
        errors.append(float(np.hypot(error, 0.5 * (moved[1] - moved[0]))))
    estimate = replace(
        plain.estimate, conf_low=limits[0][0], conf_high=limits[1][0],
        method=plain.estimate.method.replace("percentile interval", "BCa interval"),
    )  # fmt: skip
    return replace(plain, estimate=estimate, error_low=errors[0], error_high=errors[1])


def corrected_probability(probability: float, z0: float, acceleration: float) -> float:
    """Return the probability at which a BCa limit is read; NaN where the correction has no meaning.

    Examples
    --------
    >>> round(corrected_probability(0.025, 0.0, 0.0), 12), round(corrected_probability(0.025, 0.1, 0.05), 4)
    (0.025, 0.0546)
    """
    z = z0 + float(special.ndtri(probability))
    turned = 1.0 - acceleration * z
    return float(special.ndtr(z0 + z / turned)) if turned > 0.0 else float("nan")


def _error_of_z0(z0: float, n: int) -> float:
    """Return the Monte Carlo standard error of the bias correction."""
    share = float(special.ndtr(z0))
    density = float(np.exp(-0.5 * z0**2) / np.sqrt(2.0 * np.pi))
    return float(np.sqrt(share * (1.0 - share) / n)) / density


def _named(plain: BootstrapInterval, why: str) -> BootstrapInterval:
    """Return the percentile interval with the reason why it is not corrected."""
    return replace(plain, estimate=replace(plain.estimate, method=f"{plain.estimate.method}; {why}"))
