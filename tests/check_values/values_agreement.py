"""Check values of agreement: intraclass correlation, kappas, limits of agreement."""

from __future__ import annotations

from typing import Any

from case_data import load

from outcomes.stats.agreement.bland_altman import limits_of_agreement
from outcomes.stats.agreement.fleiss_kappa import fleiss_kappa
from outcomes.stats.agreement.icc import AGREEMENTS, intraclass_correlation
from outcomes.stats.agreement.kappa import Kappa, cohen_kappa
from outcomes.stats.agreement.rating_tables import category_counts, cross_table


class Row(dict[str, Any]):
    """What the table expects of one correlation; as a number, which is what is printed, the correlation."""

    def __float__(self) -> float:
        return float(self["icc"])


def intraclass(case: dict[str, Any]) -> dict[str, Any]:
    ratings = case["inputs"]["ratings"]
    made: dict[str, Any] = {}
    for number, agreement in enumerate(AGREEMENTS, 1):
        for suffix, of in (("", "single rating"), ("k", "mean of ratings")):
            found = intraclass_correlation(ratings, agreement=agreement, of=of)
            e = found.estimate
            made[f"ICC{number}{suffix}"] = Row(
                icc=e.value,
                F=found.f,
                df1=found.df1,
                df2=found.df2,
                p=e.p_value,
                lo=e.conf_low,
                hi=e.conf_high,
            )
    squares = found.mean_squares
    made["irr_ICC2"] = made["ICC2"]
    made["MS"] = {
        "between_targets": squares.subjects, "between_judges": squares.raters, "residual": squares.residual,
    }  # fmt: skip
    return made


def limits(found: Kappa) -> list[float | None]:
    e = found.estimate
    return [e.conf_low, e.value, e.conf_high]


def kappa_anxiety(case: dict[str, Any]) -> dict[str, Any]:
    data = load(case["data"])
    table = cross_table(data["rater1"], data["rater2"], range(1, 7)).counts
    plain, linear, quadratic = (cohen_kappa(table, weights=w) for w in ("none", "linear", "quadratic"))
    return {
        "kappa": plain.estimate.value, "z": plain.z, "kappa_lin": linear.estimate.value,
        "kappa_quad": quadratic.estimate.value, "psych_kappa_ci": limits(plain),
        "psych_wkappa_ci": limits(quadratic), "var_kappa": plain.estimate.std_error**2,
        "var_wkappa": quadratic.estimate.std_error**2,
    }  # fmt: skip


def kappa_2x2(case: dict[str, Any]) -> dict[str, Any]:
    found = cohen_kappa(case["inputs"]["table"])
    return {"kappa": found.estimate.value, "ci": limits(found), "var": found.estimate.std_error**2}


def kappa_fleiss(case: dict[str, Any]) -> dict[str, Any]:
    data = load(case["data"])
    levels = sorted(set(data.to_numpy().ravel()))
    found = fleiss_kappa(category_counts(data, levels).counts)
    return {"kappa": found.estimate.value, "z": found.z}


def bland_altman(case: dict[str, Any]) -> dict[str, Any]:
    data = load(case["data"])
    by_196, by_2, old = (
        limits_of_agreement(data["wright"], data["mini"], multiplier=multiplier, interval=interval)
        for multiplier, interval in ((1.96, "approximate"), (2.0, "exact"), (1.96, "approximate 1986"))
    )
    return {
        "bias": by_196.bias.value, "sd": by_196.sd, "loa_lo": by_196.lower.value, "loa_hi": by_196.upper.value,
        "loa2_lo": by_2.lower.value, "loa2_hi": by_2.upper.value, "se_bias": by_196.bias.std_error,
        "bias_lo": by_196.bias.conf_low, "bias_hi": by_196.bias.conf_high, "se_loa_approx": old.upper.std_error,
        "se_loa_ba1999": by_196.upper.std_error,
    }  # fmt: skip


COMPUTED = {
    "icc-sf": intraclass,
    "kappa-anxiety": kappa_anxiety,
    "kappa-2x2": kappa_2x2,
    "kappa-fleiss": kappa_fleiss,
    "ba-pefr": bland_altman,
}
