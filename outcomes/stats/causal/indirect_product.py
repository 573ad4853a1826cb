"""The indirect effect as a product of two coefficients, from summary numbers."""

from __future__ import annotations

import math
from typing import Any, Literal, get_args

import numpy as np
from scipy import optimize, special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import check_choice, check_level
from outcomes.stats.numerics.inputs import SMALLEST_P, normal_quantile, two_sided_p

ProductInterval = Literal["product", "normal"]

# 64 points on each of 64 panels that cover all but 1e-23 of a normal
_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_REACH, _PANELS = 10.0, 64


def indirect_product(
    first: float,
    first_error: float,
    second: float,
    second_error: float,
    *,
    interval: ProductInterval = "product",
    level: float = 0.95,
    unit: str = "",
    n: int = 0,
    n_missing: int = 0,
) -> Estimate:
    """Multiply exposure on mediator by mediator on outcome, with an interval.

    Parameters
    ----------
    first, first_error : float
        Coefficient of the exposure in the model of the mediator, and its standard error, > 0.
    second, second_error : float
        Coefficient of the mediator in the model of the outcome, and its standard error, > 0.
    interval : {"product", "normal"}
        Quantiles of the product of two independent normals, or value plus and minus a normal quantile times
        Sobel's error, which is symmetric where the product is not.
    level : float
        Confidence level.
    unit, n, n_missing
        Carried along.

    Returns
    -------
    Estimate
        `std_error` is Sobel's, ``sqrt(a^2 s_b^2 + b^2 s_a^2)``, for either interval. p of "product": twice the smaller
        tail beyond 0 of the distribution that the limits are read from.

    Raises
    ------
    EstimationError
        Values that are not finite, errors not above 0.

    Notes
    -----
    For linear models without interaction, whose two coefficients are independent given the columns. Sources:
    Sobel (1982) Sociol Methodol 13:290; MacKinnon, Fritz, Williams and Lockwood (2007) Behav Res Methods 39:384.

    Examples
    --------
    >>> e = indirect_product(2.0, 1.0, 3.0, 1.0, interval="normal")
    >>> e.value, round(e.std_error**2, 9)
    (6.0, 13.0)
    >>> e = indirect_product(2.0, 1.0, 3.0, 1.0)
    >>> round(e.conf_low, 3), round(e.conf_high, 3)
    (0.038, 14.501)
    """
    check_level(level)
    check_choice(interval, get_args(ProductInterval), "interval")
    given = (first, first_error, second, second_error)
    if not all(map(math.isfinite, given)) or min(first_error, second_error) <= 0.0:
        raise EstimationError(
            "coefficients are finite and their standard errors finite and above 0", code="bad_estimate"
        )
    value = first * second
    error = math.hypot(first * second_error, second * first_error)
    about: dict[str, Any] = {
        "contrast": "indirect effect", "level": level, "unit": unit, "n": n, "n_missing": n_missing,
        "value": value, "std_error": error if error > 0.0 else None,
    }  # fmt: skip
    if interval == "normal":
        if error == 0.0:
            reason = "both coefficients are 0, where Sobel's error is 0; use interval='product'"
            return Estimate(conf_low=None, conf_high=None, method="Sobel", reason=reason, **about)
        reach = normal_quantile(level) * error
        return Estimate(conf_low=value - reach, conf_high=value + reach, p_value=two_sided_p(value / error),
                        method="product of coefficients, Sobel's error, normal", **about)  # fmt: skip
    x, y, scale = first / first_error, second / second_error, first_error * second_error
    low, high = (_quantile(p, x, y) * scale for p in (0.5 - level / 2, 0.5 + level / 2))
    # a negative x turns the product round, so that both tails are sums without cancellation
    tails = product_probability(0.0, x, y), product_probability(0.0, -x, y)
    p_value = min(1.0, max(2.0 * min(tails), SMALLEST_P))
    return Estimate(conf_low=low, conf_high=high, p_value=p_value, method="product of two normals", **about)


def product_probability(q: float, x: float, y: float) -> float:
    """Return the probability that the product of two independent normals of spread 1 is at most q.

    Parameters
    ----------
    q : float
    x, y : float
        Means.

    Notes
    -----
    Gauss-Legendre over the first normal. Source: Craig (1936) Ann Math Stat 7:1 (the distribution); Meeker and
    Escobar (1994) Am Stat 48:37 (by integration).

    Examples
    --------
    Two standard normals: symmetric around 0.

    >>> round(product_probability(0.0, 0.0, 0.0), 12)
    0.5
    """
    if q == 0.0:
        return float(special.ndtr(x) * special.ndtr(-y) + special.ndtr(-x) * special.ndtr(y))
    # panels that end at 0, where the condition on the second factor jumps, crowded around it
    size = math.sqrt(abs(q))
    edges = np.unique(np.concatenate([
        np.linspace(x - _REACH, x + _REACH, _PANELS + 1), [0.0], np.geomspace(1e-8, 1.0, 33) * size,
        -np.geomspace(1e-8, 1.0, 33) * size,
    ]))  # fmt: skip
    edges = edges[(edges >= x - _REACH) & (edges <= x + _REACH)]
    half = np.diff(edges) / 2.0
    u = (edges[:-1] + half)[:, None] + half[:, None] * _POINTS
    density = np.exp(-0.5 * np.square(u - x)) / math.sqrt(2.0 * math.pi)
    other = np.where(u > 0.0, special.ndtr(q / u - y), special.ndtr(y - q / u))
    return float(np.clip((half[:, None] * _WEIGHTS * density * other).sum(), 0.0, 1.0))


def _quantile(p: float, x: float, y: float) -> float:
    """Return the quantile of the product of two independent normals of spread 1."""
    reach = (abs(x) + _REACH) * (abs(y) + _REACH)
    return float(optimize.brentq(lambda q: product_probability(q, x, y) - p, -reach, reach, xtol=1e-13))
