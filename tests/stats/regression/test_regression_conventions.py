"""Where packages follow another convention: the other number is reached by the other formula."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.stats.regression.firth import fit_firth

DATA = Path(__file__).parents[2] / "check_values" / "data"


def test_logistf_takes_the_information_of_the_augmented_data():
    # sex2 (Heinze and Schemper 2002), errors as logistf 1.26.1 prints them
    table = pd.read_csv(DATA / "sex2.csv")
    columns = ["age", "oc", "vic", "vicl", "vis", "dia"]
    X = np.column_stack([np.ones(len(table)), table[columns]])
    fit = fit_firth(
        X, table["case"], names=["one", *columns], intercept_correction=False, covariance="classical"
    )
    w = fit.probabilities * (1 - fit.probabilities)
    leverage = np.einsum("ij,jk,ik->i", X, fit.bread, X) * w
    augmented = np.linalg.inv((X * (w * (1 + leverage))[:, None]).T @ X)
    printed = [0.476342941187, 0.414902109745, 0.434402571285, 0.538487276606, 0.532039508241, 0.408962004265]
    np.testing.assert_allclose(np.sqrt(np.diag(augmented)), [*printed, 1.50522113565], rtol=1e-7)
    # ours is the information at the estimate (Firth 1993), which is larger
    assert (np.sqrt(np.diag(fit.covariance)) > np.sqrt(np.diag(augmented))).all()
