"""Variance components of any sources, crossed or nested, by restricted maximum likelihood.

A source is a list of labels, one a reading: readings with one label share one random value.
Which sources are crossed and which nested lies in the labels alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grr.formulas.arrays import Array
from grr.formulas.reml_fit import (
    Sources,
    checked_codes,
    contrasts_of,
    cube_of_codes,
    fit,
    grid_of_cube,
    in_units,
    own_differences,
    rank_within,
)
from grr.model.errors import StudyError

Codes = NDArray[np.int64]

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
    own_differences : float
        See `grr.formulas.reml_fit.own_differences`.
    """

    variances: dict[str, float]
    error: float
    effects: Array
    covariance: Array
    log_likelihood: float
    own_differences: float

    @property
    def mean(self) -> float:
        """The mean, or the plain mean of the fixed labels' means."""
        return float(self.effects.mean())


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
    The first source has the rows of `grr.formulas.reml_fit`; a source whose labels stand with
    one of its labels each is inside the rows, every other across them.
    Source: as `grr.formulas.reml_fit.deviance`.
    """
    labels = [*sources.values(), *([] if fixed is None else [fixed])]
    values, codes = checked_codes(readings, *labels)
    cell = np.unique(np.column_stack(codes), axis=0, return_inverse=True)[1].ravel()
    column = rank_within(codes[0], cell)
    grid = grid_of_cube(cube_of_codes(values, codes[0], column)[None])
    model = cell_by_cell(codes[: len(sources)], column, codes[len(sources) :])
    starts = np.array([[1.0], [0.04], [25.0]]) ** (np.arange(len(sources) + 2) <= len(sources))
    try:
        found = in_units(grid, fit(grid, model, starts))
        variances, error = found.variances[0, : len(sources)], float(found.variances[0, -1])
        settled = found.converged[0] and (variances < 0.5 * LARGEST_RATIO * error).all()
    except np.linalg.LinAlgError:
        settled = False
    if not settled:
        raise StudyError(
            "The search for the variances did not settle",
            "Check the readings for mistakes (grr.check), or take the missing readings",
        )
    return MixedModelFit(
        variances=dict(zip(sources, variances.tolist(), strict=True)),
        error=error,
        effects=found.effects[0],
        covariance=found.covariance[0],
        log_likelihood=-0.5 * float(found.deviance[0]),
        own_differences=float(own_differences(found)[0]),
    )


def cell_by_cell(codes: list[Codes], column: Codes, fixed: list[Codes]) -> Sources:
    """Return the sources of one design; before the error one that is of cells if no other is."""
    row, count = codes[0], len(codes)
    cells = len(np.unique(np.column_stack([row, column]), axis=0))
    cell, labels = count, np.full(count + 2, np.inf)
    inside: list[tuple[int, Array]] = [(0, np.zeros((len(row), 0)))]
    across = inside + [(0, contrasts_of(int(code.max()) + 1)[code]) for code in fixed]
    for place, code in enumerate(codes):
        levels, within = int(code.max()) + 1, rank_within(row, code)
        if len(np.unique(np.column_stack([row, code]), axis=0)) > levels:
            across.append((place, contrasts_of(levels)[code]))
            labels[place] = levels
        elif place and levels == cells:
            cell = place
        else:
            inside.append((place, np.eye(int(within.max()) + 1)[within]))

    def laid_out(blocks: list[tuple[int, Array]]) -> tuple[Array, NDArray[np.intp]]:
        of_readings = np.hstack([block for _, block in blocks])
        found = np.zeros((int(row.max()) + 1, int(column.max()) + 1, of_readings.shape[1]))
        found[row, column] = of_readings
        return found, np.repeat([p for p, _ in blocks], [block.shape[1] for _, block in blocks])

    (z, inside_of), (h, across_of) = laid_out(inside), laid_out(across)
    means = contrasts_of(int(fixed[0].max()) + 1) if fixed else np.zeros((1, 0))
    return Sources(
        terms=np.arange(count + 2) != count,
        inside=z,
        inside_of=inside_of,
        cell=cell,
        across=h,
        across_of=across_of,
        fixed=np.pad(means, ((0, 0), (0, h.shape[-1] - means.shape[1]))),
        labels=labels,
    )
