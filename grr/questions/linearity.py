"""What is the bias over the measuring range: `grr.linearity`, on gauge blocks.

Readings of blocks over the range show the bias at each block, a line through them, whether the
line fits, and how that lies to a largest bias and to the permissible error.

Source: AIAG MSA, 4th ed., chapter III section B, linearity; ISO 14253-1 for the permissible
error. Lack of fit, the blocks' uncertainty and the bias limit are additions of this project.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.formulas.bias import t_quantile
from grr.formulas.conformity import Conformity, conformity, permissible_error_used, worst
from grr.formulas.micrometer import PitchError, pitch_error
from grr.formulas.straight_line import (
    BlocksOfRange,
    LackOfFit,
    LineBand,
    LineFit,
    block_covariance,
    block_intervals,
    confidence_band,
    fit_line,
    gather_blocks,
    lack_of_fit,
    slope_calibration_u,
)
from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.printed import Printed
from grr.model.readings_table import refuse_gaps, table_of
from grr.model.rounding import JOIN, counted, figures, fine_length, length, p_text, size, with_unit
from grr.model.units import canonical_unit, conversion, fine_unit
from grr.model.values import at_least_zero, number
from grr.questions.gauge import titled

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: How the bias lies to a limit: surely within it, surely beyond it somewhere, or neither.
Place = Literal["within", "beyond", "open"]

#: Lack of fit with p under this puts block means in the place of single readings. As with
#: pooling in the manual's analysis of variance it is not 0.05: with 0.05 the interval of
#: the slope held the truth in as few as 86 % of studies, with 0.25 in 92 to 97 % (tests/coverage).
LACK_OF_FIT_LEVEL = 0.25
#: Lack of fit with p under this is stated.
LACK_OF_FIT_SHOWN = 0.05
#: Points at which bands are computed along the range.
STEPS = 101
#: Fewer blocks than this show little of the range (AIAG MSA, 4th ed.: at least five).
LEAST_BLOCKS = 5


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

    Examples
    --------
    >>> blocks = grr.linearity(
    ...     grr.read_columns("demo_data/micrometer_25/blocks.csv"),
    ...     bias_limit=0.0006,
    ...     unit="mm",
    ...     resolution=0.0001,
    ... )
    >>> blocks
    LinearityResult(55 readings on 11 blocks from 0.0000 to 25.0000 mm.)
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
    bands = [
        confidence_band(line, x, level=level, blocks=blocks.values, covariance=one)
        for one in covariances
    ]
    band = LineBand(  # at the least favourable of the covariances, point by point
        x=x,
        fitted=bands[0].fitted,
        lower=np.min([band.lower for band in bands], axis=0),
        upper=np.max([band.upper for band in bands], axis=0),
    )
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
        gauge_blocks=blocks,
        block_u=block_u,
        block_lower=lower,
        block_upper=upper,
        block_surely_beyond=np.fmax(np.fmax(strict_lower, -strict_upper), 0.0),
        largest_errors=largest_errors,
        line=line,
        lack_of_fit=test,
        band=band,
        slope_u=max(slope_calibration_u(line, blocks.values, one) for one in covariances),
        pitch=wave,
        bias_limit=limit,
        mpe=largest,
        mpe_states=() if largest is None else tuple(conformity(largest_errors, largest, block_u)),
        level=level,
        block_correlation=block_correlation,
        lack_of_fit_level=lack_of_fit_level,
        unit=canonical_unit(unit),
        resolution=None if resolution is None else number("resolution", resolution, above=0.0),
        missing=missing,
        title=title,
        example=example,
    )


@dataclass(frozen=True, eq=False, repr=False)
class LinearityResult(Printed):
    """Bias over the measuring range.

    Attributes
    ----------
    reference, bias : ndarray, shape (n,)
        Of every reading: the block's size, and reading minus size.
    gauge_blocks : BlocksOfRange
        The readings gathered by block.
    block_u : ndarray, shape (b,)
        Standard uncertainty of each block's size.
    block_lower, block_upper : ndarray, shape (b,)
        Interval of the bias at each block, the block's uncertainty in it; NaN where
        nothing was repeated.
    block_surely_beyond : ndarray, shape (b,)
        Distance from zero that the bias at the block exceeds, all blocks together at
        the confidence asked for.
    largest_errors : ndarray, shape (b,)
        The single reading on each block that errs most.
    line : LineFit
        The manual's line through all readings, or the one through block means where a line
        does not fit.
    lack_of_fit : LackOfFit or None
    band : LineBand
        Where the true line lies, the blocks' uncertainty in it.
    slope_u : float
        Standard uncertainty that the blocks' calibration gives to the slope.
    pitch : PitchError or None
    bias_limit, mpe : float or None
    mpe_states : tuple of str
        For each block: conforms, open, does not conform (ISO 14253-1).
    level : float
    block_correlation : float or None
    lack_of_fit_level : float
    unit : str
    resolution : float or None
    missing : int
    title : str
    example : bool

    Examples
    --------
    >>> blocks = grr.linearity(
    ...     grr.read_columns("demo_data/micrometer_25/blocks.csv"),
    ...     bias_limit=0.0006,
    ...     unit="mm",
    ...     resolution=0.0001,
    ... )
    >>> len(blocks.to_frame()) > 0
    True
    """

    reference: Array
    bias: Array
    gauge_blocks: BlocksOfRange
    block_u: Array
    block_lower: Array
    block_upper: Array
    block_surely_beyond: Array
    largest_errors: Array
    line: LineFit
    lack_of_fit: LackOfFit | None
    band: LineBand
    slope_u: float
    pitch: PitchError | None
    bias_limit: float | None
    mpe: float | None
    mpe_states: tuple[Conformity, ...]
    level: float
    block_correlation: float | None
    lack_of_fit_level: float
    unit: str
    resolution: float | None
    missing: int
    title: str = ""
    example: bool = False

    @property
    def slope(self) -> Estimate:
        """Change of the bias per unit of size, the blocks' uncertainty in its interval.

        Source: JCGM 100:2008 (GUM), equations (10) and (G.2b).
        """
        error = float(self.line.slope_error)
        combined = math.hypot(error, self.slope_u)
        df = self.line.df * (combined / error) ** 4 if error > 0.0 else math.inf
        reach = float(t_quantile(0.5 + self.level / 2.0, df)) * combined
        slope = float(self.line.slope)
        return Estimate(slope, slope - reach, slope + reach)

    @property
    def lack_of_fit_shown(self) -> bool:
        """Whether the blocks lie farther from a straight line than chance explains."""
        return self.lack_of_fit is not None and float(self.lack_of_fit.p) < LACK_OF_FIT_SHOWN

    def bias_at(self, block: int) -> Estimate:
        """Return the bias at a block, counted from 0 in order of size, with its interval."""
        return Estimate(
            float(self.gauge_blocks.means[block]),
            float(self.block_lower[block]),
            float(self.block_upper[block]),
            self.unit,
        )

    def corrected_by(self, correction: float) -> LinearityResult:
        """Return the result for the same readings with a correction added to each.

        Parameters
        ----------
        correction : float
            In the unit of the readings.
        """
        of_reading = self.block_u[np.searchsorted(self.gauge_blocks.values, self.reference)]
        table = pd.DataFrame(
            {
                "reference": self.reference,
                "reading": self.reference + self.bias + correction,
                "expanded_uncertainty": of_reading,
            }
        )
        return linearity(
            table,
            unit=self.unit,
            resolution=self.resolution,
            bias_limit=self.bias_limit,
            mpe=self.mpe,
            coverage=1.0,
            block_correlation=self.block_correlation,
            pitch=None if self.pitch is None else self.pitch.pitch,
            level=self.level,
            lack_of_fit_level=self.lack_of_fit_level,
            title=self.title,
            example=self.example,
        )

    def bias_of_line(self, at: float, confidence: float) -> Estimate | None:
        """Return the bias of the line at a size, with one-sided bounds; None outside the range.

        Parameters
        ----------
        at : float
        confidence : float
            Of each bound; the blocks' uncertainty is in them.
        """
        blocks = self.gauge_blocks.values
        if not blocks[0] <= at <= blocks[-1]:
            return None
        half = np.interp(at, self.band.x, 0.5 * (self.band.upper - self.band.lower))
        two_sided = t_quantile(0.5 + self.level / 2.0, self.line.df)
        reach = float(half * t_quantile(confidence, self.line.df) / two_sided)
        value = float(self.line.at(np.array([at]))[0])
        return Estimate(value, value - reach, value + reach, self.unit)

    @property
    def zero_inside(self) -> bool:
        """Whether zero bias lies inside the band everywhere (the manual's criterion)."""
        return bool(self.band.holds_zero)

    @property
    def largest_bias(self) -> float:
        """The largest distance from zero of the line or of a block's mean."""
        at_blocks = float(np.abs(self.gauge_blocks.means).max())
        return max(float(self.band.largest_bias), at_blocks)

    @property
    def largest_possible_bias(self) -> float:
        """The largest distance from zero of the band or of a block's interval."""
        ends = np.fmax(np.abs(self.block_lower), np.abs(self.block_upper))
        reached = float(np.nanmax(ends)) if np.isfinite(ends).any() else self.largest_bias
        return max(float(self.band.largest_possible_bias), reached)

    def in_words(self, bias: float) -> str:
        """Return a bias with the digits that the table of the blocks has."""
        spreads = [one.upper - one.lower for one in map(self.bias_at, range(len(self.block_u)))]
        finest = min((one for one in spreads if math.isfinite(one)), default=self.largest_bias)
        return fine_length(bias, finest, self.unit)

    @property
    def surely_reached(self) -> float:
        """A distance from zero that the bias exceeds somewhere, with confidence."""
        line = np.maximum(self.band.lower, -self.band.upper)
        return max(0.0, float(line.max()), float(np.max(self.block_surely_beyond)))

    @property
    def mpe_state(self) -> Conformity | Literal[""]:
        """The worst state over all blocks; "" without a permissible error."""
        return worst(self.mpe_states) if self.mpe_states else ""

    @property
    def mpe_used(self) -> float:
        """What the largest errors use up of the permissible error, 1 being all of it.

        The blocks' uncertainty counts against the gauge, as in the rule of ISO 14253-1: all
        errors conform up to 1. NaN without a permissible error.
        """
        if self.mpe is None:
            return math.nan
        return float(permissible_error_used(self.largest_errors, self.mpe, self.block_u).max())

    def against(self, limit: float) -> Place:
        """Return "within", "beyond" or "open": the bias over the range against a limit."""
        if self.largest_possible_bias <= limit:
            return "within"
        return "beyond" if self.surely_reached > limit else "open"

    def plot(self) -> Figure:
        """Return the figure of `grr.show.over_range`."""
        from grr.show import over_range

        return over_range(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a block, by its size: readings, bias, interval, line, errors."""
        frame = pd.DataFrame(
            {
                "readings": self.gauge_blocks.counts.astype(int),
                "bias": self.gauge_blocks.means,
                "lower": self.block_lower,
                "upper": self.block_upper,
                "fitted": self.line.at(self.gauge_blocks.values),
                "largest_error": self.largest_errors,
            },
            index=pd.Index(self.gauge_blocks.values, name="reference"),
        )
        if self.mpe_states:
            frame["mpe"] = list(self.mpe_states)
        return frame

    @property
    def pitch_amplitude(self) -> Estimate:
        """Amplitude of the screw's periodic error."""
        wave = self.pitch
        if wave is None:
            return Estimate(math.nan, unit=self.unit, why="no pitch of the screw was given")
        return Estimate(float(wave.amplitude), float(wave.lower), float(wave.upper), self.unit)

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader must know about these numbers."""
        values, wave = self.gauge_blocks.values, self.pitch
        notes = [f"Missing readings: {self.missing}; they are left out."] if self.missing else []
        if len(values) < LEAST_BLOCKS:
            notes.append(
                f"Only {len(values)} blocks: between them nothing is known. Use at least "
                f"{LEAST_BLOCKS}, better ten."
            )
        notes.append(_fit_sentence(self))
        if not np.any(self.block_u > 0.0):
            notes.append(
                "The uncertainty of the blocks is not in these numbers: give the expanded "
                "uncertainty and k from their certificate."
            )
        if wave is not None:
            found = "shown" if float(wave.p) < 1.0 - wave.level else "not shown"
            notes.append(
                f"A periodic error at the pitch of {wave.pitch:g} is {found} (F test, "
                f"{p_text(float(wave.p))}). Errors of single blocks can look like one: measure "
                "again with other blocks before you act on it."
            )
        return tuple(notes)

    def blocks(self) -> list[Block]:
        """Return which blocks they are, the bias on each, and what that says of the range."""
        values = self.gauge_blocks.values
        lowest, highest = (size(v, self.resolution) for v in (values[0], values[-1]))
        readings = (
            f"{counted(len(self.bias), 'reading')} on {counted(len(values), 'block')} from "
            f"{with_unit(f'{lowest} to {highest}', self.unit)}."
        )
        head = ["Block", "readings", "bias", f"{100 * self.level:g} % interval", "largest error"]
        if self.mpe is not None:
            head.append(f"MPE ±{length(self.mpe, self.unit)}")
        rows = []
        for i, value in enumerate(values):
            bias = self.bias_at(i)
            # to the decimals of the interval; without one to those of the largest bias
            spread = bias.upper - bias.lower if bias.bounded else self.largest_bias
            row = [
                size(float(value), self.resolution),
                f"{int(self.gauge_blocks.counts[i])}",
                fine_length(bias.value, spread, self.unit),
                f"{bias:r}",
                fine_length(float(self.largest_errors[i]), spread, self.unit),
            ]
            rows.append([*row, *self.mpe_states[i : i + 1]])
        return [
            Prose(titled(self.title, readings, example=self.example)),
            Table(head, rows),
            Bullets([*_sentences(self), *self.notes]),
        ]


def _read(
    table: object, expanded_uncertainty: object, coverage: float
) -> tuple[Array, Array, Array, int]:
    """Return reference values, biases, standard uncertainties, and how many are missing."""
    own, remedy = "expanded_uncertainty", "Enter it from the block's certificate"
    names = [str(name).strip().lower() for name in getattr(table, "columns", ())]
    readings = table_of(table, ("reference", "reading", *((own,) if own in names else ())))
    refuse_gaps(readings, "reference", "Enter the block's calibrated size in this row")
    k = number("coverage", coverage, above=0.0)
    if own in readings:
        refuse_gaps(readings, own, remedy)
        expanded = readings[own].to_numpy(dtype=np.float64)
    else:
        expanded = np.full(len(readings), at_least_zero(own, expanded_uncertainty))
    if (expanded < 0.0).any():
        row = int(np.flatnonzero(expanded < 0.0)[0])
        raise StudyError(
            "An expanded uncertainty is below 0",
            remedy,
            row=row + 1,
            column=own,
            value=expanded[row],
        )
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


def _sentences(result: LinearityResult) -> list[str]:
    """Return what the blocks say: the line, zero, the largest bias, and the permissible error."""
    unit, line, level = result.unit, result.line, f"{100 * result.level:g}"
    fine = fine_unit(unit)
    factor = conversion(unit, fine)
    span = float(result.gauge_blocks.values[-1] - result.gauge_blocks.values[0])
    slope, change = float(line.slope), result.slope.times(span, unit)
    units = f" (bias in {fine}, size in {unit})" if unit else ""
    inside = "inside the band everywhere"
    if not result.zero_inside:
        inside = "outside the band somewhere in the range"
    found, most = (
        result.in_words(of) for of in (result.largest_bias, result.largest_possible_bias)
    )
    judged = "No bias limit was given, so the range is not judged."
    if result.bias_limit is not None:
        limit = f"the limit of ±{length(result.bias_limit, unit)}"
        judged = {
            "within": f"It keeps {limit} everywhere.",
            "beyond": f"It is beyond {limit} somewhere.",
            "open": f"Whether it keeps {limit} is not decided: that lies inside the intervals.",
        }[result.against(result.bias_limit)]
    lines = [
        f"Over the range of {with_unit(f'{span:g}', unit)} the bias changes by {change:s} "
        f"({level} % interval {change:r}); bias = {Estimate(float(line.intercept) * factor):.3} "
        f"{'−' if slope < 0 else '+'} {figures(abs(slope) * factor, 3)} × size{units}.",
        f"Zero bias lies {inside} (the manual's criterion). Test of slope and intercept being both "
        f"0: {p_text(float(line.joint_p))}.",
        f"Largest bias found, on a block or on the line, {found}; by the {level}{JOIN}% intervals "
        f"and the line's band it could be {most}. {judged}",
    ]
    if result.mpe is not None:
        words = {"conforms": "conform", "does not conform": "do not conform"}
        told = words.get(result.mpe_state, "are not shown to conform")
        lines.append(
            f"Errors of indication {told} to the MPE of ±{length(result.mpe, unit)} (ISO 14253-1, "
            "the blocks' uncertainty taken into account)."
        )
    if result.pitch is not None:
        amplitude = result.pitch_amplitude
        lines.append(f"Periodic error of the screw: amplitude {amplitude} ({amplitude:r}).")
    return lines


def _fit_sentence(result: LinearityResult) -> str:
    """Return whether a straight line explains the blocks, and what the line goes through.

    A lack of fit is stated only where it is shown; block means are used well before that, to be
    on the safe side.
    """
    blocks = len(result.gauge_blocks.values)
    if result.lack_of_fit is None:
        return (
            "Whether a straight line explains the blocks was not tested: that needs three blocks "
            "or more and repeated readings."
        )
    from_blocks = (
        f"the line and its band come from the {blocks} block means, with {blocks - 2} degrees of "
        "freedom"
    )
    every = f"all {len(result.bias)} readings are used"
    if result.lack_of_fit_shown:
        p = p_text(float(result.lack_of_fit.p))
        then = f"so {from_blocks}" if result.line.by_block else f"but {every}, as asked"
        return f"The blocks do not lie on a straight line (lack of fit, {p}), {then}."
    then = f"to be careful {from_blocks}" if result.line.by_block else every
    return f"A straight line explains the blocks; {then}."
