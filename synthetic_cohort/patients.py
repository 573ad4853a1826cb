"""Who the patients are, before anything breaks.

=====================  ==========================================================================
variable               equation
=====================  ==========================================================================
two wrists             `two_wrists` of patients (3 %) break both; drawn at random, of nothing else
sex                    72 % female
age                    women normal 66 (SD 13), men normal 54 (17), whole years within 18-98
dominant_hand          right 89 %, left 9.5 %, both 1.5 %
bone_quality           normal / reduced / fragile: ordered logistic in age and sex
diabetes, smoking,     logistic in age (11 %, 18 %, 5 % about)
renal_disease
patient_effect         standard normal, shared by both wrists of a patient, never in the file
healthy_grip           kg of a healthy hand: men 44 (SD 8), women 27 (5), less 0.2 a year above 62
variance_baseline      ulnar variance of the unbroken wrist, normal -0.45 (1.3) mm
=====================  ==========================================================================

Common practice, no source, except where `README.md` of this package names one. All of it invented.
"""

from __future__ import annotations

import numpy as np

from synthetic_cohort.levels import Ints, Variables, logistic


def case_patients(n: int, two_wrists: float, rng: np.random.Generator) -> tuple[Ints, Ints]:
    """Say to which patient each case belongs, and which wrist of that patient it is.

    Parameters
    ----------
    n : int
        Number of cases.
    two_wrists : float
        Share of patients with two broken wrists, 0 to 1.
    rng : numpy.random.Generator

    Returns
    -------
    patient : array (n,) of int
        Patient number, ascending; both wrists of a patient stand side by side.
    wrist : array (n,) of int
        0 for the first wrist of a patient, 1 for the second.

    Examples
    --------
    >>> patient, wrist = case_patients(103, 0.03, np.random.default_rng(1))
    >>> len(set(patient)), int(wrist.sum())
    (100, 3)
    """
    pairs = round(n * two_wrists / (1.0 + two_wrists))
    patients = n - pairs
    double = np.zeros(patients, dtype=np.int64)
    double[rng.choice(patients, size=pairs, replace=False)] = 1
    patient = np.repeat(np.arange(patients, dtype=np.int64), 1 + double)
    wrist = np.zeros(n, dtype=np.int64)
    wrist[1:] = patient[1:] == patient[:-1]
    return patient, wrist


def draw_patients(patient: Ints, wrist: Ints, rng: np.random.Generator) -> Variables:
    """Draw the variables of each patient and hand them to every case of that patient.

    Parameters
    ----------
    patient, wrist : array (n,) of int
        From :func:`case_patients`.
    rng : numpy.random.Generator

    Returns
    -------
    dict of arrays (n,)
        See the table of this module; categories as codes.
    """
    count = int(patient[-1]) + 1
    male = (rng.random(count) >= 0.72).astype(np.int64)
    age = np.where(male == 1, rng.normal(54.0, 17.0, count), rng.normal(66.0, 13.0, count))
    age = np.clip(np.round(age), 18.0, 98.0)
    older = age - 62.0
    frailty = 0.06 * older + 0.7 * (male == 0) + rng.logistic(0.0, 1.0, count)
    own: Variables = {
        "sex": male,
        "age": age,
        "dominant_hand": np.searchsorted(np.cumsum([0.095, 0.89]), rng.random(count)).astype(np.int64),
        "bone_quality": np.searchsorted(np.array([0.6, 2.2]), frailty).astype(np.int64),
        "diabetes": (rng.random(count) < logistic(-2.2 + 0.02 * older)).astype(np.int64),
        "smoking": (rng.random(count) < logistic(-1.5 - 0.02 * older)).astype(np.int64),
        "renal_disease": (rng.random(count) < logistic(-3.1 + 0.04 * older)).astype(np.int64),
        "patient_effect": rng.normal(0.0, 1.0, count),
        "variance_baseline": rng.normal(-0.45, 1.3, count),
        "first_side": (rng.random(count) < 0.5).astype(np.int64),
    }
    strength = np.where(male == 1, rng.normal(44.0, 8.0, count), rng.normal(27.0, 5.0, count))
    own["healthy_grip"] = np.maximum(strength - 0.2 * np.maximum(older, 0.0), 8.0)
    cases = {name: values[patient] for name, values in own.items()}
    cases["side"] = np.where(wrist == 1, 1 - cases.pop("first_side"), own["first_side"][patient])
    cases["patient"] = patient
    cases["wrist"] = wrist
    dominant = cases["dominant_hand"]
    cases["dominant_injured"] = ((dominant == cases["side"]) | (dominant == 2)).astype(np.int64)
    return cases
