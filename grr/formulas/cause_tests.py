"""Which single thing makes a study's error larger than it need be: tests of many suspects.

One study, parts × operators × trials, complete. Each family of suspects (an operator's
offset, one cell, one reading, a drift ...) gives the smallest p value of its members,
multiplied by their number and divided by the family's share of one budget of false alarms: a
p value adjusted for everything that was looked at (Bonferroni, with weights). How the repeats
scatter is the subject of `grr.formulas.scatter_tests`, whose six tests have one share of that
budget. So all together accuse a clean study in at most one of twenty.

Sources: analysis of means (Ott; Nelson, Wludyka & Copeland, The Analysis of Means, SIAM
2005) for the offsets; Cook & Weisberg, Residuals and Influence in Regression (1982), chapter
2, for single readings; Montgomery, Design and Analysis of Experiments, sections 2.6 (two
variances) and 10.3 (extra sum of squares). Scores, shares and search are this project's own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, fdtri

from grr.formulas.arrays import Array, product
from grr.formulas.scatter_tests import (
    FINDS,
    SCATTER_LEVEL,
    Normal,
    compared,
    neighbours_alike,
    outliers,
)

#: The families of suspects.
Family = Literal[
    "operator_offset",
    "operator_scatter",
    "part",
    "interaction",
    "interaction_of_operator",
    "interaction_of_cell",
    "slip",
    "drift",
    "step",
    "trial_shift",
    "outliers",
    "size",
    "autocorrelation",
    "place",
]
#: How the families share what `grr.formulas.scatter_tests.SCATTER_LEVEL` leaves of `LEVEL`, the
#: budget of false alarms: more where a cause is harder to see.
SHARES: dict[Family, float] = {
    "operator_offset": 0.06,
    "interaction": 0.04,
    "interaction_of_operator": 0.10,
    "interaction_of_cell": 0.05,
    "slip": 0.05,
    "drift": 0.03,
    "step": 0.10,
    "trial_shift": 0.03,
}
#: What shows within the cells is taken off first: it may explain offsets and interactions,
#: but no offset or interaction shows within a cell.
WITHIN: tuple[Family, ...] = (
    "operator_scatter",
    "part",
    "slip",
    "drift",
    "step",
    "trial_shift",
    "outliers",
    "size",
    "autocorrelation",
    "place",
)
#: What the scatter tests find that is no single operator, part or reading; looked for once.
_AT_LARGE: tuple[Family, ...] = ("outliers", "size", "autocorrelation", "place")
#: All families together accuse a clean study at most this often; the rest of one in twenty is
#: left to the findings of the check that no cause explains.
LEVEL = 0.045
#: An interaction with a p value above this is pooled with the error in the tests.
POOL_ABOVE = 0.25
#: How many causes are looked for, one after the other.
MOST = 6


@dataclass(frozen=True)
class Shape:
    """A change in the readings of known shape and unknown size.

    ``values`` (parts, operators, trials) is the change for size 1; ``operator`` is None
    where it concerns all; ``place`` is the trial or reading from which it acts, ``sitting``
    where it acts, both None where that does not apply.
    """

    family: Family
    values: Array
    operator: int | None = None
    sitting: int | None = None
    trials: tuple[int, ...] = ()
    place: tuple[int, int, int] | None = None


@dataclass(frozen=True, eq=False)
class Battery:
    """The suspects of one design; ``normal`` is what its clean studies show, if looked at."""

    parts: int
    operators: int
    trials: int
    shapes: tuple[Shape, ...] = ()
    within: dict[Family, tuple[Array, tuple[int, ...]]] = field(default_factory=dict)
    normal: Normal | None = None


def battery(
    parts: int,
    operators: int,
    trials: int,
    shapes: list[Shape],
    normal: Normal | None = None,
) -> Battery:
    """Return the suspects of a design; shapes that repeats of one part cannot show are left out.

    Of shapes that are alike within the cells the first is kept. Without ``normal`` the scatter
    is not tested.
    """
    within: dict[Family, tuple[Array, tuple[int, ...]]] = {}
    if not shapes:
        return Battery(parts, operators, trials, normal=normal)
    values = np.array([shape.values for shape in shapes])
    left = (values - values.mean(axis=-1, keepdims=True)).reshape(len(shapes), -1)
    norm = np.sqrt(np.square(left).sum(axis=1))
    shown = norm > 1e-6 * np.abs(values).reshape(len(shapes), -1).max(axis=1)
    unit = left / np.where(shown, norm, 1.0)[:, None]
    alike = np.tril(np.abs(product(unit, unit.T)) > 1.0 - 1e-9, -1)
    shown &= ~(alike & shown).any(axis=1)
    for family in SHARES:
        kept = [int(n) for n in np.flatnonzero(shown) if shapes[n].family == family]
        if kept:
            within[family] = unit[kept], tuple(kept)
    return Battery(parts, operators, trials, tuple(shapes), within, normal)


def trial_shapes(parts: int, operators: int, trials: int) -> list[Shape]:
    """Return the shifts between trials, of everyone and of each operator."""
    groups = [tuple(range(k, trials)) for k in range(1, trials)]
    groups += [(k,) for k in range(1, trials - 1)]
    found = []
    for operator in (None, *range(operators if operators > 1 else 0)):
        for group in groups:
            values = np.zeros((parts, operators, trials))
            values[:, slice(None) if operator is None else operator, list(group)] = 1.0
            found.append(Shape("trial_shift", values, operator, trials=group))
    return found


def sitting_shapes(since: Array, sitting: Array, *, least_side: int = 3) -> list[Shape]:
    """Return drifts and steps within sittings.

    Parameters
    ----------
    since, sitting : ndarray, shape (parts, operators, trials)
        How long the sitting had lasted, and its number.
    least_side : int
        Readings that must lie on either side of a step.
    """
    drifts, steps = [Shape("drift", since.copy())], []
    numbers = np.unique(sitting)
    for number in numbers:
        inside = sitting == number
        who = np.unique(np.nonzero(inside)[1])
        operator = int(who[0]) if len(who) == 1 else None
        if len(numbers) > 1:
            drifts.append(Shape("drift", np.where(inside, since, 0.0), operator, int(number)))
        times = np.sort(since[inside])
        for first in times[least_side : len(times) - least_side + 1]:
            after = inside & (since >= first)
            i, j, k = (int(n[0]) for n in np.nonzero(inside & (since == first)))
            steps.append(Shape("step", after.astype(float), operator, int(number), place=(i, j, k)))
    return [*drifts, *steps]


class Accused(NamedTuple):
    """The member of a family with the smallest score, and its p value."""

    family: Family
    member: int
    p: float


Counts = tuple[int, int, int]


class Sums(NamedTuple):
    """Sums of squares of a stack of complete studies, with the deviations that make them."""

    operator: Array  # (..., o), mean deviation
    cell: Array  # (..., p, o), interaction deviation
    error: Array  # (..., p, o, r), within cells
    ss_operator: Array
    ss_interaction: Array
    ss_error: Array


def sums(y: Array) -> Sums:
    """Split complete studies (..., p, o, r) into strata; the parts are left out."""
    p, _, r = y.shape[-3:]
    cell = y.mean(axis=-1)
    error = y - cell[..., None]
    cell = cell - cell.mean(axis=-1, keepdims=True)
    operator = cell.mean(axis=-2)
    cell = cell - operator[..., None, :]
    return Sums(
        operator,
        cell,
        error,
        p * r * np.square(operator).sum(axis=-1),
        r * np.square(cell).sum(axis=(-1, -2)),
        np.square(error).sum(axis=(-1, -2, -3)),
    )


def scores(
    y: Array, tests: Battery, floor: Array | float = 0.0
) -> dict[Family, tuple[Array, Array]]:
    """Return family → adjusted p and index of its worst member, of a stack of studies.

    The adjusted p may be above 1; families that the design cannot test leave their share
    to the others.

    Parameters
    ----------
    y : ndarray, shape (..., p, o, r)
    tests : Battery
    floor : ndarray, shape (...)
        Least variance of a repeat: the rounding error of the gauge.
    """
    p, o, r = y.shape[-3:]
    s = sums(y)
    df_i, df_e = (p - 1) * (o - 1), p * o * (r - 1)
    found: dict[Family, tuple[Array, Array, int]] = {}
    ms_e = np.maximum(s.ss_error / df_e, floor) if df_e else np.full(y.shape[:-3], np.nan)
    ms_i = np.maximum(s.ss_interaction / df_i, floor) if df_i else ms_e
    tiny = 1e-300
    if df_i and df_e:
        f = ms_i / np.maximum(ms_e, tiny)
        found["interaction"] = (_tail(df_i, df_e, f), np.zeros(f.shape, dtype=int), 1)
        if o > 2:
            rows = r * np.square(s.cell).sum(axis=-2) * o / (o - 1) / (p - 1)
            best = rows.argmax(axis=-1)
            f = rows.max(axis=-1) / np.maximum(ms_e, tiny)
            found["interaction_of_operator"] = (_tail(p - 1, df_e, f), best, o)
    if df_i > 1:
        found["interaction_of_cell"] = _cells(s, df_i, df_e, ms_e, floor)
    if df_i:
        found["operator_offset"] = _offsets(s, y.shape[-3:], ms_i, ms_e)
    if df_e + df_i > 2:
        found["slip"] = _slips(s, y.shape[-3:], floor)
    flat = s.error.reshape(*y.shape[:-3], p * o * r)
    for family, (rows, _) in tests.within.items():
        if df_e < 2:
            continue
        along = np.square(flat @ rows.T)
        best = along.argmax(axis=-1)
        explained = along.max(axis=-1)
        left = np.maximum((s.ss_error - explained) / (df_e - 1), np.maximum(floor, tiny))
        found[family] = (_tail(1, df_e - 1, explained / left), best, len(rows))
    budget = 1.0 if tests.normal is None else 1.0 - SCATTER_LEVEL / LEVEL
    whole = sum(SHARES[family] for family in found) / budget
    adjusted = {
        family: (np.asarray(least * members * whole / SHARES[family]), index)
        for family, (least, index, members) in found.items()
    }
    if tests.normal is not None:
        adjusted |= _of_scatter(y, s, tests.normal, floor, whole / SHARES["slip"])
    return adjusted


def _of_scatter(
    y: Array, s: Sums, normal: Normal, floor: Array | float, weight: float
) -> dict[Family, tuple[Array, Array]]:
    """Return family → adjusted p and index, of the one that the scatter tests name; 1 elsewhere.

    Where single readings are the plainest, an operator or a part that is found too may be why.
    Simulated p values end at one in some thousand studies. Below that, an operator or a part
    counts as sure as its variance beside those of the others says, times the weight of a single
    reading, so that it can be compared with what other tests found.
    """
    p, o, r = y.shape[-3:]
    within = np.square(s.error).sum(axis=-1)
    look = compared(y, normal)
    found: dict[Family, tuple[Array, Array]] = {}
    for number, family in enumerate(FINDS):
        if family not in normal.tested:
            continue
        chance = look.p[..., number] * (LEVEL / SCATTER_LEVEL)
        index = np.zeros(chance.shape, dtype=int)
        if family in ("operator_scatter", "part"):
            groups = within.sum(axis=-2 if family == "operator_scatter" else -1)
            df = p * o * (r - 1) // groups.shape[-1]
            least, index, members = _scatter(groups, df, floor)
            sure = np.minimum(chance, least * members * weight)
            chance = np.where(chance < LEVEL, sure, chance)
        named = look.named == number
        if family in ("operator_scatter", "part"):
            named |= look.named == FINDS.index("outliers")
        found[family] = (np.where(named, chance, 1.0), index)
    return found


def seen_from(groups: int, df: int) -> float:
    """Return from how much scatter on one of several groups is named nine times in ten.

    Parameters
    ----------
    groups, df : int
        Operators or parts, and degrees of freedom of the repeats of each.

    Returns
    -------
    float
        Ratio of its standard deviation to that of the others.

    Notes
    -----
    The largest of several variances against all others, at the share that one of the six tests
    of scatter has: Montgomery, Design and Analysis of Experiments, on inferences about variances
    (from memory). Beside simulation: tests/coverage/causes.md.
    """
    rest = df * (groups - 1)
    level = SCATTER_LEVEL / len(FINDS) / groups
    return float(np.sqrt(fdtri(df, rest, 1.0 - level) / fdtri(df, rest, 0.1)))


def _tail(df: float, df_below: float, f: Array) -> Array:
    return np.asarray(fdtrc(df, df_below, np.minimum(f, 1e12)))


def _scatter(squares: Array, df: int, floor: Array | float) -> tuple[Array, Array, int]:
    """Return the test of the largest of several variances against all others."""
    groups = squares.shape[-1]
    best = squares.argmax(axis=-1)
    largest = squares.max(axis=-1)
    rest = (squares.sum(axis=-1) - largest) / (df * (groups - 1))
    f = largest / df / np.maximum(rest, np.maximum(floor, 1e-300))
    return _tail(df, df * (groups - 1), f), best, groups


def _offsets(s: Sums, shape: tuple[int, ...], ms_i: Array, ms_e: Array) -> tuple[Array, Array, int]:
    """Return the test of the operator furthest from the mean of the others."""
    p, o, r = shape
    df_i, df_e = (p - 1) * (o - 1), p * o * (r - 1)
    square = np.square(s.operator)
    along = p * r * square.max(axis=-1) * o / (o - 1)
    alone = _tail(1, df_i, along / np.maximum(ms_i, 1e-300))
    best, members = square.argmax(axis=-1), o if o > 2 else 1
    if not df_e:
        return alone, best, members
    pooled = (ms_i * df_i + ms_e * df_e) / (df_i + df_e)
    together = _tail(1, df_i + df_e, along / np.maximum(pooled, 1e-300))
    pool = _tail(df_i, df_e, ms_i / np.maximum(ms_e, 1e-300)) > POOL_ABOVE
    return np.where(pool, together, alone), best, members


def _cells(
    s: Sums, df_i: int, df_e: int, ms_e: Array, floor: Array | float
) -> tuple[Array, Array, int]:
    """Return the test of the cell furthest from where its part and operator put it."""
    p, o, r = s.error.shape[-3:]
    flat = np.square(s.cell).reshape(*s.cell.shape[:-2], p * o)
    best = flat.argmax(axis=-1)
    along = r * flat.max(axis=-1) * (p / (p - 1)) * (o / (o - 1))
    rest = np.maximum(s.ss_interaction - along, 0.0)
    ms_rest = np.maximum(rest / (df_i - 1), np.maximum(floor, 1e-300))
    alone = _tail(1, df_i - 1, along / ms_rest)
    members = p * o if o > 2 else p
    if not df_e:
        return alone, best, members
    pooled = np.maximum((rest + s.ss_error) / (df_i - 1 + df_e), np.maximum(floor, 1e-300))
    together = _tail(1, df_i - 1 + df_e, along / pooled)
    pool = _tail(df_i - 1, df_e, ms_rest / np.maximum(ms_e, 1e-300)) > POOL_ABOVE
    return np.where(pool, together, alone), best, members


def slip_size(s: Sums, index: NDArray[np.intp]) -> Array:
    """Return how far each reading (by flat index) is from where part and operator put it."""
    p, o, r = s.error.shape[-3:]
    u = (s.error + s.cell[..., None]).reshape(*s.error.shape[:-3], p * o * r)
    kept = (1.0 - 1.0 / r) + (p - 1) * (o - 1) / (p * o * r)
    return np.asarray(np.take_along_axis(u, index[..., None], axis=-1)[..., 0] / kept)


def _slips(s: Sums, shape: tuple[int, ...], floor: Array | float) -> tuple[Array, Array, int]:
    """Return the test of the reading furthest from the others.

    Judged by part and operator together where, without it, no interaction shows; else
    against the repeats of its own cell alone.
    """
    p, o, r = shape
    n, df_i, df_e = p * o * r, (p - 1) * (o - 1), p * o * (r - 1)
    least = np.maximum(floor, 1e-300)
    error = s.error.reshape(*s.error.shape[:-3], n)
    cell = np.repeat(s.cell.reshape(*s.cell.shape[:-2], p * o), r, axis=-1)
    u = np.abs(error + cell)
    best = u.argmax(axis=-1)
    b = slip_size(s, best)
    e_b, c_b = (np.take_along_axis(v, best[..., None], axis=-1)[..., 0] for v in (error, cell))
    in_e, in_i = 1.0 - 1.0 / r, df_i / (p * o * r)
    left_e = np.maximum(s.ss_error - 2.0 * b * e_b + b * b * in_e, 0.0)
    left_i = np.maximum(s.ss_interaction - 2.0 * b * c_b + b * b * in_i, 0.0)
    along = b * b * (in_e + in_i)
    df = df_e + df_i - 1
    together = _tail(1, df, along / np.maximum((left_e + left_i) / df, least))
    if df_e < 2 or not df_i:
        return together, best, n
    f = left_i / df_i / np.maximum(left_e / (df_e - 1), least)
    pool = _tail(df_i, df_e - 1, f) > POOL_ABOVE
    within = (np.abs(error) + 1e-6 * u).argmax(axis=-1)
    e_w = np.take_along_axis(error, within[..., None], axis=-1)[..., 0]
    along = np.square(e_w) / in_e
    left = np.maximum((s.ss_error - along) / (df_e - 1), least)
    alone = _tail(1, df_e - 1, along / left)
    return np.where(pool, together, alone), np.where(pool, best, within), n


# The search: the strongest suspect, then again without it.
# ---------------------------------------------------------


@dataclass(frozen=True)
class Left:
    """A study with some causes taken off, and how much of it still tells the variances.

    ``y`` as it would be read; ``lost`` and ``shrunk`` count degrees of freedom of operator,
    interaction and error that were fitted, or that no longer tell anything of their own;
    ``excess`` is what the operators' mean square holds above that of the interaction
    because of what was taken off; ``lumped`` says that this is one operator's own scatter.
    """

    y: Array
    lost: Counts = (0, 0, 0)
    shrunk: Counts = (0, 0, 0)
    excess: float = 0.0
    lumped: bool = False

    def without(
        self,
        y: Array,
        *,
        lost: Counts = (0, 0, 0),
        shrunk: Counts = (0, 0, 0),
        excess: float = 0.0,
        lumped: bool = False,
    ) -> Left:
        """Return what is left, read as ``y``, once a further cause is taken off."""
        a, b, c = (one + more for one, more in zip(self.lost, lost, strict=True))
        d, e, f = (one + more for one, more in zip(self.shrunk, shrunk, strict=True))
        return Left(y, (a, b, c), (d, e, f), self.excess + excess, self.lumped or lumped)


@dataclass(frozen=True, eq=False)  # found again by identity: arrays do not compare
class Suspect:
    """A cause that chance does not explain.

    Attributes
    ----------
    family : str
    size : float
        Offset, change, deviation of a cell or slip in the unit of the readings; ratio of
        two standard deviations for scatter; sd of the cells for an interaction.
    df : (int, int)
        Of the ratio above and below; (0, df of the error) elsewhere.
    p : float
        Adjusted for everything that was looked at.
    before, after : Left
    error : float
        Standard error of the size; NaN for ratios and interactions.
    part, operator, trial : int or None
    shape : Shape or None
    """

    family: Family
    size: float
    df: tuple[int, int]
    p: float
    before: Left
    after: Left
    error: float = np.nan
    part: int | None = None
    operator: int | None = None
    trial: int | None = None
    shape: Shape | None = None


#: Interactions that a simpler one may explain, the simplest first.
_SIMPLER: dict[Family, tuple[Family, ...]] = {
    "interaction": ("interaction_of_cell", "interaction_of_operator"),
    "interaction_of_operator": ("interaction_of_cell",),
}
#: How many times larger the p value of the simpler one may be.
_AS_SURE: dict[Family, float] = {"interaction_of_cell": 1e30, "interaction_of_operator": 10.0}
_MANY_CELLS: tuple[Family, ...] = ("interaction", "interaction_of_operator")


def find_causes(
    y: Array, tests: Battery, step: float = 0.0, *, level: float = LEVEL
) -> list[Suspect]:
    """Return the causes that chance does not explain, strongest first; see `causes_of_many`."""
    return causes_of_many(y[None], tests, np.array([step]), level=level)[0]


def causes_of_many(
    y: Array, tests: Battery, step: Array, *, level: float = LEVEL
) -> list[list[Suspect]]:
    """Return the causes that chance does not explain, strongest first, study by study.

    The strongest suspect is taken off the readings and all tests are made again; what shows
    within the cells goes first (see `WITHIN`), and one cell goes before many where it
    explains all that they show. After the scatter of an operator or part has been found, its
    readings count by their own scatter.

    Parameters
    ----------
    y : ndarray, shape (studies, p, o, r)
    tests : Battery
    step : ndarray, shape (studies,)
        The last digit of the readings; 0 where they are as good as continuous.
    level : float
        Chance of any cause in a clean study.
    """
    found: list[list[Suspect]] = [[] for _ in y]
    taken: list[list[Accused]] = [[] for _ in y]
    floor, weighed, going = np.square(step) / 12.0, y.copy(), np.arange(len(y))
    for _ in range(MOST):
        scored = scores(weighed[going], tests, floor[going])
        accused = np.any([p < level for p, _ in scored.values()], axis=0)
        still = []
        for row, place in zip(np.flatnonzero(accused), going[accused], strict=True):
            left = found[place][-1].after if found[place] else Left(y[place])
            here = weighed[place].copy()
            now = {name: (float(p[row]), int(member[row])) for name, (p, member) in scored.items()}
            known = (left, here, y[place], tests, float(floor[place]))
            worst = _next(now, taken[place], known, level)
            if worst is not None:
                suspect, weighed[place] = _taken_off(worst, left, here, tests)
                found[place].append(suspect)
                taken[place].append(worst)
                still.append(int(place))
        if not still:
            break
        going = np.array(still)
    return found


def _next(
    scored: dict[Family, tuple[float, int]],
    taken: list[Accused],
    known: tuple[Left, Array, Array, Battery, float],
    level: float,
) -> Accused | None:
    """Return what to take off next; None where nothing is left that chance does not explain."""
    left, weighed, y, tests, floor = known
    seen = {(one.family, one.member) for one in taken}
    at_large = any(one.family in _AT_LARGE for one in taken)
    offsets = sum(one.family == "operator_offset" for one in taken)
    accused = [
        Accused(family, member, min(p, 1.0))
        for family, (p, member) in scored.items()
        if p < level
        and (family, member) not in seen
        and not (at_large and family in FINDS)
        and (family != "operator_offset" or offsets < y.shape[1] - 1)
        and _shows(family, member, left)
    ]
    if not accused:
        return None
    accused.sort(key=lambda one: one.p)
    worst = next((one for one in accused if one.family in WITHIN), accused[0])
    simpler = _SIMPLER.get(worst.family, ())
    for one in sorted(accused, key=lambda one: one.family not in simpler[:1]):
        if one.family not in simpler or one.p > worst.p * _AS_SURE[one.family]:
            continue
        without = scores(_taken_off(one, left, weighed, tests)[1], tests, floor)
        scores_left = [float(without[name][0]) for name in _MANY_CELLS if name in without]
        if min(scores_left) >= level:
            worst = one
            break
    if worst.family == "operator_offset":
        worst = worst._replace(member=_furthest(weighed, y))
    likelier = _likelier(worst, weighed, tests, floor)
    known_already = (likelier.family, likelier.member) in seen
    shows = _shows(likelier.family, likelier.member, left)
    return likelier if shows and not known_already else worst


def _shows(family: Family, member: int, left: Left) -> bool:
    """Whether what is left holds an accused at all, beyond the dust of rounding.

    Of an operator or a part whether it repeats worse than the others; of an interaction whether
    degrees of freedom are left to show it.
    """
    p, o, _ = left.y.shape
    if family in _MANY_CELLS:
        return bool(left.lost[1] < (p - 1) * (o - 1))
    if family not in ("operator_scatter", "part"):
        return True
    axes = (0, 2) if family == "operator_scatter" else (1, 2)
    squares = np.square(sums(left.y).error).sum(axis=axes)
    return bool(squares[member] > max(squares.mean(), 1e-24 * np.square(left.y).sum()))


#: What else may look like it: a step that makes an operator's mean high, a part whose repeats
#: scatter and hold one reading far out, ... Which of them it is called, the likelihood says.
_RIVALS: dict[Family, tuple[Family, ...]] = {
    "operator_offset": ("step",),
    "drift": ("step",),
    "trial_shift": ("step",),
    "place": ("step", "trial_shift"),
    "outliers": ("slip", "part", "operator_scatter"),
    "slip": ("part", "operator_scatter"),
    "part": ("slip",),
    "size": ("part",),
    "interaction": ("part",),
    "interaction_of_cell": ("part",),
}


def _likelier(accused: Accused, weighed: Array, tests: Battery, floor: float) -> Accused:
    """Return the accused, or the rival under which the readings are likelier.

    That something is there has been tested; what it is called is a choice between models of as
    many readings, each with its largest likelihood, divided by the number of members that it was
    the largest of. No more clean studies are accused by it.
    """
    u = weighed - weighed.mean(axis=(1, 2), keepdims=True)
    best, most = accused, _likelihood(accused, weighed, tests, floor)
    for family in _RIVALS.get(accused.family, ()):
        rival = _best_of(family, accused, u, tests)
        if rival is not None and (likelihood := _likelihood(rival, weighed, tests, floor)) > most:
            best, most = rival, likelihood
    return best


def _best_of(family: Family, accused: Accused, u: Array, tests: Battery) -> Accused | None:
    """Return the member of a family that explains most, of the operator who is accused."""
    p, _, r = u.shape
    alone = u - u.mean(axis=(0, 2), keepdims=True)
    if family == "slip":
        return accused._replace(family=family, member=int(np.abs(alone).argmax()))
    if family in ("part", "operator_scatter"):
        axes, groups = ((1, 2), p) if family == "part" else ((0, 2), u.shape[1])
        if r < 2 or groups < 3:
            return None
        worst = int(np.square(alone).sum(axis=axes).argmax())
        return accused._replace(family=family, member=worst)
    if family not in tests.within:
        return None
    explained = _along(family, u, tests)
    if accused.family == "operator_offset" and u.shape[1] > 2:
        who = np.array(
            [tests.shapes[n].operator == accused.member for n in tests.within[family][1]]
        )
        explained = np.where(who, explained, -1.0)
    return accused._replace(family=family, member=int(explained.argmax()))


def _along(family: Family, u: Array, tests: Battery) -> Array:
    """Return the sum of squares that each shape of a family explains, the parts left out."""
    x = np.array([tests.shapes[n].values for n in tests.within[family][1]])
    x = x - x.mean(axis=(-1, -2), keepdims=True)
    explained = np.square((x * u).sum(axis=(1, 2, 3))) / np.square(x).sum(axis=(1, 2, 3))
    return np.asarray(explained)


def _likelihood(accused: Accused, weighed: Array, tests: Battery, floor: float) -> float:
    """Return the logarithm of the likelihood, less that of the number of members."""
    family, index, _ = accused
    p, o, r = weighed.shape
    u = weighed - weighed.mean(axis=(1, 2), keepdims=True)
    n = p * (o * r - 1)
    least = max(floor, 1e-300)
    if family in tests.within:
        members = len(tests.within[family][1])
        left = float(np.square(u).sum() - _along(family, u, tests)[index])
        if family == "step" and tests.shapes[tests.within[family][1][index]].operator is not None:
            members //= o  # of this operator
        return _normal(n, left, least) - float(np.log(members))
    if family == "operator_offset":
        high = float(np.square(u.mean(axis=(0, 2))[index])) * p * r * o / max(o - 1, 1)
        return _normal(n, float(np.square(u).sum() - high), least)
    if family == "place":
        left = float(np.square(u - u.mean(axis=0)).sum())
        return float(_normal(n, left, least) - 0.5 * o * r * np.log(n))
    u = u - u.mean(axis=(0, 2), keepdims=True)
    n -= o - 1
    squares = np.square(u)
    of_parts = squares.sum(axis=(1, 2))
    if family in ("slip", "outliers"):
        far = [index] if family == "slip" else outliers(u)
        kept = 1.0 - 1.0 / (o * r)
        left = float(squares.sum() - squares.reshape(-1)[far].sum() / kept)
        if family == "outliers" and len(far) < 2:
            return -float(np.inf)  # that is the one reading, or the one part
        return _normal(n, left, least) - len(far) * float(np.log(u.size))
    if family in ("part", "operator_scatter"):
        groups = of_parts if family == "part" else squares.sum(axis=(0, 2))
        each, own = n / len(groups), float(groups[index])
        rest = _normal(n - each, float(groups.sum()) - own, least)
        return _normal(each, own, least) + rest - float(np.log(len(groups)))
    if family == "size":
        by_size = of_parts[weighed.mean(axis=(1, 2)).argsort()]
        small = float(by_size[: p // 2].sum())
        of_small = n * (p // 2) / p
        return _normal(of_small, small, least) + _normal(
            n - of_small, float(by_size.sum()) - small, least
        )
    if family == "interaction_of_cell":
        i, j = divmod(index, o)
        high = r * np.square(u[i, j].mean()) * p / (p - 1) * o / (o - 1)
        return _normal(n, float(squares.sum() - high), least) - float(np.log(p * o))
    cells = r * float(np.square(u.mean(axis=2)).sum())
    df = (p - 1) * (o - 1)
    return _normal(df, cells, least) + _normal(n - df, float(squares.sum()) - cells, least)


def _normal(df: float, squares: float, least: float) -> float:
    """Return the largest log-likelihood: −½ df (ln v + SS/(df v)), v = SS/df or the least."""
    if df <= 0.0:
        return 0.0
    variance = max(squares / df, least)
    return -0.5 * (df * float(np.log(variance)) + squares / variance)


def _furthest(weighed: Array, y: Array) -> int:
    """Return the operator furthest from the others; of two as far, the one so in the readings.

    With one of three put where the others' mean is, those two are always as far from the rest.
    """
    left, read = (np.abs(sums(values).operator) for values in (weighed, y))
    return int(np.where(left > (1.0 - 1e-6) * left.max(), read, -1.0).argmax())


def _taken_off(
    accused: Accused, left: Left, weighed: Array, tests: Battery
) -> tuple[Suspect, Array]:
    """Return the cause, and the readings weighed for the next tests without it."""
    family, index, chance = accused
    p, o, r = weighed.shape
    if family in ("operator_scatter", "part"):
        return _scatter_off(accused, left, weighed)
    if family in ("interaction", "interaction_of_operator"):
        return _interaction_off(accused, left, weighed)
    if family in _AT_LARGE:
        return _at_large_off(accused, left, weighed, tests)
    part: int | None = None
    operator: int | None = None
    trial: int | None = None
    shape: Shape | None = None
    values = np.zeros((p, o, r))
    if family == "operator_offset":
        operator = index
        values[:, index] = 1.0
        if o == 2:
            values[:] = [[[-0.5], [0.5]]]
            operator = None
    elif family == "interaction_of_cell":
        part, operator = divmod(index, o)
        values[part, operator] = 1.0
        operator = operator if o > 2 else None
    elif family == "slip":
        part, operator, trial = (int(n) for n in np.unravel_index(index, (p, o, r)))
        values[part, operator, trial] = 1.0
    else:
        shape = tests.shapes[tests.within[family][1][index]]
        values, operator = shape.values, shape.operator
    size, error, df, lost, excess = _fitted(family, values, left)
    here, _, _, _, _ = _fitted(family, values, Left(weighed))
    after = left.without(left.y - size * values, lost=lost, excess=excess)
    where = error, part, operator, trial, shape
    return Suspect(family, size, (0, df), chance, left, after, *where), weighed - here * values


def _fitted(family: Family, values: Array, left: Left) -> tuple[float, float, int, Counts, float]:
    """Return size, its error and df, degrees of freedom lost, and excess of the operators."""
    p, o, r = left.y.shape
    df_i, df_e = (p - 1) * (o - 1) - left.lost[1], p * o * (r - 1) - left.lost[2]
    s, x = sums(left.y), sums(values)
    if family == "operator_offset":
        along = p * r * float(s.operator @ x.operator)
        size = along / float(x.ss_operator)
        variance = float(s.ss_interaction) / max(df_i, 1)
        return size, float(np.sqrt(variance / x.ss_operator)), df_i, (1, 0, 0), 0.0
    in_i = r * float((s.cell * x.cell).sum())
    if family == "interaction_of_cell":
        size = in_i / float(x.ss_interaction)
        rest = max(float(s.ss_interaction) - size * in_i, 0.0)
        df = max(df_i - 1, 1)
        variance = rest / df
        return size, float(np.sqrt(variance / x.ss_interaction)), df, (0, 1, 0), 0.0
    in_e = float((s.error * x.error).sum())
    if family == "slip":
        norm = float(x.ss_error + x.ss_interaction)
        size = (in_e + in_i) / norm
    else:
        norm = float(x.ss_error)
        size = in_e / norm
    df = max(df_e - 1, 1) if r > 1 else max(df_i - 1, 1)
    stratum = s.ss_error if r > 1 else s.ss_interaction
    own = float(x.ss_error) if r > 1 else float(x.ss_interaction)
    along = in_e if r > 1 else in_i
    variance = max(float(stratum) - along**2 / own, 0.0) / df
    lost = (0, 0, 1) if r > 1 else (0, 1, 0)
    excess = variance * float(x.ss_operator) / norm / max(o - 1 - left.lost[0], 1)
    return size, float(np.sqrt(variance / norm)), df, lost, excess


def _scatter_off(accused: Accused, left: Left, weighed: Array) -> tuple[Suspect, Array]:
    family, index, chance = accused
    p, o, r = weighed.shape
    axes, groups = ((0, 2), o) if family == "operator_scatter" else ((1, 2), p)
    df = p * o * (r - 1) // groups
    squares = np.square(sums(left.y).error).sum(axis=axes)
    rest = (squares.sum() - squares[index]) / (df * (groups - 1))
    own = squares[index] / df
    factor = float(np.sqrt(rest / own))
    y, heard = left.y.copy(), weighed.copy()
    if family == "operator_scatter":
        others = np.delete(y, index, axis=1).mean(axis=(1, 2))[:, None]
        offset = (y[:, index] - others).mean()
        y[:, index] = others + offset + (y[:, index] - others - offset) * factor
        others = np.delete(heard, index, axis=1).mean(axis=(1, 2))[:, None]
        heard[:, index] = others + (heard[:, index] - others) * factor
        shrunk, excess = (0, 0, df), float(own - rest) / o
    else:
        y[index] = y[index].mean() + (y[index] - y[index].mean()) * factor
        heard[index] = heard[index].mean() + (heard[index] - heard[index].mean()) * factor
        shrunk, excess = (0, o - 1, df), 0.0
    one = family == "operator_scatter"
    after = left.without(y, shrunk=shrunk, excess=excess, lumped=one)
    size = 1.0 / factor if factor > 0.0 else np.inf
    part, operator = (None, index) if one else (index, None)
    df_rest = df * (groups - 1)
    where = np.nan, part, operator
    return Suspect(family, size, (df, df_rest), chance, left, after, *where), heard


def _at_large_off(
    accused: Accused, left: Left, weighed: Array, tests: Battery
) -> tuple[Suspect, Array]:
    """Return scatter that is no single one's fault, and the readings as they would be without.

    Outliers are put where the others of their cell are, rounds are put together, and parts that
    scatter more than the smaller half of them by size are quietened to it. Neighbours that are
    alike leave every reading as it is.
    """
    family, _, chance = accused
    p, o, r = left.y.shape
    e = sums(left.y).error
    df_e = p * o * (r - 1)
    y, lost, shrunk = left.y.copy(), (0, 0, 0), (0, 0, 0)
    size, df = 0.0, (0, df_e)
    if family == "outliers":
        far = outliers(left.y) or [int(np.abs(e).argmax())]
        for place in far:
            i, j, k = (int(n) for n in np.unravel_index(place, y.shape))
            others = [n for n in range(r) if n != k and (i * o + j) * r + n not in far]
            y[i, j, k] = y[i, j, others].mean() if others else y[i, j].mean()
        lost = (0, 0, min(len(far), df_e - 2))
        size = float(np.abs(e).max())
    elif family == "place":
        rounds = e.mean(axis=0)
        y -= rounds
        lost = (0, 0, o * (r - 1))
        size = float(np.ptp(rounds))
    elif family == "size":
        by_size = left.y.mean(axis=(1, 2)).argsort()
        squares = np.square(e).sum(axis=(1, 2))
        small, large = squares[by_size[: p // 2]], squares[by_size[(p + 1) // 2 :]]
        if small.mean() > large.mean():
            small, large = large, small
        usual = max(float(small.mean()), 1e-300)
        size = float(np.sqrt(large.mean() / usual))
        factor = np.sqrt(np.minimum(usual / np.maximum(squares, 1e-300), 1.0))
        mean = y.mean(axis=2, keepdims=True)
        y = mean + (y - mean) * factor[:, None, None]
        shrunk = (0, 0, len(large) * o * (r - 1))
        df = (len(large) * o * (r - 1), len(small) * o * (r - 1))
    elif tests.normal is not None and tests.normal.order is not None:
        size = neighbours_alike(left.y, tests.normal.order)
    after = left.without(y, lost=lost, shrunk=shrunk)
    return Suspect(family, size, df, chance, left, after), weighed


def _interaction_off(accused: Accused, left: Left, weighed: Array) -> tuple[Suspect, Array]:
    family, index, chance = accused
    p, o, r = weighed.shape
    s, heard = sums(left.y), sums(weighed)
    df_e = p * o * (r - 1) - left.lost[2]
    error = float(s.ss_error) / df_e
    error_heard = float(heard.ss_error) / df_e
    if family == "interaction":
        df = (p - 1) * (o - 1) - left.lost[1]
        mean_square = float(s.ss_interaction) / df
        off, off_heard, operator = s.cell, heard.cell, None
        share = error_heard * df / max(float(heard.ss_interaction), 1e-300)
        lost, excess = (0, df, 0), mean_square - error
    else:
        df, operator = p - 1, index
        own = r * float(np.square(s.cell[:, index]).sum()) * o / (o - 1)
        mean_square = own / df
        off, off_heard = np.zeros((p, o)), np.zeros((p, o))
        off[:, index] = s.cell[:, index] * o / (o - 1)
        off_heard[:, index] = heard.cell[:, index] * o / (o - 1)
        in_heard = r * float(np.square(heard.cell[:, index]).sum()) * o / (o - 1)
        share = error_heard * df / max(in_heard, 1e-300)
        lost, excess = (0, min(df, (p - 1) * (o - 1) - left.lost[1]), 0), 0.0
    after = left.without(left.y - off[..., None], lost=lost, excess=excess)
    size = float(np.sqrt(max(mean_square - error, 0.0) / r))
    suspect = Suspect(family, size, (df, df_e), chance, left, after, operator=operator)
    kept = float(np.sqrt(min(share, 1.0)))
    return suspect, weighed - (1.0 - kept) * off_heard[..., None]
