"""The law of propagation of uncertainty, effective degrees of freedom, coverage factor."""

from __future__ import annotations

import math

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.bias import t_quantile
from grr.model.errors import StudyError


def combined_uncertainty(contributions: Array, correlation: Array | None = None) -> float:
    """Return u_c = √(ΣΣ r_ij·(c_i·u_i)·(c_j·u_j)).

    Parameters
    ----------
    contributions : ndarray, shape (k,)
        Sensitivity times standard uncertainty of each input, with its sign.
    correlation : ndarray, shape (k, k), optional
        Ones on the diagonal; none: independent inputs.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), equation (16).
    """
    contributions = np.asarray(contributions, dtype=np.float64)
    if correlation is None:
        return float(np.sqrt(contributions @ contributions))
    return math.sqrt(max(0.0, float(contributions @ correlation @ contributions)))


def effective_df(contributions: Array, df: Array, combined: float) -> float:
    """Return ν_eff = u_c⁴/Σ[(c_i·u_i)⁴/ν_i].

    Notes
    -----
    Source: Welch-Satterthwaite, JCGM 100:2008 (GUM), equation (G.2b). Derived for
    independent inputs; with correlated ones it is an approximation.
    """
    spent = float(np.sum(np.asarray(contributions) ** 4 / np.asarray(df)))
    return math.inf if spent == 0.0 else combined**4 / spent


def coverage_factor(df: float, level: float = 0.95) -> float:
    """Return k, Student's t at the effective degrees of freedom, rounded down.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), G.4.1 and its note 1 (rounding down to a whole number).

    Raises
    ------
    StudyError
        Fewer than one degree of freedom.
    """
    if df < 1.0:
        raise StudyError(
            "There is less than one degree of freedom in this budget, so no coverage factor",
            "Take more readings for the contribution that dominates",
            value=f"{df:.2g}",
        )
    whole = df if math.isinf(df) else math.floor(df + 1e-9)
    return float(t_quantile(0.5 + level / 2.0, whole))


def correlation_matrix(names: list[str], pairs: dict[tuple[str, str], float]) -> Array:
    """Return the matrix of correlation coefficients of named inputs, shape (k, k).

    Raises
    ------
    StudyError
        A name that is not there, one input with itself, a coefficient outside −1 to 1, or
        coefficients that contradict each other.
    """
    matrix = np.eye(len(names))
    for (first, second), r in pairs.items():
        for name in (first, second):
            if name not in names:
                raise StudyError(
                    "A correlation names a contribution that is not in the budget",
                    f"Use one of: {', '.join(names)}",
                    value=name,
                )
        if first == second or not -1.0 <= r <= 1.0:
            raise StudyError(
                "A correlation is not between two contributions and from −1 to 1",
                "Correct the pair or the coefficient",
                value=f"{first}, {second}: {r:g}",
            )
        i, j = names.index(first), names.index(second)
        matrix[i, j] = matrix[j, i] = r
    if pairs and float(np.linalg.eigvalsh(matrix)[0]) < -1e-9:
        raise StudyError(
            "The correlations contradict each other",
            "Three inputs cannot all move against one another; correct the coefficients",
        )
    return matrix
