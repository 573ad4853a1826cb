"""Estimates from values and errors that some fit has worked out, as differences or as ratios."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_level, floats
from outcomes.stats.numerics.inputs import two_sided_p
from outcomes.stats.numerics.student import t_quantile

# which limits are beyond what a number can hold: lower, upper
_BEYOND = {
    (False, False): "",
    (False, True): "the upper limit is too large for a number",
    (True, False): "the lower limit is too small for a number",
    (True, True): "the limits are too small and too large for a number",
}


def delta_estimates(
    values: Any,
    errors: Any,
    df: Any = np.inf,
    *,
    ratio: bool = False,
    level: float = 0.95,
    labels: Sequence[str] | None = None,
    unit: str = "",
    n: int = 0,
    n_missing: int = 0,
    method: str = "",
    size: Any = None,
) -> tuple[Estimate, ...]:
    """Turn values and standard errors into estimates with t or normal limits.

    Parameters
    ----------
    values, errors : array_like, shape (m,)
        Values and their standard errors; logarithms of the ratios and their errors when `ratio`.
    df : array_like, shape (m,) or float
        Degrees of freedom of the reference t; infinity for the normal.
    ratio : bool
        Give value and limits as ratios; `std_error` stays that of the logarithm.
    level : float
        Confidence level.
    labels : sequence of str, length m, optional
        What is subtracted from (or divided by) what.
    unit : str
        Unit of differences.
    n, n_missing : int
        Cases used and left out.
    method : str
        Named method.
    size : array_like, shape (m,), optional
        Magnitude of the terms each value is made of: an error below 1e-12 of it is rounding, not spread.

    Returns
    -------
    tuple of Estimate
        Without limits where there is no spread, or degrees of freedom that are not above 0; without a value
        where a ratio is too large or too small for a number.

    Raises
    ------
    EstimationError
        Labels, errors or degrees of freedom of the wrong length, a bad level.

    Notes
    -----
    Source: Rao, Linear Statistical Inference, 2nd ed. (1973), section 6a.2 (delta method).

    Examples
    --------
    >>> print(delta_estimates([np.log(2.0)], [0.1], ratio=True, labels=["a / b"], n=50)[0])
    a / b: 2 ratio (95 % CI 1.644 to 2.433; n = 50)
    """
    check_level(level)
    value = np.atleast_1d(floats(values, "the values"))
    error = np.atleast_1d(floats(errors, "the errors"))
    names = tuple(labels) if labels is not None else ("",) * len(value)
    if value.ndim != 1 or error.shape != value.shape or len(names) != len(value):
        raise EstimationError(
            f"{len(names)} labels and {error.size} errors for {value.size} values; give one of each",
            code="bad_shape",
        )
    freedom = np.broadcast_to(np.asarray(df, dtype=np.float64), value.shape)
    terms = (
        np.zeros_like(value) if size is None else np.broadcast_to(np.asarray(size, np.float64), value.shape)
    )
    common = {
        "level": level, "unit": "ratio" if ratio else unit, "n": n, "n_missing": n_missing, "method": method,
    }  # fmt: skip
    return tuple(
        _one(float(v), float(e), float(f), float(s), name, ratio, common)
        for v, e, f, s, name in zip(value, error, freedom, terms, names, strict=True)
    )


def _one(
    value: float, error: float, df: float, size: float, label: str, ratio: bool, common: dict[str, Any]
) -> Estimate:
    """Return one estimate, without what cannot be given."""
    if ratio and abs(value) > 700.0:
        kept = {key: part for key, part in common.items() if key != "level"}
        return Estimate.not_estimable("the ratio is too far from 1 for a number", contrast=label, **kept)
    shown = float(np.exp(value)) if ratio else value
    if not (error > 1e-12 * size and error > 0.0 and np.isfinite(error)):
        reason = "no spread is left to judge this contrast by"
        return Estimate(value=shown, conf_low=None, conf_high=None, contrast=label, reason=reason, **common)
    if not df > 0.0:
        reason = "no degrees of freedom are left to judge this contrast by"
        return Estimate(
            value=shown,
            conf_low=None,
            conf_high=None,
            std_error=error,
            contrast=label,
            reason=reason,
            **common,
        )
    half = float(t_quantile(0.5 + common["level"] / 2, df)) * error
    low, high = value - half, value + half
    if ratio:
        # a limit too large or too small for a number is no limit
        low, high = (
            float(np.exp(low)) if low > -700.0 else -np.inf,
            float(np.exp(high)) if high < 700.0 else np.inf,
        )
    beyond = (not np.isfinite(low), not np.isfinite(high))
    return Estimate(
        value=shown, conf_low=None if beyond[0] else low, conf_high=None if beyond[1] else high, std_error=error,
        df=df if np.isfinite(df) else None, p_value=two_sided_p(value / error, df), contrast=label,
        reason=_BEYOND[beyond], **common,
    )  # fmt: skip


def quadratic(rows: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return the variance of each row's linear combination.

    Examples
    --------
    >>> quadratic(np.array([[1.0, -1.0]]), np.eye(2)).tolist()
    [2.0]
    """
    return np.asarray(np.einsum("ij,jk,ik->i", rows, covariance, rows))
