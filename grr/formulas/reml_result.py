"""The result of a restricted-likelihood fit, in the unit of the readings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.formulas.cell_grid import CellGrid
from grr.formulas.components import Components
from grr.formulas.reml_fit import Fit, Model


@dataclass(frozen=True)
class RemlFit:
    """What restricted maximum likelihood found, one study or a stack of them.

    Attributes
    ----------
    components : Components
        Variances, in the unit of the readings squared; exactly 0 on the boundary, NaN
        where the model lacks the term or no search settled. With fixed operators
        ``operator`` is the mean square of their own differences, with the scatter of
        their means taken off; it may come out below 0.
    mean, mean_error : ndarray, shape (...)
        The mean by generalised least squares and its standard error. With fixed operators
        it is the plain mean of the operators' means.
    operator_means : ndarray, shape (..., operators)
        With fixed operators the mean of each, in the sorted order of their names; else
        shape (..., 0).
    operator_covariance : ndarray, shape (..., operators, operators)
        Covariance of the operators' means; else shape (..., 0, 0).
    log_likelihood : ndarray, shape (...)
        Restricted log likelihood; ∞ where repeats do not scatter.
    converged : ndarray of bool, shape (...)
        The conditions of a maximum hold; where not, every number is NaN.
    part_at_zero, operator_at_zero, interaction_at_zero : ndarray of bool, shape (...)
        The likelihood falls from 0 upwards: the component was estimated at the boundary.
    parts, operators : int
    cells, readings : ndarray, shape (...)
        How many cells hold readings, and how many readings there are.
    """

    components: Components
    mean: Array
    mean_error: Array
    operator_means: Array
    operator_covariance: Array
    log_likelihood: Array
    converged: Mask
    part_at_zero: Mask
    operator_at_zero: Mask
    interaction_at_zero: Mask
    parts: int
    operators: int
    cells: Array
    readings: Array

    def reshaped(self, stack: tuple[int, ...]) -> RemlFit:
        """Return the same with the first axis laid out as ``stack``."""
        result: RemlFit = _each_array(lambda a: a.reshape(stack + a.shape[1:]), self)
        return result


def in_units(grid: CellGrid, found: Fit) -> Fit:
    """Return the fit in the unit of the readings, their origin put back."""
    square = np.square(grid.scale)
    k = found.effects.shape[-1]
    stretched = np.log(np.where(grid.scale > 0.0, grid.scale, 1.0))
    return Fit(
        variances=found.variances * square[:, None],
        deviance=found.deviance + 2.0 * (grid.readings - k) * stretched,
        converged=found.converged,
        effects=grid.origin[:, None] + grid.scale[:, None] * found.effects,
        covariance=found.covariance * square[:, None, None],
    )


def labelled(grid: CellGrid, model: Model, found: Fit, components: Components) -> RemlFit:
    """Name what was found; ``found`` is in the unit of the readings.

    Without a part term the study is nested: its parts are the cells.
    """
    _, rows, operators = grid.counts.shape
    k = found.effects.shape[-1]
    kept = k if model.operators_fixed else 0
    zero = (found.variances == 0.0) & model.terms
    return RemlFit(
        components=components,
        mean=found.effects.mean(axis=-1),
        mean_error=np.sqrt(found.covariance.sum(axis=(-2, -1))) / k,
        operator_means=found.effects[:, :kept],
        operator_covariance=found.covariance[:, :kept, :kept],
        log_likelihood=-0.5 * found.deviance,
        converged=found.converged,
        part_at_zero=zero[:, 0] if model.part else zero[:, 2],
        operator_at_zero=zero[:, 1],
        interaction_at_zero=zero[:, 2] & model.part,
        parts=rows if model.part else int(grid.cells[0]),
        operators=operators,
        cells=grid.cells,
        readings=grid.readings,
    )


def own_differences(found: Fit) -> Array:
    """Return the mean square of fixed operators' differences, Σα²/o, less their means' scatter.

    The sum of squares of estimated effects is expected to be Σα² plus the trace of their
    covariance; where parts and operators are balanced the result is that of
    `grr.formulas.components.operators_fixed`.
    """
    operators = found.effects.shape[-1]
    centring = np.eye(operators) - 1.0 / operators
    scatter = np.einsum("ab,sab->s", centring, found.covariance)
    return np.asarray((np.square(found.effects @ centring).sum(axis=-1) - scatter) / operators)


def choose(first: Mask, if_first: RemlFit, otherwise: RemlFit) -> RemlFit:
    """Return, study by study, ``if_first`` where ``first`` is true, else ``otherwise``."""

    def merged(a: Array, b: Array) -> Array:
        mask = np.reshape(first, np.shape(first) + (1,) * (a.ndim - np.ndim(first)))
        return np.where(mask, a, b)

    result: RemlFit = _each_array(merged, if_first, otherwise)
    return result


def _each_array(change: Callable[..., Array], *results: Any) -> Any:
    """Return a result, or its components, with every array changed."""
    first = results[0]
    changed: dict[str, Any] = {}
    for name in (f.name for f in fields(first)):
        values = [getattr(result, name) for result in results]
        if isinstance(values[0], Components):
            changed[name] = _each_array(change, *values)
        else:
            changed[name] = values[0] if isinstance(values[0], int) else change(*values)
    return type(first)(**changed)
