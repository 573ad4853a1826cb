"""Covariates that a plan may name although no column of the file holds them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

#: Cast is judged on the post-reduction film, so the last film before the decision is the injury film.
CAST = "closed reduction and cast"

#: Measurements that are carried over from the last film before the index strategy.
BEFORE = ("tilt", "inclination", "ulnar_variance", "shortening", "step", "gap")


def add_derived(frame: pd.DataFrame) -> pd.DataFrame:
    """Add derived covariates where their columns exist; columns of the user's own are never overwritten.

    ``dominant_injured`` 1 when the injured hand is the dominant one (0 when both are);
    ``treatment_year``; ``days_to_treatment`` from injury to the index strategy; ``tilt_before``,
    ``shortening_before`` and so on: the last film before the index strategy (cast: injury film; operated:
    post-reduction film, or the injury film when no closed reduction was tried).

    Parameters
    ----------
    frame : DataFrame
        Labelled cases with ``strategy_recorded``.

    Returns
    -------
    DataFrame
        A new frame.

    Examples
    --------
    >>> frame = pd.DataFrame({"side": ["left", "right"], "dominant_hand": ["right", "both"],
    ...                       "strategy_recorded": ["closed reduction and cast", "volar locking plate"],
    ...                       "tilt_injury": [-20.0, -25.0], "tilt_post_reduction": [-2.0, -12.0]})
    >>> add_derived(frame)[["dominant_injured", "tilt_before"]].to_numpy().tolist()
    [[0.0, -20.0], [0.0, -12.0]]
    """
    new: dict[str, pd.Series[Any]] = {}
    if {"side", "dominant_hand"} <= set(frame.columns):
        side, hand = frame["side"].astype(object), frame["dominant_hand"].astype(object)
        same = (side == hand).astype(float)
        new["dominant_injured"] = same.where(side.notna() & hand.notna(), np.nan)
    if "treatment_date" in frame:
        new["treatment_year"] = frame["treatment_date"].dt.year.astype(float)
        if "injury_date" in frame:
            new["days_to_treatment"] = (frame["treatment_date"] - frame["injury_date"]).dt.days.astype(float)
    cast = (frame["strategy_recorded"] == CAST).to_numpy(dtype=bool)
    for measure in BEFORE:
        if f"{measure}_injury" not in frame:
            continue
        injury = frame[f"{measure}_injury"]
        after = frame.get(f"{measure}_post_reduction", injury)
        new[f"{measure}_before"] = injury.where(cast, after.fillna(injury))
    added = {name: values for name, values in new.items() if name not in frame}
    return frame.assign(**added)
