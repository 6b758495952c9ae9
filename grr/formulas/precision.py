"""How sure a planned study can be, found out by simulating it.

The mean squares of a study have known distributions (a multiple of chi-square), so they
are drawn directly: no reading needs to be simulated. Everything scales with the true GRR,
so one simulation serves any true value. `tabulated_precision` reads the bounds that every study
would have by draws of its own, as a verdict has, off a table, in a fraction of the time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple, cast

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from grr.formulas.analysis_of_variance import (
    Components,
    CrossedAnova,
    among_people,
    components_by_rule,
)
from grr.formulas.arrays import Array, joined
from grr.formulas.conformity import predictive_guard
from grr.formulas.pivots import SEED, at_least, crossed_pivots, usual_dfs
from grr.formulas.sources_of_variation import NDC_FACTOR
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


class Ratio(NamedTuple):
    """What simulated studies state of GRR in percent of a whole; each of shape (studies,).

    Attributes
    ----------
    estimate : ndarray
        As calculated.
    at_least, at_most, plain_least : ndarray
        One-sided bounds, as in `Precision`.
    guard : ndarray or None
        The guard band of acceptance limits, in percent as GRR is (six sds of it are as wide
        as the whole where it is 100); None where the whole is no tolerance.
    """

    estimate: Array
    at_least: Array
    at_most: Array
    plain_least: Array
    guard: Array | None = None

    @property
    def categories(self) -> tuple[Array, Array]:
        """One-sided bounds of ndc, where the whole is the total variation."""
        least, most = (
            NDC_FACTOR * np.sqrt(np.maximum(np.square(100.0 / bound) - 1.0, 0.0))
            for bound in (self.at_most, self.plain_least)
        )
        return least, most


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
    plain_least : ndarray, shape (studies,)
        The lower bound without the care of `careful_lower_bound`, from which ndc follows.
    estimate : ndarray, shape (studies,)
        GRR's sd as calculated by the analysis of variance.
    guard : ndarray, shape (studies,)
        The guard band that holds the risk at a limit, see
        `grr.formulas.conformity.predictive_guard`.
    """

    design: Design
    shares: Shares
    level: float
    confidence: float
    lower: Array
    upper: Array
    at_least: Array
    at_most: Array
    plain_least: Array
    estimate: Array
    guard: Array

    def ratio(self, true_percent: float) -> Ratio:
        """Return what the studies state of a gauge that truly takes this of a known whole."""
        found = (self.estimate, self.at_least, self.at_most, self.plain_least, self.guard)
        return Ratio(*(true_percent * multiple for multiple in found))

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


def _refuse_settings(level: float, confidence: float, studies: int, seed: int) -> None:
    number("level", level, above=0.0, below=1.0)
    number("confidence", confidence, above=0.5, below=1.0)
    if isinstance(studies, bool) or not isinstance(studies, (int, np.integer)) or studies < 100:
        raise StudyError("Too few studies to simulate", "Give at least 100", value=studies)
    if number("seed", seed, above=-1.0) != int(seed):
        raise StudyError("seed is not a whole number from 0", "Correct it", value=seed)


def _seen(design: Design, shares: Shares | None) -> Shares:
    split = Shares() if shares is None else shares
    return split.one_operator if design.operators == 1 else split


#: So that how uneven a study looks is drawn apart from its sums of squares.
_STREAM_OF_DF = 11


def df_of_studies(design: Design, studies: int, seed: int) -> Array | None:
    """Return with how many degrees of freedom each simulated study knows EV.

    Those of `grr.formulas.pivots.usual_dfs` in random order, each as often as the others; None
    with one trial.
    """
    if design.trials == 1:
        return None
    usual = usual_dfs(design.parts, design.operators, design.trials)
    alike = usual[((np.arange(studies) + 0.5) * (usual.size / studies)).astype(int)]
    return np.random.default_rng([seed, _STREAM_OF_DF]).permutation(alike)


def design_components(anova: CrossedAnova, design: Design) -> Components:
    """Return the variances as `grr.anova` estimates them, operators as the design counts them."""
    found, _ = components_by_rule(anova)
    people = people_who_measure(design.operators_are, design.operators)
    if math.isfinite(people) and design.operators > 1:
        return among_people(found, people)
    return found


# The same bounds, read off a table.
# ----------------------------------

#: Places of a table along the degrees of freedom of repeatability and the mean squares of
#: operators, of repeatability and of parts. Limits of a known number of people bend more: a floor
#: cuts in.
_PLACES = {"df": 3, "operator": 12, "error": 5}
_PLACES_OF_FEW = {"df": 3, "operator": 12, "error": 8}
_SHARE_PLACES = {"df": 3, "operator": 8, "error": 4, "part": 8}
_GUARD_PLACES = {"df": 3, "operator": 12, "error": 5}
#: A guard band is a mean over the draws: one in so many of them, in order of size, will do.
_EVERY = 5
#: Added to a ratio of mean squares before its logarithm is taken: limits stop to change there.
_LEAST_RATIO = 0.05


@lru_cache(maxsize=128)
def tabulated_precision(
    design: Design,
    shares: Shares | None = None,
    *,
    level: float = 0.95,
    confidence: float = 0.95,
    studies: int = 2000,
    seed: int = SEED,
) -> Precision:
    """Simulate studies of a design and read the limits of GRR that each would state off a table.

    Divided by the mean square of the interaction, a limit of GRR depends on two ratios of mean
    squares, of the operators and of repeatability, and on how many degrees of freedom the study
    knows repeatability with. It is computed from even draws at 3 × 12 × 5 or 3 × 12 × 8 places of
    their logarithms, and read between them by a Chebyshev polynomial. A design's table is made
    once and kept.

    Parameters
    ----------
    design : Design
    shares : Shares, optional
        How GRR splits in truth. With one operator repeatability is all that is seen.
    level, confidence : float
    studies : int
        How many studies; 2000 give an assurance to about ±2 percentage points.
    seed : int

    Returns
    -------
    Precision
        98 of 100 limits within 1 % of those from each study's own draws, the farthest 2 % off, and
        guard bands within 2.5 %. Two people who are some of a few have limits with long tails,
        which a table follows less closely; the share of studies under or over a threshold is
        then within 2 of 100. Measured in ``tests/formulas/test_precision.py``.

    Raises
    ------
    StudyError
        A level or confidence that cannot be used, or too few studies.

    Notes
    -----
    Source: Burdick, Borror & Montgomery (SIAM 2005), chapters 2 and 3, for the
    distributions of the mean squares and the limits; assurance as the probability that an
    interval's bound meets a threshold (common practice in the planning of studies);
    polynomials in Chebyshev points: Trefethen, Approximation Theory and Approximation
    Practice (SIAM 2013), chapter 3.
    """
    _refuse_settings(level, confidence, studies, seed)
    split = _seen(design, shares)
    anova = _simulated(design, split, studies, seed)
    tails = (0.5 * (1.0 - level), 0.5 * (1.0 - confidence), 1.0 - confidence)
    base, ratios = _ratios(anova, df_of_studies(design, studies, seed))

    def exact(places: dict[str, Array]) -> Array:
        draws, floor, _ = _draws(design, places)
        found = _quantiles(draws, tails)
        if floor is not None:
            # Lifted quantile by quantile, as `grr.formulas.pivots.at_least` does.
            found = np.maximum(found, _quantiles(floor, tails))
        return 0.5 * np.log(found)

    def guards(places: dict[str, Array]) -> Array:
        draws, floor, _ = _draws(design, places)
        draws = np.sort(draws, axis=-1)[..., _EVERY // 2 :: _EVERY]
        if floor is not None:
            draws = np.maximum(draws, np.sort(floor, axis=-1)[..., _EVERY // 2 :: _EVERY])
        sd = np.sqrt(np.maximum(draws, 0.0))
        return np.log(predictive_guard(sd, 1.0 - confidence))[None]

    places = _PLACES_OF_FEW if math.isfinite(_people(design)) else _PLACES
    sd = np.sqrt(base) * np.exp(_interpolated(ratios, places, exact))
    lower, least, plain_least, upper, _, at_most = sd
    (guard,) = np.sqrt(base) * np.exp(_interpolated(ratios, _GUARD_PLACES, guards))
    estimate = np.sqrt(design_components(anova, design).grr)
    return Precision(
        design,
        split,
        level,
        confidence,
        lower,
        upper,
        least,
        at_most,
        plain_least,
        estimate,
        guard,
    )


@lru_cache(maxsize=32)
def tabulated_shares(
    design: Design,
    true_percents: tuple[float, ...],
    shares: Shares | None = None,
    *,
    confidence: float = 0.95,
    studies: int = 2000,
    seed: int = SEED,
) -> tuple[Ratio, ...]:
    """Simulate studies whose own parts give the total variation, and what each would state.

    As `tabulated_precision`, with the mean square of the parts as a third ratio.

    Parameters
    ----------
    design, shares, confidence, studies, seed
        As in `tabulated_precision`.
    true_percents : tuple of float
        What GRR truly takes of the total variation, below 100.

    Returns
    -------
    tuple of Ratio
        One a true percentage. 98 of 100 bounds within 2 % of those from the study's own draws
        (measured, ``tests/formulas/test_precision.py``); for fixed operators who hardly differ,
        of a share of 45 %, within 6 %.

    Raises
    ------
    StudyError
        A confidence that cannot be used, or too few studies.
    """
    _refuse_settings(0.95, confidence, studies, seed)
    split = _seen(design, shares)
    stacks = [
        _simulated(design, split, studies, seed, part=(100.0 / percent) ** 2 - 1.0)
        for percent in true_percents
    ]
    anova = joined(stacks)
    tails = (0.5 * (1.0 - confidence), 1.0 - confidence)
    dfs = df_of_studies(design, studies, seed)
    base, ratios = _ratios(anova, None if dfs is None else np.tile(dfs, len(stacks)))
    ratios["part"] = anova.ms_part / base

    def exact(places: dict[str, Array]) -> Array:
        draws, floor, part = _draws(design, places)
        grr = draws if floor is None else at_least(cast(Array, draws), cast(Array, floor))
        return -0.5 * np.log1p(_quantiles(np.maximum(part, 0.0) / grr, tails))

    found = 100.0 * np.exp(_interpolated(ratios, _SHARE_PLACES, exact))
    components = design_components(anova, design)
    whole = np.maximum(components.part, 0.0) + components.grr
    estimate = 100.0 * np.sqrt(components.grr / whole)
    _, most, least, plain_least = found
    each = (np.split(one, len(stacks)) for one in (estimate, least, most, plain_least))
    return tuple(Ratio(*of) for of in zip(*each, strict=True))


def _simulated(
    design: Design, shares: Shares, studies: int, seed: int, *, part: float = 1.0
) -> CrossedAnova:
    """Return the simulated studies in one stack, drawn a few hundred at a time."""
    rng = np.random.default_rng(seed)
    sizes = (min(_CHUNK, studies - start) for start in range(0, studies, _CHUNK))
    return joined([simulated_anova(design, shares, n, rng, part=part) for n in sizes])


def _ratios(anova: CrossedAnova, dfs: Array | None) -> tuple[Array, dict[str, Array]]:
    """Return the mean square to divide by, and on what a limit then depends."""
    ratios = {} if dfs is None else {"df": dfs}
    if anova.operators == 1:
        return anova.ms_error, ratios
    base = anova.ms_interaction
    ratios["operator"] = anova.ms_operator / base
    if anova.df_error:
        ratios["error"] = anova.ms_error / base
    return base, ratios


#: Draws with half the digits, which are plenty here and take half the time.
Draws = NDArray[Any]


def _draws(design: Design, places: dict[str, Array]) -> tuple[Draws, Draws | None, Draws]:
    """Return draws of GRR at ratios of mean squares, a floor of their quantiles, and of PV.

    The pieces come from `crossed_pivots`; that operators, interaction and repeatability add up
    to GRR, and that GRR of a known number of people is not below repeatability, is as there.

    Returns
    -------
    ndarray, shape (df, operator, error, part, draws)
        An axis along which nothing changes is 1 long.
    """
    o, r = design.operators, np.float32(design.trials)
    one = np.ones(1)
    along = tuple(places.get("operator", one))
    at_error, at_parts = (places.get(name, one).astype(np.float32) for name in ("error", "part"))
    pieces = [_pieces(design, along, df) for df in places.get("df", [None])]
    operator, interaction, error, among_parts = (
        np.stack(of_all)[:, :, None, None] for of_all in zip(*pieces, strict=True)
    )
    cell = error if o == 1 or r == 1 else error + r * interaction
    of_parts = o * r * among_parts + cell  # the expected mean square of the parts
    part = (at_parts[:, None] * of_parts - cell) / (o * r)
    if o == 1:
        return error, None, part
    error = at_error[:, None, None] * error
    grr = operator + (cell - error) / r + error if r > 1 else operator + cell
    return grr, error if math.isfinite(_people(design)) else None, part


@lru_cache(maxsize=8)
def _pieces(
    design: Design, along: tuple[float, ...], df_error: float | None
) -> tuple[Draws, Draws, Draws, Draws]:
    """Return draws of AV at ratios of its mean square, and of INT, EV and PV at ratios of 1."""
    p, o, r = design.parts, design.operators, design.trials
    one = np.ones(len(along))
    pivots = crossed_pivots(
        CrossedAnova(
            parts=p,
            operators=o,
            trials=r,
            mean=0.0 * one,
            ss_part=one * (p - 1),
            ss_operator=np.array(along) * max(o - 1, 1),
            ss_interaction=one * max((p - 1) * (o - 1), 1),
            ss_error=one * p * o * (r - 1),
        ),
        # one operator alone is no sample of any
        operators=design.operators_are if o > 1 else "random",
        df_error=df_error,
        even=True,
    )
    others = (pivots.interaction, pivots.repeatability, pivots.part)
    operator = pivots.operator.astype(np.float32)
    interaction, error, part = (draws[:1].astype(np.float32) for draws in others)
    return operator, interaction, error, part


def _people(design: Design) -> float:
    return people_who_measure(design.operators_are, design.operators)


def _quantiles(draws: NDArray[Any], tails: Sequence[float]) -> Array:
    """Return the limits that leave each tail below, then above; shape (2·tails, ...)."""
    size = draws.shape[-1]
    places = [math.floor(tail * size) for tail in tails]
    places += [size - 1 - place for place in places]
    ordered = np.partition(draws, sorted(set(places)), axis=-1)
    return np.stack([ordered[..., place] for place in places]).astype(np.float64)


def _interpolated(
    ratios: dict[str, Array],
    places_along: dict[str, int],
    exact: Callable[[dict[str, Array]], Array],
) -> Array:
    """Return ``exact`` at ratios of any number of studies, computed at few of them.

    Parameters
    ----------
    ratios : dict of str to ndarray, shape (studies,)
    places_along : dict of str to int
        At how many values of each ratio.
    exact : callable
        From places along each ratio to values of shape (values, ...), an axis a ratio in the
        order given; axes 1 long besides do not matter.

    Returns
    -------
    ndarray, shape (values, studies) or (values, 1)
    """
    grid, fits, bases = {}, [], []
    for name, ratio in ratios.items():
        places = places_along[name]
        points = chebyshev.chebpts1(places)
        logs = np.log(_LEAST_RATIO + ratio)
        low, width = logs.min(), max(np.ptp(logs), 1e-9)
        grid[name] = np.exp(low + 0.5 * width * (points + 1.0)) - _LEAST_RATIO
        fits.append(np.linalg.inv(chebyshev.chebvander(points, places - 1)))
        bases.append(chebyshev.chebvander(2.0 * (logs - low) / width - 1.0, places - 1))
    found = exact(grid)
    if not ratios:
        return found.reshape(-1, 1)
    found = found.reshape(-1, *(at.size for at in grid.values()))
    # Axis by axis from values to coefficients, then from coefficients to the studies.
    for axis, fit in enumerate(fits, start=1):
        found = np.moveaxis(np.tensordot(fit, found, axes=(1, axis)), 0, axis)
    found = np.tensordot(bases[0], found, axes=(1, 1))  # studies, values, other places ...
    for basis in bases[1:]:
        found = np.einsum("mi,mvi...->mv...", basis, found)
    return found.T


def simulated_anova(
    design: Design,
    shares: Shares,
    studies: int,
    rng: np.random.Generator,
    *,
    part: float = 1.0,
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
    part : float
        Variance of the parts; GRR does not depend on it.

    Returns
    -------
    CrossedAnova
        A stack of shape (studies,).

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, sections 13.2 and 13.3
    (expected mean squares, random and mixed model).
    """
    return anova_of_variances(
        design,
        repeatability=shares.repeatability,
        operator=shares.operator,
        interaction=shares.interaction,
        part=part,
        studies=studies,
        rng=rng,
    )


def anova_of_variances(
    design: Design,
    *,
    repeatability: float | Array,
    operator: float | Array,
    interaction: float | Array,
    part: float | Array,
    studies: int,
    rng: np.random.Generator,
) -> CrossedAnova:
    """Draw the sums of squares of studies with these true variances, see `simulated_anova`.

    Parameters
    ----------
    design : Design
    repeatability, operator, interaction, part : float or ndarray, shape (studies,)
    studies : int
    rng : numpy.random.Generator
    """
    p, o, r = design.parts, design.operators, design.trials
    cell = repeatability + r * interaction
    nothing = np.zeros(studies)

    def drawn(expected: float | Array, df: int) -> Array:
        return expected * rng.chisquare(df, studies) if df else nothing

    people = people_who_measure(design.operators_are, o)
    if math.isfinite(people) and o > 1:
        # Of Σα² = N·AV among all N people those studied show a beta share.
        shown = rng.beta((o - 1) / 2, (people - o) / 2, studies) if people > o else 1.0
        noncentrality = p * r * people * operator * shown / cell
        ss_operator = cell * rng.noncentral_chisquare(o - 1, noncentrality, studies)
    else:
        ss_operator = drawn(cell + p * r * operator, o - 1)
    return CrossedAnova(
        parts=p,
        operators=o,
        trials=r,
        mean=nothing,
        ss_part=drawn(cell + o * r * part, p - 1),
        ss_operator=ss_operator,
        ss_interaction=drawn(cell, (p - 1) * (o - 1)),
        ss_error=drawn(repeatability, p * o * (r - 1)),
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

    From two trials; one cannot tell repeatability from the interaction. From five parts
    (common practice, no source). From two operators, three where they stand for no end of
    others, and no more than will ever measure.

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
    people = people_who_measure(operators_are, 1, "operators_are")
    known = isinstance(operators_are, int)
    operators_most = int(min(most["most_operators"], people if known else math.inf))
    found = [
        Design(parts, operators, trials, operators_are)
        for parts in PARTS
        for operators in range(3 if operators_are == "random" else 2, operators_most + 1)
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
