"""Read a generated table without the package under test: label, share and covariates from the file alone."""

from __future__ import annotations

import numpy as np
import pandas as pd

PATTERNS = (
    "metaphyseal comminution",
    "lunate facet depression",
    "dorsal rim shear",
    "volar rim shear",
    "complex articular",
)


def label_from_file(table: pd.DataFrame) -> np.ndarray:
    """Common-practice criteria on the film that decides: shortening < 4, tilt > -10, step < 2, congruent."""
    cast = table["component_cast"] == "yes"

    def film(measure: str) -> pd.Series:
        return table[f"{measure}_post_reduction"].where(cast, table[f"{measure}_postoperative"])

    extra = table["fracture_class"].str.contains("A")
    step = film("step")
    assert step[extra].isna().all()
    met = (
        (film("shortening") < 4)
        & (film("tilt") > -10)
        & (extra | (step < 2))
        & (film("druj_congruent") == "yes")
    )
    return met.to_numpy(dtype=bool)


def share_from_file(table: pd.DataFrame) -> np.ndarray:
    """Grip as percent of the other hand; none for patients with two broken wrists."""
    share = 100 * table["grip_injured_12_months"] / table["grip_other_12_months"]
    return share.mask(table["patient_id"].duplicated(keep=False)).to_numpy(dtype=float)


def covariates_from_file(table: pd.DataFrame) -> np.ndarray:
    """Return the declared covariates, from columns."""
    columns = [table["age"], table["sex"] == "male", table["energy"] == "high", table["open_injury"] == "yes"]
    columns += [table["pattern"] == name for name in PATTERNS]
    columns += [table["tilt_injury"], table["shortening_injury"]]
    columns += [table["bone_quality"] == name for name in ("reduced", "fragile")]
    columns += [table["diabetes"] == "yes", table["smoking"] == "yes", table["surgeon_experience"]]
    dominant = (table["side"] == table["dominant_hand"]) | (table["dominant_hand"] == "both")
    return np.column_stack([np.asarray(column, dtype=float) for column in (*columns, dominant)])


def least_squares(X: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return coefficients and classical standard errors."""
    inverse = np.linalg.inv(X.T @ X)
    beta = inverse @ X.T @ y
    residual = y - X @ beta
    return beta, np.sqrt(np.diag(inverse) * (residual @ residual) / (len(y) - X.shape[1]))


def logistic_fit(X: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return log odds and standard errors, by Newton's method."""
    beta = np.zeros(X.shape[1])
    for _ in range(30):
        p = 1 / (1 + np.exp(-X @ beta))
        information = (X * (p * (1 - p))[:, None]).T @ X
        step = np.linalg.solve(information, X.T @ (y - p))
        beta = beta + step
        if np.abs(step).max() < 1e-9:
            return beta, np.sqrt(np.diag(np.linalg.inv(information)))
    raise RuntimeError("no convergence")
