"""Command line: make a cohort, the truth file or the bundled data.

::

    python -m synthetic_cohort --n 600 --scenario demo --seed 1 --out cohort.csv
    python -m synthetic_cohort truth
    python -m synthetic_cohort bundle
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from synthetic_cohort.named import scenario_names
from synthetic_cohort.table import generate

HERE = Path(__file__).parent


def parser() -> argparse.ArgumentParser:
    """Return the argument parser."""
    made = argparse.ArgumentParser(
        prog="python -m synthetic_cohort",
        description="Synthetic cohorts of distal radius fractures with known truth. Everything is invented.",
    )
    made.add_argument(
        "what",
        nargs="?",
        default="cohort",
        choices=("cohort", "truth", "bundle"),
        help="a cohort (default), the truth file, or the data bundled with the package",
    )
    made.add_argument("--n", type=int, help="cases: 600 for a cohort, 400000 for the truth")
    made.add_argument("--scenario", default="demo", choices=scenario_names(), help="default demo")
    made.add_argument("--seed", type=int, help="1 for a cohort, 2026 for the truth")
    made.add_argument("--out", type=Path, help="file to write; a folder for the bundle")
    return made


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit code."""
    given = parser().parse_args(arguments)
    if given.what == "truth":
        from synthetic_cohort.truth_file import write_truth

        out = given.out or HERE / "truth.toml"
        written = [write_truth(out, n=given.n or 400_000, seed=given.seed or 2026)]
    elif given.what == "bundle":
        from synthetic_cohort.bundle import write_bundle

        written = list(write_bundle(given.out or HERE / "data"))
    else:
        cohort = generate(given.n or 600, given.scenario, seed=1 if given.seed is None else given.seed)
        out = given.out or Path(f"{given.scenario}.csv")
        cohort.to_csv(out, index=False, date_format="%Y-%m-%d", lineterminator="\n")
        written = [out]
    for path in written:
        print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
