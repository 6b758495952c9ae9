"""Going on with more people after a first verdict: which parts, what it costs, what it brings."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.arrays import Array
from grr.formulas.coarse_digit import COARSE, COARSE_FOR_GUARD, as_read
from grr.formulas.confidence_limits import careful_lower_bound, upper_bound
from grr.formulas.conformity import Zone, predictive_guard
from grr.formulas.pivots import crossed_pivots
from grr.formulas.precision import Ratio
from grr.formulas.second_look import Look, at_second_look, look_of
from grr.formulas.unweighted_means import UnweightedMeans
from grr.model.choices import Decision
from grr.model.errors import StudyError
from grr.model.rounding import whole_percent
from grr.model.study import Study
from grr.questions.acceptance import parts_of, zone_of
from grr.questions.gauge import GaugeResult
from grr.questions.intervals import degrees_of_freedom, pivots_of
from grr.questions.planning import PricedZone, decisions_of

#: Three more people on five of the parts: nearly as good as on all, for half of the readings
#: (simulated in ``tests/coverage/second_look.py``).
MORE_PEOPLE, SOME_PARTS = 3, 5
#: Studies simulated for the chance to decide, and draws behind the bounds of each.
_STUDIES, _DRAWS = 400, 3000


class SecondStage(NamedTuple):
    """What more people would measure, and what that brings.

    Attributes
    ----------
    people : int
    parts : tuple of str
    readings : int
    chance : float
        Share of the simulated second stages after which the study decides.
    confidence : float
        Of the bounds then.
    error : float
        How often a bound of either look is wrong, at most.
    planned : bool
        Whether two looks were planned.
    """

    people: int
    parts: tuple[str, ...]
    readings: int
    chance: float
    confidence: float
    error: float
    planned: bool


def parts_across(study: Study, count: int = SOME_PARTS) -> tuple[str, ...]:
    """Return so many of the parts, evenly from the smallest to the largest."""
    means = study.readings.groupby("part")["reading"].mean()
    by_size = sorted(study.parts, key=lambda part: float(means[part]))
    ranks = np.linspace(0, len(by_size) - 1, min(count, len(by_size))).round().astype(int)
    chosen = {by_size[rank] for rank in ranks}
    return tuple(part for part in study.parts if part in chosen)


def second_stage_of(result: GaugeResult) -> SecondStage | None:
    """Return what three more people would bring a study of sampled operators.

    None where the study is no complete crossed one, was continued already, takes the operators
    for more than a sample, or is judged by the variation of its own parts.
    """
    study, whole = result.study, _whole(result)
    fits = study.design == "crossed" and study.balanced and len(study.parts) >= 2
    sampled = study.operators == "random" and len(study.operator_names) > 1
    fits = fits and not {"SES", "GAU", "WPV"} & {*result.source_names}
    look: Look = look_of(study)
    if whole is None or not fits or not sampled or look.number == 2:
        return None
    return study.once(("second stage", result.key), lambda: _second_stage(result, whole, look))


def _second_stage(result: GaugeResult, whole: PricedZone, look: Look) -> SecondStage:
    study = result.study
    parts = parts_across(study)
    n, asked = len(study.operator_names), study.rules.confidence
    sure, error = at_second_look(asked, n, n + MORE_PEOPLE, planned=look.planned)
    simulated = _simulated(result, [study.parts.index(part) for part in parts])
    seen = degrees_of_freedom(study)
    known = float(seen.used / seen.counted) if seen.used < seen.counted else 1.0
    df = None if known == 1.0 else known * float(np.asarray(simulated.df_error))
    pivots = crossed_pivots(simulated, draws=_DRAWS, df_error=df)
    estimated = _estimated(simulated)
    read, for_guard = (
        as_read(pivots, estimated, study.resolution, below=below)
        for below in (COARSE, COARSE_FOR_GUARD)
    )
    sd, read_sd, guard_sd = (np.sqrt(np.maximum(of.grr, 0.0)) for of in (pivots, read, for_guard))
    percent = 100.0 * study.rules.spread / whole.whole
    ratio = Ratio(
        percent * estimated,
        percent * careful_lower_bound(sd, sure),
        percent * upper_bound(read_sd, sure),
        percent * careful_lower_bound(sd, sure),
        percent * predictive_guard(guard_sd, 1.0 - asked),
    )
    priced = whole if study.purpose == "accept" else None
    found = decisions_of(ratio, study.rules, priced, one_operator=False)
    return SecondStage(
        people=MORE_PEOPLE,
        parts=parts,
        readings=MORE_PEOPLE * len(parts) * study.trials,
        chance=1.0 - found[Decision.NOT_DECIDED] / _STUDIES,
        confidence=sure,
        error=error,
        planned=look.planned,
    )


def _whole(result: GaugeResult) -> PricedZone | None:
    """Return what GRR is compared with, and the parts that pay for limits; None if unknown."""
    study = result.study
    if study.purpose == "control":
        if study.process_sd is None:
            return None
        half = 0.5 * study.rules.spread * study.process_sd
        return PricedZone(Zone(-half, half), 0.0, study.process_sd, "")
    if study.tolerance is None:
        return None
    try:
        parts = parts_of(result, study.tolerance)
    except StudyError:
        return None
    found = PricedZone(zone_of(study.tolerance), parts.mean, parts.sd, parts.which)
    return found if math.isfinite(parts.sd) and found.whole > 0.0 else None


def _simulated(result: GaugeResult, chosen: list[int]) -> UnweightedMeans:
    """Simulate the sums of squares of the study with its second stage, given its readings.

    The variances are draws of the pivot: what these readings allow, not the estimate alone. What
    was read stays as it is. The mean of each further person over the chosen parts is drawn about
    that of those who measured, whose mean misses the true one by its own error; interaction and
    scatter get the chi-square of the new readings added. The contrasts are orthogonal, see
    `grr.formulas.unweighted_means`.
    """
    cube = result.study.cube().packed
    p, n, r = cube.shape
    c, more = len(chosen), MORE_PEOPLE
    rng = np.random.default_rng(2005)
    drawn = pivots_of(result)
    some = np.linspace(0, drawn.grr.size - 1, _STUDIES).astype(int)
    av, inter, ev = (
        np.maximum(np.nan_to_num(getattr(drawn, name)[some]), 0.0)
        for name in ("operator", "interaction", "repeatability")
    )
    cell = ev + r * inter
    among = cube[chosen].mean(axis=(0, 2))
    variance = av + cell / (r * c)
    centre = among.mean() + np.sqrt(variance / n) * rng.standard_normal(_STUDIES)
    new = centre + np.sqrt(variance) * rng.standard_normal((more, _STUDIES))
    everyone = np.concatenate([np.broadcast_to(among[:, None], (n, _STUDIES)), new])
    seen = _seen_rest(cube, chosen)
    return UnweightedMeans(
        parts=p,
        operators=n + more,
        trials=r,
        operators_per_part=n + more * c / p,
        parts_per_operator=c,
        parts_per_difference=c,
        cells=p * n + more * c,
        mean=np.zeros(_STUDIES),
        ss_part=np.ones(_STUDIES),
        ss_operator=r * c * np.square(everyone - everyone.mean(axis=0)).sum(axis=0),
        ss_interaction=seen[0] + cell * rng.chisquare((c - 1) * more, _STUDIES),
        ss_error=seen[1]
        + (ev * rng.chisquare(more * c * (r - 1), _STUDIES) if r > 1 else np.zeros(_STUDIES)),
        df_interaction=(c - 1) * (n + more - 1) + max(p - c - 1, 0) * (n - 1),
        df_error=(p * n + more * c) * (r - 1),
    )


def _seen_rest(cube: Array, chosen: list[int]) -> tuple[float, float]:
    """Return the sums of squares of interaction, in the two groups of parts, and of scatter."""
    others = [part for part in range(cube.shape[0]) if part not in chosen]
    groups = [crossed_anova(cube[group]) for group in (chosen, others) if len(group) > 1]
    return (
        float(sum(float(group.ss_interaction) for group in groups)),
        float(crossed_anova(cube).ss_error),
    )


def _estimated(means: UnweightedMeans) -> Array:
    """Return GRR's sd as the mean squares give it, no source below 0."""
    r = np.asarray(means.trials, np.float64)
    interaction = means.ss_interaction / means.df_interaction
    error = means.ss_error / means.df_error if np.all(means.df_error) else interaction
    operator = means.ss_operator / means.df_operator
    av = np.maximum(operator - interaction, 0.0) / (means.parts_per_operator * r)
    found: Array = np.sqrt(av + np.maximum(interaction - error, 0.0) / r + error)
    return found


def look_sentences(study: Study) -> list[str]:
    """Return which of two looks this is and what both may err; none where there is one look."""
    look = look_of(study)
    if look.of == 1:
        return []
    of_100 = f"{100.0 * look.error:.2g} of 100"
    if look.number == 1 or look.planned:
        which = f"first of two planned looks: each bound holds at {100 * look.confidence:.4g} %"
        if look.number != 1:
            which = f"second of two planned looks: its bounds hold at {100 * look.confidence:.3g} %"
        return [f"This is the {which}, so that both looks together err in at most {of_100}."]
    return [
        f"The study went on after it was judged at {100 * study.rules.confidence:g} %, which was "
        f"not planned: its bounds now hold at {100 * look.confidence:.3g} %, and both looks "
        f"together err in at most {of_100}."
    ]


def stage_sentence(stage: SecondStage, cost: str) -> str:
    """Return what to do and what it brings: the first line of a second stage."""
    both = f"both looks together err in at most {100.0 * stage.error:.2g} of 100"
    planned = "as planned" if stage.planned else "not planned before"
    return (
        f"Go on ({planned}): let {stage.people} more people measure {len(stage.parts)} of the "
        f"parts ({cost}). That decides with a chance of "
        f"{whole_percent(stage.chance)}, simulated over all that these readings allow. The bounds "
        f"must then hold at {100 * stage.confidence:.3g} %: {both}."
    )
