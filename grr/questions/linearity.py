"""`grr.linearity`: bias over the measuring range, on gauge blocks."""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.conformity import conformity
from grr.formulas.micrometer import pitch_error
from grr.formulas.straight_line import (
    BlocksOfRange,
    LineBand,
    LineFit,
    block_covariance,
    block_intervals,
    confidence_band,
    fit_line,
    gather_blocks,
    lack_of_fit,
    prediction_band,
    slope_calibration_u,
)
from grr.model.errors import StudyError
from grr.model.units import canonical_unit
from grr.model.values import number
from grr.questions.columns import at_least_zero, refuse_gaps, table_of
from grr.questions.linearity_notes import linearity_notes
from grr.questions.linearity_result import LinearityResult

#: Lack of fit with p under this puts block means in the place of single readings. As with
#: pooling in the manual's analysis of variance it is not 0.05: with 0.05 the interval of
#: the slope held the truth in as few as 86 % of studies, with 0.25 in 92 to 97 % (tests/coverage).
LACK_OF_FIT_LEVEL = 0.25
#: Points at which bands are computed along the range.
STEPS = 101


def linearity(
    table: object,
    *,
    unit: str = "",
    resolution: float | None = None,
    bias_limit: float | None = None,
    mpe: float | None = None,
    expanded_uncertainty: object = 0.0,
    coverage: float = 2.0,
    block_correlation: float | None = None,
    pitch: float | None = None,
    level: float = 0.95,
    lack_of_fit_level: float = LACK_OF_FIT_LEVEL,
    title: str = "",
    example: bool = False,
) -> LinearityResult:
    """Judge the bias of a gauge over its range by readings of gauge blocks.

    Parameters
    ----------
    table : DataFrame
        One row a reading: ``reference`` (the block's calibrated size) and ``reading``. A
        column ``expanded_uncertainty`` gives each block its own uncertainty.
    unit : str
    resolution : float, optional
    bias_limit : float, optional
        The largest bias allowed anywhere in the range. Zero inside a wide band is no
        pass: without this limit the range is not judged.
    mpe : float, optional
        Maximum permissible error of indication, from the gauge's data sheet or standard.
    expanded_uncertainty, coverage : float
        Of the blocks' sizes, as their certificate prints them: U in ``unit``, and its k.
    block_correlation : float, optional
        How far the blocks' calibration errors go together, 0 to 1. They share their
        standards, so it is not 0; where it is not known the worse end counts.
    pitch : float, optional
        Pitch of the measuring screw, in ``unit``: asks for its periodic error.
    level : float
        Confidence of intervals and bands (each single point).
    lack_of_fit_level : float
        Lack of fit with p under this: the line goes through block means, with blocks
        minus two degrees of freedom.
    title : str
    example : bool
        Whether the readings are invented for demonstration.

    Returns
    -------
    LinearityResult

    Raises
    ------
    StudyError
        Fewer than two blocks, a row without its reference value, or a pitch that these
        blocks cannot show.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, linearity; ISO 14253-1 for the
    permissible error. Lack of fit, the blocks' uncertainty and the bias limit are
    additions of this project.
    """
    level = number("level", level, above=0.0, below=1.0)
    lack_of_fit_level = number("lack_of_fit_level", lack_of_fit_level, above=0.0, below=1.0)
    reference, bias, block_u, missing = _read(table, expanded_uncertainty, coverage)
    blocks = gather_blocks(reference, bias)
    block_u = np.array([block_u[reference == value].max() for value in blocks.values])
    limit = None if bias_limit is None else number("bias_limit", bias_limit, above=0.0)
    largest = None if mpe is None else number("mpe", mpe, above=0.0)
    plain = fit_line(reference, bias)
    test = lack_of_fit(blocks, plain)
    by_block = test is not None and float(test.p) < lack_of_fit_level and len(blocks.values) > 2
    line = fit_line(blocks.values, blocks.means, by_block=True) if by_block else plain
    x = np.union1d(np.linspace(blocks.values[0], blocks.values[-1], STEPS), blocks.values)
    covariances = _covariances(block_u, block_correlation, by_block=by_block)
    band = _widest_band(line, x, level=level, blocks=blocks, covariances=covariances)
    lower, upper = block_intervals(blocks, level=level, calibration_u=block_u)
    family = 1.0 - (1.0 - level) / len(blocks.values)  # Bonferroni over the blocks
    strict_lower, strict_upper = block_intervals(blocks, level=family, calibration_u=block_u)
    errors = [bias[reference == value] for value in blocks.values]
    largest_errors = np.array([error[np.abs(error).argmax()] for error in errors])
    wave = None
    if pitch is not None:
        pitch = number("pitch", pitch, above=0.0)
        wave = pitch_error(blocks.values, blocks.means, pitch=pitch, level=level)
    return LinearityResult(
        reference=reference,
        bias=bias,
        blocks=blocks,
        block_u=block_u,
        block_lower=lower,
        block_upper=upper,
        block_surely_beyond=_beyond(strict_lower, strict_upper),
        largest_errors=largest_errors,
        manual_line=plain,
        line=line,
        lack_of_fit=test,
        band=band,
        slope_u=max(slope_calibration_u(line, blocks.values, one) for one in covariances),
        prediction=prediction_band(line, x, level=level),
        pitch=wave,
        bias_limit=limit,
        mpe=largest,
        mpe_states=(() if largest is None else tuple(conformity(largest_errors, largest, block_u))),
        level=level,
        unit=canonical_unit(unit),
        resolution=None if resolution is None else number("resolution", resolution, above=0.0),
        notes=linearity_notes(
            blocks, plain, test, missing=missing, block_u=block_u, by_block=by_block, wave=wave
        ),
        title=title,
        example=example,
    )


def _read(
    table: object, expanded_uncertainty: object, coverage: float
) -> tuple[Array, Array, Array, int]:
    """Return reference values, biases, standard uncertainties, and how many are missing."""
    columns: tuple[str, ...] = ("reference", "reading")
    names = [str(name).strip().lower() for name in getattr(table, "columns", ())]
    if "expanded_uncertainty" in names:
        columns = (*columns, "expanded_uncertainty")
    readings = table_of(table, columns)
    refuse_gaps(readings, "reference", "Enter the block's calibrated size in this row")
    k = number("coverage", coverage, above=0.0)
    if "expanded_uncertainty" in columns:
        refuse_gaps(readings, "expanded_uncertainty", "Enter it from the block's certificate")
        expanded = readings["expanded_uncertainty"].to_numpy(dtype=np.float64)
        if (expanded < 0.0).any():
            row = int(np.flatnonzero(expanded < 0.0)[0])
            raise StudyError(
                "An expanded uncertainty is below 0",
                "Enter it from the block's certificate",
                row=row + 1,
                column="expanded_uncertainty",
                value=expanded[row],
            )
    else:
        one = at_least_zero("expanded_uncertainty", expanded_uncertainty)
        expanded = np.full(len(readings), one)
    reading = readings["reading"].to_numpy(dtype=np.float64)
    reference = readings["reference"].to_numpy(dtype=np.float64)
    taken = np.isfinite(reading)
    if not taken.any():
        raise StudyError("Every reading is missing", "Take readings first")
    bias = (reading - reference)[taken]
    return reference[taken], bias, expanded[taken] / k, int((~taken).sum())


def _covariances(block_u: Array, correlation: float | None, *, by_block: bool) -> list[Array]:
    """Return the covariances of the blocks' errors to reckon with: one, or both extremes.

    A line through block means has the blocks' independent errors in its own scatter
    already; there only the error that they share is added.
    """
    if correlation is None:
        correlations = [0.0, 1.0]
    else:
        correlations = [number("block_correlation", correlation)]
        if not 0.0 <= correlations[0] <= 1.0:
            raise StudyError(
                "block_correlation is not between 0 and 1",
                "Give 0 for blocks calibrated independently, 1 for errors wholly in common",
                value=correlation,
            )
    if by_block:
        return [block_covariance(np.sqrt(r) * block_u, 1.0) for r in correlations]
    return [block_covariance(block_u, r) for r in correlations]


def _widest_band(
    line: LineFit, x: Array, *, level: float, blocks: BlocksOfRange, covariances: list[Array]
) -> LineBand:
    """Return the band at the least favourable of the covariances, point by point."""
    bands = [
        confidence_band(line, x, level=level, blocks=blocks.values, covariance=one)
        for one in covariances
    ]
    return LineBand(
        x=x,
        fitted=bands[0].fitted,
        lower=np.min([band.lower for band in bands], axis=0),
        upper=np.max([band.upper for band in bands], axis=0),
    )


def _beyond(lower: Array, upper: Array) -> Array:
    """Return the distance from zero that each block's interval wholly exceeds."""
    return np.fmax(np.fmax(lower, -upper), 0.0)
