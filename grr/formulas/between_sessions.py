"""Sessions as a source of variation: each person measured in two or more of their own.

A session is a day and a zero setting. What changes from one to the next is a part of
reproducibility that repeats within a session cannot show.

Expected mean squares, parts × operators crossed, m sessions nested in each operator, n
readings of a part in a session, r = m·n:

    part         σE² + r·σPO² + o·r·σP²
    operator     σE² + r·σPO² + p·n·σS² + p·r·σO²
    session      σE² + p·n·σS²
    interaction  σE² + r·σPO²
    error        σE²

Source: by the rules for random effects in Searle, Casella & McCulloch, Variance Components
(1992), chapter 4, and Montgomery, Design and Analysis of Experiments, section 14.3 (crossed
and nested factors). Parts by sessions is not a source of its own: it counts as error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grr.formulas.analysis_of_variance import Components, among_people, f_test
from grr.formulas.arrays import Array
from grr.formulas.pivots import (
    DRAWS,
    SEED,
    Pivots,
    at_least,
    chi_square_pivot,
    finite_people_pivot,
    mean_pivot,
    seeded,
)
from grr.model.errors import StudyError
from grr.model.values import people_who_measure

Codes = NDArray[np.int64]


@dataclass(frozen=True)
class SessionMeans:
    """Sums of squares, scaled to single readings, of one study or a stack (...) of one design.

    Attributes
    ----------
    parts, operators : int
    sessions : float
        Harmonic mean of the number of sessions of an operator.
    trials : float
        Harmonic mean of the number of readings of a part in a session.
    operators_per_part, parts_per_operator, parts_per_session : float
        How many stand behind an effect; fewer than there are where cells are empty.
    balanced : bool
        Every part as often in every session, and as many sessions of every operator.
    mean : ndarray, shape (...)
    ss_part, ss_operator, ss_session, ss_interaction, ss_error : ndarray, shape (...)
    df_session, df_interaction, df_error : int
    """

    parts: int
    operators: int
    sessions: float
    trials: float
    operators_per_part: float
    parts_per_operator: float
    parts_per_session: float
    balanced: bool
    mean: Array
    ss_part: Array
    ss_operator: Array
    ss_session: Array
    ss_interaction: Array
    ss_error: Array
    df_session: int
    df_interaction: int
    df_error: int

    @property
    def df_part(self) -> int:
        """Degrees of freedom of parts, p − 1."""
        return self.parts - 1

    @property
    def df_operator(self) -> int:
        """Degrees of freedom of operators, o − 1."""
        return self.operators - 1

    @property
    def readings(self) -> float:
        """Readings of a part by an operator, r = m·n."""
        return self.sessions * self.trials


def session_means(readings: Array, part: Codes, operator: Codes, session: Codes) -> SessionMeans:
    """Split readings into sums of squares of the means of parts in sessions.

    Exact where the study is balanced; else every cell (a part in a session) counts equally,
    and the harmonic mean of the numbers of readings stands for n.

    Parameters
    ----------
    readings : ndarray, shape (..., readings)
    part, operator, session : ndarray of int, shape (readings,)
        Codes from 0 without gaps. A session belongs to one operator.

    Raises
    ------
    StudyError
        Fewer than two parts, or too few cells to tell the sources apart.

    Notes
    -----
    Source: see the head of this file; unweighted means as in `grr.formulas.unweighted_means`.
    """
    p, o, c = (int(codes.max()) + 1 for codes in (part, operator, session))
    if p < 2:
        raise StudyError("Only one part was measured", "Measure at least two parts")
    owner = np.zeros(c, dtype=np.int64)
    owner[session] = operator
    cell, place = np.unique(part * c + session, return_inverse=True)
    counts = np.bincount(place)
    origin = readings[..., :1]
    means = _summed(readings - origin, place, len(cell)) / counts
    within = np.square(readings - origin - means[..., place]).sum(axis=-1)
    n = len(cell) / float((1.0 / counts).sum())
    per_operator = np.bincount(owner, minlength=o)
    m = o / float((1.0 / per_operator).sum())
    of_part, of_session = cell // c, cell % c
    design = np.hstack([np.eye(c)[of_session], _contrasts(p)[of_part]])
    covariance = _inverse(design.T @ design)
    effects = means @ design @ covariance
    rest = means - effects @ design.T
    columns, spread = effects[..., :c], covariance[:c, :c]
    to_operator = np.eye(o)[owner].T / per_operator[:, None]
    within_operator = np.eye(c) - to_operator.T @ np.diag(per_operator) @ to_operator
    between = (np.eye(o) - 1.0 / o) @ to_operator
    df_session = c - o
    parts_per_session = df_session / float(np.trace(within_operator @ spread @ within_operator))
    seen = float(np.trace(between @ spread @ between.T))
    parts_per_operator = (o - 1) / (seen * m) if o > 1 else float(p)
    operators_per_part = (p - 1) / (float(np.trace(covariance[c:, c:])) * m)
    pairs, pair = np.unique(of_part * o + owner[of_session], return_inverse=True)
    by_pair = _summed(rest, pair, len(pairs)) / np.bincount(pair)
    left = np.square(rest - by_pair[..., pair]).sum(axis=-1)
    df_interaction = len(pairs) - p - o + 1 if o > 1 else 0
    df_rest = len(cell) - p - c + 1 - df_interaction
    if df_rest < 1 or (o > 1 and df_interaction < 1):
        raise StudyError(
            "Too few parts were measured in each session to tell the sources apart",
            "Let every operator measure every part in every session",
        )
    squares = np.square(by_pair)
    interaction = (squares * np.bincount(pair)).sum(axis=-1)
    return SessionMeans(
        parts=p,
        operators=o,
        sessions=m,
        trials=n,
        operators_per_part=operators_per_part,
        parts_per_operator=parts_per_operator,
        parts_per_session=parts_per_session,
        balanced=len(cell) == p * c and len(set(counts)) == len(set(per_operator)) == 1,
        mean=origin[..., 0] + (columns @ to_operator.T).mean(axis=-1),
        ss_part=n * m * operators_per_part * np.square(effects[..., c:]).sum(axis=-1),
        ss_operator=n * m * parts_per_operator * np.square(columns @ between.T).sum(axis=-1),
        ss_session=n * parts_per_session * np.square(columns @ within_operator).sum(axis=-1),
        ss_interaction=n * (interaction if o > 1 else np.zeros_like(interaction)),
        ss_error=within + n * (left if o > 1 else left + interaction),
        df_session=df_session,
        df_interaction=df_interaction,
        df_error=len(part) - len(cell) + df_rest,
    )


def _summed(values: Array, place: Codes, count: int) -> Array:
    """Return the sums of the values that share a place, along the last axis."""
    return np.asarray(values @ np.eye(count)[place])


def _contrasts(levels: int) -> Array:
    """Return orthonormal columns that sum to zero, shape (levels, levels − 1)."""
    from_mean = np.eye(levels) - 1.0 / levels
    return np.asarray(np.linalg.svd(from_mean)[0][:, : levels - 1])


def _inverse(normal: Array) -> Array:
    if np.linalg.eigvalsh(normal)[0] < 1e-9:
        raise StudyError(
            "The parts fall into groups that no session has in common",
            "Let every operator measure every part in every session",
        )
    return np.asarray(np.linalg.inv(normal))


def session_components(
    table: SessionMeans, *, pooled: bool = False, people: float = math.inf
) -> Components:
    """Return the variances of a balanced study by the method of moments.

    Parameters
    ----------
    table : SessionMeans
    pooled : bool
        Whether the interaction is pooled with the error; with one operator it stays in the
        part variation.
    people : float
        As in `grr.formulas.analysis_of_variance.among_people`.
    """
    p, o, r = table.parts, table.operators, table.readings
    error = table.ss_error / table.df_error
    cell = error
    if o > 1 and pooled:
        error = (table.ss_error + table.ss_interaction) / (table.df_error + table.df_interaction)
        cell = error
    elif o > 1:
        cell = table.ss_interaction / table.df_interaction
    session = (table.ss_session / table.df_session - error) / (p * table.trials)
    part = (table.ss_part / table.df_part - cell) / (o * r)
    nothing = np.full_like(part, np.nan)
    if o < 2:
        return Components(part, nothing, nothing, error, session)
    seen = table.ss_operator / table.df_operator
    operator = (seen - cell) / (p * r) - session / table.sessions
    found = Components(part, operator, (cell - error) / r, error, session)
    return among_people(found, people)


def session_interaction_test(table: SessionMeans) -> tuple[Array, Array]:
    """Return F = MS interaction / MS error, and its p value."""
    return f_test(
        table.ss_interaction / table.df_interaction,
        table.df_interaction,
        table.ss_error / table.df_error,
        table.df_error,
    )


def session_test(table: SessionMeans) -> tuple[Array, Array]:
    """Return F = MS session / MS error, and its p value: whether sessions differ at all."""
    return f_test(
        table.ss_session / table.df_session,
        table.df_session,
        table.ss_error / table.df_error,
        table.df_error,
    )


def session_pivots(
    table: SessionMeans,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    operators: str | int = "random",
    df_error: float | None = None,
) -> Pivots:
    """Draw the variances of a study with sessions, interaction kept.

    GRR is [R_O + (p−1)·R_PO + (m−1)·R_S + (p(r−1) − (m−1))·R_E] / (pr) with R = sum of
    squares / χ² draws: no part of it is subtracted.

    Parameters
    ----------
    table : SessionMeans
    draws, seed, operators, df_error
        As in `grr.formulas.pivots.crossed_pivots`.

    Notes
    -----
    Source: the expected mean squares at the head of this file; generalised pivots as in
    `grr.formulas.pivots`. Simulated coverage: ``tests/coverage/sessions.md``.
    """
    people = people_who_measure(operators, table.operators)
    rng = seeded(draws, seed)
    known = float(table.df_error if df_error is None else df_error)
    p, o, m, r = table.parts, table.operators, table.sessions, table.readings
    r_part = chi_square_pivot(table.ss_part, table.df_part, draws, rng)
    r_session = chi_square_pivot(table.ss_session, table.df_session, draws, rng)
    r_error = chi_square_pivot(table.ss_error * (known / table.df_error), known, draws, rng)
    session = (r_session - r_error) / (table.parts_per_session * table.trials)
    nothing = np.full_like(r_part, np.nan)
    if o < 2:
        grr = session + r_error
        part = (r_part - r_error) / r
        in_mean = np.maximum(part, 0.0) / p + np.maximum(session, 0.0) / m + r_error / (p * r)
        return Pivots(
            part=part,
            operator=nothing,
            interaction=nothing,
            repeatability=r_error,
            grr=grr,
            total=part + grr,
            mean=mean_pivot(table.mean, in_mean, draws, rng),
            session=session,
        )
    r_interaction = chi_square_pivot(table.ss_interaction, table.df_interaction, draws, rng)
    per_operator = table.parts_per_operator * r
    interaction = (r_interaction - r_error) / r
    part = (r_part - r_interaction) / (table.operators_per_part * r)
    if math.isfinite(people):
        scatter = r_interaction / per_operator + np.maximum(session, 0.0) / m
        operator = finite_people_pivot(
            table.ss_operator / per_operator, scatter, (o, people), 1.0, draws=draws, rng=rng
        )
        unseen = people / max(people - 1.0, 1.0) * (1.0 / o - 1.0 / people)
    else:
        r_operator = chi_square_pivot(table.ss_operator, table.df_operator, draws, rng)
        operator = (r_operator - r_interaction) / per_operator - session / m
        unseen = 1.0 / o
    grr = operator + interaction + session + r_error
    if math.isfinite(people):
        grr = at_least(grr, r_error)
    in_mean = part / p + operator * unseen + session / (o * m) + r_interaction / (p * o * r)
    return Pivots(
        part=part,
        operator=operator,
        interaction=interaction,
        repeatability=r_error,
        grr=grr,
        total=part + grr,
        mean=mean_pivot(table.mean, in_mean, draws, rng),
        session=session,
    )
