"""Further sources beside parts and operators: sessions, places on a part, several gauges.

The readings are split one source after the other, each by what those before it left; the
expected value of every mean square follows from the design itself, whatever the numbers of
readings are. Where the study is balanced these are the usual sums of squares.

Source: Henderson's method 3 (Searle, Casella & McCulloch, Variance Components, 1992, section
5.5); the coefficients of expected mean squares as traces (Hartley, Biometrics 23 (1967),
105-114).

A session is a day and a zero setting. What changes from one to the next is a part of
reproducibility that repeats within a session cannot show. Where p parts and o operators are
crossed, with m sessions of each operator alone and n readings of a part in a session, r = m·n,
the expected mean squares are

    part         σE² + r·σPO² + o·r·σP²
    operator     σE² + r·σPO² + p·n·σS² + p·r·σO²
    session      σE² + p·n·σS²
    interaction  σE² + r·σPO²
    error        σE²

Where everyone shares the m sessions, with n readings of a part by each operator in one, those of
operators and sessions are

    operator     σE² + r·σPO² + p·r·σO²
    session      σE² + p·o·n·σS²

(by the rules for random effects in Searle, Casella & McCulloch, chapter 4, and Montgomery,
Design and Analysis of Experiments, section 14.3, crossed and nested factors). Parts by sessions
is not a source of its own, nor are operators by shared sessions: they count as error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grr.formulas.analysis_of_variance import f_test
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

Codes = NDArray[np.int64]

#: Sources of the measuring system; parts and places on a part are none of them.
MEASURING = ("operator", "gauge", "session", "interaction", "error")


@dataclass(frozen=True)
class SourceSquares:
    """Mean squares of one study or a stack (...) of one design, in the order of splitting.

    Attributes
    ----------
    df : dict
        Source → degrees of freedom; "error" is the last. 0: it cannot be told from those
        before it.
    mean_sq : dict
        Source → ndarray, shape (...); of those with degrees of freedom.
    expected : ndarray, shape (sources, sources)
        How often the variance of each source (columns) is in each mean square (rows), for
        those in ``mean_sq``; nothing below the diagonal.
    in_mean : dict
        Source → how often its variance is in that of the mean.
    levels : dict
        Source → how many labels it has.
    mean : ndarray, shape (...)
    """

    df: dict[str, int]
    mean_sq: dict[str, Array]
    expected: Array
    in_mean: dict[str, float]
    levels: dict[str, int]
    mean: Array

    def variances(self, mean_squares: Mapping[str, Array]) -> dict[str, Array]:
        """Return the variances that would lead to expect these mean squares."""
        names = list(self.mean_sq)
        found = np.linalg.solve(
            self.expected, np.stack([mean_squares[name] for name in names]).reshape(len(names), -1)
        )
        shape = np.shape(mean_squares[names[0]])
        return {name: found[n].reshape(shape) for n, name in enumerate(names)}


def source_squares(readings: Array, sources: Mapping[str, Codes]) -> SourceSquares:
    """Split readings into mean squares.

    Parameters
    ----------
    readings : ndarray, shape (..., readings)
    sources : mapping
        Name → code of each reading, from 0 without gaps, in the order of splitting; the last
        may have as many labels as it likes, those before it few.

    Raises
    ------
    StudyError
        Nothing was repeated, so that there is no error.
    """
    count = readings.shape[-1]
    *before, last = sources
    columns = {name: np.eye(int(sources[name].max()) + 1)[sources[name]] for name in before}
    basis = np.full((count, 1), 1.0 / math.sqrt(count))
    own: dict[str, Array] = {}
    for name, matrix in columns.items():
        own[name] = _directions(matrix - basis @ (basis.T @ matrix))
        basis = np.hstack([basis, own[name]])
    codes = sources[last]
    inside = _directions(basis - _label_means(basis.T, codes).T)
    df = {name: vectors.shape[1] for name, vectors in own.items()}
    df[last] = int(codes.max()) + 1 + inside.shape[1] - basis.shape[1]
    df["error"] = count - int(codes.max()) - 1 - inside.shape[1]
    if df["error"] < 1:
        raise StudyError(
            "Nothing was measured twice in one place, so repeatability cannot be estimated",
            "Measure each part at least twice at each place and with each gauge",
        )
    used = [name for name in sources if df[name]]
    expected = np.eye(len(used) + 1)
    expected[:-1, -1] = 1.0
    for row, name in enumerate(used):
        vectors = own.get(name)
        for column in range(row, len(used)):
            label = sources[used[column]]
            if vectors is None:  # the last: what those before it leave of its labels
                left = count - float(np.square(_label_sums(basis.T, label)).sum())
            else:
                left = float(np.square(_label_sums(vectors.T, label)).sum())
            expected[row, column] = left / df[name]
    about = readings - readings[..., :1]
    rest = about - about @ basis @ basis.T
    error = rest - _label_means(rest, codes)
    error = error - error @ inside @ inside.T
    found = {name: np.square(about @ own[name]).sum(axis=-1) for name in before}
    found["error"] = np.square(error).sum(axis=-1)
    found[last] = np.square(rest).sum(axis=-1) - found["error"]
    # Less than the last binary digit of the readings makes is nothing.
    least = count * np.square(2.0 * np.finfo(np.float64).eps * np.abs(readings).max(axis=-1))
    found = {name: np.where(squares > least, squares, 0.0) for name, squares in found.items()}
    shares = {name: float(np.square(np.bincount(sources[name]) / count).sum()) for name in used}
    return SourceSquares(
        df=df,
        mean_sq={name: np.asarray(found[name] / df[name]) for name in (*used, "error")},
        expected=expected,
        in_mean={**shares, "error": 1.0 / count},
        levels={name: int(codes.max()) + 1 for name, codes in sources.items()},
        mean=readings.mean(axis=-1),
    )


def _directions(columns: Array) -> Array:
    """Return orthonormal columns that span the same space."""
    vectors, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(vectors[:, sizes > 1e-8])


def _label_sums(values: Array, codes: Codes) -> Array:
    """Return the sums of values (..., readings) with the same label; shape (..., labels)."""
    order = np.argsort(codes, kind="stable")
    first = np.searchsorted(codes[order], np.arange(int(codes.max()) + 1))
    return np.asarray(np.add.reduceat(values[..., order], first, axis=-1))


def _label_means(values: Array, codes: Codes) -> Array:
    """Return of each value the mean of those with the same label."""
    return np.asarray((_label_sums(values, codes) / np.bincount(codes))[..., codes])


def source_test(squares: SourceSquares, name: str) -> tuple[Array, Array]:
    """Return F and p of a source against what its mean square would be without it.

    Exact where only the error is in it besides (balanced gauges); else near.
    """
    at = list(squares.mean_sq).index(name)
    found = squares.variances(squares.mean_sq)
    rest = sum(
        often * np.maximum(found[other], 0.0)
        for other, often in list(zip(found, squares.expected[at], strict=True))[at + 1 :]
    )
    return f_test(squares.mean_sq[name], squares.df[name], np.asarray(rest), squares.df["error"])


def source_pivots(
    squares: SourceSquares,
    *,
    all_there_are: Mapping[str, float],
    draws: int = DRAWS,
    seed: int = SEED,
    df_error: float | None = None,
) -> Pivots:
    """Draw the variances of a study with further sources, interaction kept.

    Each mean square is replaced by its sum of squares over a draw of χ², and the variances
    follow from the expected mean squares. Exact where the study is balanced, or nearly: with
    unequal numbers a sum of squares is not quite χ² and two of them not quite independent.

    Parameters
    ----------
    squares : SourceSquares
        Of sources among part, place, operator, gauge, session and interaction.
    all_there_are : mapping
        Of "operator" and "gauge": how many will ever measure or be used; infinite (or not
        named) where those studied are a sample.
    draws, seed, df_error
        As in `grr.formulas.pivots.crossed_pivots`.

    Notes
    -----
    Source: the head of this file; generalised pivots as in `grr.formulas.pivots`. Simulated
    coverage: ``tests/coverage/sessions.md`` and ``tests/coverage/further_sources.md``.
    """
    rng = seeded(draws, seed)
    names = list(squares.mean_sq)
    of_chi: dict[str, Array] = {}
    for name in names:
        mean_square, df = squares.mean_sq[name], float(squares.df[name])
        known = df if name != "error" or df_error is None else float(df_error)
        of_chi[name] = chi_square_pivot(mean_square * known, known, draws, rng)
    drawn: dict[str, Array] = {}
    as_variance: dict[str, Array] = {}
    for at, name in reversed(list(enumerate(names))):
        often = squares.expected[at]
        people = all_there_are.get(name, math.inf)
        after = [(often[names.index(other)], draws_of) for other, draws_of in as_variance.items()]
        if math.isfinite(people):
            beside = sum(
                (times * np.maximum(one, 0.0) for times, one in after),
                start=np.zeros_like(of_chi[name]),
            )
            drawn[name] = finite_people_pivot(
                squares.mean_sq[name] * squares.df[name] / often[at],
                beside / often[at],
                (squares.df[name] + 1, people),
                1.0,
                draws=draws,
                rng=rng,
            )
            as_variance[name] = drawn[name] * people / max(people - 1.0, 1.0)
        else:
            beside = sum((times * one for times, one in after), start=np.zeros_like(of_chi[name]))
            drawn[name] = as_variance[name] = (of_chi[name] - beside) / often[at]
    nothing = np.full_like(drawn["error"], np.nan)
    measuring = [drawn[name] for name in MEASURING if name in drawn]
    grr = np.asarray(sum(measuring[1:], start=measuring[0]))
    if any(math.isfinite(people) for people in all_there_are.values()):
        grr = at_least(grr, drawn["error"])
    place = drawn.get("place")
    in_mean = np.zeros_like(grr)
    for name in names:
        people, seen = all_there_are.get(name, math.inf), float(squares.in_mean[name])
        if math.isfinite(people):
            seen = max(seen - 1.0 / people, 0.0) * people / max(people - 1.0, 1.0)
        in_mean = in_mean + seen * np.maximum(drawn[name], 0.0)
    return Pivots(
        part=drawn["part"],
        operator=drawn.get("operator", nothing),
        interaction=drawn.get("interaction", nothing),
        repeatability=drawn["error"],
        grr=grr,
        total=drawn["part"] + grr + (0.0 if place is None else np.maximum(place, 0.0)),
        mean=mean_pivot(squares.mean, in_mean, draws, rng),
        session=drawn.get("session"),
        gauge=drawn.get("gauge"),
        place=place,
    )
