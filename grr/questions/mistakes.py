"""Readings that stand in the wrong place or are no readings of their part: found once a study."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.data_checks import (
    Copy,
    Shift,
    Slip,
    Swap,
    copied_trials,
    factor_slips,
    far_readings,
    shifted_sequences,
    swapped_parts,
)
from grr.model.study import Study
from grr.questions.scatter import last_digit


class Mistakes(NamedTuple):
    """Readings that are none of their part, sequences one part out, exchanged parts, copies.

    ``perhaps_copied`` are trials of which chance makes a copy less than once in a hundred studies.
    """

    slips: tuple[Slip, ...]
    shifts: tuple[Shift, ...]
    swaps: tuple[Swap, ...]
    copies: tuple[Copy, ...]
    perhaps_copied: tuple[Copy, ...] = ()

    @property
    def misplaced(self) -> tuple[str, ...]:
        """What stands under the wrong part, in words; empty where nothing does."""
        kinds = (("a trial one part out", self.shifts), ("exchanged parts", self.swaps))
        return tuple(words for words, found in kinds if found)


def mistakes_in(study: Study) -> Mistakes:
    """Return the mistakes of a study by one method; none of a nested one."""
    return study.once("mistakes", lambda: _mistakes_in(study))


def _mistakes_in(study: Study) -> Mistakes:
    if study.design == "nested":
        return Mistakes((), (), (), ())
    values = study.cube().values
    tolerance = study.tolerance
    limits = (None, None) if tolerance is None else (tolerance.lower, tolerance.upper)
    return mistakes_of(values, _order(study, values), study.resolution, limits)


def mistakes_of(
    readings: Array,
    order: Array,
    resolution: float | None,
    limits: tuple[float | None, float | None],
) -> Mistakes:
    """Return the mistakes in readings, parts × operators × trials, with order and limits."""
    values = readings.copy()
    slips = factor_slips(values, resolution)
    for slip in slips:
        values[slip.part, slip.operator, slip.trial] = np.nan
    digit = last_digit(resolution, values[np.isfinite(values)])
    lower, upper = (np.nan if limit is None else limit for limit in limits)
    far = far_readings(values, digit, lower, upper)
    slips += [Slip(int(i), int(j), int(k), 1.0) for i, j, k in np.argwhere(far)]
    values[far] = np.nan
    shifts = shifted_sequences(values, order, resolution)
    shifted = {(shift.operator, shift.trial) for shift in shifts}
    swaps = [
        swap
        for swap in swapped_parts(values, resolution)
        if not all((swap.operator, trial) in shifted for trial in swap.trials)
    ]
    found = copied_trials(values)
    return Mistakes(
        tuple(slips),
        tuple(shifts),
        tuple(swaps),
        tuple(copy for copy in found if copy.sure),
        tuple(copy for copy in found if not copy.sure),
    )


def _order(study: Study, values: Array) -> Array:
    if "order" in study.readings and study.readings["order"].notna().any():
        return study.cube("order").values
    return part_by_part(values)


def part_by_part(readings: Array) -> Array:
    """Return the order in which readings are taken to have been made where it is not known."""
    return np.broadcast_to(np.arange(len(readings), dtype=float)[:, None, None], readings.shape)


def without_slips(study: Study) -> Study:
    """Return the study with readings that are none of their part taken as missing.

    One such reading would hide every other fault behind its own size.
    """
    return study.once("without slips", lambda: _without_slips(study))


def _without_slips(study: Study) -> Study:
    slips = mistakes_in(study).slips
    if not slips:
        return study
    cube, table = study.cube(), study.readings
    for slip in slips:
        here = (
            (table["part"] == cube.parts[slip.part])
            & (table["operator"] == cube.operators[slip.operator])
            & (table["trial"] == cube.trials[slip.trial])
        )
        table.loc[here, "reading"] = np.nan
    return replace(study, readings=table)
