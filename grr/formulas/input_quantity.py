"""What is known about one input of an uncertainty budget: its distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from grr.formulas.arrays import Array

DISTRIBUTIONS = ("normal", "readings", "rectangular", "triangular", "u-shaped")


@dataclass(frozen=True)
class InputQuantity:
    """An input and its distribution.

    Parameters
    ----------
    distribution : {"normal", "readings", "rectangular", "triangular", "u-shaped"}
    estimate : float
    size : float
        Standard uncertainty (normal, readings) or half-width (the others).
    df : float
        Degrees of freedom of ``size`` for readings and normal.
    limit_half_width : float
        By how much each limit of a rectangular distribution may itself be off.
    """

    distribution: str
    estimate: float
    size: float
    df: float = math.inf
    limit_half_width: float = 0.0

    @property
    def standard_u(self) -> float:
        """Standard uncertainty.

        Notes
        -----
        Source: JCGM 100:2008 (GUM), 4.3.7 (rectangular, a/√3), 4.3.9 (triangular, a/√6),
        H.1.3.4 (U-shaped, a/√2).
        """
        divisor = {"rectangular": 3.0, "triangular": 6.0, "u-shaped": 2.0}
        return self.size / math.sqrt(divisor.get(self.distribution, 1.0))

    @property
    def effective_df(self) -> float:
        """Degrees of freedom; those of an inexact half-width are ½(Δa/a)⁻².

        Notes
        -----
        Source: JCGM 100:2008 (GUM), equation (G.3).
        """
        if self.limit_half_width > 0.0:
            return 0.5 * (self.size / self.limit_half_width) ** 2
        return self.df

    @property
    def spread_is_endless(self) -> bool:
        """Whether the t distribution of the input has no finite standard deviation."""
        return self.distribution in ("normal", "readings") and self.df <= 2.0 and self.size > 0.0

    def values(self, z: Array, rng: np.random.Generator) -> Array:
        """Return values of the input from standard normal ones.

        Parameters
        ----------
        z : ndarray
            Standard normal values; correlated inputs get correlated ones, which is exact
            for normal inputs and a normal copula for others.
        rng : numpy.random.Generator
            For what a distribution needs beside z.

        Notes
        -----
        Source: JCGM 101:2008, 6.4 (6.4.9.4 for readings: the scaled and shifted t;
        6.4.3.4 for a rectangle with inexact limits).
        """
        return self.estimate + self.size * self._unit_values(z, rng)

    def _unit_values(self, z: Array, rng: np.random.Generator) -> Array:
        if self.distribution in ("normal", "readings"):
            if math.isinf(self.df):
                return z
            return np.asarray(z / np.sqrt(rng.chisquare(self.df, z.shape) / self.df))
        p = ndtr(z)
        if self.distribution == "rectangular":
            flat = 2.0 * p - 1.0
            if self.limit_half_width > 0.0:
                off = rng.uniform(-1.0, 1.0, z.shape) * self.limit_half_width / self.size
                return np.asarray(flat * (1.0 + off))
            return np.asarray(flat)
        if self.distribution == "triangular":
            return np.where(p < 0.5, np.sqrt(2.0 * p) - 1.0, 1.0 - np.sqrt(2.0 * (1.0 - p)))
        return np.asarray(-np.cos(np.pi * p))
