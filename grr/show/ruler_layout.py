"""Where things stand on the tolerance ruler, apart from how they are drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.operator_comparison import cell_means
from grr.model.errors import StudyError
from grr.model.study import Study
from grr.questions.result import GaugeResult
from grr.show.scale import fine_scale, graduations, round_step, tick_text

#: How much is shown beyond each limit at least, and for a part at most, in ruler lengths.
BEYOND, FARTHEST_PART = 0.18, 0.5
#: Width in px of the drawing on a narrow page, and of a letter; they decide what fits.
NARROW, LETTER = 640.0, 7.6
#: Divisions between two numbered graduations.
DIVISIONS = 10


@dataclass(frozen=True)
class RulerLayout:
    """Places in the fine unit of the study, counted from the ruler's origin.

    Attributes
    ----------
    origin : float
        Size at 0: the lower limit, or the upper one where it is the only limit; in the
        unit of the study.
    limits : tuple of float
        Places of the limits, the lower first.
    start, end : float
        Ends of the ruler; with one limit the far end is only where the picture stops.
    half : float
        Half the spread of measuring: the zone of doubt reaches so far to either side.
    mean : float
        Mean of the readings, or of the process where it is given.
    parts : ndarray
        Means of the parts.
    low, high : float
        Ends of the picture.
    numbered, fine : list of float
        Graduations with and without a number.
    step : float
        Distance between numbered graduations; 0 where the ruler is too short for numbers.
    """

    origin: float
    limits: tuple[float, ...]
    start: float
    end: float
    half: float
    mean: float
    parts: np.ndarray[tuple[int, ...], np.dtype[np.float64]]
    low: float
    high: float
    numbered: list[float]
    fine: list[float]
    step: float

    @property
    def span(self) -> float:
        """Length of the picture."""
        return self.high - self.low

    @property
    def clear(self) -> float:
        """Length between the zones of doubt of two limits; not above 0 where they meet."""
        return self.end - self.start - 2.0 * self.half


def part_means(study: Study) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Return the mean of each part, every operator weighing alike, in the study's unit."""
    values = study.cube().values
    first = float(values[np.isfinite(values)][0])
    return np.asarray(first + np.nanmean(cell_means(values - first), axis=1), dtype=np.float64)


def ruler_layout(result: GaugeResult) -> RulerLayout:
    """Return the places on the ruler of a result.

    Raises
    ------
    StudyError
        The study has no tolerance.
    """
    study = result.study
    tolerance = study.tolerance
    if tolerance is None:
        raise StudyError("No tolerance was given", "Give the lower limit, the upper limit or both")
    scale = fine_scale(study)
    origin = tolerance.lower if tolerance.lower is not None else tolerance.upper
    assert origin is not None
    parts = (part_means(study) - origin) * scale.factor
    centre = result.mean if study.process_mean is None else study.process_mean
    mean = (centre - origin) * scale.factor
    half = 0.5 * result.value("GRR", "spread") * scale.factor
    if tolerance.width is not None:
        start, end = 0.0, tolerance.width * scale.factor
        limits: tuple[float, ...] = (start, end)
    else:
        reach = 1.1 * max(float(np.max(np.abs(parts))), abs(mean), 1.5 * half) or 1.0
        start, end = (0.0, reach) if tolerance.upper is None else (-reach, 0.0)
        limits = (0.0,)
    width = end - start
    least = max(BEYOND * width, 1.15 * half)
    beyond = FARTHEST_PART * width
    low, high = start - least, end + least
    low = min(low, max(float(parts.min()) - 0.03 * width, start - beyond))
    high = max(high, min(float(parts.max()) + 0.03 * width, end + beyond))
    if len(limits) == 1:
        low, high = (low, end) if tolerance.upper is None else (start, high)
    step = _numbered_step(origin, start, end, scale.factor, width / (high - low) * NARROW)
    numbered = graduations(start, end, step) if step else []
    fine = graduations(start, end, step / DIVISIONS) if step else []
    return RulerLayout(
        origin, limits, start, end, half, mean, parts, low, high, numbered, fine, step
    )


def number_labels(origin: float, at: list[float], step: float, factor: float) -> list[str]:
    """Return the size and, under it, the distance from the limit at each graduation."""
    close = 1e-3 * step / factor
    sizes = [origin + place / factor for place in at]
    sizes = [0.0 if abs(size) < close else size for size in sizes]
    decimals = next((d for d in range(10) if all(abs(round(s, d) - s) < close for s in sizes)), 10)
    shown = []
    for size, place in zip(sizes, at, strict=True):
        near = tick_text(place, step)
        sign = "+" if place > 0.0 and near != "0" else ""
        shown.append(f"{size:.{decimals}f}<br>{sign}{near}".replace("-", "−"))
    return shown


def _numbered_step(origin: float, start: float, end: float, factor: float, pixels: float) -> float:
    """Return the smallest round step at which numbers do not touch; 0 where two do not fit."""
    for count in range(int(pixels / 50.0), 0, -1):
        step = round_step((end - start) / count)
        labels = number_labels(origin, graduations(start, end, step), step, factor)
        longest = max(len(line) for label in labels for line in label.split("<br>"))
        if len(labels) > 1 and step / (end - start) * pixels > LETTER * longest + 12.0:
            return step
    return 0.0
