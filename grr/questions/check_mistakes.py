"""Readings in the wrong place, or never taken: slips of the hand and of the pen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from grr.formulas import data_checks
from grr.model.rounding import listed, size
from grr.model.study import Cube, Study
from grr.questions.findings import Finding
from grr.questions.places import place

_SLIPS = {
    10.0: "a decimal place too far left (ten times too large)",
    0.1: "a decimal place too far right (ten times too small)",
    25.4: "25.4 times too large: mm where inches are expected",
    1 / 25.4: "25.4 times too small: inches where mm are expected",
    1000.0: "1000 times too large: another unit, µm for mm say",
    0.001: "1000 times too small: another unit, mm for µm say",
}


def mistakes(study: Study) -> Iterator[Finding]:
    """Yield findings about factors, exchanged parts, copied trials and shifted sequences."""
    cube = study.cube()
    if study.design == "nested":
        return
    slips = data_checks.factor_slips(cube.values, study.resolution)
    yield from (_factor(study, cube, slip) for slip in slips)
    values = cube.values.copy()
    for slip in slips:
        values[slip.part, slip.operator, slip.trial] = np.nan
    shifts = _shifts(study, values)
    yield from (_shift(cube, shift) for shift in shifts)
    shifted = {(shift.operator, shift.trial) for shift in shifts}
    for swap in data_checks.swapped_parts(values, study.resolution):
        if not all((swap.operator, trial) in shifted for trial in swap.trials):
            yield _swap(cube, swap)
    yield from (_copy(cube, copy) for copy in data_checks.copied_trials(values))


def without_factor_slips(study: Study) -> Study:
    """Return the study with readings that are off by a factor taken as missing.

    One such reading would hide every other fault behind its own size.
    """
    cube = study.cube()
    slips = data_checks.factor_slips(cube.values, study.resolution)
    if study.design == "nested" or not slips:
        return study
    table = study.readings
    for slip in slips:
        here = (
            (table["part"] == cube.parts[slip.part])
            & (table["operator"] == cube.operators[slip.operator])
            & (table["trial"] == cube.trials[slip.trial])
        )
        table.loc[here, "reading"] = np.nan
    return replace(study, readings=table)


def _shifts(study: Study, values: np.ndarray) -> list[data_checks.Shift]:
    p, o, r = values.shape
    if "order" in study.readings and study.readings["order"].notna().any():
        order = study.cube("order").values
    else:
        order = np.broadcast_to(np.arange(p, dtype=float)[:, None, None], (p, o, r))
    return data_checks.shifted_sequences(values, order, study.resolution)


def _factor(study: Study, cube: Cube, slip: data_checks.FactorSlip) -> Finding:
    value = float(cube.values[slip.part, slip.operator, slip.trial])
    return Finding(
        "mend",
        "factor",
        place(cube, slip.part, slip.operator, slip.trial),
        f"The reading {size(value, study.resolution)} looks {_SLIPS[slip.factor]}; "
        f"{size(value / slip.factor, study.resolution)} would fit the part.",
        "Look at the record. Void it and measure again if you can; correct it only where the "
        "original is at hand.",
    )


def _swap(cube: Cube, swap: data_checks.Swap) -> Finding:
    a, b = (cube.parts[i] for i in swap.parts)
    all_trials = len(swap.trials) == cube.values.shape[2]
    which = (
        "every trial"
        if all_trials
        else f"trial {listed([str(cube.trials[t]) for t in swap.trials])}"
    )
    return Finding(
        "mend",
        "exchanged parts",
        f"parts {a} and {b}, operator {cube.operators[swap.operator]}, {which}",
        "The two parts' readings fit the other operators only when they are exchanged.",
        "Ask for the parts and measure both again; exchange the readings only if the mix-up "
        "is certain.",
    )


def _copy(cube: Cube, copy: data_checks.Copy) -> Finding:
    (one, first), (other, second) = (
        (cube.operators[j], cube.trials[t]) for j, t in (copy.first, copy.second)
    )
    alike = (
        "Both trials hold the same readings for every part; by chance this would happen less than "
        "once in a thousand studies."
    )
    if one == other:
        where = f"operator {one}, trials {first} and {second}"
        todo = "Find out whether a column was copied. If so, measure that trial again."
    else:
        where = f"operator {one}, trial {first}, and operator {other}, trial {second}"
        todo = (
            "Find out whether one operator's readings were entered for the other. If so, the one "
            "who did not measure measures that trial."
        )
    return Finding("mend", "copied trial", where, alike, todo)


def _shift(cube: Cube, shift: data_checks.Shift) -> Finding:
    way = "the part after" if shift.step == 1 else "the part before"
    return Finding(
        "mend",
        "one part out",
        f"operator {cube.operators[shift.operator]}, trial {cube.trials[shift.trial]}",
        f"From reading {shift.start + 1} of this trial on, each reading fits {way} it better "
        "than the part it is filed under.",
        "Compare with the run sheet; file the readings one part on, or measure the trial again.",
    )
