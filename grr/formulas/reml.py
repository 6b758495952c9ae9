"""Variance components of crossed studies with lost readings, by restricted likelihood."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from grr.formulas.arrays import Array
from grr.formulas.cell_grid import CellGrid, checked_codes, cube_of_codes, designs, grid_of_cube
from grr.formulas.components import Components
from grr.formulas.reml_design import interaction_shows, require_crossed
from grr.formulas.reml_fit import FROM_EQUAL, FROM_EVERY_CORNER, Model, fit
from grr.formulas.reml_result import RemlFit, in_units, labelled, own_differences
from grr.model.values import one_of


def reml(
    readings: ArrayLike,
    part: ArrayLike,
    operator: ArrayLike,
    *,
    interaction: bool = True,
    operators: str = "random",
) -> RemlFit:
    """Estimate the components of a crossed study, whatever readings are missing.

    Parts are random. The restricted likelihood is maximised from many starts and the best
    end is taken, so that no local stop passes for the estimate.

    Parameters
    ----------
    readings : array_like, shape (..., n)
        Finite; leading axes are a stack of studies of one design.
    part, operator : array_like, shape (n,)
        Which part and which operator each reading belongs to: numbers or names.
    interaction : bool
        Whether the model has the part-by-operator interaction (random).
    operators : {"random", "fixed"}
        A sample of those who will measure, or all who ever will. With one operator there
        is no operator term.

    Returns
    -------
    RemlFit

    Raises
    ------
    StudyError
        The design cannot tell the components apart.

    Notes
    -----
    Source: Patterson & Thompson, Biometrika 58 (1971), 545-554; Searle, Casella &
    McCulloch, Variance Components (1992), section 6.6. On balanced data with positive
    estimates it is the analysis of variance (ibid., section 3.8).
    """
    values, codes = checked_codes(readings, part, operator)
    grid = _stacked(cube_of_codes(values, *codes))
    return _crossed(grid, interaction, operators, FROM_EVERY_CORNER).reshaped(values.shape[:-1])


def reml_of_cube(
    readings: ArrayLike, *, interaction: bool = True, operators: str = "random"
) -> RemlFit:
    """Estimate the components of crossed studies that each lack other readings.

    Parameters
    ----------
    readings : array_like, shape (..., parts, operators, trials)
        NaN where a reading is missing; leading axes are a stack of studies.
    interaction, operators
        As for `reml`.
    """
    cube = np.asarray(readings, dtype=np.float64)
    grid = _stacked(cube)
    return _crossed(grid, interaction, operators, FROM_EVERY_CORNER).reshaped(cube.shape[:-3])


def reml_components(
    readings: ArrayLike,
    part: ArrayLike,
    operator: ArrayLike,
    *,
    interaction: bool = True,
    operators: str = "random",
) -> Components:
    """Return the components only, by one search: for thousands of simulated studies.

    Parameters are those of `reml`. Where a study is small and half of it is lost, the one
    search may end on a lower top than that of `reml` (1 in 1,000 of those simulated). A
    study whose search did not settle is NaN throughout.
    """
    values, codes = checked_codes(readings, part, operator)
    grid = _stacked(cube_of_codes(values, *codes))
    quick = _crossed(grid, interaction, operators, FROM_EQUAL)
    return quick.reshaped(values.shape[:-1]).components


def _stacked(cube: Array) -> CellGrid:
    return grid_of_cube(cube.reshape(-1, *cube.shape[-3:]))


def _crossed(grid: CellGrid, interaction: bool, operators: str, starts: Array) -> RemlFit:
    one_of("operators", operators, ("random", "fixed"))
    seen = np.zeros(len(grid.counts), dtype=np.bool_)
    for counts, studies in designs(grid):
        require_crossed(counts, interaction=interaction)
        seen[studies] = interaction_shows(counts)
    several = grid.counts.shape[2] > 1
    model = Model(
        part=True,
        operator=several and operators == "random",
        interaction=interaction,
        operators_fixed=several and operators == "fixed",
    )
    found = in_units(grid, fit(grid, model, starts))
    part, operator, between, error = np.moveaxis(found.variances, -1, 0)
    if model.operators_fixed:
        operator = own_differences(found)
    elif not several:
        operator = np.full_like(error, np.nan)
    if not interaction:
        between = np.where(seen, 0.0, np.nan)
    components = Components(
        part=part,
        operator=operator,
        interaction=between,
        repeatability=error,
        grr=error + np.nan_to_num(operator) + np.nan_to_num(between),
    )
    return labelled(grid, model, found, components)
