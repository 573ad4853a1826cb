"""Multiple imputation by chained equations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.missing.imputation_chain import Chains, run_chains
from outcomes.stats.missing.imputation_plan import ColumnKind, ColumnModel, DerivedColumn, make_plan
from outcomes.stats.numerics.arrays import FloatArray, IntArray

__all__ = ["ColumnKind", "ColumnModel", "DerivedColumn", "Imputations", "completed", "impute"]

# numbers that the predictors of the chains run side by side may take: 4 MiB, about what a processor keeps at hand
_AT_ONCE = 2**19


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Imputations:
    """Imputed values, and how the chains went.

    Attributes
    ----------
    values : mapping of str to ndarray, shape (n,)
        The columns as given, NaN where missing.
    rows : mapping of str to ndarray of int
        Rows that were imputed, by column with missing values.
    imputed : mapping of str to ndarray, shape (m, len(rows))
        Imputed values.
    derived : tuple of DerivedColumn
    trace_mean, trace_sd : mapping of str to ndarray, shape (m, n_cycles)
        Mean and SD of the imputed values of a column after each cycle: chains that have converged mix and
        have no trend.
    n_imputations, n_cycles, seed, n : int
    """

    values: Mapping[str, FloatArray]
    rows: Mapping[str, IntArray]
    imputed: Mapping[str, FloatArray]
    derived: tuple[DerivedColumn, ...]
    trace_mean: Mapping[str, FloatArray]
    trace_sd: Mapping[str, FloatArray]
    n_imputations: int
    n_cycles: int
    seed: int
    n: int

    def tidy(self) -> pd.DataFrame:
        """Return one row an imputed column, imputation and cycle."""
        frames = [
            pd.DataFrame(
                {
                    "column": name, "imputation": np.repeat(np.arange(1, self.n_imputations + 1), self.n_cycles),
                    "cycle": np.tile(np.arange(1, self.n_cycles + 1), self.n_imputations),
                    "mean": self.trace_mean[name].ravel(), "sd": self.trace_sd[name].ravel(),
                    "n": self.n, "n_missing": len(self.rows[name]),
                }
            )
            for name in self.rows
        ]  # fmt: skip
        return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()

    def __str__(self) -> str:
        """Return what was imputed as a sentence."""
        listed = ", ".join(f"{name} ({len(rows)})" for name, rows in self.rows.items()) or "nothing missing"
        return f"{self.n_imputations} imputations of {self.n} rows, {self.n_cycles} cycles, seed {self.seed}: {listed}"


def impute(
    values: Mapping[str, Any],
    columns: Sequence[ColumnModel],
    *,
    keys: Any,
    seed: int,
    derived: Sequence[DerivedColumn] = (),
    not_applicable: Mapping[str, Any] | None = None,
    n_imputations: int = 20,
    n_cycles: int = 10,
    n_donors: int = 5,
) -> Imputations:
    """Impute missing values by chained equations.

    Parameters
    ----------
    values : mapping of str to array_like, shape (n,)
        Everything of the analysis, the outcome included. NaN where missing.
    columns : sequence of ColumnModel
        Columns with missing values, and complete ones that are no numbers.
    keys : array_like, shape (n,)
        Different for every row and unchanged by sorting: the imputations follow the key, not the position.
    seed : int
        The first imputations are the same however many are asked for.
    derived : sequence of DerivedColumn
    not_applicable : mapping of str to array_like of bool, shape (n,)
        Where a column cannot have a value (a grip share of a wrist whose other hand is injured): never
        imputed, stays NaN, and predicts others by being not applicable.
    n_imputations, n_cycles, n_donors : int

    Returns
    -------
    Imputations

    Raises
    ------
    EstimationError
        Columns that are missing without a model, of the wrong kind, without variation, outside their limits,
        with too few observed values; keys that repeat. The message names the column, never a value.

    Notes
    -----
    Numbers by predictive mean matching, so that imputed values are observed ones; yes/no and categories by
    (multinomial) logistic draws; the columns with fewest missing values first. Own code because statsmodels
    takes two hundred times as long at 1,000 rows and knows numbers only, and none at hand has limits, shifts,
    separated levels and draws that follow the row.
    Sources: van Buuren S, Groothuis-Oudshoorn K. Journal of Statistical Software 2011; 45(3): 1-67 (chained
    equations); White IR, Royston P, Wood AM. Statistics in Medicine 2011; 30: 377-399 (practice,
    interactions); van Buuren S. Flexible Imputation of Missing Data (2018), section 3.9 (shifts).

    Examples
    --------
    >>> grip = [20.0, 22.0, np.nan, 28.0, 30.0, 31.0, np.nan, 27.0]
    >>> age = [70.0, 66.0, 64.0, 50.0, 44.0, 40.0, 48.0, 52.0]
    >>> result = impute({"grip": grip, "age": age}, [ColumnModel(name="grip")], keys=range(8), seed=1,
    ...                 n_imputations=3)
    >>> print(result)
    3 imputations of 8 rows, 10 cycles, seed 1: grip (2)
    >>> bool(np.isin(result.imputed["grip"], grip).all())
    True
    """
    for what, count in (("n_imputations", n_imputations), ("n_cycles", n_cycles), ("n_donors", n_donors)):
        if count < 1:
            raise EstimationError(f"{what} is {count}; give 1 or more", code="bad_count")
    plan = make_plan(values, columns, keys, derived, not_applicable)
    generators = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(n_imputations)]
    step = max(1, _AT_ONCE // (plan.n * (len(plan.values) + len(plan.derived) + 1)))
    batches: list[Chains] = [
        run_chains(plan, generators[i : i + step], n_cycles, n_donors) for i in range(0, n_imputations, step)
    ]
    rows, imputed, trace_mean, trace_sd = {}, {}, {}, {}
    for name in plan.visits:
        gap = np.flatnonzero(plan.missing[name])
        gap = gap[np.argsort(plan.order[gap], kind="stable")]
        rows[name] = plan.order[gap]
        imputed[name] = np.concatenate([chains.state[name][:, gap] for chains in batches])
        trace_mean[name] = np.concatenate([np.array(chains.trace_mean[name]).T for chains in batches])
        trace_sd[name] = np.concatenate([np.array(chains.trace_sd[name]).T for chains in batches])
    return Imputations(
        values={name: plan.values[name][plan.back] for name in values}, rows=rows, imputed=imputed,
        derived=tuple(derived), trace_mean=trace_mean, trace_sd=trace_sd, n_imputations=n_imputations,
        n_cycles=n_cycles, seed=seed, n=plan.n,
    )  # fmt: skip


def completed(imputations: Imputations, index: int) -> dict[str, FloatArray]:
    """Return the columns of one imputation, the derived ones included, in the order of the rows given.

    Parameters
    ----------
    imputations : Imputations
    index : int
        0 to n_imputations - 1.

    Returns
    -------
    dict of str to ndarray, shape (n,)

    Raises
    ------
    EstimationError
        No such imputation.

    Examples
    --------
    >>> result = impute({"a": [1.0, 2.0, 3.0, np.nan]}, [ColumnModel(name="a")], keys=range(4), seed=1)
    >>> int(np.isnan(completed(result, 19)["a"]).sum())
    0
    """
    if not 0 <= index < imputations.n_imputations:
        raise EstimationError(
            f"imputation {index}; there are 0 to {imputations.n_imputations - 1}", code="bad_index"
        )
    filled = {name: column.copy() for name, column in imputations.values.items()}
    for name, rows in imputations.rows.items():
        filled[name][rows] = imputations.imputed[name][index]
    for d in imputations.derived:
        filled[d.name] = np.asarray(d.compute(*(filled[part] for part in d.parts)), dtype=np.float64)
    return filled
