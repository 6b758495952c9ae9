"""A straight line through bias over the range: the fit, and whether a line fits at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc, stdtr

from grr.formulas.arrays import Array
from grr.model.errors import StudyError


@dataclass(frozen=True)
class LineFit:
    """A least-squares line; arrays have the shape of the stack (...).

    Attributes
    ----------
    slope, intercept : ndarray
        bias = intercept + slope·reference value.
    slope_error, intercept_error : ndarray
        Their standard errors.
    slope_t, slope_p, intercept_t, intercept_p : ndarray
        Each against 0, two-sided.
    r_squared : ndarray
    residual_sd : ndarray
    df : float
        Degrees of freedom of ``residual_sd``.
    points : ndarray, shape (k,)
        Reference value of each point of the fit: every reading, or every block once.
    centre, spread : float
        Mean of ``points`` and sum of their squared distances from it.
    joint_p : ndarray
        Probability of the F test that slope and intercept are both 0: the band
        around the whole line at once.
    by_block : bool
        Whether the fit took the mean of each block as one point.
    """

    slope: Array
    intercept: Array
    slope_error: Array
    intercept_error: Array
    slope_t: Array
    slope_p: Array
    intercept_t: Array
    intercept_p: Array
    r_squared: Array
    residual_sd: Array
    df: float
    points: Array
    centre: float
    spread: float
    joint_p: Array
    by_block: bool

    def at(self, x: Array | float) -> Array:
        """Return the fitted bias at reference values ``x`` of shape (m,): shape (..., m)."""
        x = np.asarray(x, dtype=np.float64)
        return self.intercept[..., None] + self.slope[..., None] * x


@dataclass(frozen=True)
class Blocks:
    """The readings gathered by block.

    Attributes
    ----------
    values : ndarray, shape (b,)
        Distinct reference values, rising.
    counts : ndarray, shape (b,)
        Readings on each.
    means : ndarray, shape (..., b)
        Mean bias on each.
    within_sd : ndarray, shape (...)
        Pooled standard deviation of repeated readings; NaN where nothing was repeated.
    within_df : float
    """

    values: Array
    counts: Array
    means: Array
    within_sd: Array
    within_df: float


@dataclass(frozen=True)
class LackOfFit:
    """The F test of block means about the line against repeated readings; shape (...)."""

    f: Array
    p: Array
    df: tuple[float, float]


def gather_blocks(reference: Array, bias: Array) -> Blocks:
    """Gather biases by reference value.

    Parameters
    ----------
    reference : ndarray, shape (n,)
    bias : ndarray, shape (..., n)
        Reading minus reference value.
    """
    values, index = np.unique(reference, return_inverse=True)
    counts = np.bincount(index).astype(np.float64)
    belongs = (index[:, None] == np.arange(len(values))).astype(np.float64)
    means = bias @ belongs / counts
    within = bias - means[..., index]
    df = float(len(reference) - len(values))
    variance = np.square(within).sum(axis=-1) / df if df > 0 else np.full(bias.shape[:-1], np.nan)
    return Blocks(values, counts, means, np.sqrt(variance), df)


def fit_line(reference: Array, bias: Array, *, by_block: bool = False) -> LineFit:
    """Fit bias = intercept + slope·reference by least squares.

    Parameters
    ----------
    reference : ndarray, shape (n,)
        Reference value of each point.
    bias : ndarray, shape (..., n)
    by_block : bool
        Note in the result that each point is the mean of one block.

    Raises
    ------
    StudyError
        Fewer than three points, or all at one reference value.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, linearity; Draper & Smith, Applied
    Regression Analysis, 3rd ed., chapters 1 and 2. Values are taken from their means
    before any product is formed.
    """
    x = np.asarray(reference, dtype=np.float64)
    y = np.asarray(bias, dtype=np.float64)
    centre = float(x.mean())
    from_centre = x - centre
    spread = float(from_centre @ from_centre)
    if len(x) < 3 or not spread > np.finfo(np.float64).tiny:
        raise StudyError(
            "A line over the range needs at least three readings on two or more blocks",
            "Measure blocks at five or more sizes spread over the range",
            value=f"{len(x)} readings on {len(np.unique(x))} blocks",
        )
    mean = y.mean(axis=-1)
    from_mean = y - mean[..., None]
    slope = from_mean @ from_centre / spread
    residual = from_mean - slope[..., None] * from_centre
    n, df = len(x), float(len(x) - 2)
    remaining = np.square(residual).sum(axis=-1)
    total = np.square(from_mean).sum(axis=-1)
    sd = np.sqrt(remaining / df)
    intercept = mean - slope * centre
    slope_error = sd / np.sqrt(spread)
    intercept_error = sd * np.sqrt(1.0 / n + centre**2 / spread)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope_t = slope / slope_error
        intercept_t = intercept / intercept_error
        joint_f = (n * mean**2 + slope**2 * spread) / 2.0 / sd**2
        r_squared = 1.0 - remaining / total
    return LineFit(
        slope=slope,
        intercept=intercept,
        slope_error=slope_error,
        intercept_error=intercept_error,
        slope_t=slope_t,
        slope_p=2.0 * stdtr(df, -np.abs(slope_t)),
        intercept_t=intercept_t,
        intercept_p=2.0 * stdtr(df, -np.abs(intercept_t)),
        r_squared=r_squared,
        residual_sd=sd,
        df=df,
        points=x,
        centre=centre,
        spread=spread,
        joint_p=fdtrc(2.0, df, joint_f),
        by_block=by_block,
    )


def lack_of_fit(blocks: Blocks, line: LineFit) -> LackOfFit | None:
    """Return the lack-of-fit test of a line through all readings; None where it can't be made.

    F = [Σ n_i(mean_i − line_i)²/(b − 2)] / (within variance), with b − 2 and n − b degrees
    of freedom. Three blocks and one repeat are the least.

    Notes
    -----
    Source: Draper & Smith, Applied Regression Analysis, 3rd ed., section 2.1.
    """
    df = float(len(blocks.values) - 2)
    if df < 1 or blocks.within_df < 1:
        return None
    about_line = blocks.means - line.at(blocks.values)
    between = (blocks.counts * about_line**2).sum(axis=-1) / df
    with np.errstate(divide="ignore", invalid="ignore"):
        f = between / blocks.within_sd**2
    return LackOfFit(f=f, p=fdtrc(df, blocks.within_df, f), df=(df, blocks.within_df))
