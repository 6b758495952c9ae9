"""How the repeats of a study scatter: as every formula takes it, or otherwise.

The six tests of `grr.formulas.scatter_tests` on one study, worked out once. Intervals, causes
and verdict ask here: neighbours that are alike leave fewer degrees of freedom, and no gauge is
called good where single readings, some parts or the rounds stand out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array, Mask
from grr.formulas.scatter_tests import (
    COARSEST,
    FINDS,
    FINE,
    FORBIDDING,
    SCATTER_LEVEL,
    Finds,
    Normal,
    Order,
    compared,
    in_order,
    most_outliers,
    neighbours_alike,
    normal_studies,
    outliers,
    residuals,
    scatter_sd,
    share_back_to_back,
)
from grr.formulas.second_look import went_on
from grr.model.errors import StudyError
from grr.model.rounding import counted, figures, listed
from grr.model.study import Study
from grr.questions.sittings import within_sessions

#: At most this share of the readings may be missing for scatter and causes to be looked into.
MOST_MISSING = 0.1
#: So many outliers are named.
MOST_NAMED = 3
#: Trials follow each other at once where this share of the repeats does.
BACK_TO_BACK = 0.5


@dataclass(frozen=True, eq=False)
class Scatter:
    """What the repeats of a study show of their scatter.

    Attributes
    ----------
    normal : Normal or None
        What clean studies of this design show; None where nothing was tested, and then
        ``why`` says why.
    found : tuple of str
        The tests that fired; one of `grr.formulas.scatter_tests.FINDS` each.
    outliers : tuple of (str, str, int)
        Part, operator and trial of the readings that lie further out than normal scatter
        explains, the furthest first.
    readings : int
        Of how many.
    neighbours : float
        Correlation of neighbours in the measuring order; NaN where the order is not known.
    back_to_back : bool
        Whether most repeats were read straight after a reading of the same part.
    order_known : bool
    """

    normal: Normal | None
    why: str
    found: tuple[Finds, ...] = ()
    outliers: tuple[tuple[str, str, int], ...] = ()
    readings: int = 0
    neighbours: float = float("nan")
    back_to_back: bool = False
    order_known: bool = False

    @property
    def forbids_use(self) -> bool:
        """Whether bounds cannot show a gauge to be good: the scatter is not what they take."""
        return self.back_to_back or any(name in FORBIDDING for name in self.found)

    @property
    def kept_by_order(self) -> float:
        """Share of the degrees of freedom that is left where neighbours are alike, else 1."""
        if "autocorrelation" not in self.found:
            return 1.0
        square = min(max(self.neighbours, 0.0), 0.99) ** 2
        return (1.0 - square) / (1.0 + square)

    @property
    def outliers_sentence(self) -> str:
        """How many readings were outliers, and how many of a hundred there may be."""
        if not self.readings:
            return ""
        number = len(self.outliers)
        share = 100.0 * most_outliers(number, self.readings)
        was = "was an outlier" if number == 1 else "were outliers"
        names = [f"part {i}, {j}, trial {k}" for i, j, k in self.outliers[:MOST_NAMED]]
        which = f" ({listed(names)}{', …' if number > MOST_NAMED else ''})" if names else ""
        return (
            f"{number} of {counted(self.readings, 'reading')} {was}{which}; fewer than "
            f"{figures(share, 2)} in 100 are (95 % confidence)."
        )

    @property
    def why_not_use(self) -> tuple[str, ...]:
        """Why no bound shows this gauge to be good; nothing where scatter forbids nothing."""
        told = []
        if self.back_to_back:
            told.append(
                "The trials of a part were read straight after each other, which hides what "
                "changes between readings: USE LIKE THIS at most. Measure again in random order."
            )
        if "outliers" in self.found or "part" in self.found:
            told.append(
                "Some parts or single readings scatter more than the rest, so no bound shows GRR "
                "to be good: USE LIKE THIS at most."
            )
        if "place" in self.found:
            told.append(
                "The rounds lie apart, so no bound shows GRR to be good: USE LIKE THIS at most."
            )
        return tuple(told)

    @property
    def not_tested(self) -> str:
        """What of the scatter could not be tested, and why; "" where all was."""
        if self.normal is None:
            return f"How the repeats scatter was not tested: {self.why}."
        if not self.order_known:
            return (
                "The order of measuring is not known, so whether neighbours are alike or the "
                "rounds lie apart was not tested."
            )
        return ""


def scatter_of(study: Study) -> Scatter:
    """Return how the repeats of a study scatter; it is worked out once."""
    return study.once("scatter", lambda: _scatter(study), of_readings=True)


def _scatter(study: Study) -> Scatter:
    if study.design == "nested":
        return Scatter(None, "each part was measured by one operator only")
    if read_by_everyone(study) is not study:
        return _of_stages(study)
    return _of_crossed(study, SCATTER_LEVEL)


def read_by_everyone(study: Study) -> Study:
    """Return the study; of one in two stages only the parts that every operator measured.

    They hold both stages, every operator on every part, as tests of offsets and scatter ask.
    """
    return study.once("read by everyone", lambda: _read_by_everyone(study))


def _read_by_everyone(study: Study) -> Study:
    if not went_on(study) or study.design == "nested" or len(study.methods) > 1:
        return study
    cube = study.cube()
    there = [bool(np.isfinite(cells).any(axis=1).all()) for cells in cube.values]
    if all(there) or sum(there) < 2:
        return study
    parts = [part for part, whole in zip(cube.parts, there, strict=True) if whole]
    return replace(study, readings=study.readings[study.readings["part"].isin(parts)])


def _of_stages(study: Study) -> Scatter:
    """Return the scatter of a study in two stages, from two blocks of crossed cells.

    The parts that everyone measured, and all parts of the operators of the first stage: each is
    tested at half of the level, since the two hold some readings in common.
    """
    assert study.plan is not None
    table = study.readings
    early = replace(study, readings=table[~table["operator"].isin(study.plan.further_operators)])
    blocks = [_of_crossed(one, 0.5 * SCATTER_LEVEL) for one in (read_by_everyone(study), early)]
    for one in blocks:
        if one.normal is None:
            return one
    far = dict.fromkeys(place for one in blocks for place in one.outliers)
    return replace(
        blocks[0],
        found=tuple(name for name in FINDS if any(name in one.found for one in blocks)),
        outliers=tuple(far),
        readings=study.taken,
        neighbours=max((one.neighbours for one in blocks), key=np.nan_to_num),
        back_to_back=any(one.back_to_back for one in blocks),
        order_known=all(one.order_known for one in blocks),
    )


def _of_crossed(study: Study, level: float) -> Scatter:
    try:
        # What a session adds to all of its parts is a source of its own, no scatter.
        y, gaps = filled_readings(within_sessions(study))
    except StudyError as error:
        return Scatter(None, error.problem)
    order = None if gaps.any() else _order(study, y.shape)
    at_once = order is not None and share_back_to_back(order, y.shape) > BACK_TO_BACK
    digit = last_digit(study.resolution, y)
    why = ""
    if y.shape[2] == 1:
        why = "each cell holds one reading"
    elif not float(np.ptp(y - y.mean(axis=2, keepdims=True))) > 0.0:
        why = "the repeats do not differ at all"
    elif digit > COARSEST * (sd := float(scatter_sd(y, digit))):
        why = "the last digit is over three times as large as the scatter of the repeats"
    if why:
        return Scatter(None, why, back_to_back=at_once, order_known=order is not None)
    normal = _normal_like(y, digit, sd, order, gaps if gaps.any() else None)
    p = compared(y, normal).p
    cube = study.cube()
    far = [np.unravel_index(place, y.shape) for place in outliers(y)]
    return Scatter(
        normal,
        "",
        found=tuple(name for name, one in zip(FINDS, p, strict=True) if float(one) < level),
        outliers=tuple((cube.parts[i], cube.operators[j], cube.trials[k]) for i, j, k in far),
        readings=int((~gaps).sum()),
        neighbours=float("nan") if order is None else neighbours_alike(y, order),
        back_to_back=at_once,
        order_known=order is not None,
    )


def _normal_like(
    y: Array, digit: float, sd: float, order: Order | None = None, gaps: Mask | None = None
) -> Normal:
    of_operators = y.mean(axis=(0, 2)) - y.mean()
    return normal_studies(
        (y.shape[0], y.shape[1], y.shape[2]),
        order,
        digit=digit / sd,
        offsets=tuple(float(offset) / sd for offset in of_operators),
        gaps=gaps,
    )


def normal_studies_of(
    readings: Array, digit: Array
) -> Iterator[tuple[NDArray[np.intp], Normal | None]]:
    """Yield which of many studies (studies, p, o, r) have which clean ones beside them.

    None where the scatter is not tested, see `Scatter.why`; their order is not known. A coarse
    digit asks for normal studies of its own, and so does each pattern of missing readings.
    """
    shape, gaps = readings.shape[1:], np.isnan(readings)
    fine = tested = np.zeros(len(readings), dtype=np.bool_)
    y = filled(readings)
    if shape[2] > 1:
        sd = scatter_sd(y, digit)
        tested = (np.ptp(residuals(y), axis=(1, 2, 3)) > 0.0) & ~(digit > COARSEST * sd)
        tested &= ~too_many_missing(readings)
        fine = tested & (digit < FINE * sd)
    if not tested.all():
        yield np.flatnonzero(~tested), None
    patterns, which = np.unique(
        gaps[fine].reshape(-1, int(np.prod(shape))), axis=0, return_inverse=True
    )
    for number, pattern in enumerate(patterns):
        lost = pattern.reshape(shape) if pattern.any() else None
        rows = np.flatnonzero(fine)[which.ravel() == number]
        yield rows, normal_studies(shape, gaps=lost)
    for row in np.flatnonzero(tested & ~fine):
        lost = gaps[row] if gaps[row].any() else None
        normal = _normal_like(y[row], float(digit[row]), float(sd[row]), gaps=lost)
        yield np.array([row]), normal


def scatter_forbids_use(readings: Array, resolution: Array) -> Mask:
    """Return where readings whose order is not known forbid; see `Scatter.forbids_use`.

    Parameters
    ----------
    readings : ndarray, shape (studies, parts, operators, trials)
    resolution : ndarray, shape (studies,)
        NaN where it is not known.
    """
    found = np.zeros(len(readings), dtype=np.bool_)
    y = filled(readings)
    for rows, normal in normal_studies_of(readings, last_digits(resolution, y)):
        if normal is not None:
            p = compared(y[rows], normal).p[:, [FINDS.index(name) for name in FORBIDDING]]
            found[rows] = (p < SCATTER_LEVEL).any(axis=1)
    return found


def _order(study: Study, shape: tuple[int, ...]) -> Order | None:
    if "order" not in study.readings:
        return None
    taken = study.cube("order").packed
    return in_order(taken) if taken.shape == shape else None


def filled_readings(study: Study) -> tuple[Array, Mask]:
    """Return the readings as parts × operators × trials, and where one was missing.

    The mean of its cell stands for a missing reading.

    Raises
    ------
    StudyError
        Too many are missing.
    """
    cube = study.cube()
    y = cube.packed if cube.complete else cube.values
    gaps = np.isnan(y)
    if gaps.any() and too_many_missing(y):
        raise StudyError(
            "too many readings are missing", "Take them, or leave out the parts without them"
        )
    return filled(y), gaps


def too_many_missing(readings: Array) -> Mask:
    """Whether too many of readings (..., p, o, r) are missing, or all of one cell."""
    gaps = np.isnan(readings)
    empty = np.asarray(gaps.all(axis=-1))
    return np.asarray(empty.any(axis=(-2, -1)) | (gaps.mean(axis=(-3, -2, -1)) > MOST_MISSING))


def filled(readings: Array) -> Array:
    """Return the readings (..., p, o, r), the mean of the cell in place of a missing one."""
    gaps = np.isnan(readings)
    if not gaps.any():
        return readings
    return np.where(gaps, np.nanmean(readings, axis=-1, keepdims=True), readings)


def last_digit(resolution: float | None, y: Array) -> float:
    """Return the last digit of the readings; as good as 0 where they are not rounded."""
    known = np.array([np.nan if resolution is None else resolution])
    return float(last_digits(known, y[None])[0])


def last_digits(resolution: Array, readings: Array) -> Array:
    """Return the same for a stack of studies (studies, p, o, r); NaN where it is not stated."""
    if not np.isnan(resolution).any():
        return resolution
    steps = np.diff(np.sort(readings.reshape(len(readings), -1), axis=1), axis=1)
    least = 1e-9 * np.maximum(steps.sum(axis=1, keepdims=True), 1e-300)
    seen = np.where(steps > least, steps, np.inf).min(axis=1)
    return np.where(np.isnan(resolution), np.where(np.isinf(seen), 0.0, seen), resolution)
