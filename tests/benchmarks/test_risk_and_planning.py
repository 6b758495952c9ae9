"""Risks beside SciPy's integrators, and the planning of one design by simulation."""

from __future__ import annotations

from typing import Any

import numpy as np
from direct_integration import by_adaptive_quadrature
from pytest_benchmark.fixture import BenchmarkFixture
from scipy import stats
from timing import median_seconds

import grr
from grr.formulas.conformity import Zone, consumers_risk
from grr.formulas.precision import Design, tabulated_precision

TOLERANCE = Zone(-3.0, 3.0)


def ours(error_sd: float | np.ndarray) -> np.ndarray:
    return consumers_risk(TOLERANCE, TOLERANCE, process_mean=0.0, process_sd=1.0, grr_sd=error_sd)


def by_quadpack(error_sd: float) -> float:
    sides = ((-np.inf, -3.0), (3.0, np.inf))
    return sum(by_adaptive_quadrature(side, (-3.0, 3.0), error_sd) for side in sides)


def by_bivariate_normal(error_sd: float) -> float:
    """Twice P(Y > 3, −3 < X < 3), as a difference of distribution functions."""
    pair = stats.multivariate_normal([0, 0], [[1, 1], [1, 1 + error_sd**2]])
    whole = stats.norm.cdf(3.0 / np.hypot(1, error_sd)) - stats.norm.cdf(
        -3.0 / np.hypot(1, error_sd)
    )
    return 2.0 * (whole - pair.cdf([3.0, 3.0]) + pair.cdf([3.0, -3.0]))


def test_one_risk_beside_scipy(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
    benchmark(ours, 0.2)
    exact, seconds = by_quadpack(0.2), median_seconds(lambda: ours(0.2))
    quadpack = median_seconds(lambda: by_quadpack(0.2))
    bivariate = median_seconds(lambda: by_bivariate_normal(0.2))
    off = abs(float(ours(0.2)) / exact - 1)
    side_by_side.faster(f"one risk (off by {off:.0e})", seconds, "QUADPACK", quadpack)
    off = abs(by_bivariate_normal(0.2) / exact - 1)
    side_by_side.faster("one risk", seconds, f"bivariate cdf (off by {off:.0e})", bivariate)


def test_ten_thousand_risks_beside_a_loop(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
    error_sds = np.linspace(0.05, 0.6, 10_000)
    benchmark.pedantic(ours, (error_sds,), rounds=3)
    seconds = median_seconds(lambda: ours(error_sds), 3)
    loop = median_seconds(lambda: [by_quadpack(k) for k in error_sds[::1000]], 3) * 1000
    side_by_side.faster("10,000 risks", seconds, "QUADPACK (10 × 1,000)", loop)


def test_one_design_from_two_thousand_studies(
    benchmark: BenchmarkFixture, side_by_side: Any
) -> None:
    for kind in ("random", "fixed"):
        design = Design(10, 3, 3, kind)
        seconds = median_seconds(lambda design=design: tabulated_precision.__wrapped__(design), 3)
        what = f"2,000 simulated studies, operators {kind}"
        side_by_side.alone(what, f"{seconds:.2f} s", "5 s")
    benchmark.pedantic(tabulated_precision.__wrapped__, (Design(10, 3, 3),), rounds=3)


def test_designs_within_120_readings(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
    found = benchmark.pedantic(grr.compare_designs, (120,), {"progress": False}, rounds=1)
    taken = benchmark.stats.stats.median
    side_by_side.alone(f"{len(found.table)} designs compared", f"{taken:.1f} s")
