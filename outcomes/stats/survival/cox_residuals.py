"""Residuals of a proportional-hazards model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.numerics.arrays import FloatArray, IntArray
from outcomes.stats.survival.cox import CoxFit
from outcomes.stats.survival.cox_errors import score_residuals
from outcomes.stats.survival.cox_risk_sets import cumulated


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoxResiduals:
    """Residuals in the row order given to the fit, and Schoenfeld's by event.

    Attributes
    ----------
    names : tuple of str, length p
    martingale : ndarray, shape (n_rows,)
        Events observed (0 or 1) minus expected, NaN for rows of weight 0.
    score : ndarray, shape (n_rows, p)
        Contribution of each row to the score, without its weight.
    schoenfeld : ndarray, shape (M, p)
        Columns of each case with the event, less their mean in its risk set (mean over Efron's terms).
    schoenfeld_time : ndarray, shape (M,)
        Time of the event, ascending within strata.
    schoenfeld_row : ndarray of int, shape (M,)
        Row of the event.
    """

    names: tuple[str, ...]
    martingale: FloatArray
    score: FloatArray
    schoenfeld: FloatArray
    schoenfeld_time: FloatArray
    schoenfeld_row: IntArray

    def tidy(self) -> pd.DataFrame:
        """Return Schoenfeld's residuals, one row an event."""
        table = pd.DataFrame(self.schoenfeld, columns=list(self.names))
        return table.assign(time=self.schoenfeld_time, row=self.schoenfeld_row)

    def __str__(self) -> str:
        """Return what there is as a sentence."""
        return f"residuals of {len(self.martingale)} rows and {len(self.schoenfeld)} events: {', '.join(self.names)}"


def cox_residuals(fit: CoxFit) -> CoxResiduals:
    """Return martingale, score and Schoenfeld residuals.

    Parameters
    ----------
    fit : CoxFit
        With Efron's or Breslow's ties.

    Returns
    -------
    CoxResiduals
        Score and Schoenfeld residuals in units of the columns.

    Raises
    ------
    EstimationError
        Exact ties.

    Notes
    -----
    Sources: Schoenfeld (1982) Biometrika 69:239-241; Barlow and Prentice (1988) Biometrika 75:65-74; Therneau and
    Grambsch, Modeling Survival Data (2000), chapter 4.

    Examples
    --------
    >>> from outcomes.stats.survival.cox import fit_cox
    >>> fit = fit_cox([[1], [1], [1], [0], [0], [0]], [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1], names=["x"])
    >>> r = cox_residuals(fit)
    >>> r.martingale.round(6).tolist()
    [0.719171, -0.280829, -0.438341, 0.731087, -0.365543, -0.365543]
    >>> r.schoenfeld[:, 0].round(6).tolist()
    [0.157512, 0.421244, -0.578756, 0.0]
    """
    sets, point = fit.sets, fit.point
    if fit.ties == "exact":
        raise EstimationError("residuals are defined for Efron's and Breslow's ties", code="bad_choice")
    n_rows = len(fit.rows_used)
    martingale, score = np.full(n_rows, np.nan), np.full((n_rows, len(fit.names)), np.nan)
    # rows that were never at risk at an event have nothing observed and nothing expected
    martingale[fit.rows_used], score[fit.rows_used] = 0.0, 0.0
    martingale[sets.rows] = sets.event - point.risk * cumulated(sets, sets.mean_weight / point.denominator)
    score[sets.rows] = score_residuals(sets, point) * sets.scale
    residuals, time, rows = schoenfeld_residuals(fit)
    return CoxResiduals(
        names=fit.names, martingale=martingale, score=score, schoenfeld=residuals, schoenfeld_time=time,
        schoenfeld_row=rows,
    )  # fmt: skip


def schoenfeld_residuals(fit: CoxFit) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return Schoenfeld residuals, their times and rows, by stratum, time and row.

    Examples
    --------
    >>> from outcomes.stats.survival.cox import fit_cox
    >>> schoenfeld_residuals(fit_cox([[1], [0], [1]], [1, 2, 3], [1, 1, 1], names=["x"]))[1].tolist()
    [1.0, 2.0, 3.0]
    """
    sets, point = fit.sets, fit.point
    starts = sets.term_starts
    tied = np.diff(starts, append=len(sets.term))
    average = np.add.reduceat(point.mean, starts, axis=0) / tied[:, None]
    residuals = (sets.x[sets.event] - average[sets.term]) * sets.scale
    time, rows = sets.time[sets.term], sets.rows[sets.event]
    order = np.lexsort((rows, time, sets.stratum[sets.event]))
    return residuals[order], time[order], rows[order]
