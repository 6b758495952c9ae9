"""From a result to the draws behind its intervals."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from grr.formulas.analysis_of_variance import crossed_anova, nested_anova
from grr.formulas.arrays import Array
from grr.formulas.pivots import DRAWS, SEED, Pivots, crossed_pivots, floored_pivots, nested_pivots
from grr.formulas.reml import nested_cube
from grr.formulas.sources_of_variation import Yardstick
from grr.formulas.unweighted_means import unweighted_means, unweighted_nested
from grr.model.study import Study
from grr.questions.incomplete import measured
from grr.questions.result import GaugeResult


def yardstick_of(result: GaugeResult) -> Yardstick:
    """Return what the study's variation is compared with."""
    study = result.study
    tolerance = study.tolerance
    return Yardstick(
        spread=result.spread,
        lower=None if tolerance is None else tolerance.lower,
        upper=None if tolerance is None else tolerance.upper,
        process_mean=study.process_mean,
        process_sd=study.process_sd,
    )


def pivots_of(result: GaugeResult, *, draws: int = DRAWS, seed: int = SEED) -> Pivots:
    """Return draws of the study's variances, interaction kept whatever the estimate did.

    The same for both methods of calculation, since the readings are the same. A
    repeatability hidden by rounding is not below the gauge's rounding error here either.

    Raises
    ------
    StudyError
        The readings cannot carry an interval, and why.
    """
    pivots = _study_pivots(result.study, draws, seed, _operators(result))
    step = result.study.resolution
    if not result.floored or step is None:
        return pivots
    return floored_pivots(pivots, step)


def _operators(result: GaugeResult) -> str:
    """Return how the operators count: by ranges always as a sample, as the estimate takes them."""
    return "random" if result.method == "average_range" else result.study.operators


@lru_cache(maxsize=4)
def _study_pivots(study: Study, draws: int, seed: int, operators: str) -> Pivots:
    options: dict[str, Any] = {"draws": draws, "seed": seed, "operators": operators}
    if study.design == "nested":
        readings = nested_readings(study)
        if np.isfinite(readings).all():
            return nested_pivots(nested_anova(readings), **options)
        return nested_pivots(unweighted_nested(readings), **options)
    cube = study.cube()
    if cube.complete:
        return crossed_pivots(crossed_anova(cube.packed), **options)
    return crossed_pivots(unweighted_means(measured(cube.packed)), **options)


def nested_readings(study: Study) -> Array:
    """Return the readings of a nested study, operators × parts × trials, NaN where missing."""
    table = study.readings.dropna(subset="reading")
    return nested_cube(
        table["reading"].to_numpy(dtype=np.float64),
        table["part"].to_numpy(str),
        table["operator"].to_numpy(str),
    )
