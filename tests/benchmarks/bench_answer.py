"""Time of the whole answer for one outcome at 1,000 cases, beside the same four models through formulas.

Run with ``python tests/benchmarks/bench_answer.py``. The comparison fits what a user would otherwise write: one
clustered formula model with the interaction and one without reduction in statsmodels, and the contrasts by hand; it
has no simultaneous intervals, no small-sample correction, no gates and no states.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import statistics
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "truth"))

import statsmodels.formula.api as smf
from cohorts import OUTCOME, dictionary, plan

import outcomes
import synthetic_cohort


def median_ms(action: Callable[[], object], repeats: int = 15) -> float:
    """Return the median time of an action in milliseconds, after one warm-up."""
    action()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return 1000 * statistics.median(times)


def main() -> None:
    """Print both times and their ratio."""
    declared = dictionary()
    frame = synthetic_cohort.generate(1000, "both", seed=1)[list(declared["columns"])]
    cohort = outcomes.read_cohort(frame, declared)
    study = plan(10.0)
    sample = outcomes.assemble(cohort, study)
    table = sample.eligible.assign(y=sample.outcomes[OUTCOME].values)
    table = table[table["y"].notna() & (table["reduction"] != "indeterminate")]
    right = " + ".join(study.covariates)

    def by_formulas() -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fits = []
            for terms in ("C(strategy) * C(reduction)", "C(strategy)"):
                kept = table.dropna(subset=list(study.covariates))
                fits.append(
                    smf.ols(f"y ~ {terms} + {right}", data=kept).fit(
                        cov_type="cluster", cov_kwds={"groups": kept["cluster"]}
                    )
                )
            return [fit.conf_int() for fit in fits]

    ours = median_ms(lambda: outcomes.answer_question(sample, OUTCOME))
    theirs = median_ms(by_formulas)
    print(f"answer, 1,000 cases: {ours:.1f} ms; two formula fits: {theirs:.1f} ms; ratio {theirs / ours:.2f}")


if __name__ == "__main__":
    main()
