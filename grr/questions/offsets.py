"""How far the operators are apart on each part, against repeatability alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.formulas.operator_comparison import cell_means, from_part_mean, repeatability_bands
from grr.questions.result import GaugeResult


@dataclass(frozen=True)
class Offsets:
    """Deviations from the part's mean, and the bands that repeatability alone would fill.

    Attributes
    ----------
    readings : ndarray, shape (parts, operators, trials)
        Readings minus their part's mean, in the unit of the study.
    means : ndarray, shape (parts, operators)
        Their means.
    single : bool
        Whether every part was measured by one operator only.
    reading_band, mean_band : float
        Half widths of the bands of a reading and of a mean.
    outside : ndarray of bool, shape (parts, operators)
        Where a mean lies outside its band.
    """

    readings: Array
    means: Array
    single: bool
    reading_band: float
    mean_band: float
    outside: Mask


def operator_offsets(result: GaugeResult) -> Offsets:
    """Return every reading and every operator's mean as distances from the part's mean."""
    study = result.study
    readings = from_part_mean(study.cube().values)
    means = cell_means(readings)
    operators = int(np.isfinite(means).sum(axis=1).max())
    single = operators == 1
    reading_band, mean_band = repeatability_bands(result.value("EV", "sd"), operators, study.trials)
    noise = 1e-9 * float(np.nanmax(np.abs(readings)))
    outside = np.abs(np.nan_to_num(means)) > mean_band + noise
    return Offsets(readings, means, single, reading_band, mean_band, outside)
