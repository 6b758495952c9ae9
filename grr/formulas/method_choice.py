"""Which of two methods is good enough: the rule, from how sure each statement is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array

CANDIDATE, BASELINE, NEITHER, OPEN = "candidate", "baseline", "neither", "open"


def confidence_over(draws: Array, limit: float) -> Array:
    """Return the one-sided confidence, 0 to 1, that a method's GRR is over a limit.

    The share of generalised pivots over the limit, with the doubt counted twice: where
    operators and interaction add little, the lower limits of GRR lie too high (a nominal
    5 % was missed in up to 10 % of simulated studies; tests/coverage). Upper limits are
    on the safe side and need no such care: see `grr.formulas.intervals.confidence_below`.

    Parameters
    ----------
    draws : ndarray, shape (..., draws)
    limit : float
    """
    return np.asarray(1.0 - 2.0 * (draws <= limit).mean(axis=-1)).clip(min=0.0)


@dataclass(frozen=True)
class MethodEvidence:
    """How sure is what the choice rests on; each of shape (...), from 0 to 1.

    Attributes
    ----------
    candidate_under, candidate_over : ndarray
        One-sided confidence that the candidate's share of the tolerance is under, and
        over, the limit of acceptance.
    baseline_under, baseline_over : ndarray
        The same for the baseline.
    difference_within, difference_beyond : ndarray
        One-sided confidence that the mean difference between the methods is inside, and
        beyond, the margin.
    """

    candidate_under: Array
    candidate_over: Array
    baseline_under: Array
    baseline_over: Array
    difference_within: Array
    difference_beyond: Array

    @property
    def candidate_good(self) -> Array:
        """Confidence that the candidate is good enough: the weaker of two statements."""
        return np.minimum(self.candidate_under, self.difference_within)

    @property
    def candidate_bad(self) -> Array:
        """Confidence that it is not: either statement alone says so, so both share the doubt."""
        doubt = 1.0 - np.maximum(self.candidate_over, self.difference_beyond)
        return np.maximum(0.0, 1.0 - 2.0 * doubt)


def method_choice(evidence: MethodEvidence, confidence: float = 0.95) -> NDArray[np.str_]:
    """Return the decision: "candidate", "baseline", "neither" or "open".

    The candidate is good enough where its share of the tolerance is surely under the
    limit and its mean difference from the baseline surely inside the margin. Where one of
    the two surely fails, the baseline is needed if it surely holds the limit itself, and
    neither is good enough if it surely does not. Everything else is open.

    Each statement has at most the probability 1 − confidence of being made wrongly: the
    first needs both of its parts (intersection-union), the second shares its doubt
    between its parts (Bonferroni).

    Parameters
    ----------
    evidence : MethodEvidence
    confidence : float

    Returns
    -------
    ndarray of str, shape (...)

    Notes
    -----
    Source: Berger, Technometrics 24 (1982), 295-300 (intersection-union tests); the rule
    itself is this project's own. Wrong decisions simulated: tests/coverage.
    """
    bad = evidence.candidate_bad >= confidence
    choice = np.full(np.shape(bad), OPEN, dtype="<U9")
    choice = np.where(evidence.candidate_good >= confidence, CANDIDATE, choice)
    choice = np.where(bad & (evidence.baseline_under >= confidence), BASELINE, choice)
    return np.where(bad & (evidence.baseline_over >= confidence), NEITHER, choice)


def choice_confidence(evidence: MethodEvidence, choice: str) -> Array:
    """Return how sure one decision would be, 0 to 1; for "open" that of the surest one."""
    sure = {
        CANDIDATE: evidence.candidate_good,
        BASELINE: np.minimum(evidence.candidate_bad, evidence.baseline_under),
        NEITHER: np.minimum(evidence.candidate_bad, evidence.baseline_over),
    }
    return sure[choice] if choice in sure else np.maximum.reduce(list(sure.values()))
