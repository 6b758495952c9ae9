"""Is the gauge's last digit fine enough for this tolerance and this scatter?"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from grr.formulas.average_range import upper_range_limit
from grr.formulas.data_checks import digits_seen
from grr.model.rounding import counted, length, percent
from grr.model.study import Study
from grr.questions.findings import Finding


def resolution(study: Study) -> Iterator[Finding]:
    """Yield findings about the resolution of the gauge."""
    if study.resolution is None:
        yield Finding(
            "know",
            "resolution",
            "the study",
            "The resolution of the gauge was not stated, so it could not be judged.",
            "State it: the step of the last digit on the display.",
        )
        return
    yield from _against_tolerance(study, study.resolution)
    yield from _against_scatter(study, study.resolution)


def _against_tolerance(study: Study, step: float) -> Iterator[Finding]:
    """Resolution against a tenth of the tolerance or of the process spread.

    Source: AIAG MSA, 4th ed., chapter II (rule of tens; from memory).
    """
    width = None if study.tolerance is None else study.tolerance.width
    spread = None if study.process_sd is None else 6.0 * study.process_sd
    for whole, name in ((width, "tolerance"), (spread, "process spread (6 sd)")):
        # A ratio computed from decimals such as 10.012 − 10.006 misses by rounding.
        if whole is not None and step > whole / 10.0 * (1.0 + 1e-9):
            yield Finding(
                "look",
                "resolution",
                "the study",
                f"One digit of the gauge, {length(step, study.unit)}, is "
                f"{percent(100 * step / whole)} of the {name}; a tenth is the usual limit.",
                "Use a gauge with a finer digit.",
            )


def _against_scatter(study: Study, step: float) -> Iterator[Finding]:
    """Possible values within the limit of the range (see `digits_seen`)."""
    cube = study.cube()
    counts = np.isfinite(cube.values).sum(axis=2)
    r = int(counts.max())
    full = counts == r
    if r < 2:
        return
    ranges = np.ptp(cube.packed[full], axis=1)
    limit = upper_range_limit(r) * float(ranges.mean())
    seen = digits_seen(ranges, limit, step)
    if seen.too_few:
        yield Finding(
            "look",
            "too few digits",
            "the study",
            f"Only {counted(seen.possible, 'possible value')} within the limit of the range, and "
            f"{percent(100 * seen.zeros)} of the ranges are zero: the last digit hides the "
            "scatter.",
            "Read one more digit if the gauge has it. Otherwise repeatability is known only to "
            "be of the size of the last digit.",
        )
