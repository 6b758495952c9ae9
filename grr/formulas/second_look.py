"""How sure each look must be where a study goes on with more people after a first verdict."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.special import gammainc, gammaincinv

from grr.formulas.arrays import legendre
from grr.model.rules import Rules
from grr.model.study import Study

#: Where a study goes on that was not planned so, the second look spends a fifth of the doubt
#: on top of the first look's (99 % after 95 %).
_UNPLANNED = 0.2


def combined_error(first: float, second: float, studied: int, together: int) -> float:
    """Return how often a bound from either of two looks is wrong.

    The worst case is taken: operators are all that GRR consists of. Their sum of squares over
    its expectation is X with ``studied`` − 1 degrees of freedom at the first look and X + Y at
    the second, X and Y independent chi-square variables; a bound is wrong where one of them
    lies in its lower tail.

    Parameters
    ----------
    first, second : float
        One-sided confidence of the bounds at either look, between 0.5 and 1.
    studied, together : int
        Operators at the first look, from 2, and at the second, more.

    Returns
    -------
    float

    Notes
    -----
    P(F(X) < 1 − g₁ or F(X + Y) < 1 − g₂), integrated over u = F(X) by Gauss-Legendre
    quadrature. Source: two looks at one pivotal quantity, as in group sequential tests
    (Jennison & Turnbull, Group Sequential Methods, 2000, chapter 2, from memory), here with
    chi-square in place of normal variables; wrong decisions with all sources of variation are
    simulated in ``tests/coverage/second_look.py``.
    """
    half, more = 0.5 * (studied - 1), 0.5 * (together - studied)
    edge = float(gammaincinv(0.5 * (together - 1), 1.0 - second))
    low, high = 1.0 - first, float(gammainc(half, edge))
    if high <= low:
        return low
    nodes, weights = legendre(200)
    u = low + 0.5 * (high - low) * (nodes + 1.0)
    rest = gammainc(more, np.maximum(edge - gammaincinv(half, u), 0.0))
    return low + float(0.5 * (high - low) * (weights @ rest))


@lru_cache(maxsize=256)
def second_confidence(first: float, studied: int, together: int, error: float = 0.05) -> float:
    """Return the confidence at the second look with which both looks err as often as stated.

    Parameters
    ----------
    first : float
        Confidence at the first look, above 1 − ``error``.
    studied, together : int
        As in `combined_error`.
    error : float
        How often a bound of either look may be wrong.
    """
    low, high = 1.0 - error, 1.0 - 1e-6
    for _ in range(50):
        middle = 0.5 * (low + high)
        if combined_error(first, middle, studied, together) > error:
            low = middle
        else:
            high = middle
    return high


class Look(NamedTuple):
    """Which look at a study this is, and how sure its bounds must be.

    Attributes
    ----------
    number, of : int
        First or second, of one or two.
    confidence : float
        Of each one-sided bound at this look.
    error : float
        How often a bound of either look is wrong, at most.
    planned : bool
        Whether two looks were planned.
    """

    number: int
    of: int
    confidence: float
    error: float
    planned: bool


def went_on(study: Study) -> bool:
    """Whether people of a second stage are among those who measured."""
    further = () if study.plan is None else study.plan.further_operators
    return not set(further).isdisjoint(study.operator_names)


def look_of(study: Study) -> Look:
    """Return which look at a study this is, and how sure its bounds must be.

    One look: the confidence of the rules. Two planned looks: half of the doubt at the first
    (97.5 % where 95 % is asked for); at the second what `second_confidence` leaves where the
    operators are a sample, half of the doubt again where they are not. Went on unplanned: a
    fifth of the doubt at the second look (99 %), and both together err a little more often than
    was stated at the first.
    """
    asked, plan = study.rules.confidence, study.plan
    doubt = 1.0 - asked
    planned = plan is not None and plan.looks == 2
    if plan is None or not went_on(study):
        if not planned:
            return Look(1, 1, asked, doubt, planned=False)
        return Look(1, 2, first_confidence(asked), doubt, planned=True)
    together = len(study.operator_names)
    studied = together - sum(name in plan.further_operators for name in study.operator_names)
    sampled = study.operators == "random" and studied > 1
    second, error = at_second_look(asked, studied, together, planned=planned, sampled=sampled)
    return Look(2, 2, second, error, planned)


def first_confidence(asked: float) -> float:
    """Return the confidence at the first of two planned looks: half of the doubt (97.5 %)."""
    return 0.5 * (1.0 + asked)


def at_second_look(
    asked: float, studied: int, together: int, *, planned: bool, sampled: bool = True
) -> tuple[float, float]:
    """Return the confidence of bounds at the second look, and how often either look errs."""
    doubt = 1.0 - asked
    if planned:
        first = first_confidence(asked)
        if not sampled:
            return first, doubt
        # Rounded up to what is printed.
        return math.ceil(1e3 * second_confidence(first, studied, together, doubt)) / 1e3, doubt
    second = 1.0 - _UNPLANNED * doubt
    if not sampled:
        return second, (1.0 + _UNPLANNED) * doubt
    return second, combined_error(asked, second, studied, together)


def confidence_of(study: Study) -> float:
    """Return the one-sided confidence of the bounds of GRR at this look; see `look_of`."""
    look: Look = study.once("look", lambda: look_of(study))
    return look.confidence


def rules_at_look(study: Study) -> Rules:
    """Return the rules of a study with the confidence that bounds have at this look."""
    sure = confidence_of(study)
    return study.rules if sure == study.rules.confidence else replace(study.rules, confidence=sure)
