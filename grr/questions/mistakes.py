"""Readings that stand in the wrong place or are no readings of their part: found once a study."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.data_checks import (
    Copy,
    FactorSlip,
    Shift,
    Swap,
    copied_trials,
    factor_slips,
    shifted_sequences,
    swapped_parts,
)
from grr.model.study import Study


class Mistakes(NamedTuple):
    """Readings off by a factor, sequences one part out, exchanged parts, copied trials.

    ``perhaps_copied`` are trials of which chance makes a copy less than once in a hundred studies.
    """

    slips: tuple[FactorSlip, ...]
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
    values = study.cube().values.copy()
    slips = factor_slips(values, study.resolution)
    for slip in slips:
        values[slip.part, slip.operator, slip.trial] = np.nan
    shifts = shifted_sequences(values, _order(study, values), study.resolution)
    shifted = {(shift.operator, shift.trial) for shift in shifts}
    swaps = [
        swap
        for swap in swapped_parts(values, study.resolution)
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
    p, o, r = values.shape
    if "order" in study.readings and study.readings["order"].notna().any():
        return study.cube("order").values
    return np.broadcast_to(np.arange(p, dtype=float)[:, None, None], (p, o, r))


def without_factor_slips(study: Study) -> Study:
    """Return the study with readings that are off by a factor taken as missing.

    One such reading would hide every other fault behind its own size.
    """
    return study.once("without factor slips", lambda: _without_factor_slips(study))


def _without_factor_slips(study: Study) -> Study:
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
