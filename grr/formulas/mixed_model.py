"""Variance components of any sources, crossed or nested, by restricted maximum likelihood.

A source is a list of labels, one a reading: readings with one label share one random value.
Which sources are crossed and which nested lies in the labels alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grr.formulas.arrays import Array
from grr.formulas.reml_fit import checked_codes
from grr.model.errors import StudyError

#: A variance so many times that of the error says that there is no error.
LARGEST_RATIO = 1e10


@dataclass(frozen=True)
class MixedModelFit:
    """What restricted maximum likelihood found.

    Attributes
    ----------
    variances : dict
        Source → variance, in the unit of the readings squared; exactly 0 on the boundary.
    error : float
        Variance of what no source explains.
    effects, covariance : ndarray
        The fixed effects by generalised least squares, and their covariance: one mean, or
        the mean of each fixed label in the sorted order of labels.
    log_likelihood : float
        Restricted log likelihood.
    """

    variances: dict[str, float]
    error: float
    effects: Array
    covariance: Array
    log_likelihood: float

    @property
    def mean(self) -> float:
        """The mean, or the plain mean of the fixed labels' means."""
        return float(self.effects.mean())

    @property
    def own_differences(self) -> float:
        """The mean square of the fixed labels' differences, less the scatter of their means.

        See `grr.formulas.reml.own_differences`.
        """
        count = len(self.effects)
        centring = np.eye(count) - 1.0 / count
        scatter = float(np.trace(centring @ self.covariance))
        return (float(np.square(centring @ self.effects).sum()) - scatter) / count


def fit_sources(
    readings: ArrayLike, sources: Mapping[str, ArrayLike], *, fixed: ArrayLike | None = None
) -> MixedModelFit:
    """Estimate the variance of each source, whatever the numbers of readings are.

    Parameters
    ----------
    readings : array_like, shape (readings,)
    sources : mapping
        Name → the label of each reading. A nested source has labels of its own within each
        of the labels around it.
    fixed : array_like, optional
        Labels whose means are fixed effects; else there is one mean.

    Raises
    ------
    StudyError
        No end of the search fulfils the conditions of a maximum: the readings of a cell do
        not differ at all, say, or two sources have the same labels.

    Notes
    -----
    With the variances γ in units of the error's, V = σ²·(I + ZΓZ'), and σ² drops out of the
    likelihood. What is solved is of the size of Z'Z, however many readings there are.
    Source: Patterson & Thompson, Biometrika 58 (1971), 545-554; Searle, Casella &
    McCulloch, Variance Components (1992), sections 6.6 and 8.3 (derivatives).
    """
    labels = [*sources.values(), *([] if fixed is None else [fixed])]
    values, codes = checked_codes(readings, *labels)
    likelihood = _Likelihood(values, codes[: len(sources)], codes[len(sources) :])
    ends = [likelihood.climb(np.full(len(sources), start)) for start in (0.04, 1.0, 25.0)]
    settled = [end for end in ends if end.settled]
    if not settled:
        raise StudyError(
            "The search for the variances did not settle",
            "Check the readings for mistakes (grr.check), or take the missing readings",
        )
    best = min(settled, key=lambda end: end.deviance)
    return likelihood.described(best, list(sources))


class _Likelihood:
    """The restricted deviance as a function of γ, one ratio of variances a source."""

    def __init__(
        self,
        readings: Array,
        sources: Sequence[NDArray[np.int64]],
        fixed: Sequence[NDArray[np.int64]],
    ) -> None:
        self.origin = float(readings.mean())
        self.scale = float(readings.std()) or 1.0
        y = (readings - self.origin) / self.scale
        x = np.ones((len(y), 1)) if not fixed else _columns(fixed[0])
        blocks = [_columns(codes) for codes in sources]
        z, both = np.hstack(blocks), np.column_stack([x, y])
        self.df, self.fixed = len(y) - x.shape[1], x.shape[1]
        self.source = np.repeat(np.arange(len(sources)), [block.shape[1] for block in blocks])
        self.zz, self.zm, self.mm = z.T @ z, z.T @ both, both.T @ both

    def at(self, ratios: Array) -> _Place:
        """Return the deviance at these ratios, less a constant, and how it changes."""
        from scipy.linalg import cholesky, solve_triangular

        k, count = self.fixed, len(ratios)
        a = np.sqrt(ratios)[self.source]
        half = cholesky(np.eye(len(a)) + a[:, None] * self.zz * a, lower=True)
        m = solve_triangular(half, a[:, None] * self.zm, lower=True)
        z = solve_triangular(half, a[:, None] * self.zz, lower=True)
        reduced = self.mm - m.T @ m
        inverse = np.asarray(np.linalg.inv(reduced[:k, :k]), dtype=np.float64)
        effects = inverse @ reduced[:k, k]
        rest = max(float(reduced[k, k] - reduced[:k, k] @ effects), 1e-300)
        through = self.zm - z.T @ m
        residual = through[:, k] - through[:, :k] @ effects  # Z'Py
        zpz = self.zz - z.T @ z - through[:, :k] @ inverse @ through[:, :k].T
        trace = np.bincount(self.source, np.diagonal(zpz), count)
        slope = trace - np.bincount(self.source, np.square(residual), count) * self.df / rest
        member = np.eye(count)[self.source]
        curvature = member.T @ np.square(zpz) @ member - np.outer(trace, trace) / self.df
        determinants = 2.0 * np.log(np.diagonal(half)).sum() - np.linalg.slogdet(inverse)[1]
        deviance = float(self.df * np.log(rest) + determinants)
        return _Place(ratios, deviance, slope, curvature, rest / self.df, effects, inverse)

    def climb(self, start: Array) -> _Place:
        """Return where the search ends: steps by expected curvature, none past zero."""
        here = self.at(start)
        for _ in range(200):
            free = (here.ratios > 0.0) | (here.slope < 0.0)
            step = np.zeros_like(start)
            step[free] = np.linalg.lstsq(
                here.curvature[np.ix_(free, free)], -here.slope[free], rcond=None
            )[0]
            following = here
            for share in 0.5 ** np.arange(30):
                ratios = np.clip(here.ratios + share * step, 0.0, LARGEST_RATIO)
                following = self.at(ratios)
                if following.deviance <= here.deviance:
                    break
            moved = np.abs(following.ratios - here.ratios) > 1e-10 * (1.0 + here.ratios)
            if not following.deviance <= here.deviance or not moved.any():
                break
            here = following
        return here

    def described(self, end: _Place, names: list[str]) -> MixedModelFit:
        """Return the fit in the unit of the readings."""
        error = self.scale**2 * end.error
        constant = np.log(2.0 * np.pi / self.df) + 1.0 + 2.0 * np.log(self.scale)
        return MixedModelFit(
            variances={name: error * float(g) for name, g in zip(names, end.ratios, strict=True)},
            error=error,
            effects=self.origin + self.scale * end.effects,
            covariance=error * end.covariance,
            log_likelihood=-0.5 * (end.deviance + self.df * float(constant)),
        )


@dataclass(frozen=True)
class _Place:
    """What is known at one place of the search, in the unit of the scaled readings."""

    ratios: Array
    deviance: float
    slope: Array
    curvature: Array
    error: float
    effects: Array
    covariance: Array

    @property
    def settled(self) -> bool:
        """Whether the conditions of a maximum hold, and the error has not shrunk to nothing."""
        gain = np.where(self.ratios > 0.0, np.abs(self.ratios * self.slope), -self.slope)
        return bool((gain < 1e-6).all() and (self.ratios < 0.5 * LARGEST_RATIO).all())


def _columns(codes: NDArray[np.int64]) -> Array:
    """Return a column of ones and zeros for each label."""
    return np.asarray(np.eye(int(codes.max()) + 1)[codes])
