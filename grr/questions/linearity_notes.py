"""What the reader must know about the bias over the range."""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.micrometer import PitchError
from grr.formulas.straight_line import BlocksOfRange, LackOfFit, LineFit
from grr.model.probability import p_text

#: Fewer blocks than this show little of the range (AIAG MSA, 4th ed.: at least five).
LEAST_BLOCKS = 5


def linearity_notes(
    blocks: BlocksOfRange,
    line: LineFit,
    test: LackOfFit | None,
    *,
    missing: int,
    block_u: Array,
    by_block: bool,
    wave: PitchError | None,
) -> tuple[str, ...]:
    """Return the sentences under the numbers."""
    notes = [f"Missing readings: {missing}; they are left out."] if missing else []
    if len(blocks.values) < LEAST_BLOCKS:
        notes.append(
            f"Only {len(blocks.values)} blocks: between them nothing is known. Use at least "
            f"{LEAST_BLOCKS}, better ten."
        )
    notes.append(_fit(blocks, line, test, by_block=by_block))
    if not np.any(block_u > 0.0):
        notes.append(
            "The uncertainty of the blocks is not in these numbers: give the expanded "
            "uncertainty and k from their certificate."
        )
    if wave is None:
        return tuple(notes)
    found = "shown" if float(wave.p) < 1.0 - wave.level else "not shown"
    notes.append(
        f"A periodic error at the pitch of {wave.pitch:g} is {found} (F test, "
        f"{p_text(float(wave.p))}). Errors of single blocks can look like one: measure "
        "again with other blocks before you act on it."
    )
    return tuple(notes)


def _fit(blocks: BlocksOfRange, line: LineFit, test: LackOfFit | None, *, by_block: bool) -> str:
    if test is None:
        return (
            "Whether a straight line fits was not tested: that needs three blocks or more and "
            "repeated readings."
        )
    p = p_text(float(test.p))
    if by_block:
        return (
            f"The blocks lie farther from a straight line than repeated readings explain (lack "
            f"of fit, {p}), so the line and its band come from the {len(blocks.values)} block "
            f"means, with {len(blocks.values) - 2} degrees of freedom."
        )
    return f"A straight line fits (lack of fit, {p}); all {len(line.points)} readings are used."
