"""Control charts of check readings: limits, running mean, run rules, and their false alarms."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy.special import fdtrc, ndtr, stdtr, stdtrit

from grr.formulas.arrays import Array, Mask
from grr.formulas.average_range import d2, lower_range_limit, upper_range_limit
from grr.model.errors import StudyError

# Control charts of check readings: limits from a baseline period, frozen.
# ------------------------------------------------------------------------


@dataclass(frozen=True)
class ChartLimits:
    """Centre and three-sigma limits; arrays have the shape of the stack (...).

    Attributes
    ----------
    centre, sigma : ndarray
        Mean of the baseline, and standard deviation of one plotted point.
    lower, upper : ndarray
        centre ± 3·sigma.
    mean_range, range_lower, range_upper : ndarray
        The same for the ranges (moving ranges of single readings, or ranges within a
        check).
    per_check : int
        Readings a check: 1 for individuals and moving range.
    baseline : int
        How many checks the limits come from.
    """

    centre: Array
    sigma: Array
    lower: Array
    upper: Array
    mean_range: Array
    range_lower: Array
    range_upper: Array
    per_check: int
    baseline: int


def moving_ranges(readings: Array) -> Array:
    """Return the distance of each reading from the one before, shape (..., n − 1)."""
    return np.asarray(np.abs(np.diff(readings, axis=-1)))


def individuals_limits(baseline: Array, *, least_sigma: float = 0.0) -> ChartLimits:
    """Return the limits for single readings from the moving ranges of a baseline period.

    sigma = mean moving range / d2(2).

    Parameters
    ----------
    baseline : ndarray, shape (..., n)
        Readings of the baseline in order of time.
    least_sigma : float
        sigma is not taken as less than this (half a digit where readings repeat to the
        last one).

    Raises
    ------
    StudyError
        Fewer than two readings.

    Notes
    -----
    Source: ISO 7870-2, individuals and moving range (from memory); ASTM E2587. Constants
    computed from the distribution of the range.
    """
    values = np.asarray(baseline, dtype=np.float64)
    _refuse_short(values.shape[-1])
    return _limits(
        centre=_mean(values),
        mean_range=np.maximum(moving_ranges(values).mean(axis=-1), least_sigma * d2(2)),
        range_size=2,
        per_check=1,
        baseline=values.shape[-1],
    )


def mean_range_limits(baseline: Array, *, least_sigma: float = 0.0) -> ChartLimits:
    """Return the limits for means of several readings a check, from the ranges within checks.

    sigma = mean range / (d2·√m) for m readings a check. The scatter between checks (another
    day, another setting) is not in it: where that is ordinary, chart the means as
    individuals instead.

    Parameters
    ----------
    baseline : ndarray, shape (..., checks, m)
    least_sigma : float
        The sd of one reading is not taken as less than this.

    Raises
    ------
    StudyError
        Fewer than two checks, or one reading a check.

    Notes
    -----
    Source: ISO 7870-2, mean and range (from memory); ASTM E2587.
    """
    values = np.asarray(baseline, dtype=np.float64)
    m = values.shape[-1]
    _refuse_short(values.shape[-2])
    if m < 2:
        raise StudyError(
            "One reading a check has no range",
            "Use single readings with moving ranges, or take two or more readings a check",
        )
    return _limits(
        centre=_mean(values.reshape(*values.shape[:-2], -1)),
        mean_range=np.maximum(np.ptp(values, axis=-1).mean(axis=-1), least_sigma * d2(m)),
        range_size=m,
        per_check=m,
        baseline=values.shape[-2],
    )


def standardised(points: Array, limits: ChartLimits) -> Array:
    """Return (point − centre)/sigma for points of shape (..., n)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = (points - limits.centre[..., None]) / limits.sigma[..., None]
    # with no scatter at all in the baseline, a point on the centre line is on it
    return np.where(np.isnan(z) & np.isfinite(points), 0.0, z)


def _limits(
    *, centre: Array, mean_range: Array, range_size: int, per_check: int, baseline: int
) -> ChartLimits:
    sigma = np.asarray(mean_range / d2(range_size) / np.sqrt(per_check))
    return ChartLimits(
        centre=centre,
        sigma=sigma,
        lower=centre - 3.0 * sigma,
        upper=centre + 3.0 * sigma,
        mean_range=np.asarray(mean_range),
        range_lower=np.asarray(lower_range_limit(range_size) * mean_range),
        range_upper=np.asarray(upper_range_limit(range_size) * mean_range),
        per_check=per_check,
        baseline=baseline,
    )


def _mean(values: Array) -> Array:
    first = values[..., :1]
    return np.asarray(first[..., 0] + (values - first).mean(axis=-1))


def _refuse_short(checks: int) -> None:
    if checks < 2:
        raise StudyError(
            "A baseline needs at least two checks",
            "Take the limits from twenty checks or more, made while all was well",
            value=checks,
        )


# The running mean (EWMA): slow changes show, and chance seldom alarms.
# ---------------------------------------------------------------------

#: Weight of the latest check in the running mean; 0.05 to 0.25 serve small shifts (Lucas &
#: Saccucci), 0.2 to 0.3 are common (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4).
WEIGHT = 0.2
#: Checks between two false alarms that a chart is made for.
CHECKS_A_FALSE_ALARM = 1000
#: Checks over which that is held, the limits being from a baseline.
CHECKS_WATCHED = 40
#: Charts simulated at a time: so many stay within the memory of a small computer.
_CHARTS = 1000


def running_mean(
    points: Array,
    *,
    centre: Array | float = 0.0,
    weight: float = WEIGHT,
    farthest: float = math.inf,
) -> Array:
    """Return the exponentially weighted moving average of points of shape (..., n).

    z_i = z_(i−1) + weight·(x_i − z_(i−1)), from z_0 = centre, and never farther than
    ``farthest`` from it: without that a single wild point is remembered for many checks.

    Notes
    -----
    Source: S. W. Roberts, Control chart tests based on geometric moving averages,
    Technometrics 1 (1959), 239-250; ISO 7870-6 (from memory).
    """
    x = np.asarray(points, dtype=np.float64)
    means = np.empty_like(x)
    centre = np.asarray(centre, dtype=np.float64)
    mean = np.broadcast_to(centre, x.shape[:-1])
    for check in range(x.shape[-1]):
        mean = mean + weight * (x[..., check] - mean)
        mean = np.clip(mean, centre - farthest, centre + farthest)
        means[..., check] = mean
    return means


@dataclass(frozen=True)
class RunningMeanChart:
    """How far a running mean, and a range within a check, may go by chance.

    Attributes
    ----------
    width : float
        Limit of the running mean from the centre, as a multiple of the sd of a point.
    range_ratio : float
        Limit of the range within a check as a multiple of the mean range; infinite for
        single readings.
    chance : float
        Of a false alarm within ``CHECKS_WATCHED`` checks.
    """

    width: float
    range_ratio: float
    chance: float


@lru_cache(maxsize=256)
def running_mean_chart(
    baseline: int, per_check: int = 1, *, studies: int = 20_000, seed: int = 1
) -> RunningMeanChart:
    """Return limits that hold the rate of false alarms although a baseline is short.

    Centre and sigma from a few checks are themselves uncertain. Limits for known ones, drawn
    from them, alarm many times too often; so charts are simulated with their own baseline, and
    the limits lie where so few of them alarm within ``CHECKS_WATCHED`` checks as one alarm in
    ``CHECKS_A_FALSE_ALARM`` checks makes. Where checks hold several readings, running mean and
    range have half of that each.

    Parameters
    ----------
    baseline : int
        Checks that centre and sigma come from: by moving ranges, or by the ranges within
        checks where they hold several readings.
    per_check : int
    studies, seed : int

    Notes
    -----
    Source of the effect: Jones, Champ & Rigdon, The performance of exponentially weighted
    moving average charts with estimated parameters, Technometrics 43 (2001), 156-167.
    """
    chance = -math.expm1(-CHECKS_WATCHED / CHECKS_A_FALSE_ALARM)
    parts = 1 if per_check == 1 else 2
    kept = (1.0 - chance) ** (1.0 / parts)
    farthest, widest = [], []
    for z, ranges in _charts(baseline, per_check, CHECKS_WATCHED, studies=studies, seed=seed):
        farthest.append(np.abs(running_mean(z)).max(axis=-1))
        widest.append(ranges.max(axis=-1))
    return RunningMeanChart(
        width=float(np.quantile(np.concatenate(farthest), kept)),
        range_ratio=float(np.quantile(np.concatenate(widest), kept)) if parts > 1 else np.inf,
        chance=chance,
    )


@lru_cache(maxsize=256)
def checks_to_notice(
    shift: float,
    width: float,
    *,
    baseline: int | None = None,
    per_check: int = 1,
    most: int = 200,
    studies: int = 4000,
    seed: int = 1,
) -> Array:
    """Return after how many checks each of some simulated charts alarms; infinite: not in ``most``.

    Parameters
    ----------
    shift : float
        Of every point after the baseline, in sd of a point; 0: false alarms.
    width : float
        As in `RunningMeanChart`.
    baseline : int, optional
        Checks that centre and sigma come from; none: both are known.
    per_check, most, studies, seed : int
    """
    found = []
    for z, _ in _charts(baseline, per_check, most, studies=studies, seed=seed, shift=shift):
        beyond = np.abs(running_mean(z)) > width
        found.append(np.where(beyond.any(axis=-1), beyond.argmax(axis=-1) + 1.0, np.inf))
    lengths = np.concatenate(found)
    lengths.setflags(write=False)
    return lengths


def _charts(
    baseline: int | None,
    per_check: int,
    checks: int,
    *,
    studies: int,
    seed: int,
    shift: float = 0.0,
) -> Iterator[tuple[Array, Array]]:
    """Yield standardised points and ranges over the mean range of simulated charts, in blocks."""
    rng = np.random.default_rng(seed)
    for start in range(0, studies, _CHARTS):
        block = min(_CHARTS, studies - start)
        if baseline is None:
            yield rng.standard_normal((block, checks)) + shift, np.zeros((block, checks))
            continue
        readings = rng.standard_normal((block, baseline + checks, per_check))
        if per_check == 1:
            limits = individuals_limits(readings[:, :baseline, 0])
        else:
            limits = mean_range_limits(readings[:, :baseline])
        moved = readings[:, baseline:].mean(axis=-1) + shift / math.sqrt(per_check)
        ranges = np.ptp(readings[:, baseline:], axis=-1)
        yield standardised(moved, limits), ranges / limits.mean_range[:, None]


# Run rules: patterns of points on a control chart that chance alone seldom makes.
# --------------------------------------------------------------------------------


@dataclass(frozen=True)
class RunRule:
    """At least ``needed`` of ``window`` successive points in one zone.

    Attributes
    ----------
    name : str
    says : str
        The rule in words.
    kind : {"beyond", "within", "either", "trend", "zigzag"}
        Beyond ``sigmas`` on one side; within ``sigmas`` of the centre line; beyond
        ``sigmas`` on either side; all rising or all falling; turning at every point.
    needed, window : int
    sigmas : float
    """

    name: str
    says: str
    kind: str
    needed: int
    window: int
    sigmas: float = 0.0


_ONE = "one point beyond 3 sigma"
_TWO = "two of three successive points beyond 2 sigma on one side"
_FOUR = "four of five successive points beyond 1 sigma on one side"

#: Western Electric, Statistical Quality Control Handbook (1956), tests for instability.
WESTERN_ELECTRIC = (
    RunRule("WE 1", _ONE, "beyond", 1, 1, 3.0),
    RunRule("WE 2", _TWO, "beyond", 2, 3, 2.0),
    RunRule("WE 3", _FOUR, "beyond", 4, 5, 1.0),
    RunRule("WE 4", "eight successive points on one side of the centre line", "beyond", 8, 8),
)

#: L. S. Nelson, The Shewhart control chart: tests for special causes, Journal of Quality
#: Technology 16 (1984), 237-239.
NELSON = (
    RunRule("Nelson 1", _ONE, "beyond", 1, 1, 3.0),
    RunRule("Nelson 2", "nine successive points on one side of the centre line", "beyond", 9, 9),
    RunRule("Nelson 3", "six successive points all rising or all falling", "trend", 6, 6),
    RunRule("Nelson 4", "fourteen successive points going up and down in turn", "zigzag", 14, 14),
    RunRule("Nelson 5", _TWO, "beyond", 2, 3, 2.0),
    RunRule("Nelson 6", _FOUR, "beyond", 4, 5, 1.0),
    RunRule("Nelson 7", "fifteen successive points within 1 sigma", "within", 15, 15, 1.0),
    RunRule("Nelson 8", "eight successive points all beyond 1 sigma", "either", 8, 8, 1.0),
)

#: Every rule by its name.
RULES = {rule.name: rule for rule in (*WESTERN_ELECTRIC, *NELSON)}


def signals(z: Array, rule: RunRule) -> Mask:
    """Return the points at which a rule is met, the last point of the pattern being marked.

    Parameters
    ----------
    z : ndarray, shape (..., n)
        Points as distances from the centre line in sigmas, in order of time.
    rule : RunRule

    Returns
    -------
    ndarray of bool, shape (..., n)
        For "m of k" rules the marked point itself lies in the zone.
    """
    z = np.asarray(z, dtype=np.float64)
    if rule.kind == "beyond":
        sides = [_met(z > rule.sigmas, rule), _met(-z > rule.sigmas, rule)]
        return np.asarray(sides[0] | sides[1])
    if rule.kind == "within":
        return _met(np.abs(z) < rule.sigmas, rule)
    if rule.kind == "either":
        return _met(np.abs(z) > rule.sigmas, rule)
    step = np.diff(z, axis=-1)
    if rule.kind == "trend":
        met = _run(step > 0.0, rule.window - 1) | _run(step < 0.0, rule.window - 1)
    else:
        turns = step[..., 1:] * step[..., :-1] < 0.0
        met = _pad(_run(turns, rule.window - 2), 1)
    return _pad(met, 1)


def first_signal(z: Array, rules: tuple[RunRule, ...]) -> Array:
    """Return the number of the first point (from 1) at which any rule is met; inf if none."""
    met = np.zeros(np.shape(z), dtype=np.bool_)
    for rule in rules:
        met |= signals(z, rule)
    return np.where(met.any(axis=-1), met.argmax(axis=-1) + 1.0, np.inf)


def _met(inside: Mask, rule: RunRule) -> Mask:
    return np.asarray(inside & (_counted(inside, rule.window) >= rule.needed))


def _run(inside: Mask, length: int) -> Mask:
    return np.asarray(_counted(inside, length) >= length)


def _counted(inside: Mask, window: int) -> Array:
    """Return how many of the last ``window`` points, this one included, are inside."""
    total = np.cumsum(inside, axis=-1, dtype=np.float64)
    before = np.zeros_like(total)
    before[..., window:] = total[..., :-window]
    return total - before


def _pad(met: Mask, points: int) -> Mask:
    """Return the mask with points in front at which the rule cannot be met yet."""
    nothing = np.zeros((*met.shape[:-1], points), dtype=np.bool_)
    return np.concatenate([nothing, met], axis=-1)


# How often run rules give an alarm although nothing has changed.
# ---------------------------------------------------------------

#: Kinds of rule that need only the zones of the last points.
_ZONE_KINDS = ("beyond", "within", "either")


@dataclass(frozen=True)
class FalseAlarms:
    """Alarms without a cause.

    Attributes
    ----------
    run_length : float
        Mean number of points up to the first false alarm.
    standard_error : float
        Of ``run_length``; 0 where it was computed and not simulated.
    """

    run_length: float
    standard_error: float


def false_alarms(rules: tuple[RunRule, ...], *, studies: int = 4000, seed: int = 1) -> FalseAlarms:
    """Return how often a set of rules alarms on normal points with known centre and sigma.

    Rules that look at zones only are solved exactly as a Markov chain; sets with a trend
    or a zigzag are simulated.

    Parameters
    ----------
    rules : tuple of RunRule
    studies, seed : int
        How many charts to simulate, and from which seed, where that is needed.

    Raises
    ------
    StudyError
        No rule.

    Notes
    -----
    Source of the chain: C. W. Champ & W. H. Woodall, Exact results for Shewhart control
    charts with supplementary runs rules, Technometrics 29 (1987), 393-399.
    """
    if not rules:
        raise StudyError("No run rule is chosen", "Choose at least one, such as WE 1")
    if all(rule.kind in _ZONE_KINDS for rule in rules):
        return FalseAlarms(_chain_run_length(rules), 0.0)
    lengths = simulated_run_lengths(rules, studies=studies, seed=seed)
    return FalseAlarms(float(lengths.mean()), float(lengths.std(ddof=1) / np.sqrt(studies)))


def simulated_run_lengths(rules: tuple[RunRule, ...], *, studies: int, seed: int) -> Array:
    """Return the points up to the first alarm on simulated charts with nothing wrong."""
    rng = np.random.default_rng(seed)
    lengths = np.zeros(studies)
    open_charts = np.arange(studies)
    overlap = max(rule.window for rule in rules)
    z = np.empty((studies, 0))
    seen = 0
    while len(open_charts):
        z = np.concatenate([z[:, -overlap:], rng.standard_normal((len(open_charts), 200))], axis=1)
        first = first_signal(z, rules)
        alarmed = np.isfinite(first)
        lengths[open_charts[alarmed]] = seen + first[alarmed]
        open_charts, z = open_charts[~alarmed], z[~alarmed]
        seen += z.shape[1] - min(overlap, z.shape[1])
    return lengths


@lru_cache(maxsize=256)
def chance_of_false_alarm(
    rules: tuple[RunRule, ...],
    *,
    baseline: int,
    points: int,
    studies: int = 4000,
    seed: int = 1,
) -> float:
    """Return the chance of a false alarm within some points, the limits being estimated.

    Limits from a short baseline are themselves uncertain, which raises the rate.
    Individuals with limits from ``baseline`` moving ranges, then ``points`` further ones;
    simulated.
    """
    z = np.random.default_rng(seed).standard_normal((studies, baseline + points))
    limits = individuals_limits(z[:, :baseline])
    further = standardised(z, limits)[:, baseline:]
    return float(np.isfinite(first_signal(further, rules)).mean())


@lru_cache(maxsize=64)
def _chain_run_length(rules: tuple[RunRule, ...]) -> float:
    """Mean points to an alarm: solve (I − Q)·m = 1 over the states without alarm."""
    from scipy.sparse import coo_array, eye_array
    from scipy.sparse.linalg import spsolve

    zones = _zones(rules)
    start: _State = tuple(() for _ in _tests(0.0, rules))
    number = {start: 0}
    rows, columns, chances = [], [], []
    waiting = [start]
    while waiting:
        state = waiting.pop()
        for centre, chance in zones:
            following = _next_state(state, centre, rules)
            if following is None:
                continue
            if following not in number:
                number[following] = len(number)
                waiting.append(following)
            rows.append(number[state])
            columns.append(number[following])
            chances.append(chance)
    size = len(number)
    stay = coo_array((chances, (rows, columns)), shape=(size, size)).tocsr()
    return float(spsolve((eye_array(size) - stay).tocsc(), np.ones(size))[0])


#: For each rule and side, which of the last points lay in its zone (newest first).
_State = tuple[tuple[bool, ...], ...]


def _zones(rules: tuple[RunRule, ...]) -> list[tuple[float, float]]:
    """Return a point inside each zone between the rules' lines, and the zone's probability."""
    lines = sorted({s * rule.sigmas for rule in rules for s in (-1.0, 1.0)})
    edges = [-np.inf, *lines, np.inf]
    inside = [lines[0] - 1.0, *((a + b) / 2 for a, b in pairwise(lines))]
    inside.append(lines[-1] + 1.0)
    chances = np.diff(ndtr(edges))
    return [(point, float(chance)) for point, chance in zip(inside, chances, strict=True)]


def _tests(z: float, rules: tuple[RunRule, ...]) -> list[tuple[RunRule, bool]]:
    """Return each rule, twice where it has two sides, with whether z lies in its zone."""
    found = []
    for rule in rules:
        if rule.kind == "beyond":
            found += [(rule, z > rule.sigmas), (rule, -z > rule.sigmas)]
        else:
            near = abs(z) < rule.sigmas
            found.append((rule, near if rule.kind == "within" else not near))
    return found


def _next_state(state: _State, z: float, rules: tuple[RunRule, ...]) -> _State | None:
    """Return the state after one more point; None where a rule is met."""
    following = []
    for history, (rule, inside) in zip(state, _tests(z, rules), strict=True):
        points = (inside, *history)
        if sum(points) >= rule.needed:
            return None
        # the oldest point leaves; points outside at the old end tell nothing and go too
        kept = points[: rule.window - 1]
        misses = rule.window - rule.needed
        if misses == 0 and not inside:
            kept = ()
        while kept and not kept[-1]:
            kept = kept[:-1]
        following.append(kept)
    return tuple(following)


# Do checks scatter more than the readings within them explain?
# -------------------------------------------------------------


def between_checks(readings: Array) -> Array:
    """Return p of the F test of check means against the scatter within checks.

    Parameters
    ----------
    readings : ndarray, shape (..., checks, m)
        At least two checks of at least two readings each.

    Returns
    -------
    ndarray, shape (...)
        Small: a chart whose limits come from the ranges within checks would alarm for
        the ordinary scatter from day to day.

    Notes
    -----
    One-way analysis of variance; Montgomery, Design and Analysis of Experiments,
    section 3.3.
    """
    *_, checks, m = readings.shape
    from_first = readings - readings[..., :1, :1]
    means = from_first.mean(axis=-1)
    within = np.square(from_first - means[..., None]).sum(axis=(-2, -1)) / (checks * (m - 1))
    between = m * means.var(axis=-1, ddof=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = between / within
    # neither scatters at all: nothing lies between the checks
    return np.asarray(fdtrc(checks - 1, checks * (m - 1), np.where(np.isnan(f), 0.0, f)))


# Do single checks of a baseline lie far from the others?
# -------------------------------------------------------

#: Of so many points one may be wild, of twice as many two; two hide each other from a test of
#: the farthest alone.
POINTS_A_WILD_ONE = 6


def prediction_reach(points: Array, least_sd: float, *, level: float) -> float:
    """Return how far from the mean of some points the next one lies with this confidence.

    t × s × √(1 + 1/n), t two-sided with n − 1 degrees of freedom.

    Parameters
    ----------
    points : ndarray, shape (n,)
    least_sd, level : float
        What s is not taken as less than; the confidence, 0.95 say.

    Notes
    -----
    Source: Hahn & Meeker, Statistical Intervals (1991), chapter 4, prediction interval for one
    future observation (from memory). False alarms are simulated in the tests.
    """
    n = len(points)
    sd = max(float(points.std(ddof=1)), least_sd)
    return float(stdtrit(n - 1, 0.5 + level / 2.0)) * sd * math.sqrt(1.0 + 1.0 / n)


def wild_points(points: Array, *, level: float) -> list[tuple[int, float]]:
    """Return the points that lie farther from the others than chance explains, with their p.

    G = largest |x − mean|/s, p = n·P(|t| > t_G) with n − 2 degrees of freedom; the farthest is
    taken out and the rest tested again, and all up to the last one with p under ``level`` are
    wild, that p being told for each. The sd is not taken as less than half of the smallest step
    between two values: where readings repeat to the last digit, one that flips by a digit is
    not wild.

    Parameters
    ----------
    points : ndarray, shape (n,)
    level : float

    Notes
    -----
    Source: Grubbs, Annals of Mathematical Statistics 21 (1950), 27-58; Rosner, Technometrics 25
    (1983), 165-172 (many at once).
    """
    left = np.arange(len(points))
    steps = np.diff(np.unique(points))
    least = 0.5 * float(steps.min()) if len(steps) else 0.0
    farthest, wild, p_of_last = [], 0, 1.0
    for count in range(1, len(points) // POINTS_A_WILD_ONE + 1):
        place, p = _farthest(points[left], least)
        farthest.append(int(left[place]))
        left = np.delete(left, place)
        if p < level:
            wild, p_of_last = count, p
    return [(place, p_of_last) for place in farthest[:wild]]


def _farthest(points: Array, least_sd: float) -> tuple[int, float]:
    """Return the point farthest from the mean, and p of lying so far by chance."""
    n = len(points)
    off = points - points[0]
    away = np.abs(off - off.mean())
    sd = max(float(off.std(ddof=1)), least_sd)
    place = int(away.argmax())
    if sd == 0.0:
        return place, 1.0
    g2 = float(away[place] / sd) ** 2
    room = (n - 1) ** 2 - n * g2
    if room <= 1e-9:
        return place, 0.0
    t = math.sqrt(g2 * n * (n - 2) / room)
    return place, min(1.0, 2.0 * n * float(stdtr(n - 2, -t)))
