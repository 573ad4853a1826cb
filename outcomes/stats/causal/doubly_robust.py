"""Doubly robust (augmented inverse probability weighted) means of several exposures and their contrasts.

The mean outcome under level a in a target population is the average of the outcome model's prediction
plus the weighted residuals of the cases that had a. It is right when either the outcome model or the
probabilities are right. With G the membership of the target and pi its probability given the covariates,

    mean_a = sum_i [ G m_a + 1(A = a) (pi / e_a) (Y - m_a) ] / sum_i G .

For a target chosen by covariates alone pi = G; for the users of some levels pi is the sum of the
probabilities of these levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.causal.exposure_model import exposure_codes
from outcomes.stats.causal.influence import contrasted, influence_estimates, thin_level
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_outcome, cluster_codes, floats

# a probability this close to 0 is none: its inverse would be rounding
_NO_PROBABILITY = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DoublyRobust:
    """Means under each level of an exposure in one population, and their contrasts.

    Attributes
    ----------
    levels : tuple of str, length K
    means : tuple of Estimate, length K
    contrasts : tuple of Estimate
        One for each pair.
    influence : ndarray, shape (n, K)
        What each case adds to the error of each mean.
    weights : ndarray, shape (n, K)
        Weight of each case's residual in each mean, 0 unless it had the level.
    target : str
        Whom the means speak for.
    n, n_target, n_floored : int
        Cases, cases of the target, and cases whose own probability was raised to the floor.
    """

    levels: tuple[str, ...]
    means: tuple[Estimate, ...]
    contrasts: tuple[Estimate, ...]
    influence: FloatArray
    weights: FloatArray
    target: str
    n: int
    n_target: int
    n_floored: int

    def tidy(self) -> pd.DataFrame:
        """Return one row a mean and a contrast."""
        return pd.DataFrame(
            [
                {
                    "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error, "conf_low": e.conf_low,
                    "conf_high": e.conf_high, "p_value": p, "n": e.n, "n_missing": e.n_missing,
                }
                # whether a mean is 0 is nobody's question
                for e, p in [(e, None) for e in self.means] + [(e, e.p_value) for e in self.contrasts]
            ]
        )  # fmt: skip

    def __str__(self) -> str:
        """Return the sentences one would write in a paper."""
        floored = f"; {self.n_floored} probabilities raised to the floor" if self.n_floored else ""
        head = f"doubly robust means for {self.target} ({self.n_target} of {self.n} cases{floored})"
        return "\n".join([head, *map(str, self.contrasts)])


def aipw(
    exposure: Any,
    y: Any,
    predictions: Any,
    probabilities: Any,
    *,
    levels: Sequence[str] | None = None,
    target: Any = None,
    target_levels: Sequence[str] | None = None,
    target_name: str = "",
    floor: float = 0.0,
    pairs: Sequence[tuple[str, str]] | None = None,
    clusters: Any = None,
    level: float = 0.95,
    unit: str = "",
    n_missing: int = 0,
    model_influence: Any = None,
    method: str = "AIPW, plug-in",
) -> DoublyRobust:
    """Return doubly robust means and their contrasts from given predictions and probabilities.

    Parameters
    ----------
    exposure : array_like, shape (n,)
        Level of each case. For a joint exposure (strategy and reduction) give the combination as one
        level; where each case is to keep its own strategy, give the reduction alone, with predictions
        and probabilities that are already those of the case's own strategy.
    y : array_like, shape (n,)
        Outcome.
    predictions : array_like, shape (n, K)
        Outcome predicted for each case under each level, cases in the order of `y`.
    probabilities : array_like, shape (n, K)
        Probability of each level for each case.
    levels : sequence of str, optional
        Order of the columns; sorted levels otherwise.
    target : array_like of bool, shape (n,), optional
        Cases whose mean is wanted, chosen by what came before the exposure; all otherwise.
    target_levels : sequence of str, optional
        Narrow the target to the cases that had one of these levels (the users of either strategy of a
        pair; the treated).
    target_name : str
        What the target is called.
    floor : float
        Probabilities below it are raised to it where they divide. 0 leaves them.
    pairs : sequence of (str, str), optional
        First minus second; every pair, later minus earlier, otherwise.
    clusters : array_like, shape (n,), optional
        Cluster of each row (the patient).
    level, unit, n_missing
        Confidence level; unit of the outcome; cases left out before.
    model_influence : array_like, shape (n, K), optional
        Added to the influence of the means: the error that comes from estimating the models.
    method : str
        Name of the method in the estimates.

    Returns
    -------
    DoublyRobust
        Contrasts of a level with fewer than two clusters of cases in the target, or that some case of the
        target has probability 0 of, are not estimable; others are unaffected.

    Raises
    ------
    EstimationError
        Wrong shapes, missing values, an empty target, probabilities outside [0, 1].

    Notes
    -----
    The error is that of the influence values, G/(G-1) times the sum of squared cluster totals. The
    plug-in error ignores that the models were estimated: right when both are right (or cross-fitted), but
    too small or too large when one is wrong or probabilities were floored. :func:`outcomes.stats.causal.doubly_robust_fit.fit_doubly_robust` gives
    the error that stays right. Sources: Robins, Rotnitzky and Zhao (1994) J Am Stat Assoc 89:846; Cattaneo
    (2010) J Econometrics 155:138 (several levels); Kennedy, Sjolander and Small (2015) Biometrika 102:739
    and Farrell (2015) J Econometrics 189:1 (the treated); Hernan and Robins, What If (2020), section 13.4.

    Examples
    --------
    One stratum, two of four cases in each arm, predictions all 0: the difference of the two means.

    >>> half, none = np.full((4, 2), 0.5), np.zeros((4, 2))
    >>> print(aipw(list("aabb"), [1, 3, 5, 9], none, half).contrasts[0].value)
    5.0
    """
    outcome = np.ravel(np.asarray(y))
    n = len(outcome)
    outcome = check_outcome(y, n)
    codes, names = exposure_codes(exposure, n, levels)
    m = _table(predictions, n, names, "predictions")
    e = _table(probabilities, n, names, "probabilities")
    inside, share, described = target_membership(e, codes, names, target, target_levels, target_name)
    lifted, reasons = _floored(e, floor, inside, share, names)
    own = codes[:, None] == np.arange(len(names))
    weights = own * share[:, None] / lifted
    size = float(inside.sum())
    terms = inside[:, None] * m + weights * (outcome[:, None] - m)
    means = terms.sum(axis=0) / size
    # ratio form: the number of cases in the target is random too
    influence = (terms - inside[:, None] * means) / size
    if model_influence is not None:
        influence = influence + _table(model_influence, n, names, "model_influence")
    group_codes, _ = cluster_codes(clusters, n)
    for k, name in enumerate(names):
        reasons[k] = reasons[k] or thin_level(name, group_codes[weights[:, k] > 0.0])
    # what each mean rests on: the cases averaged over, those weighted, and all when the models were estimated
    rests = (inside[:, None] > 0.0) | (weights > 0.0) | (model_influence is not None)
    chosen = contrasted(names, pairs)
    first, second = np.array([a for a, _ in chosen]), np.array([b for _, b in chosen])
    common: dict[str, Any] = {
        "clusters": clusters, "level": level, "unit": unit, "n_missing": n_missing,
        "method": f"{method} ({described})",
    }  # fmt: skip
    return DoublyRobust(
        levels=names,
        means=influence_estimates(
            means, influence, labels=[f"mean under {name}" for name in names], n=[int(size)] * len(names),
            used=rests, reasons=reasons, **common,
        ),
        contrasts=influence_estimates(
            means[first] - means[second], influence[:, first] - influence[:, second],
            labels=[f"{names[a]} minus {names[b]}" for a, b in chosen], n=[int(size)] * len(chosen),
            used=rests[:, first] | rests[:, second], reasons=[reasons[a] or reasons[b] for a, b in chosen],
            **common,
        ),
        influence=influence, weights=weights, target=described, n=n, n_target=int(size),
        n_floored=int((own & (e < floor) & (share > 0.0)[:, None]).sum()),
    )  # fmt: skip


def _table(values: Any, n: int, names: tuple[str, ...], what: str) -> FloatArray:
    """Return an (n, K) table of finite numbers, or refuse it."""
    table = floats(values, what)
    if table.shape != (n, len(names)) or not np.isfinite(table).all():
        raise EstimationError(
            f"{what}: shape {table.shape} with {int((~np.isfinite(table)).sum())} missing or infinite values; give "
            f"finite numbers of shape ({n}, {len(names)}), one column for each level in order",
            code="bad_shape",
        )
    return table


def target_membership(
    e: FloatArray,
    codes: IntArray,
    names: tuple[str, ...],
    target: Any,
    target_levels: Sequence[str] | None,
    target_name: str,
) -> tuple[FloatArray, FloatArray, str]:
    """Return membership of the target, its probability given the covariates, and what it is called.

    Examples
    --------
    >>> e = np.array([[0.5, 0.3, 0.2], [0.1, 0.6, 0.3]])
    >>> inside, share, called = target_membership(e, np.array([0, 2]), ("a", "b", "c"), None, ["a", "b"], "")
    >>> inside.tolist(), share.round(6).tolist(), called
    ([1.0, 0.0], [0.8, 0.7], 'cases with level a or b')
    """
    mask = np.ones(len(e), dtype=bool) if target is None else np.asarray(target)
    if mask.shape != (len(e),) or mask.dtype != np.bool_:
        raise EstimationError(
            f"target: give True or False for each of {len(e)} rows, or leave it out for all", code="bad_shape"
        )
    chosen = mask.astype(np.float64)
    inside, share = chosen, chosen
    described = "all cases" if target is None else "a subset"
    if target_levels is not None:
        wanted = [str(name) for name in target_levels]
        if not wanted or set(wanted) - set(names) or len(set(wanted)) != len(wanted):
            raise EstimationError(
                f"target_levels: give some of {', '.join(names)}, each once", code="unknown_group"
            )
        among = [names.index(name) for name in wanted]
        inside, share = chosen * np.isin(codes, among), chosen * e[:, among].sum(axis=1)
        described = f"cases with level {' or '.join(wanted)}" + (" in a subset" if target is not None else "")
    if not inside.any():
        raise EstimationError("no case is in the target; widen it", code="empty_group")
    return inside, share, target_name or described


def _floored(
    e: FloatArray, floor: float, inside: FloatArray, share: FloatArray, names: tuple[str, ...]
) -> tuple[FloatArray, list[str]]:
    """Return probabilities to divide by, none below the floor, and why a level has no mean (or nothing)."""
    n_bad = int(((e < 0.0) | (e > 1.0)).sum())
    if n_bad or not 0.0 <= floor < 1.0:
        raise EstimationError(
            f"{n_bad} probabilities outside 0 to 1, floor {floor}; probabilities lie in [0, 1], the floor in [0, 1)",
            code="bad_probability",
        )
    lifted = np.maximum(e, floor)
    hopeless = ((inside > 0.0) | (share > 0.0))[:, None] & (lifted < _NO_PROBABILITY)
    reasons = [
        f"{count} cases of the target cannot have the level {name}; leave them out of the target"
        if count
        else ""
        for name, count in zip(names, hopeless.sum(axis=0), strict=True)
    ]
    # such cases are not divided by; 1 keeps the arithmetic finite
    return np.where(lifted < _NO_PROBABILITY, 1.0, lifted), reasons
