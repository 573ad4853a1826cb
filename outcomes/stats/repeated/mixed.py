"""Linear mixed models of repeated measures: a random intercept for each subject, and a random slope."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.numerics.arrays import (
    FloatArray,
    check_choice,
    check_matrix,
    check_outcome,
    cluster_codes,
    floats,
)
from outcomes.stats.numerics.rank import full_rank_qr
from outcomes.stats.regression.delta import delta_estimates, quadratic
from outcomes.stats.repeated.mixed_likelihood import Maximum, find_maximum, subject_blocks

MixedMethod = Literal["REML", "ML"]
Freedom = Literal["Satterthwaite", "Kenward-Roger"]

NO_RESIDUAL = "the random effects leave no residual spread; nothing to judge contrasts by"
_SINGULAR = 1e-5
"""A diagonal element of L this small beside the residual SD is a variance at its boundary."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedFit:
    """A fitted linear mixed model.

    Attributes
    ----------
    names : tuple of str, length p
        Columns of the design.
    coefficients : ndarray, shape (p,)
        In units of the outcome per unit of the column.
    covariance : ndarray, shape (p, p)
        Of the coefficients, the variance parameters taken as known.
    method : str
        ``"REML"`` or ``"ML"``.
    random_covariance : ndarray, shape (q, q)
        Of the intercept (at slope column 0) and slope.
    residual_sd : float
        In units of the outcome.
    correlation : float or None
        Within-subject correlation of two rows; None with a random slope, where it depends on the times.
    singular : bool
        Whether a variance is 0 or the random effects are perfectly correlated.
    criterion, log_likelihood : float
        Minus twice the (restricted) log likelihood, and that likelihood.
    decrement : float
        Squared length of the Newton step not taken, in standard errors; below 1e-16.
    maximum : Maximum
        For degrees of freedom.
    to_coefficients : ndarray, shape (p, p)
        From the orthonormal basis to the coefficients, in units of the outcome.
    n, n_subjects : int
    model : str
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    method: str
    random_covariance: FloatArray
    residual_sd: float
    correlation: float | None
    singular: bool
    criterion: float
    log_likelihood: float
    decrement: float
    maximum: Maximum
    to_coefficients: FloatArray
    n: int
    n_subjects: int
    model: str = "linear mixed model"

    def tidy(self) -> pd.DataFrame:
        """Return one row a coefficient, Satterthwaite t."""
        rows = [
            {
                "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
                "conf_high": e.conf_high, "p_value": e.p_value, "df": e.df, "n": e.n, "n_missing": e.n_missing,
            }
            for e in mixed_contrast(self, np.eye(len(self.names)), labels=self.names)
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the fit as a sentence."""
        sds = ", ".join(f"{v:.4g}" for v in np.sqrt(np.diag(self.random_covariance)))
        kind = "random intercept" if len(self.random_covariance) == 1 else "random intercept and slope"
        within = "" if self.correlation is None else f", within-subject correlation {self.correlation:.3f}"
        return (
            f"{self.model}, {kind} (SD {sds}; residual {self.residual_sd:.4g}{within}), {self.method}: "
            f"n = {self.n} of {self.n_subjects} subjects{'; singular fit' if self.singular else ''}"
        )


def fit_mixed(
    X: Any,
    y: Any,
    *,
    names: Sequence[str],
    subjects: Any,
    slope: Any = None,
    method: MixedMethod = "REML",
) -> MixedFit:
    """Fit a linear mixed model with a random intercept for each subject, and a random slope.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Design of the fixed effects, with its intercept column. One row a subject and visit that was measured.
    y : array_like, shape (n,)
        Outcome.
    names : sequence of str, length p
        Column names.
    subjects : array_like, shape (n,)
        Subject of each row.
    slope : array_like, shape (n,), optional
        Times, for a random slope with an unstructured covariance with the intercept.
    method : {"REML", "ML"}
        REML for estimates; ML where models of different fixed effects are compared by likelihood.

    Returns
    -------
    MixedFit
        `singular` says when a variance came out as 0 or the random effects perfectly correlated; the fixed effects
        stand, the correlation within subjects is then not measured by these data.

    Raises
    ------
    EstimationError
        Not more rows than random effects (code ``too_few_rows``), a rank-deficient design (columns named), a slope
        that does not vary within any subject, no residual spread, no convergence: the Newton step left must be
        shorter than 1e-8 standard errors and the likelihood not rise in any direction.

    Notes
    -----
    Own code on exact first and second derivatives (:mod:`outcomes.stats.repeated.mixed_likelihood`): statsmodels'
    ``MixedLM`` has no degrees of freedom for its contrasts, gives the normal ones, and stops at about five digits of
    the variances; it is a second reference in the tests. Missing visits are right to leave out when what is seen
    explains why they are missing. Sources: Laird and Ware (1982) Biometrics 38:963-974; Patterson and Thompson (1971)
    Biometrika 58:545-554; Lindstrom and Bates (1988) JASA 83:1014-1022 (derivatives).

    Examples
    --------
    Two visits of four subjects: the slope is the mean change and its error that of the paired t test.

    >>> before, after = np.array([20.0, 24, 31, 25]), np.array([25.0, 30, 34, 31])
    >>> X = np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)])
    >>> fit = fit_mixed(X, np.r_[before, after], names=["before", "change"], subjects=np.tile(range(4), 2))
    >>> e = mixed_contrast(fit, [[0, 1]])[0]
    >>> bool(np.isclose(e.std_error, (after - before).std(ddof=1) / 2)), round(e.value, 9), round(e.df, 6)
    (True, 5.0, 3.0)
    """
    check_choice(method, get_args(MixedMethod), "method")
    design, columns = check_matrix(X, names)
    n, p = design.shape
    outcome = check_outcome(y, n)
    codes, n_subjects = cluster_codes(subjects, n)
    z, back = _random_columns(slope, codes, n)
    q = z.shape[1]
    if n <= n_subjects * q or n_subjects < 2 or n <= p:
        raise EstimationError(
            f"{n} rows of {n_subjects} subjects for {p} coefficients and {q} random effects a subject; a mixed model "
            "needs 2 subjects or more and more rows than coefficients and than random effects in all; drop the random "
            "slope, or use fit_linear with one row a subject",
            code="too_few_rows",
        )
    basis, to_coefficients = full_rank_qr(design, columns)
    start = to_coefficients @ (basis.T @ outcome)
    left = outcome - design @ start
    start = start + to_coefficients @ (basis.T @ left)
    left = outcome - design @ start
    scale = float(np.sqrt(left @ left / n))
    if not scale > 1e-12 * float(np.abs(outcome).max()):
        raise EstimationError(
            "the outcome has no spread beside the columns; nothing to estimate", code="no_variation"
        )
    blocks = subject_blocks(basis, left / scale, z, codes)
    try:
        best = find_maximum(blocks, n, restricted=method == "REML")
    except np.linalg.LinAlgError:  # no residual variance: the covariance of a subject has no inverse
        raise EstimationError(NO_RESIDUAL, code="no_variation") from None
    _refuse(best)
    count = n - p if method == "REML" else n
    _, log_det = np.linalg.slogdet(to_coefficients)
    criterion = best.at.criterion + 2.0 * count * np.log(scale) - (2.0 * log_det if method == "REML" else 0.0)
    lower = best.factor
    between = scale**2 * back @ lower @ lower.T @ back.T
    residual = scale**2 * best.residual_variance
    relative = np.abs(np.diag(lower)) / np.sqrt(best.residual_variance)
    to_units = scale * to_coefficients
    return MixedFit(
        names=columns, coefficients=start + to_units @ best.at.coefficients,
        covariance=to_units @ best.at.bread @ to_units.T, method=method, random_covariance=between,
        residual_sd=float(np.sqrt(residual)),
        correlation=float(between[0, 0] / (between[0, 0] + residual)) if q == 1 else None,
        singular=bool((relative < _SINGULAR).any()), criterion=float(criterion), log_likelihood=float(-criterion / 2),
        decrement=best.decrement, maximum=best, to_coefficients=to_units, n=n, n_subjects=n_subjects,
    )  # fmt: skip


def mixed_contrast(
    fit: MixedFit,
    C: Any,
    *,
    freedom: Freedom = "Satterthwaite",
    level: float = 0.95,
    labels: Sequence[str] | None = None,
    unit: str = "",
    n_missing: int = 0,
) -> tuple[Estimate, ...]:
    """Estimate contrasts of the fixed effects with t intervals.

    Parameters
    ----------
    fit : MixedFit
        Fitted model.
    C : array_like, shape (m, p)
        One contrast a row.
    freedom : {"Satterthwaite", "Kenward-Roger"}
        Degrees of freedom of the t. Kenward-Roger also enlarges the standard error for the variances being estimated,
        and needs REML.
    level : float
        Confidence level.
    labels : sequence of str, length m, optional
        What is subtracted from what.
    unit : str
        Unit of the contrasts.
    n_missing : int
        Rows left out before the fit; carried along.

    Returns
    -------
    tuple of Estimate

    Raises
    ------
    EstimationError
        Contrasts of the wrong shape, Kenward-Roger after ML.

    Notes
    -----
    Satterthwaite: 2 f^2 / (g'Ag) with f the variance of the contrast, g its gradient and A the inverse observed
    information of the variance parameters; a variance at its boundary is held there. Kenward-Roger for one contrast
    is the same with the expected information and the adjusted covariance. Sources: Giesbrecht and Burns (1985)
    Biometrics 41:477-486; Fai and Cornelius (1996) J Stat Comput Simul 54:363-378; Kenward and Roger (1997) Biometrics
    53:983-997.

    Examples
    --------
    >>> X = np.column_stack([np.ones(8), np.tile([0.0, 1.0], 4)])
    >>> fit = fit_mixed(X, [20, 25, 24, 30, 31, 34, 25, 31], names=["a", "b"], subjects=np.repeat(range(4), 2))
    >>> round(mixed_contrast(fit, [[0, 1]], freedom="Kenward-Roger")[0].df, 6)
    3.0
    """
    check_choice(freedom, get_args(Freedom), "freedom")
    rows = np.atleast_2d(floats(C, "the contrasts"))
    p = len(fit.names)
    if rows.ndim != 2 or rows.shape[1] != p or not np.isfinite(rows).all():
        raise EstimationError(
            f"the contrasts have shape {rows.shape}; give finite numbers of shape (m, {p}) for the columns "
            f"{', '.join(fit.names)}",
            code="bad_shape",
        )
    directions = rows @ fit.to_coefficients
    if freedom == "Kenward-Roger":
        if fit.method != "REML":
            raise EstimationError("Kenward-Roger needs method='REML'", code="bad_choice")
        covariance, df = _kenward_roger(fit.maximum, directions)
    else:
        covariance, df = fit.maximum.at.bread, _satterthwaite(fit.maximum, directions)
    few = "; singular fit" if fit.singular else ""
    return delta_estimates(
        rows @ fit.coefficients, np.sqrt(quadratic(directions, covariance)), df, level=level, labels=labels, unit=unit,
        n=fit.n, n_missing=n_missing, method=f"{fit.model}, {fit.method}, {freedom} t{few}",
        size=np.abs(rows) @ np.abs(fit.coefficients),
    )  # fmt: skip


def _random_columns(slope: Any, codes: Any, n: int) -> tuple[FloatArray, FloatArray]:
    """Return the columns of the random effects, times centred and scaled, and the matrix back to the times given."""
    if slope is None:
        return np.ones((n, 1)), np.eye(1)
    times = check_outcome(slope, n)
    centre = float(times.mean())
    farthest = float(np.abs(times - centre).max())
    if farthest and not 1e-100 < farthest < 1e100:
        raise EstimationError(
            "the times of the slope are too small or too large for the variance of a slope to be a number; give them in "
            "another unit",
            code="bad_unit",
        )
    farthest = farthest or 1.0
    scale = farthest * float(np.sqrt(np.mean(np.square((times - centre) / farthest))))
    means = np.bincount(codes, weights=times - centre) / np.bincount(codes)
    within = np.abs(times - centre - means[codes]).max()
    if not within > 1e-10 * max(scale, 1e-300):
        raise EstimationError(
            "the slope does not vary within any subject; leave the random slope out", code="no_variation"
        )
    # a + b (t - c) / s: the intercept at time 0 is a - b c / s
    back = np.array([[1.0, -centre / scale], [0.0, 1.0 / scale]])
    return np.column_stack([np.ones(n), (times - centre) / scale]), back


def _refuse(best: Maximum) -> None:
    """Raise when the search did not end at a maximum."""
    if not best.converged:
        raise EstimationError(
            f"the mixed model did not converge (squared Newton step left: {best.decrement:.1e} squared standard "
            "errors); drop the random slope, or use fit_linear with clusters",
            code="not_converged",
        )
    if not best.residual_variance > 1e-12:
        raise EstimationError(NO_RESIDUAL, code="no_variation")


def _satterthwaite(best: Maximum, directions: FloatArray) -> FloatArray:
    """Return the degrees of freedom of each contrast."""
    bread = best.at.bread
    values, vectors = np.linalg.eigh(best.curvature)
    # a variance at its boundary has no gradient; a flat direction is no parameter
    seen = values > 1e-9 * values[-1]
    half = (vectors / np.sqrt(np.where(seen, values, 1.0)))[:, seen]
    bent = directions @ bread
    gradient = np.einsum("ma,iab,mb->mi", bent, best.at.first, bent) @ best.jacobian
    bottom = np.square(gradient @ half).sum(axis=1)
    variance = quadratic(directions, bread)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(bottom > 0.0, np.square(variance) / bottom, np.nan))


def _kenward_roger(best: Maximum, directions: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the adjusted covariance and the degrees of freedom of each contrast."""
    at, bread = best.at, best.at.bread
    spread = np.linalg.pinv(at.expected, rcond=1e-10, hermitian=True)
    inner = np.einsum("ij,ijab->ab", spread, at.second) - np.einsum(
        "ij,iab,bc,jcd->ad", spread, at.first, bread, at.first
    )
    adjusted = bread + 2.0 * bread @ inner @ bread
    bent = directions @ bread
    gradient = np.einsum("ma,iab,mb->mi", bent, at.first, bent)
    bottom = np.einsum("mi,ij,mj->m", gradient, spread, gradient)
    variance = quadratic(directions, bread)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(bottom > 0.0, 2.0 * np.square(variance) / bottom, np.nan)
    return 0.5 * (adjusted + adjusted.T), df
