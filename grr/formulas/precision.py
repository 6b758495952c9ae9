"""How sure a planned study can be, found out by simulating it.

The mean squares of a study have known distributions (a multiple of chi-square), so they
are drawn directly: no reading needs to be simulated. Everything scales with the true GRR,
so one simulation serves any true value.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from grr.formulas.analysis_of_variance import CrossedAnova
from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import careful_lower_bound, two_sided_limits, upper_bound
from grr.formulas.pivots import SEED, crossed_pivots
from grr.model.errors import StudyError
from grr.model.values import number, people_who_measure

#: Studies held in memory at once.
_CHUNK = 250


@dataclass(frozen=True)
class Design:
    """How many parts, operators and trials; and whether the operators are a sample.

    Raises
    ------
    StudyError
        A number that is no whole number or too small, or nothing is measured twice.
    """

    parts: int
    operators: int
    trials: int
    operators_are: str | int = "random"

    def __post_init__(self) -> None:
        for name, least in (("parts", 2), ("operators", 1), ("trials", 1)):
            count = getattr(self, name)
            if isinstance(count, bool) or not isinstance(count, (int, np.integer)) or count < least:
                raise StudyError(
                    f"The number of {name} is not a whole number from {least} up",
                    "Correct it",
                    value=count,
                )
        people_who_measure(self.operators_are, self.operators, "operators_are")
        if self.operators == 1 and self.trials == 1:
            raise StudyError(
                "With one operator and one trial nothing is measured twice",
                "Plan at least two trials",
            )

    @property
    def readings(self) -> int:
        """How many readings the design takes."""
        return self.parts * self.operators * self.trials


@dataclass(frozen=True)
class Shares:
    """How the variance GRR is assumed to split; the three are scaled to sum to 1."""

    repeatability: float = 0.6
    operator: float = 0.3
    interaction: float = 0.1

    def __post_init__(self) -> None:
        names = ("repeatability", "operator", "interaction")
        values = [number(f"share of {name}", getattr(self, name)) for name in names]
        if values[0] <= 0.0 or min(values) < 0.0:
            raise StudyError(
                "The shares of GRR cannot be used",
                "Give the share of repeatability more than 0, the others 0 or more",
                value=", ".join(f"{value:g}" for value in values),
            )
        for name, value in zip(names, values, strict=True):
            object.__setattr__(self, name, value / sum(values))

    @property
    def one_operator(self) -> Shares:
        """The shares that a study with one operator can see: repeatability alone."""
        return Shares(1.0, 0.0, 0.0)


@dataclass(frozen=True)
class Precision:
    """What simulated studies of one design found, as multiples of the true GRR.

    Attributes
    ----------
    design : Design
    shares : Shares
    level, confidence : float
        Of the two-sided interval, and of each one-sided bound.
    lower, upper : ndarray, shape (studies,)
        Two-sided limits of the GRR sd (and so of any percentage of a known whole).
    at_least, at_most : ndarray, shape (studies,)
        One-sided bounds, as verdicts use them.
    """

    design: Design
    shares: Shares
    level: float
    confidence: float
    lower: Array
    upper: Array
    at_least: Array
    at_most: Array

    def limits(self, true_percent: float) -> tuple[float, float]:
        """Return the middle (median) lower and upper limit for a gauge that truly takes this."""
        return (
            float(np.median(self.lower)) * true_percent,
            float(np.median(self.upper)) * true_percent,
        )

    @property
    def width(self) -> float:
        """Expected (mean) width of the two-sided interval, as a multiple of the true GRR."""
        return float(np.mean(self.upper - self.lower))

    def assurance_under(self, threshold: float, true_percent: float) -> float:
        """Return the share of studies that show, with confidence, GRR under a threshold."""
        return float(np.mean(self.at_most * true_percent <= threshold))

    def assurance_over(self, threshold: float, true_percent: float) -> float:
        """Return the share of studies that show, with confidence, GRR over a threshold."""
        return float(np.mean(self.at_least * true_percent > threshold))


def simulated_precision(
    design: Design,
    shares: Shares | None = None,
    *,
    level: float = 0.95,
    confidence: float = 0.95,
    studies: int = 2000,
    draws: int = 3000,
    seed: int = SEED,
    progress: Callable[[int], object] | None = None,
) -> Precision:
    """Simulate studies of a design and the limits of GRR that each would state.

    Parameters
    ----------
    design : Design
    shares : Shares, optional
        How GRR splits in truth. With one operator repeatability is all that is seen.
    level, confidence : float
    studies : int
        How many studies; 2000 give an assurance to about ±2 percentage points.
    draws : int
        Draws behind each study's limits.
    seed : int
    progress : callable, optional
        Called with the number of studies just done.

    Returns
    -------
    Precision

    Raises
    ------
    StudyError
        A level or confidence that cannot be used, or too few studies.

    Notes
    -----
    Source: Burdick, Borror & Montgomery (SIAM 2005), chapters 2 and 3, for the
    distributions of the mean squares and the limits; assurance as the probability that an
    interval's bound meets a threshold (common practice in the planning of studies).
    """
    number("level", level, above=0.0, below=1.0)
    number("confidence", confidence, above=0.5, below=1.0)
    if isinstance(studies, bool) or not isinstance(studies, (int, np.integer)) or studies < 100:
        raise StudyError("Too few studies to simulate", "Give at least 100", value=studies)
    if number("seed", seed, above=-1.0) != int(seed):
        raise StudyError("seed is not a whole number from 0", "Correct it", value=seed)
    split = Shares() if shares is None else shares
    if design.operators == 1:
        split = split.one_operator
    rng = np.random.default_rng(seed)
    found = []
    for size in _chunks(studies):
        variance = crossed_pivots(
            simulated_anova(design, split, size, rng),
            draws=draws,
            seed=seed,
            operators=design.operators_are if design.operators > 1 else "random",
        ).grr
        sd = np.sqrt(np.maximum(variance, 0.0))
        bounds = careful_lower_bound(sd, confidence), upper_bound(sd, confidence)
        found.append([*two_sided_limits(sd, level), *bounds])
        if progress is not None:
            progress(size)
    limits = [np.concatenate(parts) for parts in zip(*found, strict=True)]
    return Precision(design, split, level, confidence, *limits)


def simulated_anova(
    design: Design, shares: Shares, studies: int, rng: np.random.Generator
) -> CrossedAnova:
    """Draw the sums of squares of studies of gauges whose true variance GRR is 1.

    A sum of squares is its expected mean square times a chi-square variable; with fixed
    operators theirs is noncentral with λ = p·r·Σα²/E(MS_PO), Σα² = people × AV; of more people than
    are studied they show a beta share, see `grr.formulas.pivots.finite_people_pivot`.

    Parameters
    ----------
    design : Design
    shares : Shares
    studies : int
    rng : numpy.random.Generator

    Returns
    -------
    CrossedAnova
        A stack of shape (studies,). The parts vary with variance 1; GRR does not depend
        on it.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, sections 13.2 and 13.3
    (expected mean squares, random and mixed model).
    """
    p, o, r = design.parts, design.operators, design.trials
    cell = shares.repeatability + r * shares.interaction
    nothing = np.zeros(studies)

    def drawn(expected: float, df: int) -> Array:
        return expected * rng.chisquare(df, studies) if df else nothing

    people = people_who_measure(design.operators_are, o)
    if math.isfinite(people) and o > 1:
        # Of Σα² = N·AV among all N people those studied show a beta share.
        shown = rng.beta((o - 1) / 2, (people - o) / 2, studies) if people > o else 1.0
        noncentrality = p * r * people * shares.operator * shown / cell
        ss_operator = cell * rng.noncentral_chisquare(o - 1, noncentrality, studies)
    else:
        ss_operator = drawn(cell + p * r * shares.operator, o - 1)
    return CrossedAnova(
        parts=p,
        operators=o,
        trials=r,
        mean=nothing,
        ss_part=drawn(cell + o * r, p - 1),
        ss_operator=ss_operator,
        ss_interaction=drawn(cell, (p - 1) * (o - 1)),
        ss_error=drawn(shares.repeatability, p * o * (r - 1)),
    )


#: Numbers of parts that are tried when designs are compared.
PARTS = (5, 8, 10, 12, 15, 20, 25, 30, 40, 50)


def designs_within(
    readings: int,
    *,
    most_operators: int = 12,
    most_parts: int = 50,
    most_trials: int = 3,
    operators_are: str | int = "random",
) -> tuple[Design, ...]:
    """Return the designs that a number of readings allows, the fewest readings first.

    From two operators and two trials; one trial cannot tell repeatability from the
    interaction. From five parts (common practice, no source).

    Raises
    ------
    StudyError
        No design fits.
    """
    most = {
        name: number(name, value)
        for name, value in (
            ("readings", readings),
            ("most_operators", most_operators),
            ("most_parts", most_parts),
        )
    }
    found = [
        Design(parts, operators, trials, operators_are)
        for parts in PARTS
        for operators in range(2, int(most["most_operators"]) + 1)
        for trials in range(2, most_trials + 1)
        if parts <= most["most_parts"] and parts * operators * trials <= most["readings"]
    ]
    if not found:
        raise StudyError(
            "No design fits into so few readings, parts or operators",
            "Allow at least 20 readings: 5 parts by 2 operators twice",
            value=readings,
        )
    return tuple(sorted(found, key=lambda design: design.readings))


def _chunks(studies: int) -> Iterator[int]:
    for start in range(0, int(studies), _CHUNK):
        yield min(_CHUNK, int(studies) - start)
