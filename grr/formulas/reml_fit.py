"""Maximises the restricted likelihood of a grid of cells, whatever the sources and the data.

From bottom to top: the grid, the sources, the projection that takes the fixed effects out, the
likelihood with its derivatives, the search, the fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grr.formulas.arrays import Array, Mask, each_array, joined
from grr.model.errors import StudyError

#: The places of the variances of parts, operators and interaction; the last is the error's.
_PART, _OPERATOR, _INTERACTION = range(3)

# Readings of unbalanced studies, summed up on a grid of rows × operators.
# ------------------------------------------------------------------------


@dataclass(frozen=True)
class CellGrid:
    """All that a normal model of the cells needs to know of the readings.

    The readings are shifted and scaled, study by study, so that they have mean square 1
    about their mean. Studies are stacked along the first axis.

    Attributes
    ----------
    counts : ndarray, shape (studies, rows, operators)
        Readings in each cell; 0 where nothing was measured.
    means : ndarray, shape (studies, rows, operators)
        Cell means, shifted and scaled; 0 where nothing was measured.
    within : ndarray, shape (studies,)
        Sum of squares of the readings about their cell means, scaled; no less than rounding
        may make.
    origin, scale : ndarray, shape (studies,)
        A reading is ``origin + scale × (shifted and scaled reading)``. A study whose
        readings are all alike has the scale 0.
    rounding : ndarray, shape (studies,)
        A scaled standard deviation below this one is nothing but rounding.
    """

    counts: Array
    means: Array
    within: Array
    origin: Array
    scale: Array
    rounding: Array

    def __getitem__(self, chosen: Mask | NDArray[np.intp] | slice) -> CellGrid:
        """Return the studies chosen."""
        return each_array(lambda values: values[chosen], self)

    @property
    def filled(self) -> Mask:
        """Where something was measured."""
        return self.counts > 0

    @property
    def readings(self) -> Array:
        """How many readings each study has."""
        total: Array = self.counts.sum(axis=(-2, -1))
        return total

    @property
    def cells(self) -> Array:
        """How many cells of each study hold readings."""
        total: Array = self.filled.sum(axis=(-2, -1)).astype(np.float64)
        return total


def designs(grid: CellGrid) -> list[tuple[Array, NDArray[np.intp]]]:
    """Return each pattern of counts, shape (rows, operators), and the studies that have it."""
    studies, rows, columns = grid.counts.shape
    if (grid.counts == grid.counts[:1]).all():
        return [(grid.counts[0], np.arange(studies))]
    patterns, which = np.unique(
        grid.counts.reshape(-1, rows * columns), axis=0, return_inverse=True
    )
    return [
        (pattern.reshape(rows, columns), np.flatnonzero(which.ravel() == number))
        for number, pattern in enumerate(patterns)
    ]


def checked_codes(readings: ArrayLike, *labels: ArrayLike) -> tuple[Array, list[NDArray[np.int64]]]:
    """Return the readings as numbers, and each list of labels as codes from 0 without gaps.

    Raises
    ------
    StudyError
        A reading is not finite, or the lists differ in length.
    """
    values = np.asarray(readings, dtype=np.float64)
    if not np.isfinite(values).all():
        raise StudyError(
            "A reading is missing or not a finite number",
            "Leave missing readings out, with their part and operator",
        )
    codes = [np.unique(np.asarray(label), return_inverse=True)[1].ravel() for label in labels]
    if values.ndim == 0 or values.shape[-1] == 0 or any(len(c) != values.shape[-1] for c in codes):
        raise StudyError(
            "Readings, parts and operators are not lists of one length",
            "Give one part and one operator for each reading",
        )
    return values, [code.astype(np.int64) for code in codes]


def cube_of_codes(readings: Array, row: NDArray[np.int64], column: NDArray[np.int64]) -> Array:
    """Lay out readings of one design, shape (..., rows, columns, trials), NaN where none is.

    Parameters
    ----------
    readings : ndarray, shape (..., n)
    row, column : ndarray of int, shape (n,)
        The cell of each reading; codes from 0 without gaps.
    """
    cell = row * (column.max() + 1) + column
    order = np.argsort(cell, kind="stable")
    trial = np.empty_like(cell)
    trial[order] = np.arange(len(cell)) - np.searchsorted(cell[order], cell[order])
    shape = (int(row.max()) + 1, int(column.max()) + 1, int(trial.max()) + 1)
    cube = np.full(readings.shape[:-1] + shape, np.nan)
    cube[..., row, column, trial] = readings
    return cube


def rank_within(group: NDArray[np.int64], code: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the place of each code among the codes of its group, counted from 0."""
    pair, which = np.unique(group * (code.max() + 1) + code, return_inverse=True)
    pair_group = pair // (code.max() + 1)
    first = np.searchsorted(pair_group, pair_group)
    place: NDArray[np.int64] = (np.arange(len(pair)) - first)[which.ravel()]
    return place


def grid_of_cube(readings: Array) -> CellGrid:
    """Sum up readings laid out as an array; each study may lack other ones.

    Parameters
    ----------
    readings : ndarray, shape (studies, rows, operators, trials)
        NaN where a reading is missing.

    Raises
    ------
    StudyError
        A study without any reading.
    """
    flat = readings.reshape(len(readings), -1)
    taken = np.isfinite(flat)
    if not taken.any(axis=-1).all():
        raise StudyError("Every reading is missing", "Take readings first")
    first = np.take_along_axis(flat, taken.argmax(axis=-1)[:, None], axis=-1)
    from_first = np.where(taken, flat - first, 0.0)
    n = taken.sum(axis=-1, keepdims=True)
    offset = from_first.sum(axis=-1, keepdims=True) / n
    deviations = np.where(taken, from_first - offset, 0.0)
    rms = np.sqrt(np.square(deviations).sum(axis=-1, keepdims=True) / n)
    eps = np.finfo(np.float64).eps
    largest = np.abs(first) + np.abs(from_first).max(axis=-1, keepdims=True)
    varies = rms > 4.0 * eps * largest
    scale = np.where(varies, rms, 1.0)
    scaled = (np.where(varies, deviations, 0.0) / scale).reshape(readings.shape)
    in_cube = taken.reshape(readings.shape)
    counts = in_cube.sum(axis=-1).astype(np.float64)
    means = scaled.sum(axis=-1) / np.maximum(counts, 1.0)
    within = np.square(np.where(in_cube, scaled - means[..., None], 0.0))
    rounding = np.maximum(1e-12, 8.0 * eps * largest / scale)[:, 0]
    repeats = np.maximum((counts - in_cube.any(axis=-1)).sum(axis=(-2, -1)), 1.0)
    return CellGrid(
        counts=counts,
        means=means,
        within=np.maximum(within.sum(axis=(-3, -2, -1)), np.square(rounding) * repeats),
        origin=(first + offset)[:, 0],
        scale=np.where(varies, rms, 0.0)[:, 0],
        rounding=rounding,
    )


# Which readings share a random value: the sources of a model, cell by cell.
# ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Sources:
    """The sources of variation of one design; the last variance is that of the error.

    Attributes
    ----------
    terms : ndarray of bool, shape (variances,)
        The sources in the model; the variances of the others stay 0.
    inside : ndarray, shape (rows or 1, columns, labels)
        A column of ones and zeros for each label that only cells of one row share; the first
        is shared by the whole row.
    inside_of : ndarray of int, shape (labels,)
        The source, by its place in ``terms``, that each of them is of.
    cell : int
        The source with a label for each cell.
    across : ndarray, shape (rows or 1, columns, contrasts)
        Orthonormal contrasts of the labels of sources that rows have in common: their common
        level goes with the mean.
    across_of : ndarray of int, shape (contrasts,)
        The source that each of them is of.
    fixed : ndarray, shape (means, contrasts)
        Fixed labels in these contrasts; one row of zeros where there is one mean.
    labels : ndarray, shape (variances,)
        How many labels a random source across rows has; else ∞.
    """

    terms: Mask
    inside: Array
    inside_of: NDArray[np.intp]
    cell: int
    across: Array
    across_of: NDArray[np.intp]
    fixed: Array
    labels: Array


def crossed_sources(
    operators: int, *, part: bool, interaction: bool, operators_fixed: bool
) -> Sources:
    """Return part, operator and interaction where rows are parts and columns operators."""
    contrasts = contrasts_of(operators)
    random = operators > 1 and not operators_fixed
    return Sources(
        terms=np.array([part, random, interaction, True]),
        inside=np.ones((1, operators, 1)),
        inside_of=np.array([_PART]),
        cell=_INTERACTION,
        across=contrasts[None],
        across_of=np.full(operators - 1, _OPERATOR),
        fixed=contrasts if operators_fixed else np.zeros((1, operators - 1)),
        labels=np.array([np.inf, operators if random else np.inf, np.inf, np.inf]),
    )


@lru_cache(maxsize=32)
def contrasts_of(labels: int) -> Array:
    """Return orthonormal contrasts of labels, shape (labels, labels − 1)."""
    from scipy.linalg import helmert

    contrasts: Array = np.ascontiguousarray(helmert(labels).T)
    contrasts.setflags(write=False)
    return contrasts


# The matrix P of the restricted likelihood, which takes the fixed effects out.
# -----------------------------------------------------------------------------
# The cell means have the covariance ::
#
#     V = Σ variance_j·Z_j Z_j' + error·diag(1/counts),
#
# Z_j with a column of ones and zeros for each label of source j. Without the sources that
# rows have in common it falls into one block for each row. With W⁻¹ the diagonal of a block
# (error and cells), Z the labels inside the row and Θ their variances, its inverse is ::
#
#     R = W − RZΘZ'W,   RZ = WZ(I + ΘZ'WZ)⁻¹
#
# (Woodbury). The mean and the contrasts H across rows come in by matrices of the size of H::
#
#     P = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹ = R − U M U'.
#
# P itself, cells × cells, is never formed: its traces follow row by row and from U'U.


@dataclass(frozen=True)
class Projection:
    """What the likelihood needs of the matrix P; the order is that of the sources.

    Attributes
    ----------
    trace : ndarray, shape (studies, sources)
        tr(PV_j), V_j the derivative of V by a variance.
    pair : ndarray, shape (studies, sources, sources)
        tr(PV_jPV_k).
    form : ndarray, shape (studies, sources)
        y'PV_jPy.
    residual : ndarray, shape (studies, rows, columns)
        Py, with zeros for empty cells.
    log_det : ndarray, shape (studies,)
        log det V + log det X'V⁻¹X.
    effects : ndarray, shape (studies, k)
        Fixed effects by generalised least squares: the mean, or the mean of each fixed label.
    covariance : ndarray, shape (studies, k, k)
        Covariance of the fixed effects.
    """

    trace: Array
    pair: Array
    form: Array
    residual: Array
    log_det: Array
    effects: Array
    covariance: Array


def projection(grid: CellGrid, sources: Sources, variances: Array) -> Projection:
    """Return what P gives, and the fixed effects, at the variances, shape (studies, variances).

    First the mean is taken out of R, which leaves R₁; then the contrasts H across rows, with
    their variances D (1, and no I, for fixed ones)::

        S = H'R₁H,   N = (I + DS)⁻¹,   K = ND,   P = R₁ − R₁H K H'R₁,   PH = R₁H N.

    Sums over a row are far smaller than their terms where parts differ much more than the
    gauge scatters. They are therefore written down directly, not left over from a subtraction.
    """
    z, h = sources.inside, sources.across
    places = np.eye(len(sources.terms) - 1)
    across = places[sources.across_of]
    labels, columns, contrasts = z.shape[-1], z.shape[-2], h.shape[-1]
    variance = variances[:, sources.cell, None, None] + (
        variances[:, -1, None, None] / np.maximum(grid.counts, 1.0)
    )
    weight = np.where(grid.counts > 0, 1.0 / variance, 0.0)
    theta = variances[:, None, sources.inside_of]
    weighted = weight[..., None] * z
    inner = _transposed(z) @ weighted
    core, log_det = _inverse(np.eye(labels) + theta[..., None] * inner)
    shrunk = weighted @ core  # RZ
    summed = shrunk[..., 0]

    def solved(values: Array) -> Array:
        """Return R·values, shape (studies, rows, columns, any)."""
        inside = theta[..., None] * (_transposed(weighted) @ values)
        return np.asarray(weight[..., None] * values - shrunk @ inside)

    # R by labels of the row, and U by these, then by cells: the mean, then the contrasts R₁H
    r = inner @ core
    u = np.empty((*weight.shape[:2], labels + columns, 1 + contrasts))
    total = summed.sum(axis=(-2, -1))[:, None]
    share = (summed[..., None, :] @ h).sum(axis=1)[:, 0] / total
    u[..., :labels, 0] = r[..., 0] / np.sqrt(total)[..., None]
    u[..., labels:, 0] = summed / np.sqrt(total)[..., None]
    u[..., :labels, 1:] = _transposed(shrunk) @ h - r[..., :1] * share[:, None, None]
    u[..., labels:, 1:] = solved(h)
    u[..., labels:, 1:] -= summed[..., None] * share[:, None, None]
    s = (_transposed(h) @ u[..., labels:, 1:]).sum(axis=1)
    random = np.where(sources.fixed.any(axis=0), 0.0, 1.0)
    d = np.where(random, variances[:, sources.across_of], 1.0)
    n, log_det_across = _inverse(np.diag(random) + d[..., None] * s)
    k, kept = n * d[:, None], n * random

    # the fixed effects, and y less all of them
    level = (summed * grid.means).sum(axis=(-2, -1))[:, None] / total
    sums = (_transposed(h) @ solved((grid.means - level[..., None])[..., None])).sum(axis=1)
    effects = k @ sums
    level = level - (share[:, None] @ effects)[:, 0]
    left = grid.means - level[..., None] - (h @ effects[:, None])[..., 0]
    residual = solved(left[..., None])
    form = np.square(_transposed(shrunk) @ left[..., None]).sum(axis=1)[..., 0]
    form = form @ places[sources.inside_of] + np.square(_transposed(kept) @ sums)[..., 0] @ across

    inside_of = sources.inside_of
    if sources.terms[sources.cell]:
        inside_of = np.append(inside_of, np.full(columns, sources.cell))
        r = np.block([[r, _transposed(shrunk)], [shrunk, solved(np.eye(columns))]])
    within = places[inside_of]
    trace, pair = _traces(r, u[..., : len(within), :], k, within)
    through, beside = s @ kept, u[..., : len(within), 1:] @ kept[:, None]
    beside = within.T @ np.einsum("srim,srim->sim", beside, beside) @ across
    slope = sources.fixed - share[:, None]
    covariance = slope @ k @ _transposed(slope) + 1.0 / total[..., None]
    return Projection(
        trace=trace + np.einsum("sii->si", through) @ across,
        pair=pair + across.T @ np.square(through) @ across + beside + _transposed(beside),
        form=form + np.square(residual).sum(axis=(1, 2)) * places[sources.cell],
        residual=residual[..., 0],
        log_det=log_det.sum(axis=-1)
        + log_det_across
        + np.log(total[:, 0])
        - np.log(len(sources.fixed))
        + np.log(np.where(grid.counts > 0, variance, 1.0)).sum(axis=(-2, -1)),
        effects=level + (sources.fixed @ effects)[..., 0],
        covariance=covariance + (variances / sources.labels).sum(axis=-1)[:, None, None],
    )


def _traces(r: Array, u: Array, k: Array, within: Array) -> tuple[Array, Array]:
    """Return tr(PV_j) and tr(PV_jPV_k) = ‖Z_j'PZ_k‖² of sources within rows; P = R − U M U'.

    R and U are by label of the row; ``within`` says which source each label is of.
    """
    m = np.zeros((len(k), u.shape[-1], u.shape[-1]))  # 1 for the mean, then K
    m[:, 0, 0], m[:, 1:, 1:] = 1.0, k
    products = np.zeros((within.shape[1], *m.shape))
    for source in np.flatnonzero(within.any(axis=0)):
        of_source = u[:, :, within[:, source] > 0].reshape(len(u), -1, u.shape[-1])
        products[source] = m @ (_transposed(of_source) @ of_source)
        del of_source  # as large as U
    taken = u @ m[:, None] @ _transposed(u)
    diagonal = np.einsum("srii->si", r) - np.einsum("srii->si", taken)
    squares = np.einsum("srij,srij->sij", r, r) - 2.0 * np.einsum("srij,srij->sij", r, taken)
    pair = within.T @ squares @ within + np.einsum("jsab,isba->sji", products, products)
    return diagonal @ within, pair


def _transposed(matrices: Array) -> Array:
    return matrices.swapaxes(-1, -2)


def _inverse(matrices: Array) -> tuple[Array, Array]:
    """Return inverses of matrices, and their log det."""
    if matrices.shape[-1] == 1:
        return 1.0 / matrices, np.log(matrices[..., 0, 0])
    return np.asarray(np.linalg.inv(matrices)), np.asarray(np.linalg.slogdet(matrices)[1])


# The restricted likelihood of the cell means, with its first and second derivatives.
# -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Deviance:
    """Minus twice the restricted log likelihood, and how it changes with the variances.

    Attributes
    ----------
    value : ndarray, shape (studies,)
    gradient : ndarray, shape (studies, variances)
    expected : ndarray, shape (studies, variances, variances)
        Expected matrix of second derivatives.
    """

    value: Array
    gradient: Array
    expected: Array

    def __getitem__(self, chosen: Mask | NDArray[np.intp]) -> Deviance:
        """Return the studies chosen."""
        return each_array(lambda values: values[chosen], self)

    def replaced(self, places: NDArray[np.intp], other: Deviance) -> Deviance:
        """Return the same with the studies at ``places`` taken from ``other``."""
        new = each_array(np.copy, self)
        for values, theirs in zip(vars(new).values(), vars(other).values(), strict=True):
            values[places] = theirs
        return new


def deviance(grid: CellGrid, sources: Sources, variances: Array) -> Deviance:
    """Evaluate the restricted likelihood of each study at its variances.

    Parameters
    ----------
    grid : CellGrid
    sources : Sources
    variances : ndarray, shape (studies, variances)
        In the order of the sources, scaled as the grid. The error, the last, is positive.

    Notes
    -----
    Source: Searle, Casella & McCulloch, Variance Components (1992), section 6.6: with
    V_j the derivative of V by a variance, the first derivatives are
    tr(PV_j) − y'PV_jPy, the expected second ones tr(PV_jPV_k). The scatter within cells
    is independent of their means and adds (n − cells)·log(error) + within/error. As
    V = Σ variance_j·V_j and PVP = P, also y'Py = Σ variance_j·y'PV_jPy, a sum without
    cancellation.
    """
    at = projection(grid, sources, variances)
    counts = np.maximum(grid.counts, 1.0)
    known, error = variances[:, :-1], variances[:, -1]
    k = at.effects.shape[-1]
    spare = grid.readings - grid.cells

    # the error's row and column: V = Σ variance_k·V_k, and so PVP = P
    of_error = (grid.cells - k - (at.trace * known).sum(axis=-1)) / error
    across = (at.trace - (at.pair @ known[..., None])[..., 0]) / error[:, None]
    corner = (of_error - (across * known).sum(axis=-1)) / error
    trace = np.column_stack([at.trace, of_error])
    expected = np.zeros((len(variances), *[trace.shape[-1]] * 2))
    expected[:, :-1, :-1] = at.pair
    expected[:, :-1, -1] = expected[:, -1, :-1] = across
    form = np.column_stack([at.form, (np.square(at.residual) / counts).sum(axis=(-2, -1))])

    value = (
        at.log_det
        + np.log(counts).sum(axis=(-2, -1))
        + (form * variances).sum(axis=-1)
        + spare * np.log(error)
        + grid.within / error
        + (grid.readings - k) * np.log(2.0 * np.pi)
    )
    gradient = trace - form
    gradient[:, -1] += spare / error - grid.within / error**2
    expected[:, -1, -1] = corner + spare / error**2
    return Deviance(value, gradient, expected)


# Maximises the restricted likelihood over variances that are at least zero.
# --------------------------------------------------------------------------

_MOST_STEPS = 500
#: A step is halved, where it does not lower the deviance, down to this share of it.
_SHORTEST = 1e-5
#: Deviances that differ by less, relatively, are alike.
_ROUNDING = 1e-12
#: Predicted gains in deviance: below the first the search is over; below the second it is
#: good enough where rounding stops it. 1e-8 is a step of 1e-4 standard errors.
_OVER, _GOOD_ENOUGH = 1e-20, 1e-8
#: A gain that is good enough and no longer falls to this share of the last is rounding.
_PROGRESS = 0.9
#: Steps after which searches with less to gain are compared, and the squared distance, in standard
#: errors, at which two of them count as one.
_MEETINGS, _NEAR, _TOGETHER = (2, 3, 5, 8), 1.0, 1e-2


def minimise(
    grid: CellGrid, sources: Sources, start: Array, study: NDArray[np.intp]
) -> tuple[Array, Array, Mask]:
    """Search for the minimum of the deviance, from one or more starts for each study.

    Each step solves the quadratic problem with the expected second derivatives exactly,
    bounds included (Fisher scoring: on balanced data with positive estimates one step
    reaches the analysis of variance), and goes half as far where it turns back. No step raises
    the deviance. Of searches of one study that meet on the way, the lowest goes on; the
    deviance of the others is ∞.

    Parameters
    ----------
    grid : CellGrid
        One entry for each search. No study fits the model without any error.
    sources : Sources
    start : ndarray, shape (searches, variances)
        Shares of the variances.
    study : ndarray of int, shape (searches,)
        The study that each search is of.

    Returns
    -------
    variances : ndarray, shape (searches, variances)
        Where the search ended, scaled as the grid; exactly 0 on the boundary.
    deviance : ndarray, shape (searches,)
        Minus twice the restricted log likelihood of the scaled readings.
    converged : ndarray of bool, shape (searches,)
        The conditions of a minimum hold: no slope where a variance is positive, none
        downhill where it is 0.
    """
    variances = np.where(sources.terms, start, 0.0)
    variances /= variances.sum(axis=-1, keepdims=True)
    at = deviance(grid, sources, variances)
    values = at.value.copy()
    converged = np.zeros(len(study), dtype=np.bool_)
    running, last = np.arange(len(study)), np.full(len(study), np.inf)
    before = np.zeros_like(variances)
    for number in range(_MOST_STEPS):
        here = variances[running]
        step = bounded_step(at, here, sources.terms)
        gain = (step[:, None, :] @ at.expected @ step[..., None])[:, 0, 0]
        turned = (step[:, None, :] @ at.expected @ before[running][..., None])[:, 0, 0] < 0.0
        step[turned] *= 0.5
        step /= np.maximum(1.0, -step[:, -1] / (0.9 * here[:, -1]))[:, None]
        before[running] = step
        converged[running] = gain < _GOOD_ENOUGH
        rounding = (gain < _GOOD_ENOUGH) & (gain > _PROGRESS * last[running])
        last[running] = gain
        ahead = ~(rounding | (gain < _OVER))
        if number in _MEETINGS:
            twin = _follows(study[running], here, at, gain) & ahead
            values[running[twin]] = np.inf
            ahead &= ~twin
        running = running[ahead]
        if not len(running):
            break
        there, at, moved = _descend(grid[running], sources, here[ahead], at[ahead], step[ahead])
        running, at = running[moved], at[moved]
        variances[running], values[running] = there[moved], at.value
    return variances, values, converged


def _follows(study: NDArray[np.intp], here: Array, at: Deviance, gain: Array) -> Mask:
    """Say which searches near their end have met a lower one of the same study."""
    order = np.lexsort((at.value, study))
    _, first, which = np.unique(study[order], return_index=True, return_inverse=True)
    leader = np.empty_like(order)
    leader[order] = order[first][which]
    apart = here - here[leader]
    distance = (apart[:, None, :] @ at.expected[leader] @ apart[..., None])[:, 0, 0]
    near = (gain < _NEAR) & (gain[leader] < _NEAR)
    return np.asarray(near & (distance < _TOGETHER) & (leader != np.arange(len(study))))


def bounded_step(at: Deviance, variances: Array, terms: Mask) -> Array:
    """Return the step to the minimum of the expected quadratic with no variance below 0.

    The quadratic is convex, so one choice of variances held at 0 meets the conditions of
    its minimum; with three sources there are at most eight choices to try.
    """
    steps = np.zeros_like(variances)
    least = np.full(len(variances), np.inf)
    left = np.arange(len(variances))
    choices = product(*[(True, False) if term else (False,) for term in terms[:-1]])
    for choice in sorted(choices, key=sum, reverse=True):
        free = np.array([*choice, True])
        here, gradient, second = variances[left], at.gradient[left], at.expected[left]
        step = _step_on(free, here, gradient, second)
        slope = gradient + (second @ step[..., None])[..., 0]
        unit = np.sqrt(np.where(terms, np.einsum("saa->sa", second), 1.0))
        below = np.where(free, -(here + step) * unit, 0.0).max(axis=-1)
        downhill = np.where(terms & ~free, -slope / unit, 0.0).max(axis=-1)
        violation = np.maximum(below, downhill)
        better = violation < least[left]
        chosen = left[better]
        least[chosen] = violation[better]
        steps[chosen] = np.maximum(step[better], -variances[chosen])
        left = left[violation > _ROUNDING]
        if not len(left):
            break
    return steps


def _step_on(free: Mask, here: Array, gradient: Array, second: Array) -> Array:
    """Return the step to the minimum of a quadratic, the variances not free going to 0."""
    step = np.where(free, 0.0, -here)
    slope = gradient + (second @ step[..., None])[..., 0]
    square = second[:, free][:, :, free]
    unit = 1.0 / np.sqrt(np.abs(np.einsum("saa->sa", square)))
    scaled = square * unit[:, :, None] * unit[:, None, :]
    step[:, free] = -unit * np.linalg.solve(scaled, (unit * slope[:, free])[..., None])[..., 0]
    return step


def _descend(
    grid: CellGrid, sources: Sources, here: Array, at: Deviance, step: Array
) -> tuple[Array, Deviance, Mask]:
    """Return where each search goes, the deviance there, and whether it went anywhere.

    It goes as far along ``step`` as lowers the deviance.
    """
    there = here + step
    new = deviance(grid, sources, there)
    limit = at.value + _ROUNDING * (1.0 + np.abs(at.value))
    left = np.flatnonzero(~(new.value <= limit))
    length = 0.5
    while len(left) and length > _SHORTEST:
        there[left] = here[left] + length * step[left]
        trial = deviance(grid[left], sources, there[left])
        new = new.replaced(left, trial)
        left = left[~(trial.value <= limit[left])]
        length *= 0.5
    moved = np.ones(len(here), dtype=np.bool_)
    moved[left] = False
    return there, new, moved


# Fits the random-effects model to a grid of cells, whatever the data look like.
# ------------------------------------------------------------------------------


def _every_corner() -> Array:
    """Return shares of part, operator, interaction and error to start from.

    Equal ones, and each choice of terms present with the error small or very small.
    """
    starts = [np.full(4, 0.25)]
    for error in (0.05, 0.001):
        for present in product((0.0, 1.0), repeat=3):
            if any(present):
                shares = np.array(present) / sum(present)
                starts.append(np.append(shares * (1.0 - error), error))
    return np.array(starts)


#: Where several searches start. The likelihood of a small, very unbalanced study can have
#: more than one top: 198 of 72,000 simulated with up to half of the readings lost, none
#: with 10 parts and 3 operators. From equal shares the lower one was found in 71; from
#: these starts in none, as 80 random starts for each of the 198 confirmed.
FROM_EVERY_CORNER = _every_corner()
#: From this many places for cells on, one search from equal shares is enough: of 4,100 studies
#: of 240 to 480 places with 30 to 60 % of the readings lost it missed the highest top in none.
_LARGE = 240
#: So that the arrays of one search stay in the processor's cache.
_NUMBERS_AT_A_TIME = 200_000
#: How much better an end that did not settle must be to be taken.
_UNSETTLED = 1e-6


@dataclass(frozen=True)
class Fit:
    """The fitted model, in the scale of the grid; NaN where no search settled.

    Attributes
    ----------
    variances : ndarray, shape (studies, variances)
        In the order of the sources; 0 on the boundary and where not in the model.
    deviance : ndarray, shape (studies,)
        Minus twice the restricted log likelihood; −∞ where nothing scatters.
    converged : ndarray of bool, shape (studies,)
    effects : ndarray, shape (studies, k)
        The mean, or the mean of each fixed label.
    covariance : ndarray, shape (studies, k, k)
        Covariance of the effects.
    """

    variances: Array
    deviance: Array
    converged: Mask
    effects: Array
    covariance: Array


def fit(grid: CellGrid, sources: Sources, starts: Array = FROM_EVERY_CORNER) -> Fit:
    """Maximise the restricted likelihood of each study, a few at a time.

    Where repeats are all alike (a coarse gauge) the likelihood has no bound as the
    repeatability goes to 0. It is stopped where the readings' own rounding begins; what is no
    larger is then 0, and the other variances are those of the limit.

    Parameters
    ----------
    grid : CellGrid
    sources : Sources
    starts : ndarray, shape (starts, 4)
        The best end of all searches is taken.
    """
    if grid.counts[0].size >= _LARGE:
        starts = starts[:1]
    numbers = len(starts) * grid.counts[0].size * grid.counts.shape[2]
    at_a_time = max(1, _NUMBERS_AT_A_TIME // numbers)
    studies = len(grid.counts)
    found = joined(
        [
            _search_together(grid[first : first + at_a_time], sources, starts)
            for first in range(0, studies, at_a_time)
        ]
    )
    nothing = 2.0 * grid.readings * np.square(grid.rounding)
    exact = found.variances[:, -1] <= nothing
    found.variances[exact[:, None] & (found.variances <= nothing[:, None])] = 0.0
    found.deviance[exact] = -np.inf
    return found


def _search_together(grid: CellGrid, sources: Sources, starts: Array) -> Fit:
    studies = len(grid.counts)
    study = np.tile(np.arange(studies), len(starts))
    ends = minimise(grid[study], sources, np.repeat(starts, studies, axis=0), study)
    settled = np.where(ends[2], ends[1], ends[1] + _UNSETTLED)
    best = settled.reshape(len(starts), studies).argmin(axis=0)
    variances, value, converged = (end[best * studies + np.arange(studies)] for end in ends)
    at = projection(grid, sources, variances)
    found = Fit(variances, value, converged, at.effects, at.covariance)
    for numbers in (found.variances, found.deviance, found.effects, found.covariance):
        numbers[~found.converged] = np.nan
    return found


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


def own_differences(found: Fit) -> Array:
    """Return the mean square of fixed operators' differences, Σα²/o, less their means' scatter.

    The sum of squares of estimated effects is expected to be Σα² plus the trace of their
    covariance; where parts and operators are balanced the result is that of
    `grr.formulas.analysis_of_variance.among_people`.
    """
    operators = found.effects.shape[-1]
    centring = np.eye(operators) - 1.0 / operators
    scatter = np.einsum("ab,sab->s", centring, found.covariance)
    return np.asarray((np.square(found.effects @ centring).sum(axis=-1) - scatter) / operators)
