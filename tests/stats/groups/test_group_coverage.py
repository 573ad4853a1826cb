"""How often 95 % intervals of two groups hold the truth: 24 scenarios of 10,000 data sets.

Run by `make simulate`; the shares of the last run stand in docs/validation/further_group_tests.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.stats.groups.means import mean_difference

REPETITIONS = 10_000
SHIFT = 1.0
SIZES = ((5, 5), (8, 20), (20, 8), (30, 30))
SHAPES = ("normal", "skewed", "scores")
#: (shape, sizes, spread of the second group): percent covered by Welch, pooled.
LAST_RUN: dict[tuple[str, tuple[int, int], int], tuple[float, float]] = {
    ("normal", (5, 5), 1): (95.6, 95.1),
    ("normal", (5, 5), 3): (94.5, 93.1),
    ("normal", (8, 20), 1): (94.9, 94.9),
    ("normal", (8, 20), 3): (95.2, 99.2),
    ("normal", (20, 8), 1): (94.9, 95.3),
    ("normal", (20, 8), 3): (94.8, 81.3),
    ("normal", (30, 30), 1): (94.9, 94.9),
    ("normal", (30, 30), 3): (94.6, 94.2),
    ("skewed", (5, 5), 1): (97.2, 95.9),
    ("skewed", (5, 5), 3): (90.3, 89.3),
    ("skewed", (8, 20), 1): (94.1, 95.2),
    ("skewed", (8, 20), 3): (94.6, 97.6),
    ("skewed", (20, 8), 1): (94.4, 95.4),
    ("skewed", (20, 8), 3): (89.5, 78.6),
    ("skewed", (30, 30), 1): (95.1, 95.0),
    ("skewed", (30, 30), 3): (93.5, 93.2),
    ("scores", (5, 5), 1): (96.0, 95.5),
    ("scores", (5, 5), 3): (94.5, 93.1),
    ("scores", (8, 20), 1): (94.6, 94.5),
    ("scores", (8, 20), 3): (95.0, 99.2),
    ("scores", (20, 8), 1): (94.7, 94.9),
    ("scores", (20, 8), 3): (94.7, 81.5),
    ("scores", (30, 30), 1): (94.8, 94.8),
    ("scores", (30, 30), 3): (95.2, 94.8),
}
SCENARIOS = [(shape, sizes, spread) for shape in SHAPES for sizes in SIZES for spread in (1, 3)]


def draw(rng: np.random.Generator, shape: str, n: int, spread: int, shift: float) -> np.ndarray:
    """Return values about `shift`: normal, exponential, or whole numbers."""
    if shape == "normal":
        return shift + spread * rng.normal(size=n)
    if shape == "skewed":
        return shift + spread * (rng.exponential(size=n) - 1)
    return np.rint(shift + 2 * spread * rng.normal(size=n))


def coverage(shape: str, sizes: tuple[int, int], spread: int) -> tuple[float, float]:
    """Return the share covered by Welch's and by the pooled interval, in percent."""
    rng = np.random.default_rng([SHAPES.index(shape), *sizes, spread])
    held, made = np.zeros(2), 0
    for _ in range(REPETITIONS):
        a, b = draw(rng, shape, sizes[0], 1, SHIFT), draw(rng, shape, sizes[1], spread, 0.0)
        both = [mean_difference(a, b, pooled=pooled) for pooled in (False, True)]
        if both[0].conf_low is not None:  # five equal scores in both groups claim nothing
            made += 1
            held += [e.conf_low <= SHIFT <= e.conf_high for e in both]
    assert made > 0.998 * REPETITIONS
    welch, pooled = (round(float(100 * h / made), 1) for h in held)
    return welch, pooled


@pytest.mark.simulation
@pytest.mark.parametrize(("shape", "sizes", "spread"), SCENARIOS)
def test_coverage_is_that_of_the_validation_page(shape: str, sizes: tuple[int, int], spread: int) -> None:
    found = coverage(shape, sizes, spread)
    assert found == LAST_RUN[shape, sizes, spread]
    welch, pooled = found
    if shape != "skewed":
        assert abs(welch - 95) <= 1.0
        if spread == 1:
            assert abs(pooled - 95) <= 1.0
