"""Thousands of studies, beside a pandas sum over the same table and a loop over statsmodels.

Run with ``pytest tests/benchmarks --benchmark-only``: the table comes at the end.
The array core alone is timed in `test_crossed.py`.
"""

from __future__ import annotations

import tracemalloc
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from timing import least_cpu_seconds, median_seconds

import grr
from grr.formulas.analysis_of_variance import components_by_rule, crossed_anova

SHAPE = (10, 3, 3)
TOLERANCE = grr.Tolerance(9.99, 10.01)


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


def test_a_long_table_beside_a_pandas_sum(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
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
    what = f"10,000 studies, 900,000 rows (texts by {storage})"
    side_by_side.cost(what, ours, "groupby sum", theirs, "at most 4 ×")
    what = "the same, studies named by whole numbers"
    side_by_side.cost(what, by_number, "groupby sum", sum_by_number, "at most 8 ×")


def test_a_long_table_beside_a_loop_over_statsmodels(
    benchmark: BenchmarkFixture, side_by_side: Any
) -> None:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    table = long_table(cubes(10_000))
    few = [group for _, group in table[: 100 * 90].groupby("study")]

    def loop() -> object:
        return [anova_lm(ols("reading ~ C(part) * C(operator)", one).fit()) for one in few]

    benchmark.pedantic(lambda: grr.analyse_many(table), rounds=1)
    ours = median_seconds(lambda: grr.analyse_many(table), 3)
    theirs = 100 * median_seconds(loop, 1)
    what = "10,000 studies from a table"
    side_by_side.faster(what, ours, "statsmodels (100 studies × 100)", theirs)


def test_cost_is_linear_up_to_a_hundred_thousand(
    benchmark: BenchmarkFixture, side_by_side: Any
) -> None:
    sizes = (1_000, 10_000, 100_000)
    rng = np.random.default_rng(2)
    seconds = []
    for studies in sizes:
        table = long_table(10 + 0.001 * rng.normal(size=(studies, 5, 2, 2)))
        seconds.append(median_seconds(lambda t=table: grr.analyse_many(t), 3))
    benchmark.pedantic(lambda: None, rounds=1)
    slope = np.polyfit(np.log(sizes), np.log(seconds), 1)[0]
    last = np.log(seconds[-1] / seconds[-2]) / np.log(sizes[-1] / sizes[-2])
    times = ", ".join(f"{taken:.3f} s" for taken in seconds)
    side_by_side.alone(f"{sizes} studies of 5 × 2 × 2", times)
    text = f"{slope:.2f}, the last decade {last:.2f}"
    side_by_side.alone("slope on logarithmic axes", text, "1 (linear)")


@pytest.mark.parametrize("what", ["arrays", "table"])
def test_memory(benchmark: BenchmarkFixture, side_by_side: Any, what: str) -> None:
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
    text = f"{peak / 1e6:.0f} MB of {size / 1e6:.0f} MB input: {peak / size:.1f} ×"
    side_by_side.alone(f"10,000 studies, peak memory, {what}", text, "at most 4 ×")


@pytest.mark.parametrize("intervals", [False, True])
def test_memory_is_linear(
    benchmark: BenchmarkFixture, side_by_side: Any, *, intervals: bool
) -> None:
    sizes = (10_000, 100_000, 1_000_000)[: 2 if intervals else 3]
    grr.analyse_many(long_table(cubes(10)), intervals=intervals)  # imports take memory once
    peaks = []
    for readings in sizes:
        table = long_table(cubes(readings // 90))
        tracemalloc.start()
        grr.analyse_many(table, intervals=intervals)
        peaks.append(tracemalloc.get_traced_memory()[1] / len(table))
        tracemalloc.stop()
    benchmark.pedantic(lambda: None, rounds=1)
    what = f"{sizes} readings, peak memory" + (" with limits" if intervals else "")
    side_by_side.alone(what, ", ".join(f"{peak:.0f}" for peak in peaks) + " bytes each", "level")


def test_limits_and_decisions(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
    table = long_table(cubes(1_000))
    benchmark.pedantic(lambda: grr.analyse_many(table[:900], intervals=True), rounds=1)
    ours = least_cpu_seconds(
        lambda: grr.analyse_many(table, tolerances=TOLERANCE, intervals=True), 3
    )
    one = grr.Study(table[:90].drop(columns="study"), tolerance=TOLERANCE)
    alone = least_cpu_seconds(lambda: grr.anova(one).intervals(draws=10_000), 5)
    what = "limits and decision, a study among 1,000"
    side_by_side.cost(what, ours / 1_000, "limits of 10,000 draws", alone, "100 µs")


def test_limits_cost_is_linear(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
    sizes = (100, 1_000, 10_000)
    tables = [long_table(cubes(studies)) for studies in sizes]
    seconds = [
        least_cpu_seconds(lambda t=t: grr.analyse_many(t, intervals=True), 1) for t in tables
    ]
    benchmark.pedantic(lambda: None, rounds=1)
    slope = np.polyfit(np.log(sizes), np.log(seconds), 1)[0]
    side_by_side.alone(f"limits of {sizes} studies, slope", f"{slope:.2f}", "1 (linear)")


@pytest.mark.parametrize(("intervals", "goal"), [(False, "6 ms"), (True, "12 ms")])
def test_readings_missing(
    benchmark: BenchmarkFixture, side_by_side: Any, *, intervals: bool, goal: str
) -> None:
    table = long_table(cubes(200))
    table = table[table.index % 90 != 37]
    benchmark.pedantic(lambda: grr.analyse_many(table[:890]), rounds=1)
    ours = least_cpu_seconds(
        lambda: grr.analyse_many(table, tolerances=TOLERANCE, intervals=intervals), 1
    )
    what = "a study with a reading missing" + (", limits and checks" if intervals else "")
    side_by_side.alone(what, f"{1e3 * ours / (len(table) / 89):.1f} ms", goal)


def test_checks(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
    table = long_table(cubes(1_000))
    benchmark.pedantic(lambda: grr.analyse_many(table[:900], checks=True), rounds=1)
    ours = least_cpu_seconds(
        lambda: grr.analyse_many(table, tolerances=TOLERANCE, intervals=True, checks=True), 1
    )
    side_by_side.alone("limits, decision, checks, cause", f"{ours:.2f} ms", "1 ms")
