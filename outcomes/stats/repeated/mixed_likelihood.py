"""The likelihood of a linear mixed model of repeated measures: criterion, exact derivatives, maximum.

Rows of one subject have covariance V = Z G Z' + s2 I, with Z a column of ones and, for a random slope, the times.
Everything is worked on an orthonormal basis of the design and on the residuals of least squares in units of their
SD, so that units and shifts cost no digits. G = L L' with L lower triangular: the parameters are the elements of L
and s2, and a variance of 0 is an ordinary stationary point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from outcomes.stats.numerics.arrays import FloatArray, IntArray

# squared length of the last Newton step, in standard errors of the variance parameters
_CONVERGED = 1e-16
_STEPS = 60
_FLAT = 1e-9
"""An eigenvalue of the Hessian this small beside the largest is a direction the likelihood does not see."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocks:
    """Subjects with equally many rows.

    Attributes
    ----------
    z : ndarray, shape (k, m, q)
    x : ndarray, shape (k, m, p)
        Orthonormal basis of the design.
    y : ndarray, shape (k, m)
    """

    z: FloatArray
    x: FloatArray
    y: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Derivatives:
    """Minus twice the log likelihood at given parameters, and what follows from its derivatives.

    Attributes
    ----------
    criterion : float
    slopes : ndarray, shape (r,)
        First derivatives by the elements of G, then s2.
    hessian, expected : ndarray, shape (r, r)
        Second derivatives, and the expected information (half the trace).
    bread : ndarray, shape (p, p)
        Covariance of the coefficients.
    first : ndarray, shape (r, p, p)
        X' W D_i W X with W the inverse of V and D_i the derivative of V.
    second : ndarray, shape (r, r, p, p)
        X' W D_i W D_j W X.
    coefficients : ndarray, shape (p,)
    """

    criterion: float
    slopes: FloatArray
    hessian: FloatArray
    expected: FloatArray
    bread: FloatArray
    first: FloatArray
    second: FloatArray
    coefficients: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Maximum:
    """Where the search ended.

    Attributes
    ----------
    factor : ndarray, shape (q, q)
        L.
    residual_variance : float
        s2.
    at : Derivatives
    jacobian, curvature : ndarray, shape (r, r)
        Derivatives of G and s2 by the parameters; second derivatives of the criterion by the parameters.
    decrement : float
        Squared length of the step that Newton's method would take from here.
    converged : bool
    """

    factor: FloatArray
    residual_variance: float
    at: Derivatives
    jacobian: FloatArray
    curvature: FloatArray
    decrement: float
    converged: bool


def subject_blocks(x: FloatArray, y: FloatArray, z: FloatArray, codes: IntArray) -> tuple[Blocks, ...]:
    """Return the rows of every subject, subjects of equal size together."""
    order = np.argsort(codes, kind="stable")
    sizes = np.bincount(codes)
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    found = []
    for size in np.unique(sizes):
        rows = order[starts[sizes == size][:, None] + np.arange(size)]
        found.append(Blocks(z=z[rows], x=x[rows], y=y[rows]))
    return tuple(found)


def find_maximum(blocks: tuple[Blocks, ...], n: int, *, restricted: bool) -> Maximum:
    """Maximise the (restricted) likelihood: a coarse search of the profile, then Newton's method."""
    q = blocks[0].z.shape[2]
    theta = _coarse(blocks, n, restricted)
    relative = _triangle(theta, q)
    _, variance = _profile(blocks, relative, n, restricted)
    parameters = np.concatenate([theta * np.sqrt(variance), [variance]])
    value = np.inf
    for step_number in range(_STEPS + 1):
        factor, variance = _triangle(parameters[:-1], q), float(parameters[-1])
        at = derivatives(blocks, factor @ factor.T, variance, restricted=restricted)
        jacobian, bends = _chain(factor)
        slopes = jacobian.T @ at.slopes
        curvature = jacobian.T @ at.hessian @ jacobian + np.einsum("k,kij->ij", at.slopes, bends)
        values, vectors = np.linalg.eigh(curvature)
        size = np.maximum(np.abs(values), _FLAT * np.abs(values).max())
        step = -(vectors @ ((vectors.T @ slopes) / size))
        decrement = float(-step @ slopes)
        definite = bool((values >= -1e-6 * values[-1]).all())
        if (decrement < _CONVERGED and definite) or step_number == _STEPS:
            break
        value = at.criterion
        for _ in range(40):
            trial = parameters + step
            if trial[-1] > 0.0:
                lower = _triangle(trial[:-1], q)
                reached = derivatives(
                    blocks, lower @ lower.T, float(trial[-1]), restricted=restricted
                ).criterion
                if reached <= value or decrement < 1e-9:
                    break
            step = 0.5 * step
        parameters = parameters + step
    return Maximum(
        factor=factor, residual_variance=variance, at=at, jacobian=jacobian, curvature=curvature, decrement=decrement,
        converged=decrement < _CONVERGED and definite,
    )  # fmt: skip


def derivatives(
    blocks: tuple[Blocks, ...], between: FloatArray, variance: float, *, restricted: bool
) -> Derivatives:
    """Return minus twice the log likelihood and its derivatives by the elements of G and s2.

    V is linear in them. With P = W - W X (X'WX)^-1 X'W the first derivatives are tr(P D_i) - y'P D_i P y and the
    second -tr(P D_i P D_j) + 2 y'P D_i P D_j P y; without restriction the traces are of W in place of P.
    """
    q, p = blocks[0].z.shape[2], blocks[0].x.shape[2]
    pairs = [(a, b) for a in range(q) for b in range(a, q)]
    r = len(pairs) + 1
    inner, cross = np.zeros((p, p)), np.zeros(p)
    log_det, n = 0.0, 0
    kept = []
    for block in blocks:
        k, m, _ = block.z.shape
        v = block.z @ between @ block.z.transpose(0, 2, 1) + variance * np.eye(m)
        lower = np.linalg.cholesky(v)
        log_det += 2.0 * float(np.log(np.diagonal(lower, axis1=1, axis2=2)).sum())
        n += k * m
        w = np.linalg.inv(v)
        wx = w @ block.x
        inner += np.einsum("kma,kmb->ab", block.x, wx)
        cross += np.einsum("kma,km->a", wx, block.y)
        d = np.empty((r, k, m, m))
        for i, (a, b) in enumerate(pairs):
            outer = block.z[:, :, a, None] * block.z[:, None, :, b]
            d[i] = outer if a == b else outer + outer.transpose(0, 2, 1)
        d[-1] = np.eye(m)
        kept.append((block, w, wx, w @ d))
    factor = linalg.cho_factor(inner)
    delta = linalg.cho_solve(factor, cross)
    bread = linalg.cho_solve(factor, np.eye(p))
    trace, traces = np.zeros(r), np.zeros((r, r))
    first, second = np.zeros((r, p, p)), np.zeros((r, r, p, p))
    pull, mixed, twice = np.zeros(r), np.zeros((r, p)), np.zeros((r, r))
    left_over = 0.0
    for block, w, wx, wd in kept:
        e = block.y - block.x @ delta
        we = np.einsum("kij,kj->ki", w, e)
        left_over += float((e * we).sum())
        trace += np.einsum("ikaa->i", wd)
        traces += np.einsum("ikab,jkba->ij", wd, wd)
        wdwx, wdwe = wd @ wx, np.einsum("ikab,kb->ika", wd, we)
        dwx, dwe = np.linalg.solve(w, wdwx), np.linalg.solve(w, wdwe[..., None])[..., 0]
        first += np.einsum("kma,ikmb->iab", wx, dwx)
        second += np.einsum("ikma,jkmb->ijab", wdwx, dwx)
        pull += np.einsum("km,ikm->i", we, dwe)
        mixed += np.einsum("kma,ikm->ia", wx, dwe)
        twice += np.einsum("ikm,jkm->ij", wdwe, dwe)
    twice -= mixed @ bread @ mixed.T
    bent = np.einsum("ab,ibc->iac", bread, first)
    p_traces = (
        traces
        - np.einsum("ab,ijba->ij", bread, second)
        - np.einsum("ab,jiba->ij", bread, second)
        + np.einsum("iab,jba->ij", bent, bent)
    )
    slopes = (trace - np.einsum("iaa->i", bent) if restricted else trace) - pull
    criterion = log_det + left_over + (n - p if restricted else n) * np.log(2.0 * np.pi)
    if restricted:
        criterion += 2.0 * float(np.log(np.abs(np.diagonal(factor[0]))).sum())
    return Derivatives(
        criterion=float(criterion), slopes=slopes, hessian=2.0 * twice - (p_traces if restricted else traces),
        expected=0.5 * (p_traces if restricted else traces), bread=bread, first=first, second=second,
        coefficients=delta,
    )  # fmt: skip


def _coarse(blocks: tuple[Blocks, ...], n: int, restricted: bool) -> FloatArray:
    """Return the elements of L over s that nearly minimise the profiled criterion."""
    q = blocks[0].z.shape[2]

    def criterion(theta: FloatArray) -> float:
        return _profile(blocks, _triangle(theta, q), n, restricted)[0]

    if q == 1:
        grid = np.concatenate([[0.0], np.geomspace(1e-3, 1e3, 61)])
        values = [criterion(np.array([t])) for t in grid]
        best = int(np.argmin(values))
        low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
        found = optimize.minimize_scalar(
            lambda t: criterion(np.array([t])), bounds=(low, high), method="bounded"
        )
        return np.array([found.x if found.fun < values[best] else grid[best]])
    starts = [(a, b, c) for a in (0.2, 1.0, 4.0) for b in (0.0,) for c in (0.05, 0.3, 1.5)]
    ranked = sorted(starts, key=lambda s: criterion(np.array(s)))[:3]
    searches = [
        optimize.minimize(
            criterion, np.array(s), method="L-BFGS-B", bounds=[(0, None), (None, None), (0, None)]
        )
        for s in ranked
    ]
    return np.asarray(min(searches, key=lambda search: float(search.fun)).x, dtype=np.float64)


def _profile(
    blocks: tuple[Blocks, ...], relative: FloatArray, n: int, restricted: bool
) -> tuple[float, float]:
    """Return the criterion with s2 at its best, up to a constant, and that s2."""
    p, q = blocks[0].x.shape[2], len(relative)
    total, log_det = np.zeros((p + 1, p + 1)), 0.0
    for block in blocks:
        u = np.concatenate([block.x, block.y[:, :, None]], axis=2)
        zl = block.z @ relative
        inner = np.eye(q) + zl.transpose(0, 2, 1) @ zl
        lower = np.linalg.cholesky(inner)
        log_det += 2.0 * float(np.log(np.diagonal(lower, axis1=1, axis2=2)).sum())
        half = np.linalg.solve(lower, zl.transpose(0, 2, 1) @ u)
        total += np.einsum("kma,kmb->ab", u, u) - np.einsum("kqa,kqb->ab", half, half)
    factor = linalg.cholesky(total[:p, :p], lower=True)
    solved = linalg.solve_triangular(factor, total[:p, p], lower=True)
    rest = max(float(total[p, p] - solved @ solved), 1e-300)
    count = n - p if restricted else n
    value = log_det + count * np.log(rest / count)
    if restricted:
        value += 2.0 * float(np.log(np.diagonal(factor)).sum())
    return float(value), rest / count


def _triangle(theta: FloatArray, q: int) -> FloatArray:
    """Return L from its elements: a, or a, b, c for [[a, 0], [b, c]]."""
    return np.array([[theta[0]]]) if q == 1 else np.array([[theta[0], 0.0], [theta[1], theta[2]]])


def _chain(factor: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return first and second derivatives of (G, s2) by (L, s2)."""
    if len(factor) == 1:
        jacobian = np.diag([2.0 * factor[0, 0], 1.0])
        bends = np.zeros((2, 2, 2))
        bends[0, 0, 0] = 2.0
        return jacobian, bends
    a, b, c = factor[0, 0], factor[1, 0], factor[1, 1]
    # G = (a a, a b, b b + c c)
    jacobian = np.array([[2 * a, 0, 0, 0], [b, a, 0, 0], [0, 2 * b, 2 * c, 0], [0, 0, 0, 1.0]])
    bends = np.zeros((4, 4, 4))
    bends[0, 0, 0] = 2.0
    bends[1, 0, 1] = bends[1, 1, 0] = 1.0
    bends[2, 1, 1] = bends[2, 2, 2] = 2.0
    return jacobian, bends
