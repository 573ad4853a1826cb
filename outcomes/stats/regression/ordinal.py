"""Proportional-odds regression of an ordered grade, by maximum likelihood.

With thresholds t_1 < ... < t_(K-1) the chance of a grade of at most g is expit(t_g - x'b), so exp(b) is the odds ratio
of a higher grade, the same at every cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from scipy import special

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import (
    FloatArray,
    IntArray,
    check_choice,
    check_matrix,
    check_weights,
    cluster_codes,
    clusters_of,
    floats,
)
from outcomes.stats.numerics.rank import full_rank_qr
from outcomes.stats.regression.clusters import FEW_CLUSTERS
from outcomes.stats.regression.delta import delta_estimates, quadratic
from outcomes.stats.regression.ordinal_likelihood import Climb, climb, cut_rows, to_given_columns
from outcomes.stats.regression.separation import certified_overlap, find_separation

OrdinalCovariance = Literal["classical", "HC0", "CR0", "CR1"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OrdinalFit:
    """A fitted proportional-odds regression.

    Attributes
    ----------
    levels : tuple of str, length K
        Grades, lowest first.
    names : tuple of str, length p
        Columns of the design (no intercept: the thresholds are).
    thresholds : ndarray, shape (K - 1,)
        Log odds of a grade of at most each but the last, where every column is 0.
    coefficients : ndarray, shape (p,)
        Log odds ratios of a higher grade per unit of the column.
    covariance : ndarray, shape (K - 1 + p, K - 1 + p)
        Of thresholds, then coefficients.
    kind : str
        Type of covariance.
    log_likelihood : float
    df : float
        Degrees of freedom of the reference t: clusters less 1, or infinity.
    n, n_clusters, n_iterations : int
    counts : tuple of int, length K
        Rows of each grade.
    model : str
    """

    levels: tuple[str, ...]
    names: tuple[str, ...]
    thresholds: FloatArray
    coefficients: FloatArray
    covariance: FloatArray
    kind: str
    log_likelihood: float
    df: float
    n: int
    n_clusters: int
    n_iterations: int
    counts: tuple[int, ...]
    model: str = "proportional-odds regression"

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, in log odds ratios of a higher grade."""
        rows = [
            {
                "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
                "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n, "n_missing": e.n_missing,
            }
            for e in ordinal_contrast(self, np.eye(len(self.names)), labels=self.names)
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        return (
            f"{_method(self)}: {len(self.names)} coefficients, {len(self.levels)} grades, n = {self.n}, "
            f"log likelihood {self.log_likelihood:.4f}"
        )


def fit_ordinal(
    X: Any,
    grade: Any,
    *,
    names: Sequence[str],
    levels: Sequence[Any],
    clusters: Any = None,
    weights: Any = None,
    covariance: OrdinalCovariance | None = None,
    max_iter: int = 100,
) -> OrdinalFit:
    """Fit a proportional-odds regression.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design without a constant column.
    grade : array_like, shape (n,)
        Grade of each row, one of `levels`.
    names : sequence of str, length p
        Column names.
    levels : sequence, length K >= 2
        Grades in order, lowest first; every one needs a row.
    clusters : array_like, shape (n,), optional
        Cluster of each row.
    weights : array_like, shape (n,), optional
        Weights >= 0; a whole number acts as that many copies of the row in its cluster: coefficients, classical, CR0
        and CR1 errors are theirs. n counts rows, and HC0 takes a weighted row as one.
    covariance : {"classical", "HC0", "CR0", "CR1"}, optional
        Inverse observed information, or its sandwich; CR1 is G / (G - 1) times CR0. Left out: CR1 with clusters,
        classical without. Clusters need CR0 or CR1.
    max_iter : int
        Newton steps before giving up.

    Returns
    -------
    OrdinalFit

    Raises
    ------
    EstimationError
        A grade that is missing, not among the levels or without rows (merge it with a neighbour), separation
        (columns named), a constant or dependent column (named), fewer than two clusters, no convergence.

    Notes
    -----
    Newton's method on the exact Hessian with step halving; the likelihood is concave. Our own because statsmodels'
    ``OrderedModel`` differentiates numerically and stops early (six digits of coefficients and errors on ordinary data,
    where this package asks for seven) and says nothing of separated data. With two grades it is the logistic
    regression. Sources: McCullagh (1980) J R Stat Soc B 42:109-142; Pratt (1981) JASA 76:103-106 (concavity).

    Examples
    --------
    Two grades and no spread of design but an arm: the log odds ratio, here log((6/2)/(3/5)) = log 5.

    >>> arm = np.repeat([0.0, 1.0], 8)[:, None]
    >>> worse = np.repeat([1, 0, 1, 0], [3, 5, 6, 2])
    >>> fit = fit_ordinal(arm, worse, names=["not met"], levels=[0, 1])
    >>> bool(np.isclose(fit.coefficients[0], np.log(5.0), rtol=1e-12))
    True
    """
    design, columns = check_matrix(X, names)
    n_rows = design.shape[0]
    codes, found = _grade_codes(grade, n_rows, levels)
    weight = check_weights(weights, n_rows)
    used = weight > 0.0
    x, code, w = design[used], codes[used], weight[used]
    counts = _check_counts(code, found)
    full_rank_qr(np.column_stack([np.ones(len(x)), x]), ("a constant", *columns))
    labels = clusters_of(clusters, used)
    kind = covariance or ("classical" if labels is None else "CR1")
    check_choice(kind, get_args(OrdinalCovariance), "covariance")
    _check_kind(kind, labels is not None)
    centre = w @ x / w.sum()
    scale = np.abs(x - centre).max(axis=0)
    above, below = cut_rows((x - centre) / scale, code, len(found))
    start = special.logit(np.cumsum(np.bincount(code, weights=w))[:-1] / w.sum())
    state = climb(above, below, code, w, np.concatenate([start, np.zeros(x.shape[1])]), len(found), max_iter)
    _refuse_separation(state, above, below, code, found, columns)
    if not state.converged:
        raise EstimationError(
            f"the proportional-odds regression did not converge in {max_iter} steps; use fewer columns, merge grades "
            "or raise max_iter",
            code="not_converged",
        )
    back = to_given_columns(centre, scale, len(found) - 1)
    values = back @ state.parameters
    scores = w[:, None] * (state.slopes[0][:, None] * above + state.slopes[1][:, None] * below)
    n_clusters, spread = _sandwich(state.information, scores, labels, kind)
    k = len(found) - 1
    return OrdinalFit(
        levels=found, names=columns, thresholds=values[:k], coefficients=values[k:],
        covariance=back @ spread @ back.T, kind=kind, log_likelihood=state.value,
        df=float(n_clusters - 1) if kind.startswith("CR") else np.inf, n=len(x), n_clusters=n_clusters,
        n_iterations=state.steps, counts=counts,
    )  # fmt: skip


def ordinal_contrast(
    fit: OrdinalFit,
    C: Any,
    *,
    ratio: bool = False,
    level: float = 0.95,
    labels: Sequence[str] | None = None,
    n_missing: int = 0,
) -> tuple[Estimate, ...]:
    """Estimate contrasts of the log odds ratios of a higher grade, or the odds ratios themselves.

    Parameters
    ----------
    fit : OrdinalFit
        Fitted model.
    C : array_like, shape (m, p)
        One contrast of the coefficients a row.
    ratio : bool
        Give odds ratios instead of their logarithms.
    level : float
        Confidence level.
    labels : sequence of str, length m, optional
        What is compared with what.
    n_missing : int
        Carried along.

    Returns
    -------
    tuple of Estimate
        Normal limits; t with clusters less 1 degrees of freedom for CR0 and CR1.

    Raises
    ------
    EstimationError
        Contrasts of the wrong shape, a bad level.

    Notes
    -----
    Source: McCullagh (1980) J R Stat Soc B 42:109-142.

    Examples
    --------
    >>> arm = np.repeat([0.0, 1.0], 8)[:, None]
    >>> fit = fit_ordinal(arm, np.repeat([1, 0, 1, 0], [3, 5, 6, 2]), names=["not met"], levels=[0, 1])
    >>> round(ordinal_contrast(fit, [[1.0]], ratio=True)[0].value, 9)
    5.0
    """
    rows = np.atleast_2d(floats(C, "the contrasts"))
    p = len(fit.names)
    if rows.ndim != 2 or rows.shape[1] != p or not np.isfinite(rows).all():
        raise EstimationError(
            f"the contrasts have shape {rows.shape}; give finite numbers of shape (m, {p}) for the columns "
            f"{', '.join(fit.names)}",
            code="bad_shape",
        )
    k = len(fit.thresholds)
    return delta_estimates(
        rows @ fit.coefficients, np.sqrt(quadratic(rows, fit.covariance[k:, k:])), fit.df, ratio=ratio, level=level,
        labels=labels, unit="log odds", n=fit.n, n_missing=n_missing, method=_method(fit),
    )  # fmt: skip


def _method(fit: OrdinalFit) -> str:
    """Name the method, with the caution when clusters are few."""
    if fit.kind == "classical":
        return f"{fit.model}, classical normal"
    if fit.kind == "HC0":
        return f"{fit.model}, HC0 robust, normal"
    few = f"; unreliable: {fit.n_clusters} clusters" if fit.n_clusters < FEW_CLUSTERS else ""
    return f"{fit.model}, {fit.kind} cluster-robust, t with G - 1 df{few}"


def _grade_codes(grade: Any, n: int, levels: Sequence[Any]) -> tuple[IntArray, tuple[str, ...]]:
    """Return each row's grade as a number and the names of the grades."""
    found = tuple(str(level) for level in levels)
    values = pd.Series(np.asarray(grade, dtype=object).ravel(), dtype=object)
    if len(values) != n or len(found) < 2 or len(set(found)) != len(found):
        raise EstimationError(
            f"{len(values)} grades for {n} rows and {len(set(found))} different levels; give one grade a row and 2 or "
            "more levels in order, each once",
            code="bad_shape",
        )
    codes = np.asarray(values.map({level: j for j, level in enumerate(levels)}).fillna(-1), dtype=np.int64)
    if (codes < 0).any():
        raise EstimationError(
            f"{int((codes < 0).sum())} rows have a grade that is missing or not among {', '.join(found)}; leave those "
            "rows out first and count them",
            code="unknown_group",
        )
    return codes, found


def _check_counts(codes: IntArray, levels: tuple[str, ...]) -> tuple[int, ...]:
    """Return the rows of every grade, or name the grades without any."""
    counts = np.bincount(codes, minlength=len(levels))
    empty = [level for level, count in zip(levels, counts, strict=True) if not count]
    if empty:
        raise EstimationError(
            f"no row has the grade {', '.join(empty)}; leave it out or merge it with a neighbour",
            code="empty_group",
        )
    return tuple(int(count) for count in counts)


def _check_kind(kind: str, clustered: bool) -> None:
    """Refuse a covariance that ignores clusters, or one that needs them and has none."""
    if clustered != kind.startswith("CR"):
        raise EstimationError(
            f"covariance {kind!r} {'ignores' if clustered else 'needs'} the clusters; use 'CR1' or 'CR0' with "
            "clusters, 'classical' or 'HC0' without",
            code="bad_choice",
        )


def _refuse_separation(
    state: Climb,
    above: FloatArray,
    below: FloatArray,
    codes: IntArray,
    levels: tuple[str, ...],
    names: tuple[str, ...],
) -> None:
    """Raise when some direction of thresholds and coefficients makes no row less likely and one more so."""
    has_a, has_b = codes < len(levels) - 1, codes > 0
    rows = np.vstack([above[has_a], -below[has_b]])
    ones = np.ones(len(rows))
    multipliers = np.concatenate([state.slopes[0][has_a], -state.slopes[1][has_b]])
    if certified_overlap(rows, ones, 1.0 - multipliers):
        return
    cuts = tuple(f"threshold above {level}" for level in levels[:-1])
    found = find_separation(rows, ones, (*cuts, *names))
    if found.kind != "none":
        culprits = [name for name in found.columns if name in names] or list(found.columns)
        raise EstimationError(
            f"{found.kind} separation of the grades by {', '.join(culprits)}: the maximum likelihood estimate is "
            "infinite; merge grades or groups, or drop these columns",
            code="separation",
        )


def _sandwich(information: FloatArray, scores: FloatArray, labels: Any, kind: str) -> tuple[int, FloatArray]:
    """Return the number of clusters and the covariance of the parameters."""
    bread = np.linalg.inv(information)
    codes, n_clusters = cluster_codes(labels, len(scores))
    if n_clusters < 2:
        raise EstimationError(
            f"{n_clusters} cluster in {len(scores)} rows; a robust covariance needs at least 2",
            code="too_few_clusters",
        )
    if kind == "classical":
        return n_clusters, np.asarray(bread, dtype=np.float64)
    totals = np.zeros((n_clusters, scores.shape[1]))
    np.add.at(totals, codes, scores)
    factor = n_clusters / (n_clusters - 1) if kind == "CR1" else 1.0
    half = totals @ bread
    return n_clusters, np.asarray(factor * half.T @ half, dtype=np.float64)
