"""Thousands of studies, beside a pandas sum over the same table and a loop over statsmodels.

Run with ``pytest tests/benchmarks/test_many.py --benchmark-only -s``: each test prints its ratio.
The array core alone is timed in `test_crossed.py`.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

import grr
from grr.numerics.crossed import crossed_anova
from grr.numerics.interaction import components_by_rule

SHAPE = (10, 3, 3)
TOLERANCE = grr.Tolerance(9.99, 10.01)


def median_seconds(work: Callable[[], object], repeats: int) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def cubes(studies: int) -> np.ndarray:
    p, o, r = SHAPE
    rng = np.random.default_rng(1)
    return (
        10
        + 0.003 * rng.normal(size=(studies, p, 1, 1))
        + 0.0004 * rng.normal(size=(studies, 1, o, 1))
        + 0.0005 * rng.normal(size=(studies, p, o, r))
    )


def long_table(stack: np.ndarray) -> pd.DataFrame:
    """Return a table as it comes from a file: labels as text, trials as numbers."""
    study, part, operator, trial = np.indices(stack.shape, dtype=np.int32).reshape(4, -1)
    names = pd.Series([f"G{number:06d}" for number in range(len(stack))], dtype="str")
    return pd.DataFrame(
        {
            "study": names.take(study).reset_index(drop=True),
            "part": pd.Series(list("0123456789"), dtype="str").take(part).reset_index(drop=True),
            "operator": pd.Series(list("ABC"), dtype="str").take(operator).reset_index(drop=True),
            "trial": trial + 1,
            "reading": stack.ravel(),
        }
    )


def sum_by_study(table: pd.DataFrame) -> object:
    return table.groupby("study")["reading"].sum()


def test_a_long_table_beside_a_pandas_sum(benchmark: BenchmarkFixture) -> None:
    table = long_table(cubes(10_000))
    assert len(table) == 900_000

    def analyse() -> object:
        return grr.analyse_many(table, tolerances=TOLERANCE)

    benchmark.pedantic(analyse, rounds=1)
    ours = median_seconds(analyse, 7)
    theirs = median_seconds(lambda: sum_by_study(table), 7)
    numbered = table.assign(study=np.repeat(np.arange(10_000), 90))
    by_number = median_seconds(lambda: grr.analyse_many(numbered, tolerances=TOLERANCE), 5)
    sum_by_number = median_seconds(lambda: sum_by_study(numbered), 7)
    storage = getattr(table["study"].dtype, "storage", "Python objects")
    print(
        f"\n900,000 rows (texts kept by {storage}): analyse_many {ours * 1e3:.0f} ms, "
        f"groupby sum {theirs * 1e3:.0f} ms: {ours / theirs:.1f} times (goal 8); studies named by "
        f"whole numbers: {by_number * 1e3:.0f} ms, {sum_by_number * 1e3:.0f} ms: "
        f"{by_number / sum_by_number:.1f} times"
    )


def test_a_long_table_beside_a_loop_over_statsmodels(benchmark: BenchmarkFixture) -> None:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    table = long_table(cubes(10_000))
    few = [group for _, group in table[: 100 * 90].groupby("study")]

    def loop() -> object:
        return [anova_lm(ols("reading ~ C(part) * C(operator)", one).fit()) for one in few]

    benchmark.pedantic(lambda: grr.analyse_many(table), rounds=1)
    ours = median_seconds(lambda: grr.analyse_many(table), 3)
    theirs = 100 * median_seconds(loop, 1)
    print(
        f"\n10,000 studies from a table: {ours:.2f} s, a loop over statsmodels {theirs:.0f} s "
        f"(100 studies times 100): {theirs / ours:.0f} times"
    )


def test_cost_is_linear_up_to_a_hundred_thousand(benchmark: BenchmarkFixture) -> None:
    sizes = (1_000, 10_000, 100_000)
    rng = np.random.default_rng(2)
    seconds = []
    for studies in sizes:
        table = long_table(10 + 0.001 * rng.normal(size=(studies, 5, 2, 2)))
        seconds.append(median_seconds(lambda t=table: grr.analyse_many(t), 3))
    benchmark.pedantic(lambda: None, rounds=1)
    slope = np.polyfit(np.log(sizes), np.log(seconds), 1)[0]
    last = np.log(seconds[-1] / seconds[-2]) / np.log(sizes[-1] / sizes[-2])
    print(
        f"\n{sizes} studies of 5 x 2 x 2: {', '.join(f'{s:.3f} s' for s in seconds)}; slope on "
        f"logarithmic axes {slope:.2f}, over the last decade {last:.2f} (linear: 1)"
    )


@pytest.mark.parametrize("what", ["arrays", "table"])
def test_memory(benchmark: BenchmarkFixture, what: str) -> None:
    stack = cubes(10_000)
    table = long_table(stack)
    size = stack.nbytes if what == "arrays" else int(table.memory_usage(deep=True).sum())
    tracemalloc.start()
    if what == "arrays":
        components_by_rule(crossed_anova(stack))
    else:
        grr.analyse_many(table)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    benchmark.pedantic(lambda: None, rounds=1)
    print(
        f"\n{what}: peak of {peak / 1e6:.0f} MB beside {size / 1e6:.0f} MB of input: "
        f"{peak / size:.1f} times (goal 4)"
    )


def test_limits_and_decisions(benchmark: BenchmarkFixture) -> None:
    table = long_table(cubes(200))
    benchmark.pedantic(lambda: grr.analyse_many(table[:900], intervals=True), rounds=1)
    ours = median_seconds(lambda: grr.analyse_many(table, tolerances=TOLERANCE, intervals=True), 1)
    one = grr.Study(table[:90].drop(columns="study"), tolerance=TOLERANCE)
    alone = median_seconds(lambda: grr.anova(one).intervals(draws=10_000), 5)
    print(
        f"\nlimits and decisions: {ours / 200 * 1e3:.1f} ms a study in a table of 200, "
        f"{alone * 1e3:.1f} ms alone for the limits only (10,000 draws each)"
    )
