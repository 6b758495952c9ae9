"""Intervals of one study from 100,000 draws, beside the same draws by scipy.stats.

The aim is 100 ms for every quantity of one study. Times in the table are of the processor, since
the machine may be shared.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from scipy import stats
from timing import least_cpu_seconds

import grr
from grr.formulas.analysis_of_variance import CrossedAnova, crossed_anova
from grr.formulas.confidence_limits import quantity_limits
from grr.formulas.pivots import DRAWS, crossed_pivots
from grr.formulas.sources_of_variation import Specification
from published import manual_readings


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
    benchmark: BenchmarkFixture,
    side_by_side: Any,
    operators: str,
    lower: float | None,
    upper: float,
) -> None:
    study = grr.Study(manual_readings(), tolerance=grr.Tolerance(lower, upper))
    anova = crossed_anova(study.cube().packed)
    specification = Specification(lower=lower, upper=upper)

    def ours() -> object:
        return quantity_limits(crossed_pivots(anova, operators=operators), specification)

    benchmark(ours)
    mine = least_cpu_seconds(ours)
    what = f"limits of one study, {operators}, {lower} to {upper}"
    if operators == "random" and lower is not None:
        theirs = least_cpu_seconds(lambda: by_scipy(anova))
        side_by_side.faster(what, mine, "scipy.stats, np.quantile", theirs, "100 ms")
    else:
        side_by_side.alone(what, f"{1e3 * mine:.0f} ms", "100 ms")


def test_the_whole_frame_from_a_study(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
    readings = manual_readings()

    def once() -> object:
        study = grr.Study(readings, tolerance=grr.Tolerance(-4, 4))
        return grr.anova(study).intervals()

    benchmark(once)
    side_by_side.alone("readings to labelled limits", f"{1e3 * least_cpu_seconds(once):.0f} ms")
