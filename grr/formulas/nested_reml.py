"""Nested studies with lost readings or unequal numbers of parts, by restricted likelihood."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grr.formulas.arrays import Array
from grr.formulas.cell_grid import checked_codes, cube_of_codes, grid_of_cube
from grr.formulas.components import Components
from grr.formulas.nested import require_nested
from grr.formulas.reml_fit import FROM_EVERY_CORNER, Model, fit
from grr.formulas.reml_result import RemlFit, in_units, labelled, own_differences
from grr.model.values import one_of


def nested_reml(
    readings: ArrayLike, part: ArrayLike, operator: ArrayLike, *, operators: str = "random"
) -> RemlFit:
    """Estimate the components of a nested study, whatever readings are missing.

    Parameters
    ----------
    readings : array_like, shape (..., n)
        Finite; leading axes are a stack of studies of one design.
    part, operator : array_like, shape (n,)
        Numbers or names. Parts of two operators are two parts, even where they bear one
        name.
    operators : {"random", "fixed"}
        A sample of those who will measure, or all who ever will.

    Returns
    -------
    RemlFit
        ``parts`` is the number of all parts. The interaction cannot be told from parts:
        it is NaN, and the part variance holds it.

    Raises
    ------
    StudyError
        Nothing was measured twice, or every operator had one part.

    Notes
    -----
    Source: Searle, Casella & McCulloch, Variance Components (1992), sections 3.6 (the
    two-way nested classification) and 6.6 (restricted likelihood).
    """
    one_of("operators", operators, ("random", "fixed"))
    values, (part_codes, operator_codes) = checked_codes(readings, part, operator)
    rank = _rank_within(operator_codes, part_codes)
    cube = cube_of_codes(values, rank, operator_codes)
    grid = grid_of_cube(cube.reshape(-1, *cube.shape[-3:]))
    require_nested(grid.counts[0])
    several = grid.counts.shape[2] > 1
    model = Model(
        part=False,
        operator=several and operators == "random",
        interaction=True,
        operators_fixed=several and operators == "fixed",
    )
    found = in_units(grid, fit(grid, model, FROM_EVERY_CORNER))
    operator_variance = found.variances[:, 1]
    if model.operators_fixed:
        operator_variance = own_differences(found)
    elif not several:
        operator_variance = np.full(len(grid.counts), np.nan)
    repeatability = found.variances[:, 3]
    components = Components(
        part=found.variances[:, 2],
        operator=operator_variance,
        interaction=np.full_like(repeatability, np.nan),
        repeatability=repeatability,
        grr=repeatability + np.maximum(np.nan_to_num(operator_variance), 0.0),
    )
    return labelled(grid, model, found, components).reshaped(values.shape[:-1])


def nested_cube(readings: ArrayLike, part: ArrayLike, operator: ArrayLike) -> Array:
    """Lay the readings of one nested study out, shape (operators, parts, trials).

    NaN fills up where an operator had fewer parts or a part fewer readings; without any
    NaN the study is balanced, and `grr.formulas.nested.nested_anova` takes it.

    Parameters
    ----------
    readings, part, operator : array_like, shape (n,)
        As for `nested_reml`, one study.
    """
    values, (part_codes, operator_codes) = checked_codes(readings, part, operator)
    return cube_of_codes(values, operator_codes, _rank_within(operator_codes, part_codes))


def _rank_within(group: NDArray[np.int64], code: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the place of each code among the codes of its group, counted from 0."""
    pair, which = np.unique(group * (code.max() + 1) + code, return_inverse=True)
    pair_group = pair // (code.max() + 1)
    first = np.searchsorted(pair_group, pair_group)
    place: NDArray[np.int64] = (np.arange(len(pair)) - first)[which.ravel()]
    return place
