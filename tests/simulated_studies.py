"""Simulated gauge studies with known variances, and how often intervals hold the truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import (
    QUANTITIES,
    ndc_draws,
    percent_tolerance_draws,
    percent_tv_draws,
    two_sided_limits,
    variance_draws,
)
from grr.formulas.pivots import Pivots
from grr.formulas.sources_of_variation import NDC_FACTOR, Specification

#: TV is 1 in every setting; the tolerances are in that unit.
TWO_SIDED = Specification(lower=-3.0, upper=3.0)
ONE_SIDED = Specification(upper=4.0)


@dataclass(frozen=True)
class Truth:
    """The true variances; they add up to 1.

    Parameters
    ----------
    percent_tv : float
        GRR in percent of TV.
    reproducibility : float
        Share of operators and interaction in the GRR variance, 0 to 1.
    interaction : float
        Share of the interaction in that; 0 for nested studies.
    """

    percent_tv: float
    reproducibility: float
    interaction: float = 0.3

    @property
    def variances(self) -> dict[str, float]:
        """EV, AV, INT, GRR, PV and TV."""
        grr = (self.percent_tv / 100.0) ** 2
        both = grr * self.reproducibility
        return {
            "EV": grr - both,
            "AV": both * (1.0 - self.interaction),
            "INT": both * self.interaction,
            "GRR": grr,
            "PV": 1.0 - grr,
            "TV": 1.0,
        }


def crossed(
    truth: Truth,
    studies: int,
    shape: tuple[int, int, int],
    rng: np.random.Generator,
    *,
    operators: str = "random",
) -> Array:
    """Return readings, shape (studies, parts, operators, trials); the true mean is 0.

    Fixed operators are equally spaced, the same in every study, with mean square AV.
    """
    p, o, r = shape
    sd = {name: np.sqrt(value) for name, value in truth.variances.items()}
    if operators == "fixed":
        spaced = np.linspace(-1.0, 1.0, o)
        operator = (spaced * sd["AV"] / np.sqrt(np.mean(spaced**2)))[None, None, :, None]
    else:
        operator = sd["AV"] * rng.normal(size=(studies, 1, o, 1))
    return (
        sd["PV"] * rng.normal(size=(studies, p, 1, 1))
        + operator
        + sd["INT"] * rng.normal(size=(studies, p, o, 1))
        + sd["EV"] * rng.normal(size=(studies, p, o, r))
    )


def nested(
    truth: Truth, studies: int, shape: tuple[int, int, int], rng: np.random.Generator
) -> Array:
    """Return readings, shape (studies, operators, parts of each, trials); no interaction."""
    o, p, r = shape
    sd = {name: np.sqrt(value) for name, value in truth.variances.items()}
    return (
        sd["AV"] * rng.normal(size=(studies, o, 1, 1))
        + sd["PV"] * rng.normal(size=(studies, o, p, 1))
        + sd["EV"] * rng.normal(size=(studies, o, p, r))
    )


def lose_readings(readings: Array, number: int, rng: np.random.Generator) -> Array:
    """Return the readings with ``number`` of each study lost at random (NaN)."""
    flat = readings.reshape(len(readings), -1).copy()
    lost = np.argsort(rng.random(flat.shape), axis=1)[:, :number]
    np.put_along_axis(flat, lost, np.nan, axis=1)
    return flat.reshape(readings.shape)


def lose_cells(readings: Array, number: int, rng: np.random.Generator) -> Array:
    """Return the readings with all trials of ``number`` cells lost, no two of one part."""
    studies, parts, operators, _ = readings.shape
    lossy = readings.copy()
    for study in range(studies):
        part = rng.permutation(parts)[:number]
        lossy[study, part, rng.integers(operators, size=number)] = np.nan
    return lossy


def coverage(
    truth: Truth,
    readings: Array,
    pivots_of: Callable[[Array, int], Pivots],
    *,
    level: float = 0.95,
    chunk: int = 100,
) -> dict[str, float]:
    """Return the share of studies whose interval holds the truth, quantity by quantity.

    Parameters
    ----------
    truth : Truth
    readings : ndarray
        Studies along the first axis.
    pivots_of : callable
        Pivots of a stack of readings, from a seed: every chunk of studies has its own
        draws, so that their error averages out.

    Returns
    -------
    dict
        EV, AV, INT, GRR (its percent of a two-sided tolerance is covered in the same
        studies), PV, TV; "one-sided": GRR's percent of a one-sided tolerance, mean not
        known; "percent TV" of GRR; "ndc".
    """
    true = truth.variances
    grr = np.sqrt(true["GRR"])
    targets: dict[str, tuple[float, Callable[[Pivots], Array]]] = {
        name: (true[name], lambda pivots, name=name: variance_draws(pivots, name, TWO_SIDED))
        for name in QUANTITIES
        if name in true
    }
    targets["one-sided"] = (
        100.0 * 3.0 * grr / 4.0,
        lambda pivots: percent_tolerance_draws(pivots, "GRR", ONE_SIDED),
    )
    targets["percent TV"] = (
        100.0 * grr,
        lambda pivots: percent_tv_draws(pivots, "GRR", TWO_SIDED),
    )
    targets["ndc"] = (
        NDC_FACTOR * np.sqrt(true["PV"]) / grr,
        lambda pivots: ndc_draws(pivots, TWO_SIDED),
    )
    held = dict.fromkeys(targets, 0.0)
    for seed, start in enumerate(range(0, len(readings), chunk)):
        pivots = pivots_of(readings[start : start + chunk], seed)
        for name, (value, draws_of) in targets.items():
            lower, upper = two_sided_limits(draws_of(pivots), level)
            held[name] += float(((lower <= value) & (value <= upper)).sum())
            if np.isnan(lower).all():
                held[name] = np.nan
    return {name: count / len(readings) for name, count in held.items()}
