"""Write and read `truth.toml`: the truth of every scenario, with the command that makes it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

from synthetic_cohort.keys import ZERO
from synthetic_cohort.named import scenario_names
from synthetic_cohort.truth import OutcomeTruth, PairTruth, ScenarioTruth, compute_truth

FORMAT = "synthetic cohort truth 1"
HEADER = """\
# The truth of the synthetic cohorts. Everything here is invented; no patient stands behind any number.
#
# Made by `python -m synthetic_cohort truth --n {n} --seed {seed}` from the numbers planted in
# synthetic_cohort/scenarios.py and demo.py, by potential outcomes with common random numbers. Every
# estimand is defined, with its population, in synthetic_cohort/truth.py. Differences are first minus
# second; grip_share in percent of the other hand, prwe in points (higher is worse), rotation_arc in
# degrees, complication in percentage points. `monte_carlo_error` is the largest standard error of the
# values beside it; 0.0 is a planted 0 (below 0.005). An estimand that is not there has no population
# with support.
#
# `states` are the right answers by the reading rules of synthetic_cohort/keys.py, worked out from the
# true effects. `crude_overall` is what unadjusted contrasts of the whole world would say. Margins are
# declared by the authors of the scenarios; rotation_arc has none and therefore no answer.
"""


def all_truth(*, n: int = 400_000, seed: int = 2026) -> tuple[ScenarioTruth, ...]:
    """Compute the truth of every scenario."""
    return tuple(compute_truth(name, n=n, seed=seed) for name in scenario_names())


def as_toml(truths: tuple[ScenarioTruth, ...]) -> str:
    """Write truths as TOML.

    Parameters
    ----------
    truths : tuple of ScenarioTruth

    Returns
    -------
    str
    """
    first = truths[0]
    lines = [HEADER.format(n=first.n, seed=first.seed), f'format = "{FORMAT}"']
    lines += ['title = "Invented: truth of the synthetic cohorts"', f"n = {first.n}", f"seed = {first.seed}"]
    for truth in truths:
        lines += _scenario_lines(truth)
    return "\n".join(lines) + "\n"


def _scenario_lines(truth: ScenarioTruth) -> list[str]:
    """Write one scenario."""
    head = f"scenarios.{truth.scenario}"
    judged = ", ".join(_quoted(name) for name in truth.judged)
    lines = ["", "", f"[{head}]", f"about = {_quoted(truth.about)}", f"judged = [{judged}]"]
    lines += _table(f"{head}.strategy_share", truth.strategy_share)
    lines += _table(f"{head}.met_share", truth.met_share)
    for outcome in truth.outcomes.values():
        lines += _outcome_lines(f"{head}.{outcome.outcome}", outcome)
    return lines


def _outcome_lines(head: str, outcome: OutcomeTruth) -> list[str]:
    """Write one outcome of one scenario."""
    lines = ["", f"[{head}]", f"unit = {_quoted(outcome.unit)}"]
    if outcome.margin is not None:
        lines.append(f"margin = {outcome.margin:g}")
    lines += [f"{name} = {_number(value)}" for name, value in outcome.values.items()]
    lines += [f"E1_by_strategy = {_inline(outcome.by_strategy)}"]
    if outcome.shares:
        lines.append(f"shares = {_inline(outcome.shares)}")
    lines += ["pairs = [", *(f"  {_pair(pair)}," for pair in outcome.pairs), "]"]
    if outcome.states:
        lines += [f"[{head}.states]", *(f"{name} = {_quoted(text)}" for name, text in outcome.states.items())]
    return lines


def _pair(pair: PairTruth) -> str:
    """Write one pair of strategies as an inline table; what has no support is left out."""
    numbers = {"population_share": pair.population_share, **pair.values}
    known = [f"{name} = {_number(value)}" for name, value in numbers.items() if value is not None]
    return (
        "{ "
        + ", ".join([f"first = {_quoted(pair.first)}", f"second = {_quoted(pair.second)}", *known])
        + " }"
    )


def _quoted(text: str) -> str:
    """Write a TOML string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _number(value: float) -> str:
    """Write a number so that a planted 0 reads as 0 and a planted 15 as 15, with three decimals otherwise."""
    if abs(value) < ZERO:
        return "0.0"
    return f"{value + 0.0:.3f}".replace("-0.000", "0.000")


def _inline(values: Mapping[str, float]) -> str:
    """Write a TOML inline table."""
    return "{ " + ", ".join(f"{_quoted(name)} = {_number(value)}" for name, value in values.items()) + " }"


def _table(head: str, values: Mapping[str, float]) -> list[str]:
    """Write a TOML table of numbers."""
    return [f"[{head}]", *(f"{_quoted(name)} = {value:.4f}" for name, value in values.items())]


def write_truth(path: str | Path, *, n: int = 400_000, seed: int = 2026) -> Path:
    """Compute the truth of every scenario and write it to `path`."""
    target = Path(path)
    target.write_text(as_toml(all_truth(n=n, seed=seed)), encoding="utf-8", newline="\n")
    return target


def read_truth() -> dict[str, Any]:
    """Return the shipped `truth.toml`.

    Returns
    -------
    dict
        ``scenarios`` -> name -> outcome -> values, ``states``, ``pairs``.

    Examples
    --------
    >>> read_truth()["scenarios"]["both"]["grip_share"]["states"]["overall"]
    'both'
    """
    return tomllib.loads((files("synthetic_cohort") / "truth.toml").read_text(encoding="utf-8"))
