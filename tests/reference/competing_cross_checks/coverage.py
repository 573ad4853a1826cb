"""How often 95 % intervals hold the truth: `python coverage.py 4000`; the table stands in docs/validation."""

from __future__ import annotations

import sys

import numpy as np

from outcomes.estimates import Estimate
from outcomes.stats.survival.cumulative_incidence import cumulative_incidence, incidence_difference
from outcomes.stats.survival.recurrent_events import mean_cumulative_count
from outcomes.stats.survival.subdistribution import fit_subdistribution

AT, OWN, OTHER = 5.0, 0.1, 0.05


def incidence(own: float) -> float:
    """Return the true cumulative incidence at AT."""
    return own / (own + OTHER) * (1 - np.exp(-(own + OTHER) * AT))


def draw(rng: np.random.Generator, n: int, own: float, shared: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Return times in whole months, tied, and events; pairs of rows agree entirely with chance `shared`."""
    time = np.ceil(rng.exponential(1 / (own + OTHER), n) * 2) / 2
    event = np.where(rng.random(n) < own / (own + OTHER), 1, 2)
    if shared:
        agree = np.flatnonzero(rng.random(n // 2) < shared)
        time[2 * agree + 1], event[2 * agree + 1] = time[2 * agree], event[2 * agree]
    end = rng.integers(4, 30, n) / 2
    if shared:
        end[1::2] = end[::2]
    return np.minimum(time, end), np.where(time <= end, event, 0)


def holds(estimate: Estimate, truth: float) -> tuple[bool, bool]:
    """Return whether there are limits, and whether they hold the truth."""
    if estimate.conf_low is None or estimate.conf_high is None:
        return False, False
    return True, estimate.conf_low <= truth <= estimate.conf_high


def counts(rng: np.random.Generator, n: int, rate: float) -> Estimate:
    """Return a mean count at AT of cases with frailty, death at rate 0.05 and follow-up of 3 to 10."""
    end, death = rng.uniform(3, 10, n), rng.exponential(20, n)
    died = (death <= end).astype(int)
    stop = np.minimum(end, death)
    number = rng.poisson(rate * rng.gamma(2, 0.5, n) * stop)
    case = np.repeat(np.arange(n), number)
    return (
        mean_cumulative_count(stop, rng.uniform(0, 1, len(case)) * stop[case], case, at=[AT], died=died)
        .rows[0]
        .estimate
    )


def scenarios(n_repeats: int) -> None:
    """Print one line a scenario."""
    made = {}
    for n in (30, 60, 200):
        for error in ("infinitesimal jackknife", "counting process"):
            made[f"cumulative incidence, {n} cases, {error}"] = (
                lambda rng, n=n, error=error: (
                    cumulative_incidence(*draw(rng, n, OWN), at=[AT], causes=[1, 2], error=error)
                    .rows[1]
                    .estimate
                ),
                incidence(OWN),
            )
    for clustered in (True, False):
        made[f"60 patients with two wrists, errors {'by patient' if clustered else 'that ignore patients'}"] = (
            lambda rng, clustered=clustered: cumulative_incidence(
                *draw(rng, 120, OWN, 0.6), at=[AT], causes=[1, 2],
                clusters=np.repeat(range(60), 2) if clustered else None,
            ).rows[1].estimate,
            incidence(OWN),
        )  # fmt: skip
    for n in (40, 100):

        def gap(rng: np.random.Generator, n: int = n) -> Estimate:
            (t1, e1), (t0, e0) = draw(rng, n, 0.15), draw(rng, n, OWN)
            groups = np.repeat(["b", "a"], n)
            found = incidence_difference(
                np.append(t1, t0), np.append(e1, e0), groups, at=[AT], cause=1, causes=[1, 2]
            )
            return found.rows[0].estimate

        made[f"difference of incidence, {n} a group"] = (gap, incidence(0.15) - incidence(OWN))
        made[f"mean cumulative count, {n} cases"] = (
            lambda rng, n=n: counts(rng, n, 0.3),
            0.3 * (1 - np.exp(-0.05 * AT)) / 0.05,
        )

    def null(rng: np.random.Generator) -> Estimate:
        time, event = draw(rng, 100, OWN)
        return fit_subdistribution(
            time, event, rng.integers(0, 2, 100)[:, None], names=["x"], cause=1
        ).ratios[0]

    made["ratio of subdistribution hazards, no effect, 100 cases"] = (null, 1.0)
    for number, (name, (estimate, truth)) in enumerate(made.items()):
        rng = np.random.default_rng(700 + number)
        found = np.array([holds(estimate(rng), truth) for _ in range(n_repeats)])
        share, none = found[found[:, 0], 1].mean(), 1 - found[:, 0].mean()
        error = 100 * np.sqrt(share * (1 - share) / found[:, 0].sum())
        print(f"| {name} | {100 * share:.1f} % | {error:.1f} | {100 * none:.1f} % |", flush=True)


if __name__ == "__main__":
    scenarios(int(sys.argv[1]))
