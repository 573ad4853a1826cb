"""Cohen's kappa of two raters, plain or weighted, and what to read beside it.

statsmodels has the plain and weighted kappa; here the interval is kept in -1 to 1, tables without one say
so, and the variances are summed about their mean, so that near-perfect agreement costs no digits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import FloatArray, check_choice, check_level
from outcomes.stats.numerics.inputs import count_array, normal_quantile, numbers, two_sided_p
from outcomes.stats.proportions.risks import wilson
from outcomes.stats.resampling.bootstrap import BootstrapInterval, percentile_interval

KappaWeights = Literal["none", "linear", "quadratic"]
WEIGHTS = ("none", "linear", "quadratic")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa:
    """Agreement of raters beyond chance.

    Attributes
    ----------
    estimate : Estimate
        Limits and `std_error` by the variance where raters agree as observed; p by that where they agree by
        chance, `std_error_null`.
    z, std_error_null : float or None
        Kappa over its standard error under no agreement beyond chance.
    observed, expected : float or None
        Agreement seen and expected from the margins, weighted where weights are used.
    """

    estimate: Estimate
    z: float | None
    std_error_null: float | None
    observed: float | None
    expected: float | None

    def tidy(self) -> pd.DataFrame:
        """Return one row with the common column names."""
        e = self.estimate
        row = {
            "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
            "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing, "z": self.z,
            "observed": self.observed, "expected": self.expected, "method": e.method, "reason": e.reason,
        }  # fmt: skip
        return pd.DataFrame([row])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        if self.observed is None or self.expected is None:
            return str(self.estimate)
        return f"{self.estimate}; agreement {self.observed:.3g} observed, {self.expected:.3g} by chance"


@dataclass(frozen=True, slots=True, kw_only=True)
class KappaContext:
    """What a kappa depends on besides agreement.

    Attributes
    ----------
    agreement : Estimate
        Share of subjects on which the raters agree, with Wilson's interval.
    maximum : float or None
        Largest kappa that these margins allow.
    adjusted : Estimate
        Prevalence- and bias-adjusted kappa, (levels x agreement - 1) / (levels - 1).
    prevalence, bias : float or None
        Of two levels: how unequal the shares of the levels are, and how differently the raters use them; 0 to 1.
    """

    agreement: Estimate
    maximum: float | None
    adjusted: Estimate
    prevalence: float | None
    bias: float | None

    def tidy(self) -> pd.DataFrame:
        """Return a row for agreement and adjusted kappa, with the common column names."""
        rows = [
            {
                "contrast": e.contrast, "estimate": e.value, "conf_low": e.conf_low, "conf_high": e.conf_high,
                "n": e.n, "maximum": self.maximum, "prevalence": self.prevalence, "bias": self.bias,
            }
            for e in (self.agreement, self.adjusted)
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        top = "" if self.maximum is None else f"; largest kappa of these margins {self.maximum:.3g}"
        two = (
            ""
            if self.prevalence is None
            else f"; prevalence index {self.prevalence:.3g}, bias index {self.bias:.3g}"
        )
        return f"{self.agreement}; {self.adjusted}{top}{two}"


def cohen_kappa(
    counts: Any, *, weights: KappaWeights | Any = "none", level: float = 0.95, n_missing: int = 0
) -> Kappa:
    """Return Cohen's kappa of two raters.

    Parameters
    ----------
    counts : array_like of int, shape (levels, levels)
        First rater in rows, second in columns, levels in the same order; see
        :func:`outcomes.stats.agreement.rating_tables.cross_table`.
    weights : {"none", "linear", "quadratic"} or array_like, shape (levels, levels)
        Credit for each pair of levels: 1 on the diagonal, elsewhere 0; 1 - distance / (levels - 1); the same with
        squares; or own credits, symmetric, at most 1, 1 on the diagonal.
    level : float
        Confidence level.
    n_missing : int
        Subjects without both ratings, to be carried along.

    Returns
    -------
    Kappa
        Normal interval, cut at -1 and 1. Not estimable when both raters use one and the same level only. Without
        interval where its variance is 0: perfect agreement, or a rater who uses one level.

    Raises
    ------
    EstimationError
        When the table is not square, its labelled levels differ, a cell is no count, or the weights are not as above.

    Notes
    -----
    Depends on how common the levels are: see :func:`kappa_context`. Quadratic weights approach an intraclass
    correlation and grow with the number of levels. The interval is too narrow when few
    subjects are rated differently (docs/validation/agreement.md), as is that of :func:`kappa_bootstrap`.

    References
    ----------
    Cohen J. Educational and Psychological Measurement 1960; 20: 37-46; Psychological Bulletin 1968; 70: 213-220.
    Fleiss JL, Cohen J, Everitt BS. Psychological Bulletin 1969; 72: 323-327 (both variances).

    Examples
    --------
    35 of 50 agree, 25 by chance: (0.7 - 0.5) / (1 - 0.5)

    >>> found = cohen_kappa([[20, 5], [10, 15]])
    >>> round(found.estimate.value, 12), round(found.estimate.std_error ** 2, 12)
    (0.4, 0.016128)
    """
    check_level(level)
    table = _square(counts)
    credit, name = _credits(weights, len(table))
    n = float(table.sum())
    label = "kappa" if name == "none" else f"kappa, {name} weights"
    shared: dict[str, Any] = {"contrast": label, "n": int(n), "n_missing": n_missing}
    if n < 2:
        gone = Estimate.not_estimable(f"{int(n)} subjects with both ratings: at least 2 are needed", **shared)
        return Kappa(estimate=gone, z=None, std_error_null=None, observed=None, expected=None)
    p = table / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    missed = float(((1 - credit) * p).sum())  # disagreement keeps its digits where agreement is near 1
    by_chance = float(rows @ (1 - credit) @ columns)
    if by_chance <= 1e-14:
        gone = Estimate.not_estimable(
            "both raters use one level only: chance alone gives full agreement", **shared
        )
        return Kappa(estimate=gone, z=None, std_error_null=None, observed=1 - missed, expected=1.0)
    value = 1 - missed / by_chance
    expected_row, expected_column = (1 - credit) @ columns, rows @ (1 - credit)
    spread = expected_row[:, None] + expected_column[None, :]
    pull = ((1 - credit) - spread * (missed / by_chance)) / by_chance
    variance = _variance(p, pull) / n
    chance = np.outer(rows, columns)
    null = math.sqrt(_variance(chance, ((1 - credit) - spread) / by_chance) / n)
    z = value / null if null > 1e-14 else None
    error = math.sqrt(variance)
    known = error > 1e-12
    half = normal_quantile(level) * error
    if known:
        reason = ""
    elif missed == 0:
        reason = "the raters agree on every subject: the closed form has no interval"
    else:
        reason = "the large-sample variance of this table is 0, as when a rater uses one level only"
    estimate = Estimate(
        value=value, conf_low=max(-1.0, value - half) if known else None,
        conf_high=min(1.0, value + half) if known else None, level=level, std_error=error if known else None,
        p_value=None if z is None else two_sided_p(z), method="Fleiss-Cohen-Everitt", reason=reason, **shared,
    )  # fmt: skip
    return Kappa(
        estimate=estimate, z=z, std_error_null=null if z is not None else None, observed=1 - missed,
        expected=1 - by_chance,
    )  # fmt: skip


def kappa_context(counts: Any, *, level: float = 0.95) -> KappaContext:
    """Return what to read beside a kappa: agreement, its maximum, prevalence and bias.

    Parameters
    ----------
    counts : array_like of int, shape (levels, levels)
        As for :func:`cohen_kappa`.
    level : float
        Confidence level.

    Returns
    -------
    KappaContext

    Raises
    ------
    EstimationError
        When the table is not square, its labelled levels differ or a cell is no count.

    References
    ----------
    Byrt T, Bishop J, Carlin JB. J Clin Epidemiol 1993; 46: 423-429. Maximum: Cohen J. Educational and
    Psychological Measurement 1960; 20: 37-46.

    Examples
    --------
    Margins 25, 25 and 30, 20 allow 45 agreements of 50, 25 by chance: (0.9 - 0.5) / 0.5

    >>> found = kappa_context([[20, 5], [10, 15]])
    >>> round(found.maximum, 9), round(found.adjusted.value, 9), found.prevalence, found.bias
    (0.8, 0.4, 0.1, 0.1)
    """
    check_level(level)
    table = _square(counts)
    n, k = float(table.sum()), len(table)
    agreed = wilson(int(np.trace(table)), int(n), level)
    names = ("agreement", "kappa adjusted for prevalence and bias")
    if agreed.value is None:
        plain, adjusted = (Estimate.not_estimable("no subjects", contrast=name) for name in names)
        return KappaContext(agreement=plain, maximum=None, adjusted=adjusted, prevalence=None, bias=None)
    parts = (agreed.value, agreed.conf_low, agreed.conf_high)
    plain, adjusted = (
        Estimate(
            value=made[0],
            conf_low=made[1],
            conf_high=made[2],
            level=level,
            contrast=name,
            n=int(n),
            method="Wilson",
        )
        for made, name in (
            (parts, names[0]),
            (tuple((k * x - 1) / (k - 1) for x in parts if x is not None), names[1]),
        )
    )
    rows, columns = table.sum(axis=1) / n, table.sum(axis=0) / n
    by_chance = 1 - float(rows @ columns)
    top = float(np.minimum(rows, columns).sum())
    two = k == 2
    return KappaContext(
        agreement=plain, adjusted=adjusted, maximum=1 - (1 - top) / by_chance if by_chance > 1e-14 else None,
        prevalence=abs(float(table[0, 0] - table[1, 1])) / n if two else None,
        bias=abs(float(table[0, 1] - table[1, 0])) / n if two else None,
    )  # fmt: skip


def kappa_bootstrap(
    counts: Any, *, weights: KappaWeights | Any = "none", n_boot: int = 2000, seed: int, level: float = 0.95
) -> BootstrapInterval:
    """Return kappa with the percentile interval of a bootstrap over subjects.

    Parameters
    ----------
    counts, weights, level
        As for :func:`cohen_kappa`.
    n_boot, seed : int
        Resamples and the seed of their generator.

    Returns
    -------
    BootstrapInterval
        Resamples without a kappa are counted as failed.

    Raises
    ------
    EstimationError
        As for :func:`cohen_kappa`, and when kappa itself is not estimable or resamples are too few.

    References
    ----------
    Efron B, Tibshirani R. An Introduction to the Bootstrap 1993, section 13.3.

    Examples
    --------
    >>> round(kappa_bootstrap([[20, 5], [10, 15]], seed=1).estimate.value, 12)
    0.4
    """
    first = cohen_kappa(counts, weights=weights, level=level).estimate
    if first.value is None:
        raise EstimationError(f"kappa is not estimable: {first.reason}", code="not_estimable")
    table = _square(counts)
    credit, _ = _credits(weights, len(table))
    n = int(table.sum())
    draws = (
        np.random.default_rng(seed).multinomial(n, (table / n).ravel(), n_boot).reshape(n_boot, *table.shape)
    )
    p = draws / n
    missed = np.einsum("bij,ij->b", p, 1 - credit)
    by_chance = np.einsum("bi,ij,bj->b", p.sum(axis=2), 1 - credit, p.sum(axis=1))
    usable = by_chance > 1e-14
    replicates = np.where(usable, 1 - missed / np.where(usable, by_chance, 1.0), np.nan)
    return percentile_interval(
        replicates, first.value, level=level, contrast=first.contrast, n=n, method="bootstrap over subjects"
    )


def _square(counts: Any) -> FloatArray:
    """Return the square table of counts, or refuse it."""
    # a table of unequal levels can be square by chance: its diagonal is then no agreement
    if isinstance(counts, pd.DataFrame) and list(counts.index) != list(counts.columns):
        raise EstimationError(
            "counts: the labels of rows and columns are not the same levels in the same order, so the diagonal is not "
            "agreement; make the table with cross_table(first, second, levels).counts",
            code="levels_differ",
        )
    table = count_array(counts, "counts", "(levels, levels)", 2)
    if table.shape[0] != table.shape[1] or len(table) < 2:
        raise EstimationError(
            f"counts: expected a square table of at least 2 levels, got {table.shape}", code="bad_shape"
        )
    return table


def _credits(weights: Any, k: int) -> tuple[FloatArray, str]:
    """Return the credit of each pair of levels and what the weights are called."""
    if isinstance(weights, str):
        check_choice(weights, WEIGHTS, "weights")
        distance = np.abs(np.subtract.outer(np.arange(k), np.arange(k))) / (k - 1)
        shares = {"none": (distance > 0) * 1.0, "linear": distance, "quadratic": distance**2}
        return np.asarray(1 - shares[weights], dtype=np.float64), weights
    own = numbers(weights, "weights: every weight must be a number")
    fits = own.shape == (k, k) and bool(np.isfinite(own).all()) and bool((own == own.T).all())
    if not fits or (own > 1).any() or (np.diag(own) != 1).any():
        raise EstimationError(
            f"weights: give a symmetric {k} x {k} table of credits, 1 on the diagonal and at most 1 elsewhere",
            code="bad_weights",
        )
    return own, "own"


def _variance(p: FloatArray, pull: FloatArray) -> float:
    """Return the variance of `pull` over the cells, each with probability `p`."""
    centred = pull - float((p * pull).sum())
    return float((p * centred**2).sum())
