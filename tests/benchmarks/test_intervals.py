"""Intervals of one study from 100,000 draws, beside the same draws by scipy.stats.

Run with ``pytest tests/benchmarks --benchmark-only -s``: each test prints its ratio.
The aim is 100 ms for every quantity of one study. Printed times are of the processor, since
the machine may be shared.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from scipy import stats

import grr
from grr.numerics.crossed import CrossedAnova, crossed_anova
from grr.numerics.intervals import quantity_limits
from grr.numerics.pivots import DRAWS, crossed_pivots
from grr.numerics.yardstick import Yardstick
from published import manual_readings


def least_cpu_seconds(work: Callable[[], object], repeats: int = 7) -> float:
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def by_scipy(anova: CrossedAnova) -> dict[str, np.ndarray]:
    """The same limits with scipy.stats and np.quantile, one quantity after the other."""
    rng = np.random.default_rng(1)
    sums = (anova.ss_part, anova.ss_operator, anova.ss_interaction, anova.ss_error)
    dfs = (anova.df_part, anova.df_operator, anova.df_interaction, anova.df_error)
    part, operator, interaction, error = (
        ss / stats.chi2.rvs(df, size=DRAWS, random_state=rng)
        for ss, df in zip(sums, dfs, strict=True)
    )
    p, o, r = anova.parts, anova.operators, anova.trials
    variances = {
        "EV": error,
        "AV": (operator - interaction) / (p * r),
        "INT": (interaction - error) / r,
        "GRR": (operator + (p - 1) * interaction + p * (r - 1) * error) / (p * r),
        "PV": (part - interaction) / (o * r),
    }
    total = variances["TV"] = variances["GRR"] + variances["PV"]
    found = {}
    for name, draws in variances.items():
        sd = np.sqrt(np.maximum(draws, 0.0))
        measures = {
            "variance": np.maximum(draws, 0.0),
            "sd": sd,
            "spread": 6.0 * sd,
            "percent_contribution": 100.0 * np.clip(draws / total, 0.0, 1.0),
            "percent_tv": 100.0 * np.sqrt(np.clip(draws / total, 0.0, 1.0)),
            "percent_tolerance": 100.0 * 6.0 * sd / 8.0,
        }
        for measure, values in measures.items():
            found[f"{name} {measure}"] = np.quantile(values, [0.025, 0.975])
    return found


@pytest.mark.parametrize("operators", ["random", "fixed"])
@pytest.mark.parametrize(("lower", "upper"), [(-4.0, 4.0), (None, 4.0)])
def test_every_quantity_of_one_study(
    benchmark: BenchmarkFixture, operators: str, lower: float | None, upper: float
) -> None:
    study = grr.Study(manual_readings(), tolerance=grr.Tolerance(lower, upper))
    anova = crossed_anova(study.cube().packed)
    yardstick = Yardstick(lower=lower, upper=upper)

    def ours() -> object:
        return quantity_limits(crossed_pivots(anova, operators=operators), yardstick)

    benchmark(ours)
    mine = least_cpu_seconds(ours)
    line = f"\n{operators} operators, limits {lower} to {upper}: {1e3 * mine:.0f} ms"
    if operators == "random" and lower is not None:
        theirs = least_cpu_seconds(lambda: by_scipy(anova))
        line += f"; the same by scipy.stats and np.quantile {1e3 * theirs:.0f} ms"
        line += f" ({theirs / mine:.1f} ×)"
    print(line)


def test_the_whole_frame_from_a_study(benchmark: BenchmarkFixture) -> None:
    readings = manual_readings()

    def once() -> object:
        study = grr.Study(readings, tolerance=grr.Tolerance(-4, 4))
        return grr.anova(study).intervals()

    benchmark(once)
    print(f"\nreadings to labelled intervals: {1e3 * least_cpu_seconds(once):.0f} ms")
