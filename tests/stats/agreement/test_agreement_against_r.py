"""Agreement on 620 random small data sets against R: psych, vcd, aov, lm, noncentral t, integration.

Script, versions and the disagreements: tests/reference/agreement_cross_checks. Tolerance for other software:
1e-7 relative.
"""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import pandas as pd
import pytest

from outcomes.stats.agreement.bland_altman import limits_of_agreement
from outcomes.stats.agreement.bland_altman_repeated import repeated_limits_of_agreement
from outcomes.stats.agreement.fleiss_kappa import fleiss_kappa
from outcomes.stats.agreement.icc import AGREEMENTS, intraclass_correlation
from outcomes.stats.agreement.kappa import cohen_kappa, kappa_context
from outcomes.stats.agreement.measurement_error import standard_error_of_measurement, within_subject_cv

FOLDER = Path(__file__).parents[2] / "reference" / "agreement_cross_checks"
SPEC = importlib.util.spec_from_file_location("agreement_data", FOLDER / "generate.py")
assert SPEC
assert SPEC.loader
DATA = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(DATA)


def compare(name: str, computed) -> int:
    """Return how many values agree; fail with those that do not. Values that one side does not give are left out."""
    agreed, wrong = 0, []
    for row in pd.read_csv(FOLDER / f"{name}.csv").to_dict("records"):
        case = int(row.pop("case"))
        mine = computed(case)
        assert set(mine) == set(row)
        for key, expected in row.items():
            if math.isnan(expected) or mine[key] is None:
                continue
            if math.isclose(mine[key], expected, rel_tol=1e-7, abs_tol=1e-9):  # 0 within rounding
                agreed += 1
            else:
                wrong.append((case, key, mine[key], expected))
    assert not wrong, (len(wrong), wrong[:20])
    return agreed


def intraclass(case):
    x = DATA.ratings(case)
    made = {}
    for number, agreement in enumerate(AGREEMENTS, 1):
        for suffix, of in (("", "single rating"), ("k", "mean of ratings")):
            e = intraclass_correlation(x, agreement=agreement, of=of).estimate
            for key, value in (("icc", e.value), ("p", e.p_value), ("lo", e.conf_low), ("hi", e.conf_high)):
                made[f"{key}_ICC{number}{suffix}"] = value
    for name, agreement, short in (
        ("within", "one-way", "within"), ("residual", "consistency", "residual"),
        ("absolute", "absolute agreement", "absolute"),
    ):  # fmt: skip
        e = standard_error_of_measurement(x, agreement=agreement)
        made |= {f"sem_{name}": e.value, f"{short}1": e.conf_low, f"{short}2": e.conf_high}
    root = within_subject_cv(x, method="root mean square")
    return made | {
        "cv_logs": within_subject_cv(x).value, "cv_root": root.value, "cv_root_hi": root.conf_high,
    }  # fmt: skip


def kappas(case):
    x = DATA.table(case)
    none, linear, quadratic = (cohen_kappa(x, weights=w) for w in ("none", "linear", "quadratic"))
    return {
        "none": none.estimate.value, "none_se": none.estimate.std_error, "none_se_psych": none.estimate.std_error,
        "linear": linear.estimate.value, "linear_se": linear.estimate.std_error,
        "quadratic": quadratic.estimate.value, "quadratic_se": quadratic.estimate.std_error, "none_z": none.z,
        "quadratic_z": quadratic.z, "maximum": kappa_context(x).maximum,
    }  # fmt: skip


def fleiss(case):
    found = fleiss_kappa(DATA.counts(case))
    return {
        "kappa": found.estimate.value, "z": found.z, "se": found.estimate.std_error, "first": found.by_category[0],
    }  # fmt: skip


def limits(case):
    a, b = DATA.pairs(case)
    exact, rough, pair = (
        limits_of_agreement(a, b, interval=i) for i in ("exact", "approximate", "exact for the pair")
    )
    return {
        "bias": exact.bias.value, "bias_p": exact.bias.p_value, "bias_lo": exact.bias.conf_low, "sd": exact.sd,
        "upper": exact.upper.value, "exact1": exact.upper.conf_low, "exact2": exact.upper.conf_high,
        "approximate": rough.upper.conf_high, "pair1": pair.upper.conf_low, "pair2": pair.upper.conf_high,
        "slope": exact.slope.value, "slope_se": exact.slope.std_error, "slope_p": exact.slope.p_value,
    }  # fmt: skip


def repeats(case):
    varying, constant = (
        repeated_limits_of_agreement(*DATA.repeats(case), true_value=kind) for kind in ("varying", "constant")
    )
    half = varying.upper.value - varying.bias.value
    z = half / varying.sd
    bias_half = varying.bias.conf_high - varying.bias.value
    low, high = (
        varying.sd + sign * math.sqrt(max(0.0, distance**2 - bias_half**2)) / z
        for sign, distance in (
            (-1, varying.upper.value - varying.upper.conf_low), (1, varying.upper.conf_high - varying.upper.value),
        )
    )  # fmt: skip
    return {
        "bias": varying.bias.value, "sd": varying.sd, "between": varying.sd_between, "sd_lo": low, "sd_hi": high,
        "bias_constant": constant.bias.value, "sd_constant": constant.sd, "upper_hi": constant.upper.conf_high,
        "upper_lo": constant.upper.conf_low,
    }  # fmt: skip


#: What is compared, and in how many values: a smaller file would test less than the validation page says.
CHECKS = {
    "intraclass": (intraclass, 5744), "kappas": (kappas, 1504), "fleiss": (fleiss, 400), "limits": (limits, 1380),
    "repeats": (repeats, 720),
}  # fmt: skip


@pytest.mark.parametrize("name", CHECKS)
def test_agrees_with_r(name):
    computed, values = CHECKS[name]
    assert compare(name, computed) == values
