"""One study and ten thousand, beside statsmodels and a bare NumPy pass over the same data.

Run with ``pytest tests/benchmarks --benchmark-only``: the table comes at the end.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from pytest_benchmark.fixture import BenchmarkFixture
from timing import median_seconds

import grr
from grr.formulas.analysis_of_variance import components_by_rule, crossed_anova
from published import manual_readings


def by_statsmodels(readings: pd.DataFrame) -> pd.DataFrame:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    return anova_lm(ols("reading ~ C(part) * C(operator)", readings).fit())


def test_one_study_beside_statsmodels(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
    readings = manual_readings()
    study = grr.Study(readings, tolerance=grr.Tolerance(-4, 4))
    benchmark(grr.anova, study)
    cube = study.cube().values
    theirs = median_seconds(lambda: by_statsmodels(readings), 15)
    ours = median_seconds(lambda: grr.anova(study), 15)
    core = median_seconds(lambda: components_by_rule(crossed_anova(cube)), 200)
    side_by_side.faster("one study, grr.anova", ours, "statsmodels", theirs)
    side_by_side.faster("one study, array core", core, "statsmodels", theirs)


def sum_of_squares_kernel(stack: np.ndarray) -> tuple[np.ndarray, ...]:
    """The least that any analysis of variance must compute, by hand."""
    cells = stack.mean(axis=-1)
    parts, operators = cells.mean(axis=-1), cells.mean(axis=-2)
    grand = parts.mean(axis=-1)
    both = cells - parts[:, :, None] - operators[:, None] + grand[:, None, None]
    return (
        9 * ((parts - grand[:, None]) ** 2).sum(axis=-1),
        30 * ((operators - grand[:, None]) ** 2).sum(axis=-1),
        3 * (both**2).sum(axis=(1, 2)),
        ((stack - cells[..., None]) ** 2).sum(axis=(1, 2, 3)),
    )


def test_ten_thousand_studies_beside_a_numpy_pass(
    benchmark: BenchmarkFixture, side_by_side: Any
) -> None:
    stack = np.random.default_rng(1).normal(10, 0.001, size=(10_000, 10, 3, 3))
    benchmark(lambda: components_by_rule(crossed_anova(stack)))
    ours = median_seconds(lambda: components_by_rule(crossed_anova(stack)))
    bare = median_seconds(lambda: sum_of_squares_kernel(stack))
    side_by_side.cost("10,000 studies, array core", ours, "bare NumPy kernel", bare, "at most 3 ×")


def test_import_beside_pandas(benchmark: BenchmarkFixture, side_by_side: Any) -> None:
    import subprocess
    import sys

    def fresh(module: str) -> float:
        return median_seconds(
            lambda: subprocess.run([sys.executable, "-c", f"import {module}"], check=True), 7
        )

    benchmark.pedantic(lambda: fresh("grr"), rounds=1)
    ours, theirs = fresh("grr"), fresh("pandas")
    side_by_side.faster("import grr, fresh Python", ours, "import pandas", theirs)
