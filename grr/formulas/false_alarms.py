"""How often run rules give an alarm although nothing has changed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy.special import ndtr

from grr.formulas.arrays import Array
from grr.formulas.control_chart import individuals_limits, standardised
from grr.formulas.run_rules import RunRule, first_signal
from grr.model.errors import StudyError

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
    start = _start(rules)
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


def _start(rules: tuple[RunRule, ...]) -> _State:
    return tuple(() for _ in _tests(0.0, rules))


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
