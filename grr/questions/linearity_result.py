"""The result of readings of gauge blocks over the range: what `grr.linearity` returns."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.formulas.bias import t_quantile
from grr.formulas.conformity import worst
from grr.formulas.micrometer import PitchError
from grr.formulas.straight_line import BlocksOfRange, LackOfFit, LineBand, LineFit
from grr.questions.linearity_printing import linearity_html, linearity_text

WITHIN, BEYOND, OPEN = "within", "beyond", "open"


@dataclass(frozen=True, eq=False, repr=False)
class LinearityResult:
    """Bias over the measuring range.

    Attributes
    ----------
    reference, bias : ndarray, shape (n,)
        Of every reading: the block's size, and reading minus size.
    blocks : BlocksOfRange
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
    manual_line : LineFit
        The manual's line through all readings.
    line : LineFit
        The line used: that one, or the one through block means where a line does not fit.
    lack_of_fit : LackOfFit or None
    band : LineBand
        Where the true line lies, the blocks' uncertainty in it.
    slope_u : float
        Standard uncertainty that the blocks' calibration gives to the slope.
    prediction : LineBand
        Where one further reading (or block mean) would lie.
    pitch : PitchError or None
    bias_limit, mpe : float or None
    mpe_states : tuple of str
        For each block: conforms, open, does not conform (ISO 14253-1).
    level : float
    unit : str
    resolution : float or None
    notes : tuple of str
    title : str
    example : bool
    """

    reference: Array
    bias: Array
    blocks: BlocksOfRange
    block_u: Array
    block_lower: Array
    block_upper: Array
    block_surely_beyond: Array
    largest_errors: Array
    manual_line: LineFit
    line: LineFit
    lack_of_fit: LackOfFit | None
    band: LineBand
    slope_u: float
    prediction: LineBand
    pitch: PitchError | None
    bias_limit: float | None
    mpe: float | None
    mpe_states: tuple[str, ...]
    level: float
    unit: str
    resolution: float | None
    notes: tuple[str, ...]
    title: str = ""
    example: bool = False

    @property
    def slope_interval(self) -> tuple[float, float]:
        """Two-sided interval of the slope, the blocks' uncertainty in it.

        Source: JCGM 100:2008 (GUM), equations (10) and (G.2b).
        """
        error = float(self.line.slope_error)
        combined = math.hypot(error, self.slope_u)
        df = self.line.df * (combined / error) ** 4 if error > 0.0 else math.inf
        reach = float(t_quantile(0.5 + self.level / 2.0, df)) * combined
        return float(self.line.slope) - reach, float(self.line.slope) + reach

    @property
    def zero_inside(self) -> bool:
        """Whether zero bias lies inside the band everywhere (the manual's criterion)."""
        return bool(self.band.holds_zero)

    @property
    def largest_bias(self) -> float:
        """The largest distance from zero of the line or of a block's mean."""
        at_blocks = float(np.abs(self.blocks.means).max())
        return max(float(self.band.largest_bias), at_blocks)

    @property
    def largest_possible_bias(self) -> float:
        """The largest distance from zero of the band or of a block's interval."""
        ends = np.fmax(np.abs(self.block_lower), np.abs(self.block_upper))
        reached = float(np.nanmax(ends)) if np.isfinite(ends).any() else self.largest_bias
        return max(float(self.band.largest_possible_bias), reached)

    @property
    def surely_reached(self) -> float:
        """A distance from zero that the bias exceeds somewhere, with confidence."""
        line = np.maximum(self.band.lower, -self.band.upper)
        return max(0.0, float(line.max()), float(np.max(self.block_surely_beyond)))

    @property
    def mpe_state(self) -> str:
        """The worst state over all blocks; "" without a permissible error."""
        return worst(list(self.mpe_states)) if self.mpe_states else ""

    def against(self, limit: float) -> str:
        """Return "within", "beyond" or "open": the bias over the range against a limit."""
        if self.largest_possible_bias <= limit:
            return WITHIN
        return BEYOND if self.surely_reached > limit else OPEN

    def to_frame(self) -> pd.DataFrame:
        """Return one row a block, by its size: readings, bias, interval, line, errors."""
        frame = pd.DataFrame(
            {
                "readings": self.blocks.counts.astype(int),
                "bias": self.blocks.means,
                "lower": self.block_lower,
                "upper": self.block_upper,
                "fitted": self.line.at(self.blocks.values),
                "largest_error": self.largest_errors,
            },
            index=pd.Index(self.blocks.values, name="reference"),
        )
        if self.mpe_states:
            frame["mpe"] = list(self.mpe_states)
        return frame

    def fit_frame(self) -> pd.DataFrame:
        """Return slope and intercept of the line used: estimate, error, interval, t, p."""
        rows = {}
        for name in ("slope", "intercept"):
            value = float(getattr(self.line, name))
            error = float(getattr(self.line, f"{name}_error"))
            reach = float(t_quantile(0.5 + self.level / 2.0, self.line.df)) * error
            t, p = (float(getattr(self.line, f"{name}_{part}")) for part in ("t", "p"))
            rows[name] = (value, error, value - reach, value + reach, t, p)
        columns = ["estimate", "standard_error", "lower", "upper", "t", "p"]
        return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("term")

    @property
    def pitch_share(self) -> float:
        """Amplitude of the periodic error; NaN where it was not asked for."""
        return math.nan if self.pitch is None else float(self.pitch.amplitude)

    def __str__(self) -> str:
        return linearity_text(self)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return linearity_html(self)
