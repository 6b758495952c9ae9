"""Do repeats scatter alike, and do the parts differ enough to tell them apart?"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from grr.formulas.average_range import chance_beyond_limit, d2
from grr.formulas.data_checks import median
from grr.formulas.operator_comparison import trial_ranges
from grr.model.rounding import length, lengths_apart, listed, percent
from grr.model.study import Cube, Study
from grr.questions.findings import Finding
from grr.questions.places import place

#: Share of the tolerance that the parts should span at least (common practice, no source).
COVERED_SHARE = 0.5
#: Up to so many ranges beyond the limit each is a finding of its own.
_MOST_SINGLE = 6


def scatter(study: Study) -> Iterator[Finding]:
    """Yield findings about ranges beyond their limit, and about the choice of parts."""
    cube = study.cube()
    if float(np.nanmax(cube.values) - np.nanmin(cube.values)) == 0.0:
        yield Finding(
            "mend",
            "stuck gauge",
            "the study",
            "Every reading is the same: the gauge did not move, was not read, or is far too "
            "coarse.",
            "Find out which; these readings say nothing about the gauge.",
        )
        return
    yield from _ranges(study, cube)
    yield from _alike(study, cube)
    yield from _coverage(study, cube)


def _ranges(study: Study, cube: Cube) -> Iterator[Finding]:
    """Ranges beyond D4 × mean range (AIAG MSA, 4th ed., chapter III section B, range chart)."""
    found = trial_ranges(cube.values, study.resolution)
    if found is None:
        return
    ranges, limit = found.ranges, found.limit
    beyond = [(int(i), int(j)) for i, j in np.argwhere(found.beyond)]
    chance = chance_beyond_limit(study.trials, int(np.isfinite(ranges).sum()))
    todo = (
        "Look for dirt, a tilted part or a slip, and measure again. Keep the readings if nothing "
        f"is found: chance alone gives such a range in {100 * chance:.0f} % of studies of this "
        "size."
    )
    if len(beyond) > _MOST_SINGLE:
        places = listed([place(cube, *where) for where in beyond], 5)
        worst, usual = lengths_apart(float(np.nanmax(ranges)), limit, study.unit)
        yield Finding(
            "look",
            "range beyond limit",
            f"{len(beyond)} places",
            f"The repeats differ by up to {worst} ({places}); ordinary scatter stays within "
            f"{usual}.",
            todo,
        )
        return
    for part, operator in beyond:
        own, usual = lengths_apart(float(ranges[part, operator]), limit, study.unit)
        yield Finding(
            "look",
            "range beyond limit",
            place(cube, part, operator),
            f"The repeats differ by {own}; ordinary scatter stays within {usual}.",
            todo,
        )


def _alike(study: Study, cube: Cube) -> Iterator[Finding]:
    """Parts whose means differ no more than repeats do cannot show part variation."""
    cells = np.isfinite(cube.values).sum(axis=2)
    df = int(np.maximum(cells - 1, 0).sum())
    if df == 0:
        return
    filled = np.nan_to_num(cube.values)
    cell_means = filled.sum(axis=2) / np.maximum(cells, 1)
    squares = np.nansum(np.square(cube.values - cell_means[..., None]))
    repeat = float(np.sqrt(squares / df))
    counts = cells.sum(axis=1)
    means = filled.sum(axis=(1, 2))[counts > 0] / counts[counts > 0]
    expected = d2(max(2, len(means))) * repeat / np.sqrt(float(counts[counts > 0].mean()))
    if np.ptp(means) <= 1.5 * expected:
        yield Finding(
            "look",
            "parts alike",
            "the study",
            f"The parts' means lie within {length(float(np.ptp(means)), study.unit)}, hardly "
            "more than the scatter of repeats alone would give.",
            "Part variation, percent of total variation and ndc mean little here. Choose parts "
            "that span what the process makes.",
        )


def _coverage(study: Study, cube: Cube) -> Iterator[Finding]:
    tolerance = study.tolerance
    if study.purpose != "accept" or tolerance is None or tolerance.width is None:
        return
    centres = median(cube.values, axis=(1, 2))
    covered = float(np.nanmax(centres) - np.nanmin(centres)) / tolerance.width
    if covered < COVERED_SHARE:
        yield Finding(
            "know",
            "tolerance not covered",
            "the study",
            f"The parts span {percent(100 * covered)} of the tolerance, so the gauge was not "
            "tried near both limits.",
            "Add parts near the limits, also outside, if the gauge or the grip may behave "
            "differently there.",
        )
