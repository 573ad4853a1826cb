"""Random small data sets with competing events, made again from their number; nothing here is a patient's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

N_SETS = 600
TIMES = (4.0, 8.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DataSet:
    """One data set; `event` is 0 (censored), 1 or 2."""

    time: NDArray[np.float64]
    event: NDArray[np.int64]
    group: NDArray[np.int64]
    third: NDArray[np.int64]  # three groups
    stratum: NDArray[np.int64]
    cluster: NDArray[np.int64]
    x: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recurrent:
    """Cases with events that happen again."""

    end: NDArray[np.float64]
    died: NDArray[np.int64]
    when: NDArray[np.float64]
    whose: NDArray[np.int64]


def data_set(number: int) -> DataSet:
    """Return a data set: even numbers with tied times, odd ones without."""
    rng = np.random.default_rng(90_000 + number)
    n = int(rng.integers(2, 41))
    tied = number % 2 == 0
    time = rng.integers(1, 13, n).astype(np.float64) if tied else (rng.permutation(200)[:n] + 1) * 0.06
    draw = rng.integers(0, 10, n)
    shares = ((3, 7), (1, 9), (5, 6), (0, 6), (2, 3), (4, 10))[
        number % 6
    ]  # of ten: below is censored, below is 1
    event = np.where(draw < shares[0], 0, np.where(draw < shares[1], 1, 2))
    return DataSet(
        time=time, event=event, group=rng.integers(0, 2, n), third=rng.integers(0, 3, n),
        stratum=rng.integers(0, 2, n), cluster=rng.integers(0, max(2, n // 2), n),
        x=np.column_stack([rng.integers(0, 2, n), rng.integers(-3, 4, n)]).astype(np.float64),
    )  # fmt: skip


def recurrent(number: int) -> Recurrent:
    """Return cases with up to four events each, on whole days for even numbers."""
    rng = np.random.default_rng(190_000 + number)
    n = int(rng.integers(2, 21))
    grain = 60 if number % 2 else 12
    end = rng.integers(1, grain + 1, n)
    number_of = rng.integers(0, 5, n)
    whose = np.repeat(np.arange(n), number_of)
    when = np.ceil(rng.integers(1, 1001, len(whose)) / 1000 * end[whose])
    # one event of a case a day
    pairs = np.unique(np.column_stack([whose, when]).astype(np.int64), axis=0).reshape(-1, 2)
    return Recurrent(
        end=end * 12.0 / grain, died=rng.integers(0, 2, n), when=pairs[:, 1] * 12.0 / grain, whose=pairs[:, 0]
    )
