"""How far the operators are apart on each part, against repeatability alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.analysis.result import GaugeResult
from grr.numerics.arrays import Array, Mask
from grr.numerics.deviations import cell_means, from_part_mean, repeatability_bands


@dataclass(frozen=True)
class Agreement:
    """Deviations from the part's mean, and the bands that repeatability alone would fill.

    Attributes
    ----------
    readings : ndarray, shape (parts, operators, trials)
        Readings minus their part's mean, in the unit of the study.
    offsets : ndarray, shape (parts, operators)
        Their means.
    reading_band, mean_band : float
        Half widths of the bands of a reading and of a mean.
    outside : ndarray of bool, shape (parts, operators)
        Where a mean lies outside its band.
    """

    readings: Array
    offsets: Array
    reading_band: float
    mean_band: float
    outside: Mask


def agreement(result: GaugeResult) -> Agreement:
    """Return every reading and every operator's mean as distances from the part's mean."""
    study = result.study
    readings = from_part_mean(study.cube().values)
    reading_band, mean_band = repeatability_bands(
        result.value("EV", "sd"), len(study.operator_names), study.trials
    )
    offsets = cell_means(readings)
    noise = 1e-9 * float(np.nanmax(np.abs(readings)))
    outside = np.abs(np.nan_to_num(offsets)) > mean_band + noise
    return Agreement(readings, offsets, reading_band, mean_band, outside)
