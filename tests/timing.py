"""How long a piece of work takes, for the benchmarks."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np


def seconds_each(
    work: Callable[[], object], repeats: int, clock: Callable[[], float] = time.perf_counter
) -> list[float]:
    """Return the time of each of several runs."""
    times = []
    for _ in range(repeats):
        start = clock()
        work()
        times.append(clock() - start)
    return times


def median_seconds(work: Callable[[], object], repeats: int = 9) -> float:
    """Return the median time of several runs."""
    return float(np.median(seconds_each(work, repeats)))


def least_cpu_seconds(work: Callable[[], object], repeats: int = 7) -> float:
    """Return the least time of the processor: the machine may be shared."""
    return min(seconds_each(work, repeats, time.process_time))
