"""A straight line through bias over the measuring range, its lack of fit and its bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc, stdtr

from grr.formulas.arrays import Array, Mask
from grr.formulas.bias import t_quantile
from grr.model.errors import StudyError

# A straight line through bias over the range: the fit, and whether a line fits at all.
# -------------------------------------------------------------------------------------


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
class BlocksOfRange:
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


def gather_blocks(reference: Array, bias: Array) -> BlocksOfRange:
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
    return BlocksOfRange(values, counts, means, np.sqrt(variance), df)


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


def lack_of_fit(blocks: BlocksOfRange, line: LineFit) -> LackOfFit | None:
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


# Bands around the line of bias over the range, with the blocks' own uncertainty in them.
# ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class LineBand:
    """The line and its band at given reference values.

    Attributes
    ----------
    x : ndarray, shape (m,)
    fitted, lower, upper : ndarray, shape (..., m)
    """

    x: Array
    fitted: Array
    lower: Array
    upper: Array

    @property
    def holds_zero(self) -> Mask:
        """Whether zero bias lies inside the band at every x; shape (...)."""
        inside = (self.lower <= 0.0) & (self.upper >= 0.0)
        return np.asarray(inside.all(axis=-1), dtype=np.bool_)

    @property
    def largest_bias(self) -> Array:
        """The largest distance of the line from zero over x; shape (...)."""
        return np.asarray(np.abs(self.fitted).max(axis=-1))

    @property
    def largest_possible_bias(self) -> Array:
        """The largest distance of the band's edges from zero over x; shape (...)."""
        return np.asarray(np.maximum(np.abs(self.lower), np.abs(self.upper)).max(axis=-1))


def block_covariance(standard_u: Array, correlation: float) -> Array:
    """Return the covariance matrix of the blocks' calibration errors, shape (b, b).

    Blocks calibrated against the same standards share part of their error:
    u_i·u_j·correlation between two of them, u_i² on the diagonal.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), 5.2.2 and F.1.2.3.
    """
    u = np.asarray(standard_u, dtype=np.float64)
    shared = correlation * np.outer(u, u)
    return np.asarray(shared + np.diag((1.0 - correlation) * u**2))


def confidence_band(
    line: LineFit,
    x: Array,
    *,
    level: float = 0.95,
    blocks: Array | None = None,
    covariance: Array | None = None,
) -> LineBand:
    """Return the band in which the true line lies, at each x.

    ŷ ± t·√(s²·[1/n + (x − x̄)²/Sxx] + wᵀCw), where w are the weights that the fitted value
    gives to the blocks and C is the covariance of their calibration errors.

    Parameters
    ----------
    line : LineFit
    x : ndarray, shape (m,)
    level : float
        Confidence at each single x (pointwise, as in the manual).
    blocks : ndarray, shape (b,), optional
        Reference values that ``covariance`` belongs to.
    covariance : ndarray, shape (b, b), optional
        See `block_covariance`; known, so with infinite degrees of freedom
        (Welch-Satterthwaite).

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, linearity (without the blocks' own
    uncertainty); JCGM 100:2008 (GUM), equations (13) and (G.2b).
    """
    leverage = 1.0 / len(line.points) + (x - line.centre) ** 2 / line.spread
    own = line.residual_sd[..., None] ** 2 * leverage
    variance = own + _carried(line, x, blocks, covariance)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(own > 0.0, line.df * (variance / own) ** 2, np.inf)
    reach = t_quantile(0.5 + level / 2.0, df) * np.sqrt(variance)
    fitted = line.at(x)
    return LineBand(x=x, fitted=fitted, lower=fitted - reach, upper=fitted + reach)


def slope_calibration_u(line: LineFit, blocks: Array, covariance: Array) -> float:
    """Return the standard uncertainty that the blocks' calibration gives to the slope."""
    belongs = (line.points[:, None] == blocks).astype(np.float64)
    weights = ((line.points - line.centre) / line.spread) @ belongs
    # a block's covariance is singular where errors are wholly in common: rounding may leave −1e-40
    return float(np.sqrt(max(0.0, weights @ covariance @ weights)))


def block_intervals(
    blocks: BlocksOfRange, *, level: float = 0.95, calibration_u: Array | float = 0.0
) -> tuple[Array, Array]:
    """Return the two-sided interval of the bias at each block, shape (..., b).

    mean ± t·√(s_within²/n_i + u_i²); NaN where nothing was repeated.
    """
    calibration_u = np.asarray(calibration_u, dtype=np.float64)
    own = blocks.within_sd[..., None] ** 2 / blocks.counts
    variance = own + calibration_u**2
    if blocks.within_df < 1:
        nothing = np.full(np.shape(blocks.means), np.nan)
        return nothing, nothing
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(own > 0.0, blocks.within_df * (variance / own) ** 2, np.inf)
    reach = t_quantile(0.5 + level / 2.0, df) * np.sqrt(variance)
    return blocks.means - reach, blocks.means + reach


def _carried(line: LineFit, x: Array, blocks: Array | None, covariance: Array | None) -> Array:
    """Return wᵀCw at each x."""
    if blocks is None or covariance is None:
        return np.zeros(len(x))
    belongs = (line.points[:, None] == blocks).astype(np.float64)
    per_point = 1.0 / len(line.points) + np.outer(x - line.centre, line.points - line.centre) / (
        line.spread
    )
    weights = per_point @ belongs
    carried: Array = np.einsum("mi,ij,mj->m", weights, covariance, weights)
    return carried
