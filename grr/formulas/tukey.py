"""Tukey's pairwise differences: every pair judged together at one family-wise level."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from grr.formulas.arrays import Array


@dataclass(frozen=True)
class PairwiseDifferences:
    """Differences of every pair of means.

    Attributes
    ----------
    first, second : tuple of int
        Places of the two means; the difference is first − second.
    difference : ndarray, shape (..., pairs)
    half_width : ndarray, shape (...)
        What is added and taken off for the simultaneous interval; a difference larger
        than that is significant.
    """

    first: tuple[int, ...]
    second: tuple[int, ...]
    difference: Array
    half_width: Array

    @property
    def lower(self) -> Array:
        """Lower limits of the simultaneous intervals."""
        return self.difference - self.half_width[..., None]

    @property
    def upper(self) -> Array:
        """Upper limits of the simultaneous intervals."""
        return self.difference + self.half_width[..., None]


def tukey_pairs(
    means: Array, error_of_mean: Array | float, df: int, *, level: float = 0.95
) -> PairwiseDifferences:
    """Return all pairwise differences with simultaneous intervals.

    |difference| is compared with q·s, where q is the quantile of the studentized range
    of k means with ``df`` degrees of freedom and s the standard error of one mean.

    Parameters
    ----------
    means : ndarray, shape (..., k)
    error_of_mean : ndarray, shape (...)
        Standard error of one mean, √(mean square / readings behind the mean).
    df : int
        Degrees of freedom of that mean square.
    level : float
        Family-wise confidence.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 3.5.7 (Tukey's test).
    """
    means = np.asarray(means, dtype=np.float64)
    k = means.shape[-1]
    first, second = np.triu_indices(k, 1)
    return PairwiseDifferences(
        first=tuple(int(i) for i in first),
        second=tuple(int(i) for i in second),
        difference=means[..., first] - means[..., second],
        half_width=np.asarray(studentized_range_quantile(level, k, df) * np.asarray(error_of_mean)),
    )


def tukey_p(difference: Array, error_of_mean: Array | float, groups: int, df: int) -> Array:
    """Return the family-wise p value of each difference of two of ``groups`` means."""
    from scipy.stats import studentized_range

    error = np.asarray(error_of_mean, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        q = np.abs(difference) / error
    return np.asarray(studentized_range.sf(q, groups, df), dtype=np.float64)


@lru_cache(maxsize=64)
def studentized_range_quantile(probability: float, groups: int, df: int) -> float:
    """Return the quantile of the range of ``groups`` means in units of their standard error.

    Notes
    -----
    Source: `scipy.stats.studentized_range`; tables in Montgomery, appendix (Tukey's test).
    """
    from scipy.stats import studentized_range

    return float(studentized_range.ppf(probability, groups, df))
