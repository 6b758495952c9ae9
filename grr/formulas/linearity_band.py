"""Bands around the line of bias over the range, with the blocks' own uncertainty in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.formulas.bias import t_quantile
from grr.formulas.linearity import Blocks, LineFit


@dataclass(frozen=True)
class Band:
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
) -> Band:
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
    return _band(line, x, leverage, level, _carried(line, x, blocks, covariance))


def prediction_band(line: LineFit, x: Array, *, level: float = 0.95) -> Band:
    """Return the band in which one further point of the fit would lie, at each x.

    A point is one reading, or the mean of one block where the line was fitted to means.

    Notes
    -----
    Source: Draper & Smith, Applied Regression Analysis, 3rd ed., section 3.1.
    """
    leverage = 1.0 + 1.0 / len(line.points) + (x - line.centre) ** 2 / line.spread
    return _band(line, x, leverage, level, np.zeros(len(x)))


def slope_calibration_u(line: LineFit, blocks: Array, covariance: Array) -> float:
    """Return the standard uncertainty that the blocks' calibration gives to the slope."""
    belongs = (line.points[:, None] == blocks).astype(np.float64)
    weights = ((line.points - line.centre) / line.spread) @ belongs
    return float(np.sqrt(weights @ covariance @ weights))


def block_intervals(
    blocks: Blocks, *, level: float = 0.95, calibration_u: Array | float = 0.0
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


def _band(line: LineFit, x: Array, leverage: Array, level: float, carried: Array) -> Band:
    own = line.residual_sd[..., None] ** 2 * leverage
    variance = own + carried
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(own > 0.0, line.df * (variance / own) ** 2, np.inf)
    reach = t_quantile(0.5 + level / 2.0, df) * np.sqrt(variance)
    fitted = line.at(x)
    return Band(x=x, fitted=fitted, lower=fitted - reach, upper=fitted + reach)
