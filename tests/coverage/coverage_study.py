"""Run the study of coverage and type-I error, and write its page.

``python tests/coverage/coverage_study.py --repetitions 10000`` (about twenty minutes, one process) writes
docs/validation/coverage.json and docs/validation/coverage.md; ``--only KEY`` runs single scenarios and keeps the others,
``--page`` writes the page anew from the file. All data are invented.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]

import coverage_page  # noqa: E402
import scenarios_causal  # noqa: E402
import scenarios_groups  # noqa: E402
import scenarios_regression  # noqa: E402
import scenarios_risks  # noqa: E402
import scenarios_studies  # noqa: E402
import scenarios_times  # noqa: E402
from measuring import SEED, Scenario, run  # noqa: E402

FOLDER = HERE.parents[1] / "docs" / "validation"
RESULTS, PAGE = FOLDER / "coverage.json", FOLDER / "coverage.md"
PARTS = (
    scenarios_groups, scenarios_regression, scenarios_risks, scenarios_causal, scenarios_times, scenarios_studies,
)  # fmt: skip
SCENARIOS: dict[str, Scenario] = {scenario.key: scenario for part in PARTS for scenario in part.SCENARIOS}


def study(repetitions: int, keys: list[str], before: dict[str, Any]) -> dict[str, Any]:
    """Run the scenarios named, keep the results of the others; written after each, so that a stop loses one."""
    results = {found["key"]: found for found in before.get("scenarios", [])}
    for key in keys:
        results[key] = run(SCENARIOS[key], repetitions)
        print(f"{key}: {results[key]['seconds']} s", file=sys.stderr, flush=True)
        write(described(repetitions, results))
    return described(repetitions, results)


def described(repetitions: int, results: dict[str, Any]) -> dict[str, Any]:
    """Return the results in the order of the scenarios, with how they were made."""
    ordered = [results[key] for key in SCENARIOS if key in results]
    return {
        "date": datetime.now(UTC).date().isoformat(),
        "command": f"python tests/coverage/coverage_study.py --repetitions {repetitions}",
        "versions": {
            "Python": platform.python_version(),
            **{name: version(name) for name in ("numpy", "scipy")},
        },
        "seed": SEED,
        "repetitions": repetitions,
        "processor_seconds": round(sum(found["seconds"] for found in ordered)),
        "scenarios": ordered,
    }


def write(results: dict[str, Any]) -> None:
    """Write the results and the page of them."""
    RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    PAGE.write_text(coverage_page.page(results), encoding="utf-8")


def main() -> None:
    """Read the options, run, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repetitions", type=int, default=10_000)
    parser.add_argument("--only", nargs="*", default=[], choices=list(SCENARIOS), metavar="KEY")
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    kept = options.only or options.page
    before = json.loads(RESULTS.read_text(encoding="utf-8")) if kept else {}
    for found in before.get("scenarios", []):  # words may change without a new run
        found["data"], found["family"] = SCENARIOS[found["key"]].data, SCENARIOS[found["key"]].family
    write(before if options.page else study(options.repetitions, options.only or list(SCENARIOS), before))


if __name__ == "__main__":
    main()
