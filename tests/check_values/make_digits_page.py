"""Write docs/validation/digits.md: how many digits of every check value the package gives.

``python tests/check_values/make_digits_page.py`` writes the page, ``--check`` compares it (R is not needed). Digits of
the page are rounded down to one decimal; the last digits differ between machines, so that a comparison takes them as
floors: nothing may fall more than half a digit below.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import re
import sys
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(ROOT), str(HERE), str(HERE.parent / "stats")]

import agreed_digits  # noqa: E402  (the tests' folders are no packages: they are put on the path first)
import hand_oracles  # noqa: E402
import nist_digits  # noqa: E402
import test_check_values as table  # noqa: E402

PAGE = ROOT / "docs" / "validation" / "digits.md"
REFERENCE = HERE.parent / "reference"
#: How far a digit may fall below what the page says.
SLACK = 0.5
#: Why a case agrees in fewer than seven digits.
FEW = {
    "nist-SmLs07": "the leading digits leave no more room in double precision (see NIST below)",
    "hedges-sleep": "the other program searches noncentrality to six digits",
    "logit-birthwt": "R's glm stops at 1e-8 of the deviance; coefficients agree to more digits than p",
    "newcombe-56_70-48_80": "the table's Mee limits carry a factor N/(N-1); see the disputed values",
    "fisher-tea": "R's `fisher.test` stops its root finding at about four digits",
    "fisher-twins": "R's `fisher.test` stops its root finding at about four digits",
    "fisher-central-zero": "the other program stops its root finding at about four digits",
    "cox-rossi": "R's coxph with its default stops at about six digits",
    "zph-rossi-log": "R's coxph with its default stops at about six digits",
    "finegray-melanoma": "the other program's search stops at 1e-6",
    "lmm-sleepstudy": "the other program's search ends where its criterion is flat",
    "bca-law": "200,000 random resamples of the other program: Monte Carlo error",
    "meta-bcg-rr": "the other program's searches stop at 1e-4 and 1e-5",
    "metareg-bcg": "the other program's search stops at 1e-5",
    "samplesize": "R's `power.t.test` searches to about four digits",
}

#: folder -> family, programs with versions (each version stands in the folder), test that compares, digits it holds.
CROSS_CHECKS = {
    "group_comparisons": ("two and several groups, proportions, strata", "R 4.2.2, base", "test_against_r.py", 7),
    "group_cross_checks": (
        "means, ranks, effect sizes, covariates, two factors, permutations, pairs, trends",
        "R 4.2.2, coin 1.4-2, car 3.1-1, emmeans 1.8.4-1, scipy 1.17.1", "test_group_cross_checks.py", 7,
    ),
    "table_cross_checks": (
        "proportions, 2 x 2 tables, strata, families of p",
        "R 4.2.2, metafor 3.8-1, epiR 2.0.57, Epi 2.47, epitools 0.5-10.1", "test_tables_against_r.py", 7,
    ),
    "regression_cross_checks": (
        "linear, logistic, penalised, Poisson, ordinal, splines, mixed, estimating equations",
        "R 4.2.2, sandwich 3.0.2, clubSandwich 0.5.8, brglm2 0.9, ordinal 2022.11.16, Hmisc 4.8.0, lme4 1.1.31, "
        "lmerTest 3.1.3, pbkrtest 0.5.2, geepack 1.3.9", "test_regression_cross_checks.py", 7,
    ),
    "cluster_robust": (
        "robust covariances and their degrees of freedom, Firth", "R 4.2.2, sandwich 3.0-2, clubSandwich 0.5.8, "
        "brglm2 0.9", "test_clusters_reference.py", 7,
    ),
    "survival_cross_checks": (
        "curves, log-rank, Cox, proportionality", "R 4.2.2, survival 3.5-3", "test_survival_cross_checks.py", 7,
    ),
    "competing_cross_checks": (
        "competing and recurrent events", "R 4.2.2, cmprsk 2.2-11, survival 3.5-3, mets 1.3.2",
        "test_competing_cross_checks.py", 7,
    ),
    "causal_cross_checks": (
        "weights, standardisation, matching, mediation, weights of being observed",
        "R 4.2.2, sandwich 3.0.2, numDeriv 2016.8-1.1", "test_causal_cross_checks.py", 7,
    ),
    "missing_cross_checks": (
        "pooling over imputations, bounds", "R 4.2.2, mice 3.15.0, mitml 0.4-4", "test_missing_cross_checks.py", 7,
    ),
    "multiple_imputation": (
        "imputing and pooling", "R 4.2.2, mice 3.15.0, mitml 0.4-4", "test_rubin.py", 7,
    ),
    "agreement_cross_checks": (
        "intraclass correlation, kappas, limits of agreement", "R 4.2.2, psych 2.2.9, vcd 1.4-11",
        "test_agreement_against_r.py", 7,
    ),
    "pooling_cross_checks": (
        "pooling of studies, tables and means", "R 4.2.2, metafor 3.8-1", "test_pooling_against_r.py", 7,
    ),
    "planning": ("sizes, powers, p from statistics, fragility", "R 4.2.2, base", "test_planning_against_r.py", 7),
    "chart_cross_checks": ("funnel limits, ratios, run lengths", "R 4.2.2, spc 0.6.7", "test_chart_cross_checks.py", 7),
}  # fmt: skip


def shown(digits: float) -> str:
    """Return digits as the page shows them: rounded down to one decimal."""
    return "exact" if math.isinf(digits) else f"{math.floor(digits * 10) / 10:.1f}"


def row(*cells: str) -> str:
    """Return a row of a table; a bar inside a cell would end it."""
    return "| " + " | ".join(cell.replace("|", "/").replace("\n", " ") for cell in cells) + " |"


def heading(*names: str) -> list[str]:
    return [row(*names), "|" + "---|" * len(names)]


def printed(case: dict[str, object]) -> str:
    """Return whether the printed values were seen."""
    said = str(case["printed_seen"])
    return "none" if said == "no printed value" else said


def case_rows(found: dict[str, agreed_digits.Agreement]) -> list[str]:
    """Return the table of the check values."""
    lines = heading(
        "case",
        "method",
        "functions",
        "oracle",
        "digits",
        "fewest in",
        "numbers",
        "source",
        "printed value",
        "disputed",
    )
    for name, case in table.CASES.items():
        got, disputed = found[name], [key for key in table.DISPUTED.get(name, {}) if key != "printed"]
        link = "[disputed.json](../../tests/check_values/disputed.json)"
        lines.append(
            row(
                name, case["method"], ", ".join(f"`{f}`" for f in got.functions), case["generator"],
                shown(got.digits), got.where or "-", str(got.numbers), case["source"], printed(case),
                f"{', '.join(disputed)}: {link}" if disputed else "-",
            )
        )  # fmt: skip
    return lines


#: Data sets of folders that give several rows or files a set, or fewer rows than sets; the parts stand in the README.
PARTS = {
    "table_cross_checks": (320, 220, 60),
    "survival_cross_checks": (600,),
    "competing_cross_checks": (600, 600),
    "missing_cross_checks": (500, 250),
    "chart_cross_checks": (600,),
    "multiple_imputation": (80, 40),
    "pooling_cross_checks": (220, 150, 150),
}


def pinned(folder: Path) -> tuple[int, int]:
    """Return how many data sets and numbers the files of a folder of reference values hold."""
    sets, numbers = 0, 0
    for path in sorted(folder.glob("*.csv")):
        if path.name in {"coverage.csv", "data.csv", "samples.csv", "tables.csv", "incomplete.csv"} and (
            folder.name != "pooling_cross_checks"
        ):
            continue  # the data themselves, or a simulation
        cells = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
        names, body = (cells[0], cells[1:]) if not is_number(cells[0][0]) else ([], cells)
        if names[:3] == ["set", "case", "name"]:
            sets += len({tuple(line[:2]) for line in body})
            numbers += len(body)
            continue
        index = 1 if names and names[0] in {"set", "case"} else 0
        sets += len(body)
        numbers += sum(is_number(cell) for line in body for cell in line[index:])
    for path in sorted(folder.glob("*.json")):
        held = json.loads(path.read_text(encoding="utf-8"))
        if isinstance(held, dict) and set(held) == {"names", "rows"}:
            sets += len(held["rows"])
            numbers += sum(is_number(cell) for line in held["rows"] for cell in line)
        else:
            sets += len(held) if isinstance(held, list) else 1
            numbers += leaves(held)
    return sets, numbers


def is_number(cell: object) -> bool:
    try:
        return math.isfinite(float(str(cell)))
    except ValueError:
        return False


def leaves(held: object) -> int:
    """Return how many numbers a JSON value holds."""
    parts = held.values() if isinstance(held, dict) else held if isinstance(held, list) else None
    return (
        sum(map(leaves, parts))
        if parts is not None
        else int(isinstance(held, float | int) and is_number(held))
    )


def cross_rows() -> list[str]:
    """Return the table of the cross-checks with R."""
    lines = heading(
        "family", "data sets", "numbers pinned", "digits held", "by", "test", "script, disagreements"
    )
    for folder, (family, by, test, held) in CROSS_CHECKS.items():
        sets, numbers = pinned(REFERENCE / folder)
        sets = sum(PARTS.get(folder, (sets,)))
        link = f"[README](../../tests/reference/{folder}/README.md)"
        lines.append(row(family, f"{sets:,}", f"{numbers:,}", f"{held}", by, f"`{test}`", link))
    return lines


def hand_rows() -> list[str]:
    """Return the table of the closed forms."""
    lines = heading("functions", "worked out", "numbers", "digits")
    for entry in hand_oracles.all_hands():
        got = [agreed_digits.digits(float(mine), float(own)) for mine, own in entry.pairs()]
        functions = ", ".join(f"`{name}`" for name in entry.functions)
        lines.append(row(functions, entry.what, str(len(got)), shown(min(got))))
    return lines


HEAD = """# Digits

Made by `python tests/check_values/make_digits_page.py`; `--check` compares, and `test_digits_page.py` with every test
run. Do not edit.

Digits are minus the decimal logarithm of the relative error (absolute where 0 is expected, or where the tolerance of
the value is absolute), at most 15, the smallest over all numbers of the row, rounded down; *exact* where every number is equal. Most values of
other software are kept with 12 digits, so that a row computed to the last bit shows about 12. Last digits differ between machines: the test takes
the page as a floor, less half a digit.
"""

CASES_TEXT = """
## Check values

{n} cases ([what they are](../../tests/check_values/README.md)), {numbers:,} numbers. *Printed value*: whether the
value that the source prints was seen, seen second-hand, is quoted from memory, or does not exist. Disputed values are left out of the digits; who is right
and why stands in the linked file. Functions are those that the case calls, found by watching the calls.
"""

FEW_TEXT = """
Fewer than seven digits, each within the tolerance of its case:
"""

NIST_TEXT = """
## Certified values of NIST

Data and licence: [README](../../tests/reference/nist/README.md). Asked for: by level of difficulty; the higher level of the
analysis of variance cannot give more than four digits once its decimals are floating point, and gives all of them when
the constant is taken off first. Filip's data are not shipped; polynomials like it have seven digits or are refused
(`test_linear_nist.py`).
"""

CROSS_TEXT = """
## Cross-checks with R

Random small data sets with ties, zeros, one-level factors and empty groups, made again from their number; values of R are
pinned with about ten digits, and tests hold every compared number to the digits in the table (relative; absolute near
0). What is compared less closely, or not at all, stands in each README with the reason.
"""

HAND_TEXT = """
## Worked out by hand

{n} closed forms, each held to 12 digits by `test_hand_oracles.py`; {functions} functions. The doctest of every function shows
one more example to the digits printed. What has none, by reason:

{without}
"""


def page() -> str:
    """Return the page as of this moment."""
    found = agreed_digits.all_agreements()
    parts = [HEAD]
    numbers = sum(got.numbers for got in found.values())
    parts += [CASES_TEXT.format(n=len(found), numbers=numbers), "\n".join(case_rows(found)) + "\n"]
    low = [f"- {name}: {FEW[name]}" for name, got in found.items() if got.digits < 7]
    parts += [FEW_TEXT, "\n".join(low) + "\n"]
    nist = heading("set", "level", "numbers", "function", "asked for", "reached")
    nist += [
        row(name, level, what, f"`{function}`", f"{asked:g}", shown(reached))
        for name, level, what, function, asked, reached in nist_digits.all_sets()
    ]
    parts += [NIST_TEXT, "\n".join(nist) + "\n", CROSS_TEXT, "\n".join(cross_rows()) + "\n"]
    checked = {name for entry in hand_oracles.all_hands() for name in entry.functions}
    without = [
        f"- {reason}: {', '.join(f'`{name}`' for name in names)}"
        for reason, names in hand_oracles.NO_CLOSED_FORM.items()
    ]
    text = HAND_TEXT.format(
        n=len(hand_oracles.all_hands()), functions=len(checked), without="\n".join(without)
    )
    parts += [text, "\n".join(hand_rows()) + "\n"]
    return "\n".join(part.strip("\n") + "\n" for part in parts)


#: A number with one decimal, or "exact", that fills a cell: digits of the page.
DIGITS = re.compile(r"(?<=\| )(\d+\.\d|exact)(?= \|)")


def fallen(old: str, new: str) -> list[str]:
    """Return where a page says something else than another, digits compared as floors."""
    if len(old.splitlines()) != len(new.splitlines()):
        return [f"{len(old.splitlines())} lines on the page, {len(new.splitlines())} now"]
    wrong = []
    for was, now in zip(old.splitlines(), new.splitlines(), strict=True):
        before, after = (
            [math.inf if cell == "exact" else float(cell) for cell in DIGITS.findall(line)]
            for line in (was, now)
        )
        lower = any(min(b, agreed_digits.MOST) - a > SLACK for b, a in zip(before, after, strict=False))
        if lower or len(before) != len(after) or bare(was) != bare(now):
            wrong.append(f"{was}\n-> {now}")
    return wrong


def bare(line: str) -> str:
    """Return a line without its digits and the value that has the fewest, which rounding may change."""
    cells = DIGITS.sub("", line).split(" | ")
    return " | ".join(cells[:5] + cells[6:] if len(cells) == 10 else cells)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="compare, write nothing")
    new = page()
    if parser.parse_args().check:
        wrong = fallen(PAGE.read_text(encoding="utf-8"), new)
        sys.stderr.write("\n".join(wrong) + "\n" if wrong else "")
        return 1 if wrong else 0
    PAGE.write_text(new, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
