"""The page of the study of coverage, made from its results and from the notes on what misses a bar."""

from __future__ import annotations

from typing import Any

from coverage_notes import NOTES
from measuring import BIAS_BAR, ERROR_SLACK, ESTIMATE, FULL, bar

#: How a note begins on a method that is known to be wrong for the data and stands there to show what it does.
WARNING = "Shown as a warning"
WORDS = {
    "too low": "too rarely", "too high": "too often", "bias": "bias", "error": "error", "size": "size of the test",
    "p-values": "p-values not uniform",
}  # fmt: skip

INTRODUCTION = """# Coverage and type-I error

{n_scenarios} scenarios of invented data with known truth, {n_checks} checks of intervals and tests, through the functions
that users call. {n_full} scenarios have 10,000 repetitions, {n_half} have 5,000, the slow ones 2,000 or 1,000. {n_met} checks meet
every bar. {n_warned} are of methods that are wrong for their data and stand there to show what they do (wrists taken as
independent, pooled variances where spreads differ). The other {n_missed} miss a bar, {n_narrow} of them because limits hold too
rarely or a test rejects too often: each is listed at the end with the reason and with what to use instead. No scenario was
changed because of its result.

Made on {date} with Python {python}, numpy {numpy}, scipy {scipy}, seed {seed}, {minutes} minutes of one processor, by

    {command}

The results are in [coverage.json](coverage.json); scenarios and counting are in `tests/coverage/`. `make simulate` makes
them again and compares; a part with few repetitions runs with every test run (`test_coverage_study.py`).

**How to read the tables.** *%*: how often 95 % limits hold the truth, how often a true null is rejected at 5 %, or how
often something happened that should happen with a known chance; with its Monte Carlo error in brackets. The bar is a fifth
of the nominal error rate to either side (94 to 96 %, 4 to 6 %), or three Monte Carlo errors where fewer repetitions make
that more (93.5 to 96.5 % of 2,000). *Bias*: mean error of the estimate in Monte Carlo errors (bar {bias_bar}, as dozens are
looked at), with the bias as a share of the spread of the estimates in brackets. *Error*: root mean square of the standard
errors over the spread of the estimates (bar {low} to {high}, or three Monte Carlo errors). *Rejected*, *KS*: where the null is true,
how often p is at most 0.05, and the p-value of a Kolmogorov-Smirnov test that p-values are uniform (bar 0.001). *None*: data
sets that gave no interval or no test, left out of the percentages; *refused*: data sets that the scenario's functions
refused. Ratios are on the log scale. **Bold** misses a bar.

Proportions, their differences and ratios are not here: their coverage is counted over all possible samples
([proportions](proportions.md)). More scenarios of single methods: [groups](further_group_tests.md),
[causal](causal.md), [competing risks](competing_risks.md), [agreement](agreement.md), [pooling](printed_and_pooled.md),
[shares](shares.md), [repeated measures](repeated_measures.md), [missing data](missing_data.md).
"""

HEADER = """
| data | check | repetitions | % | bias | error | rejected | KS | none |
|---|---|---|---|---|---|---|---|---|
"""


def page(results: dict[str, Any]) -> str:
    """Return the page as Markdown."""
    found = results["scenarios"]
    checks = [check for scenario in found for check in scenario["checks"]]
    missed = [
        (scenario["key"], check) for scenario in found for check in scenario["checks"] if check["missed"]
    ]
    own = [check for key, check in missed if not warned(key, check)]
    counts = [scenario["repetitions"] for scenario in found]
    text = INTRODUCTION.format(
        n_scenarios=len(found), n_checks=len(checks), n_full=sum(n >= FULL for n in counts),
        n_half=sum(FULL > n >= FULL / 2 for n in counts), n_met=len(checks) - len(missed), n_missed=len(own), n_warned=len(missed) - len(own), n_narrow=sum(map(narrow, own)),
        date=results["date"], python=results["versions"]["Python"], numpy=results["versions"]["numpy"],
        scipy=results["versions"]["scipy"], seed=results["seed"], command=results["command"],
        minutes=round(results["processor_seconds"] / 60), bias_bar=BIAS_BAR, low=1 - ERROR_SLACK, high=1 + ERROR_SLACK,
    )  # fmt: skip
    for family in dict.fromkeys(scenario["family"] for scenario in found):
        text += f"\n## {family[0].upper()}{family[1:]}\n" + HEADER
        for scenario in found:
            if scenario["family"] == family:
                text += "".join(line(scenario, check) for check in scenario["checks"])
    return text + what_misses(found)


def line(scenario: dict[str, Any], check: dict[str, Any]) -> str:
    """Return the row of one check."""
    n = f"{scenario['repetitions']:,}"
    if scenario["refused"]:
        n += f", {scenario['refused']} refused"
    cells = [
        scenario["data"], check["name"], n, percent(check), bias(check),
        emphasised(f"{check['error_ratio']:.3f}" if "error_ratio" in check else "", "error" in check["missed"]),
        emphasised(f"{check['rejected']:.1f}" if shown_apart(check) else "", "size" in check["missed"]),
        emphasised(f"{check['ks_p']:.2g}" if "ks_p" in check else "", "p-values" in check["missed"]),
        f"{check['without']:,}" if check["without"] else "",
    ]  # fmt: skip
    return f"| {' | '.join(cells)} |\n"


def shown_apart(check: dict[str, Any]) -> bool:
    """Return whether the share rejected says more than the column before."""
    return "rejected" in check and check["kind"] == ESTIMATE


def percent(check: dict[str, Any]) -> str:
    """Return the percentage, with the one expected where it is neither 95 nor 5."""
    text = f"{check['percent']:.2f} ({check['mc_error']:.2f})"
    if check["expected"] not in (0.95, 0.05):
        text += f" of {100 * check['expected']:g}"
    return emphasised(text, bool({"too low", "too high"} & set(check["missed"])))


def bias(check: dict[str, Any]) -> str:
    """Return the bias in Monte Carlo errors and as a share of the spread."""
    if "bias_in_mc_errors" not in check:
        return ""
    share = 100 * check["bias"] / check["spread"]
    return emphasised(f"{check['bias_in_mc_errors']:.1f} ({share:.0f} %)", "bias" in check["missed"])


def emphasised(text: str, missed: bool) -> str:
    """Return a cell, bold where it misses its bar."""
    return f"**{text}**" if missed else text.replace("-0.0 (-0 %)", "0.0 (0 %)")


def warned(key: str, check: dict[str, Any]) -> bool:
    """Return whether a check that misses is of a method known to be wrong for the data."""
    return NOTES.get((key, check["name"]), "").startswith(WARNING)


def narrow(check: dict[str, Any]) -> bool:
    """Return whether limits hold too rarely, or a test rejects too often."""
    return ("too low" if check["expected"] > 0.5 else "too high") in check["missed"]


def what_misses(found: list[dict[str, Any]]) -> str:
    """Return the lists of what misses a bar, with reasons and advice; equal reasons share an entry."""
    grouped: dict[str, list[str]] = {}
    for scenario in found:
        for check in scenario["checks"]:
            if check["missed"]:
                reason = NOTES.get((scenario["key"], check["name"]), "No reason found yet.")
                grouped.setdefault(reason, []).append(place(scenario, check))
    text = ""
    for title, shown in (
        ("What misses a bar, why, and what to use instead", False),
        ("Wrong methods, shown for what they do", True),
    ):
        text += f"\n## {title}\n"
        for reason, places in grouped.items():
            if reason.startswith(WARNING) == shown:
                words = reason.removeprefix(f"{WARNING}: ")
                text += (
                    "\n" + "".join(f"- {one}\n" for one in places) + f"\n  {words[0].upper()}{words[1:]}\n"
                )
    return text


def place(scenario: dict[str, Any], check: dict[str, Any]) -> str:
    """Return which check of which data misses which bar."""
    low, high = bar(check["expected"], check["n"])
    words = ", ".join(WORDS[one] for one in check["missed"])
    return f"**{check['name']}** ({scenario['data']}): {words}; {check['percent']:.1f} % where {low:.1f} to {high:.1f} meets the bar"
