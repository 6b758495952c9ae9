"""Risks beside SciPy's integrators, and the planning of one design by simulation.

Run with ``pytest tests/benchmarks --benchmark-only -s``: each test prints its numbers.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from direct_integration import by_adaptive_quadrature
from pytest_benchmark.fixture import BenchmarkFixture
from scipy import stats

import grr
from grr.numerics.precision import Design, simulated_precision
from grr.numerics.risk import Zone, consumers_risk

TOLERANCE = Zone(-3.0, 3.0)


def median_seconds(work: Callable[[], object], repeats: int = 9) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return float(np.median(times))


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


def test_one_risk_beside_scipy(benchmark: BenchmarkFixture) -> None:
    benchmark(ours, 0.2)
    exact, seconds = by_quadpack(0.2), median_seconds(lambda: ours(0.2))
    quadpack = median_seconds(lambda: by_quadpack(0.2))
    bivariate = median_seconds(lambda: by_bivariate_normal(0.2))
    print(
        f"\none consumer's risk: {seconds * 1e3:.2f} ms; QUADPACK {quadpack * 1e3:.1f} ms "
        f"({quadpack / seconds:.1f} times, differs by {abs(float(ours(0.2)) / exact - 1):.0e}); "
        f"multivariate_normal {bivariate * 1e3:.2f} ms (differs by "
        f"{abs(by_bivariate_normal(0.2) / exact - 1):.0e})"
    )


def test_ten_thousand_risks_beside_a_loop(benchmark: BenchmarkFixture) -> None:
    error_sds = np.linspace(0.05, 0.6, 10_000)
    benchmark.pedantic(ours, (error_sds,), rounds=3)
    seconds = median_seconds(lambda: ours(error_sds), 3)
    loop = median_seconds(lambda: [by_quadpack(k) for k in error_sds[::1000]], 3) * 1000
    print(
        f"\n10,000 risks: {seconds:.2f} s, a loop over QUADPACK {loop:.0f} s (extrapolated from "
        f"10): {loop / seconds:.0f} times"
    )


def test_one_design_from_two_thousand_studies(benchmark: BenchmarkFixture) -> None:
    for kind in ("random", "fixed"):
        design = Design(10, 3, 3, kind)
        seconds = median_seconds(lambda design=design: simulated_precision(design), 3)
        print(f"\n10 x 3 x 3, operators {kind}: 2,000 studies in {seconds:.2f} s (goal: 5 s)")
    benchmark.pedantic(simulated_precision, (Design(10, 3, 3),), rounds=3)


def test_designs_within_120_readings(benchmark: BenchmarkFixture) -> None:
    found = benchmark.pedantic(grr.compare_designs, (120,), {"progress": False}, rounds=1)
    print(f"\n{len(found.table)} designs compared")
