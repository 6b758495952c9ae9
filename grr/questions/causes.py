"""What makes GRR large: its causes, each with GRR as it would be without it.

A cause is something of which GRR would be rid if it were mended: one operator who reads
high, one who scatters, a part that nobody repeats well, a zero that moved. Each is tested
(`grr.formulas.cause_tests`), all tests share one budget of false alarms, and each says what
GRR would be without it (`grr.formulas.counterfactuals`), from the model and for the operators
of the study, without leaving readings out. The repeatability of gauge and grip is the
background: it is named last and is never a finding.

Sources: see the two files named; the ranking and what counts as one cause are this project's
own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import fdtrc, stdtr, stdtrit

from grr.formulas.arrays import Array, Mask
from grr.formulas.cause_tests import (
    LEVEL,
    Battery,
    Shape,
    Suspect,
    battery,
    causes_of_many,
    find_causes,
    seen_from,
    sitting_shapes,
    trial_shapes,
)
from grr.formulas.confidence_limits import (
    QUANTITIES,
    sd_interval,
    sd_ratio_interval,
    variance_draws,
)
from grr.formulas.counterfactuals import DRAWS, Chain, divisor_of, limits, share_gone
from grr.formulas.further_sources import source_test
from grr.formulas.method_comparison import method_difference
from grr.formulas.operator_comparison import from_others_limits, operator_means
from grr.formulas.sources_of_variation import rounding_floor
from grr.model.blocks import Block, Bullets, Fold, Heading, Prose, Table
from grr.model.errors import StudyError
from grr.model.estimate import PERCENT, Estimate
from grr.model.names import begun, shortened
from grr.model.rounding import counted, length, listed, p_cell, percent
from grr.model.study import Cube, Study
from grr.questions.drift import drift, zero_interval
from grr.questions.gauge import GaugeResult, anova, result_of_record
from grr.questions.intervals import pivots_of, specification_of
from grr.questions.mistakes import mistakes_in, without_slips
from grr.questions.scatter import (
    filled,
    filled_readings,
    last_digit,
    last_digits,
    normal_studies_of,
    read_by_everyone,
    scatter_of,
    too_many_missing,
)
from grr.questions.sittings import (
    further_sources,
    has_own_sessions,
    since_zeroed,
    within_sessions,
)

#: What may make GRR large. "repeatability" is what is left: gauge, grip and reading.
Kind = Literal[
    "operator_offset",
    "operator_scatter",
    "interaction",
    "part",
    "drift",
    "step",
    "trial_shift",
    "sessions",
    "gauges",
    "digit",
    "slip",
    "exchanged_parts",
    "copied_trial",
    "outliers",
    "size",
    "autocorrelation",
    "place",
    "method",
    "repeatability",
]
#: The digit is named where rounding alone makes this share of GRR's variance, in percent.
DIGIT_SHARE = 15.0
#: The methods are told apart where equal ones would differ so in this share of studies, half
#: of it for their repeats and half for their means.
METHOD_LEVEL = 0.015
#: The causes under all methods together accuse clean studies at most this often. What is left
#: of one in twenty is for the findings of the check, which are made under each method.
UNDER_METHODS_LEVEL = 0.02
#: Sessions are named where ones that do not differ would look so in this share of studies.
SESSION_LEVEL = 0.01
#: What makes less of GRR's variance, in percent, is no cause, however sure it is.
LEAST_SHARE = 0.5
#: Longest name in a sentence.
LONGEST_NAME = 30
NOT_TAKEN_OFF = "it hides in every reading and cannot be taken off"


@dataclass(frozen=True)
class Cause:
    """One thing that makes GRR larger than it would be without it.

    Attributes
    ----------
    kind : str
        One of `Kind`.
    operator, part, method : str or None
        Whom or what it concerns; None where it does not apply, or cannot be told.
    session : int or None
        Number of the session, from 1, where the study has several.
    trials : tuple of int
        The trials or the one trial concerned.
    size : Estimate
        How large: a length, or a ratio of two standard deviations for what scatters more.
    share : Estimate
        Percent of GRR's variance that would be gone with it.
    without : Estimate
        GRR in percent of the tolerance (of the total variation for purpose "control")
        were it alone gone, with 95 % limits.
    sure : float
        p value, adjusted for everything that was looked at; 0 for the digit and for a
        reading that is none of its part, which need no test, and NaN for the repeatability.
    first_step : str
        What to do first; nothing that the facts of the study say is done.
    readings : int
        How many readings that takes; 0 where it takes none.
    what, alike : str
        What was found, and the counterfactual: "Jan reads 1.0 µm low", "reading alike".
    sentence : str
        Both, with the share and with GRR before and after.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> cause = grr.assess(study).causes[0]
    >>> cause.kind
    'digit'
    >>> cause.without.lower < cause.without.value < cause.without.upper
    True
    """

    kind: Kind
    operator: str | None
    part: str | None
    session: int | None
    method: str | None
    trials: tuple[int, ...]
    size: Estimate
    share: Estimate
    without: Estimate
    sure: float
    first_step: str = ""
    readings: int = 0
    what: str = ""
    alike: str = ""
    sentence: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Return the cause as a table of one row."""
        return Causes((self,), ()).to_frame()


class Causes(NamedTuple):
    """What makes GRR large, and what was not looked for or taken as given."""

    causes: tuple[Cause, ...]
    notes: tuple[str, ...]
    #: GRR in percent were all of them gone.
    together: Estimate = Estimate(math.nan, unit=PERCENT)

    @property
    def named(self) -> tuple[Cause, ...]:
        """The causes without the background, the largest share first."""
        return tuple(cause for cause in self.causes if cause.kind != "repeatability")

    def to_frame(self) -> pd.DataFrame:
        """Return one row a cause, the largest share first."""
        rows = []
        for cause in self.causes:
            row: dict[str, object] = {
                name: getattr(cause, name)
                for name in ("kind", "operator", "part", "session", "method")
            }
            for name in ("size", "share", "without"):
                found: Estimate = getattr(cause, name)
                row |= {name: found.value, f"{name}_lower": found.lower}
                row |= {f"{name}_upper": found.upper}
            rows.append({**row, "unit": cause.size.unit, "sure": cause.sure, "what": cause.what})
        return pd.DataFrame(rows, columns=_COLUMNS)


_LIMITS = ("", "_lower", "_upper")
_COLUMNS = [
    *("kind", "operator", "part", "session", "method"),
    *(f"{name}{limit}" for name in ("size", "share", "without") for limit in _LIMITS),
    *("unit", "sure", "what"),
]
ASSUMES = (
    "GRR without a cause is calculated from the model for the operators of this study, the "
    "cause gone and all else as it was; in brackets the 95 % limits."
)


def causes_of(study: Study) -> Causes:
    """Return what makes GRR large, by the method of record; it is worked out once.

    Raises nothing for want of readings: the notes say why no causes were looked for.
    """
    if len(study.methods) > 1:
        return study.once(("causes",), lambda: _of_methods(study))
    try:
        return causes_in(result_of_record(study))
    except StudyError as error:
        return _none(error)


def causes_in(result: GaugeResult) -> Causes:
    """Return what makes the GRR of one result large.

    Of a study by several methods all causes under all of them share one budget, and a method
    that repeats worse than the best of them is a cause too.
    """
    study = result.study
    return study.once(
        ("causes", result.key),
        lambda: _of_one_method(result) if study.among else _looked_for(study, result),
    )


def _none(error: StudyError) -> Causes:
    return Causes((), (f"No causes were looked for: {error.problem}.",))


def cause_blocks(study: Study) -> list[Block]:
    """Return the causes in sentences, each with GRR without it."""
    found = causes_of(study)
    background = [cause for cause in found.causes if cause.kind == "repeatability"]
    several = len(study.methods) > 1
    told, last = (
        [
            f"By {c.method}: {c.sentence}" if several and c.kind != "method" else c.sentence
            for c in causes
        ]
        for causes in (found.named, background)
    )
    blocks: list[Block] = [
        Heading(_headline(found.named, found.notes), 3),
        Bullets(told),
        Prose(last),
    ]
    if found.named:
        blocks.append(Prose([ASSUMES]))
        blocks.append(Fold("The causes in numbers", [_cause_table(found.causes)], brief=True))
    notes = [*found.notes, *_seen_from(study)]
    return [*blocks, Prose(notes)] if notes else blocks


def _seen_from(study: Study) -> list[str]:
    """Return how much one operator or one part must scatter to be named, in one sentence."""
    if len(study.methods) > 1 or study.design == "nested" or scatter_of(study).normal is None:
        return []
    p, o, r = read_by_everyone(study).cube().values.shape
    told = [
        f"{whose} scatter once it is {seen_from(groups, p * o * (r - 1) // groups):.1f} times that "
        "of the others"
        for whose, groups in (("one operator's", o), ("one part's", p))
        if groups > 1
    ]
    size = f"{p} × {o} × {r} readings"
    return [f"A study of {size} shows, nine times in ten, {listed(told)}."] if told else []


def _looked_for(study: Study, result: GaugeResult, looks: float = 1.0) -> Causes:
    """Return the causes; ``looks``: among how many like this the false alarms are shared."""
    clean = without_slips(study)
    if clean is not study:
        return _beside_slips(study, clean, looks)
    try:
        looked = _prepared(study)
    except StudyError as error:
        return _none(error)
    if not result.value("GRR", "variance") > 0.0:
        return Causes((), ("No causes were looked for: the readings do not differ.",))
    copied, misplaced = _copied(study), mistakes_in(study).misplaced
    if misplaced:  # it would pass for a cause; the last digit is as coarse as it is
        digit = _digit(_Sized(result, looked, []))
        why = f"the readings show {listed(misplaced)}, which would pass for a cause; see grr.check"
        first = (*_exchanged(study), *copied)
        return Causes(
            first if digit is None else (*first, digit),
            (f"No {'other ' if first else ''}causes were looked for: {why}.", *looked.notes),
        )
    suspects = find_causes(looked.y, looked.tests, looked.step, level=LEVEL / looks)
    suspects = [replace(suspect, p=min(looks * suspect.p, 1.0)) for suspect in suspects]
    sized = study.once(("sized", result.key), lambda: _Sized(result, looked, suspects))
    *ranked, background = _ranked(sized)
    ranked = sorted((*ranked, *copied), key=lambda cause: -cause.share.value)
    found = Causes((*ranked, background), looked.notes)
    if suspects:
        _, together = sized.estimates(*sized.without(list(range(len(suspects)))))
        found = found._replace(together=together)
    return found


# The readings, and what can be looked for in them.
# -------------------------------------------------


class _Prepared(NamedTuple):
    """Complete readings, the suspects of their design, and what cannot be looked for."""

    y: Array
    cube: Cube
    tests: Battery
    step: float
    sessions: int
    notes: tuple[str, ...]


def _prepared(study: Study) -> _Prepared:
    if study.design == "nested":
        raise StudyError(
            "each part was measured by one operator only, so operators, parts and readings "
            "cannot be told apart",
            "Let every operator measure the same parts",
        )
    notes: list[str] = []
    everyone = read_by_everyone(study)
    if everyone is not study:
        notes.append(
            f"The study has two stages, so causes were looked for in the {len(everyone.parts)} of "
            f"{len(study.parts)} parts that all {len(study.operator_names)} operators measured, "
            "and their shares are those of these readings."
        )
        study = everyone
    cube = study.cube()
    y, gaps = filled_readings(within_sessions(study))
    in_place = not np.isnan(cube.values).any() or bool(gaps.any())
    if has_own_sessions(study):
        # Who reads otherwise than who is judged against a person's own sessions, in AV and SES.
        y = y - y.mean(axis=(0, 2), keepdims=True) + y.mean()
        notes.append(
            "Operators' offsets were not looked for one by one: what each person's own sessions "
            "differ by would pass for them."
        )
    if gaps.any():
        notes.append(
            f"In looking for causes {counted(int(gaps.sum()), 'missing reading')} counted as the "
            "mean of the repeats."
        )
    p, o, r = y.shape
    if o == 1 and r == 1:
        raise StudyError("nothing was measured twice", "Measure every part again")
    shapes: list[Shape] = []
    sessions = 1
    if r > 1 and in_place:
        shapes += trial_shapes(p, o, r)
        try:
            timed, sessions = _timed_shapes(study, cube, gaps)
            shapes += timed
        except StudyError as error:
            notes.append(f"Drift and steps were not looked for: {_lower(error.problem)}.")
    scatter = scatter_of(study)
    if scatter.normal is None:
        notes.append(f"The scatter of the repeats was not tested: {scatter.why}.")
    tests = battery(p, o, r, shapes, scatter.normal)
    return _Prepared(
        y - y.mean(),
        cube,
        tests,
        last_digit(study.resolution, y),
        sessions,
        tuple(notes),
    )


def _lower(text: str) -> str:
    return f"{text[0].lower()}{text[1:]}"


def _timed_shapes(study: Study, cube: Cube, gaps: Any) -> tuple[list[Shape], int]:
    table = since_zeroed(study).table
    place = (
        pd.Index(cube.parts).get_indexer(pd.Index(table["part"])),
        pd.Index(cube.operators).get_indexer(pd.Index(table["operator"])),
        pd.Index(cube.trials).get_indexer(pd.Index(table["trial"])),
    )
    since, sitting = np.zeros(gaps.shape), np.zeros(gaps.shape)
    since[place], sitting[place] = table["since"], table["sitting"]
    if gaps.any():
        cells = np.nonzero(gaps)
        for i, j, k in zip(*cells, strict=True):
            there = np.flatnonzero(~gaps[i, j])
            since[i, j, k] = since[i, j, there].mean()
            sitting[i, j, k] = sitting[i, j, there[0]]
    shapes = sitting_shapes(since, sitting)
    return shapes, len(np.unique(sitting))


# How large each cause is, and GRR without it.
# --------------------------------------------


class _Sized:
    """GRR with the causes taken off one after the other, as values and as draws."""

    def __init__(self, result: GaugeResult, looked: _Prepared, suspects: list[Suspect]) -> None:
        people = result.study.people if result.method == "anova" else math.inf
        self.result, self.looked, self.suspects = result, looked, suspects
        # Where sessions are a source, what is looked into is without them and the operators.
        beside, between = _between_sessions(result)
        self.shown = result.value("GRR", "variance")
        self.rounding = float(rounding_floor(looked.step)) ** 2
        self.floor = self.rounding if result.floored else 0.0
        self.chain = Chain(
            looked.y,
            suspects,
            divisor_of(looked.y.shape[1], people),
            shown=self.shown,
            floor=self.floor,
            beside=beside,
        )
        self.states = self.chain.states
        drawn = [state.draws() for state in self.states]
        self.draws = tuple(grr + between for grr, _ in drawn)
        self.error = tuple(error for _, error in drawn)
        self.before = [
            state.draws(plain=True)[0] + between if state.lumped else draws
            for state, draws in zip(self.states, self.draws, strict=True)
        ]

    def without(self, members: list[int]) -> tuple[float, Array]:
        """Return GRR² as shown less the share that some suspects make of it, and draws of it."""
        draws = np.array(self.draws[0])
        for n in members:
            draws += self.draws[n + 1] - self.before[n]
        least = np.maximum(self.draws[-1], self.floor)
        return self.chain.without(members), np.maximum(draws, least)

    def unrounded(self) -> Array:
        """Return draws of GRR² before rounding, from its least to its most.

        At most all that is read was there before; at least what rounding cannot make, and
        nothing where the digit is twice the standard deviation of a repeat (simulated: see
        tests/coverage/causes.py). Half of the draws are of either.
        """
        most = np.maximum(self.draws[0], self.floor)
        least = np.maximum(self.draws[0] - self.rounding, 0.0)
        if 12.0 * self.rounding > 4.0 * self.states[0].error:
            least = np.zeros_like(least)
        order = np.argsort(self.draws[0])
        low = np.zeros(len(order), dtype=bool)
        low[order[: len(order) // 2]] = True
        return np.asarray(np.where(low, least, most))

    def estimates(self, value: float, draws: Array) -> tuple[Estimate, Estimate]:
        """Return the share of GRR's variance that is gone, and GRR that is left."""
        whole = np.maximum(self.draws[0], 1e-300)
        low, high = limits(np.clip(1.0 - draws / whole, 0.0, 1.0))
        share = _within(share_gone(value, self.shown), 100.0 * low, 100.0 * high, PERCENT)
        return share, self._percent(value, draws)

    def _percent(self, value: float, draws: Array) -> Estimate:
        result = self.result
        measure = "percent_tolerance" if result.study.purpose == "accept" else "percent_tv"
        now = result.value("GRR", measure)
        if math.isnan(now):
            return Estimate(math.nan, unit=PERCENT, why=result.reasons.get(measure, ""))
        if measure == "percent_tolerance":
            factor = now / math.sqrt(self.shown)
            found, drawn = factor * math.sqrt(value), factor * np.sqrt(draws)
        else:
            part = self.shown * ((100.0 / now) ** 2 - 1.0)
            found = 100.0 * math.sqrt(value / max(value + part, 1e-300))
            drawn = 100.0 * np.sqrt(draws / np.maximum(draws + self._part_draws(), 1e-300))
        return _within(found, *limits(drawn), PERCENT)

    def _part_draws(self) -> Array:
        p, o, r = self.looked.y.shape
        sd = self.result.study.process_sd
        if sd is not None:
            return np.asarray(np.maximum(sd**2 - self.draws[0], 0.0))
        means = self.looked.y.mean(axis=(1, 2))
        state = self.states[0]
        noise = state.ms_interaction if state.df_interaction else state.error
        squares = float(np.square(means - means.mean()).sum())
        chi_square = np.random.default_rng(p).chisquare(p - 1, DRAWS)
        return np.asarray(np.maximum(squares / chi_square - noise / (o * r), 0.0))


def _between_sessions(result: GaugeResult) -> tuple[float, Array]:
    """Return what was taken off the readings and is in GRR, and draws of it; else 0.

    GAU² and SES², with AV² where sessions are a person's own.
    """
    beside = ("AV",) if has_own_sessions(result.study) else ()
    named = [name for name in (*beside, "SES", "GAU") if name in result.source_names]
    if not named:
        return 0.0, np.zeros(DRAWS)
    pivots = pivots_of(result)
    drawn = np.zeros(DRAWS)
    for name in named:
        draws = getattr(pivots, QUANTITIES[name])
        if draws is not None and np.isfinite(draws).all():
            drawn = drawn + draws[:DRAWS]
    value = sum(float(np.nan_to_num(result.value(name, "variance"))) for name in named)
    return value, np.maximum(drawn, 0.0)


def _within(value: float, lower: float, upper: float, unit: str) -> Estimate:
    """Return an estimate whose limits hold its value."""
    return Estimate(value, min(lower, value), max(upper, value), unit)


def _ranked(sized: _Sized) -> tuple[Cause, ...]:
    causes = [_cause(sized, members) for members in _together(sized.suspects)]
    digit = _digit(sized)
    rounding = 0.0 if digit is None else sized.rounding
    further = (_between(sized, "sessions"), _between(sized, "gauges"), digit)
    causes += [cause for cause in further if cause is not None]
    causes = [cause for cause in causes if not cause.share.value < LEAST_SHARE]
    causes.sort(key=lambda cause: -np.nan_to_num(cause.share.value))
    return (*causes, _background(sized, rounding))


def _together(suspects: list[Suspect]) -> list[list[int]]:
    """Return which suspects are one cause: all interactions of one operator."""
    groups: dict[tuple[str, object], list[int]] = {}
    for n, suspect in enumerate(suspects):
        of_operator = suspect.family.startswith("interaction") and suspect.operator is not None
        key = ("interaction", suspect.operator) if of_operator else (suspect.family, n)
        groups.setdefault(key, []).append(n)
    return list(groups.values())


def _named_by(suspects: list[Suspect]) -> tuple[Suspect, Kind, list[int]]:
    """Return the suspect that a cause is told by, its kind, and the parts it names."""
    lead = max(suspects, key=lambda s: abs(s.size) if math.isfinite(s.error) else math.inf)
    kind: Kind = "interaction" if lead.family.startswith("interaction") else lead.family  # type: ignore[assignment]
    parts = sorted({s.part for s in suspects if s.part is not None})
    if lead.family in ("interaction", "interaction_of_operator"):
        parts = []
    if lead.shape is not None and lead.shape.place is not None:
        parts = [lead.shape.place[0]]
    return lead, kind, parts


class Named(NamedTuple):
    """A cause by its kind and the places of operator and parts among those of the study."""

    kind: str
    operator: int | None = None
    parts: tuple[int, ...] = ()


def largest_causes(
    readings: Array, resolution: Array, *, shown: Array, floored: Mask, people: float
) -> list[Named | None]:
    """Return the cause with the largest share of GRR's variance in each of many studies.

    The first of `Causes.named`, of crossed studies in which nothing must be mended and whose order
    is not known; None where nothing stands out, or too much is missing to be looked into.

    Parameters
    ----------
    readings : ndarray, shape (studies, parts, operators, trials)
        NaN where missing.
    resolution : ndarray, shape (studies,)
        NaN where it is not known.
    shown, floored : ndarray, shape (studies,)
        GRR's variance, and where rounding hides repeatability.
    people : float
        How many will ever measure.
    """
    p, o, r = readings.shape[1:]
    y = filled(readings)
    digit = last_digits(resolution, y)
    divisor, rounding = divisor_of(o, people), np.square(rounding_floor(digit))
    y = y - y.mean(axis=(1, 2, 3), keepdims=True)
    found: list[Named | None] = [None] * len(y)
    some = np.flatnonzero((shown > 0.0) & ~too_many_missing(readings))
    for places, normal in normal_studies_of(readings[some], digit[some]):
        rows = some[places]
        tests = battery(p, o, r, trial_shapes(p, o, r), normal)
        for n, suspects in zip(rows, causes_of_many(y[rows], tests, digit[rows]), strict=True):
            whole, least = float(shown[n]), float(rounding[n]) if floored[n] else 0.0
            chain = Chain(y[n], suspects, divisor, shown=whole, floor=least)
            shares = []
            for members in _together(suspects):
                lead, kind, parts = _named_by([suspects[m] for m in members])
                named = Named(kind, lead.operator, tuple(parts))
                shares.append((share_gone(chain.without(members), whole), named))
            if 100.0 * rounding[n] / whole >= DIGIT_SHARE:
                left = max(whole - float(rounding[n]), 0.0)
                shares.append((share_gone(left, whole), Named("digit")))
            share, largest = max(shares, key=lambda one: one[0], default=(0.0, None))
            found[n] = largest if share >= LEAST_SHARE else None
    return found


def _cause(sized: _Sized, members: list[int]) -> Cause:
    looked = sized.looked
    cube, study = looked.cube, sized.result.study
    suspects = [sized.suspects[n] for n in members]
    lead, kind, parts = _named_by(suspects)
    share, without = sized.estimates(*sized.without(members))
    if lead.family == "drift":
        who = cube.operators if lead.operator is None else (cube.operators[lead.operator],)
        share, without = _drift_gone(sized.result, who, share, without)
    if lead.family == "autocorrelation":
        share, without = (Estimate(math.nan, unit=PERCENT, why=NOT_TAKEN_OFF) for _ in range(2))
    trials: tuple[int, ...] = () if lead.trial is None else (cube.trials[lead.trial],)
    session = None
    if lead.shape is not None:
        trials = tuple(cube.trials[t] for t in lead.shape.trials)
        if lead.shape.sitting is not None and looked.sessions > 1:
            session = lead.shape.sitting + 1
        if lead.shape.place is not None:
            trials = (cube.trials[lead.shape.place[2]],)
    found = Cause(
        kind=kind,
        operator=None if lead.operator is None else cube.operators[lead.operator],
        part=", ".join(cube.parts[n] for n in parts) or None,
        session=session,
        method=study.methods[0] if study.methods else None,
        trials=trials,
        size=_size(lead, study, looked, sized),
        share=share,
        without=without,
        sure=min(s.p for s in suspects),
        readings=0 if lead.shape is None else int(np.count_nonzero(lead.shape.values)),
    )
    return _said(found, sized.result, beside=_put_right(lead, sized))


def _drift_gone(
    result: GaugeResult, who: Sequence[str], share: Estimate, without: Estimate
) -> tuple[Estimate, Estimate]:
    """Return share and GRR without a drift as `grr.drift` has them, where it is the same drift."""
    study = result.study
    found, method = drift(study), (*study.methods, "")[0]
    told = found.grr(method)
    if told is None or sorted(found.numbers.drifters(method)) != sorted(who):
        return share, without
    if result is not result_of_record(study) or not without.known or told.without.unit != PERCENT:
        return share, without
    gone = max(100.0 - 100.0 * (told.without.value / told.measured.value) ** 2, 0.0)
    return _within(gone, share.lower, share.upper, PERCENT), told.without


def _size(suspect: Suspect, study: Study, looked: _Prepared, sized: _Sized) -> Estimate:
    above, below = suspect.df
    if suspect.family in ("operator_scatter", "part"):
        low, high = sd_ratio_interval(suspect.size, above, below)
        return Estimate(suspect.size, float(low), float(high))
    if suspect.family in ("interaction", "interaction_of_operator"):
        r = looked.y.shape[2]
        n = sized.suspects.index(suspect)
        error = np.asarray(sized.error[n])
        mean_square = r * suspect.size**2 + sized.states[n].error
        cells = above * mean_square / np.random.default_rng(above).chisquare(above, DRAWS)
        low_high = limits(np.sqrt(np.maximum(cells - error, 0.0) / r))
        return _within(suspect.size, *low_high, study.unit)
    if suspect.family == "size":
        low, high = sd_ratio_interval(suspect.size, above, below)
        return Estimate(suspect.size, float(low), float(high))
    if suspect.family in ("outliers", "place"):
        return Estimate(suspect.size, unit=study.unit)
    if suspect.family == "autocorrelation":
        return Estimate(suspect.size)
    if suspect.family == "operator_offset" and len(looked.y) > 2:
        return _offset(suspect, study, looked, sized)
    size, error_of_size = suspect.size, suspect.error
    if suspect.family == "drift" and suspect.shape is not None:
        span = float(np.ptp(suspect.shape.values))
        size, error_of_size = size * span, error_of_size * span
    reach = float(stdtrit(below, 0.975)) * error_of_size
    return Estimate(size, size - reach, size + reach, study.unit)


def _put_right(suspect: Suspect, sized: _Sized) -> tuple[str, ...]:
    """Return whose offset hides that of an operator who reads on the other side with it."""
    at = sized.suspects.index(suspect)
    others = [one for one in sized.suspects[:at] if one.family == suspect.family]
    if suspect.family != "operator_offset" or not others or len(sized.looked.y) < 3:
        return ()
    if _offset(suspect, sized.result.study, sized.looked, sized).value != suspect.size:
        return ()
    names = sized.looked.cube.operators
    return tuple(names[one.operator] for one in others if one.operator is not None)


#: What is off from where it should be; a mean without it is still as unsure as it was read.
_MISPLACED = ("slip", "drift", "step", "trial_shift", "interaction_of_cell")


def _offset(suspect: Suspect, study: Study, looked: _Prepared, sized: _Sized) -> Estimate:
    """Return an operator's mean against that of the others, as `grr.compare_operators` does.

    Readings found to be misplaced before are put right; nobody's scatter is taken off, since
    the means carry it.
    """
    y = looked.y
    for other in sized.suspects[: sized.suspects.index(suspect)]:
        if other.family in _MISPLACED:
            y = y + (other.after.y - other.before.y)
    found = operator_means(y.mean(axis=2), step=study.resolution or 0.0)
    low, high = from_others_limits(found)
    operator = 1 if suspect.operator is None else suspect.operator
    value, lower, upper = (float(v[operator]) for v in (found.from_others, low, high))
    if value * suspect.size < 0.0:  # only the other offsets put this one on the other side
        value, lower, upper = (v - value + suspect.size for v in (value, lower, upper))
    return Estimate(value, lower, upper, study.unit)


def _chance(study: Study, kind: Literal["sessions", "gauges"]) -> float:
    """Return how often chance alone makes a person's sessions, or the gauges, differ as much."""
    further, source = further_sources(study), kind.removesuffix("s")
    if further is None or further.squares is None or source not in further.names:
        return math.nan
    return float(source_test(further.squares, source)[1])


def _between(sized: _Sized, kind: Literal["sessions", "gauges"]) -> Cause | None:
    """Return what sessions or gauges differ by, where chance does not explain it."""
    result, source = sized.result, {"sessions": "SES", "gauges": "GAU"}[kind]
    if source not in result.source_names:
        return None
    p = _chance(result.study, kind)
    if not p <= SESSION_LEVEL:
        return None
    pivots = pivots_of(result)
    draws = getattr(pivots, QUANTITIES[source])
    low, high = np.quantile(np.maximum(draws, 0.0), [0.025, 0.975])
    drawn = np.maximum(draws[:DRAWS], 0.0)
    gone = result.value(source, "variance")
    share, without = sized.estimates(
        max(sized.shown - gone, sized.floor), np.maximum(sized.draws[0] - drawn, sized.error[0])
    )
    found = Cause(
        kind=kind,
        operator=None,
        part=None,
        session=None,
        method=result.study.methods[0] if result.study.methods else None,
        trials=(),
        size=Estimate(
            result.value(source, "sd"),
            math.sqrt(float(low)),
            math.sqrt(float(high)),
            result.study.unit,
        ),
        share=share,
        without=without,
        sure=p,
    )
    return _said(found, result)


def _digit(sized: _Sized) -> Cause | None:
    """Return the rounding by the last digit, where it makes much of GRR's variance."""
    step, study = sized.looked.step, sized.result.study
    gone = 100.0 * sized.rounding / sized.shown
    if gone < DIGIT_SHARE:
        return None
    share, without = sized.estimates(max(sized.shown - sized.rounding, 0.0), sized.unrounded())
    found = Cause(
        kind="digit",
        operator=None,
        part=None,
        session=None,
        method=study.methods[0] if study.methods else None,
        trials=(),
        size=Estimate(step, step, step, study.unit),
        share=share,
        without=without,
        sure=0.0,
    )
    return _said(found, sized.result)


def _background(sized: _Sized, rounding: float) -> Cause:
    """Return what is left when every cause is gone: the repeatability of gauge and grip.

    ``rounding``: the variance that the last digit makes, where it is a cause by itself.
    """
    study = sized.result.study
    last = sized.states[-1]
    error = sized.result.value("EV", "variance")  # as the table of sources has it
    if sized.suspects:
        error = max(last.error, sized.floor)
    df = last.df_error or last.df_interaction
    squares = np.array([error, *np.square(sd_interval(math.sqrt(error), df))])
    size, low, high = np.sqrt(np.maximum(squares - rounding, 0.0)).tolist()
    gone = min(max(error - rounding, 0.0), sized.shown)
    draws = np.maximum(sized.draws[0] - np.maximum(sized.error[-1] - rounding, 0.0), 0.0)
    share, without = sized.estimates(sized.shown - gone, draws)
    found = Cause(
        kind="repeatability",
        operator=None,
        part=None,
        session=None,
        method=study.methods[0] if study.methods else None,
        trials=(),
        size=Estimate(size, low, high, study.unit),
        share=share,
        without=without,
        sure=math.nan,
    )
    return _said(found, sized.result)


# Readings that are none of their part: named first, and all else without them.
# --------------------------------------------------------------------------


def _beside_slips(study: Study, clean: Study, looks: float) -> Causes:
    """Return the readings that are no readings (a decimal place, a unit), then the other causes.

    Such a reading is taken as missing: GRR with it means nothing.
    """
    cube, kept = study.cube(), clean.cube().values
    try:
        results = anova(study), anova(clean)
    except StudyError as error:
        return _none(error)
    places = np.argwhere(np.isfinite(cube.values) & ~np.isfinite(kept))
    off = np.array(
        [
            cube.values[i, j, k] - np.nanmean(kept[i] if np.isfinite(kept[i]).any() else kept)
            for i, j, k in places
        ]
    )
    causes = []
    for n in np.argsort(-np.square(off)):
        i, j, k = places[n]
        causes.append(
            _mistake(
                "slip",
                results,
                (cube.parts[i], cube.operators[j], (cube.trials[k],)),
                float(off[n]),
                float(np.square(off[n]) / np.square(off).sum()),
            )
        )
    beside = _looked_for(clean, result_of_record(clean), looks)
    note = "The shares of the other causes are of GRR's variance without the readings named first."
    return Causes((*causes, *beside.causes), (note, *beside.notes), beside.together)


def _exchanged(study: Study) -> list[Cause]:
    """Return parts that an operator seems to have exchanged: GRR with them put back."""
    cube, causes = study.cube(), []
    for swap in mistakes_in(study).swaps:
        operator, trials = cube.operators[swap.operator], tuple(cube.trials[t] for t in swap.trials)
        one, other = (cube.parts[i] for i in swap.parts)
        table = study.readings
        here = (table["operator"] == operator) & table["trial"].isin(trials)
        back = table["part"].where(~here, table["part"].replace({one: other, other: one}))
        others = np.delete(cube.values, swap.operator, axis=1)
        first, second = (
            float(np.nanmean(others[i] if others.size else cube.values[i])) for i in swap.parts
        )
        try:
            results = anova(study), anova(replace(study, readings=table.assign(part=back)))
        except StudyError:
            continue
        place = f"{one}, {other}", operator, trials
        causes.append(_mistake("exchanged_parts", results, place, second - first))
    return causes


def _copied(study: Study) -> list[Cause]:
    """Return trials that hold the readings of another one: GRR without them."""
    cube, causes = study.cube(), []
    for copy in mistakes_in(study).copies:
        (one, first), (other, second) = (
            (cube.operators[j], cube.trials[k]) for j, k in (copy.first, copy.second)
        )
        table = study.readings
        here = (table["operator"] == other) & (table["trial"] == second)
        left = table.assign(reading=table["reading"].where(~here))
        try:
            results = anova(study), anova(replace(study, readings=left))
        except StudyError:
            continue
        who, trials = (one, (first, second)) if one == other else (other, (second,))
        causes.append(_mistake("copied_trial", results, (None, who, trials), 0.0))
    return causes


def _mistake(
    kind: Kind,
    results: tuple[GaugeResult, GaugeResult],
    place: tuple[str | None, str, tuple[int, ...]],
    off: float,
    part_of_all: float = 1.0,
) -> Cause:
    """Return readings that are none of their part as a cause: GRR with them, and put right."""
    (part, operator, trials), (result, left), study = place, results, results[0].study
    gone = 1.0 - left.value("GRR", "variance") / result.value("GRR", "variance")
    measure = "percent_tolerance" if study.purpose == "accept" else "percent_tv"
    table = left.intervals().to_frame()
    low, high = (float(table[name]["GRR", measure]) for name in ("lower", "upper"))
    why = left.reasons.get(measure, "")
    found = Cause(
        kind=kind,
        operator=operator,
        part=part,
        session=None,
        method=study.methods[0] if study.methods else None,
        trials=trials,
        size=Estimate(off, unit=study.unit),
        share=Estimate(100.0 * max(gone, 0.0) * part_of_all, unit=PERCENT),
        without=Estimate(left.value("GRR", measure), low, high, PERCENT, why),
        sure=0.0,
    )
    return _said(found, result)


# Several methods: the causes under each, and the method itself.
# --------------------------------------------------------------


def _of_methods(study: Study) -> Causes:
    """Return the causes under each method, and each method that repeats worse than the best."""
    causes: list[Cause] = []
    notes: list[str] = []
    for name in study.methods:
        looked = causes_of(study.for_method(name))
        causes += looked.causes
        notes += [f"{name}: {_lower(note)}" for note in looked.notes]
    background = [cause for cause in causes if cause.kind == "repeatability"]
    named = [cause for cause in causes if cause.kind != "repeatability"]
    for name in study.methods[1:]:
        named += _apart(study, study.methods[0], name)
    named.sort(key=lambda cause: -cause.share.value)
    return Causes((*named, *background), tuple(notes))


def _of_one_method(result: GaugeResult) -> Causes:
    """Return the causes under one of several methods, the method itself among them."""
    study, all_of_them = result.study, result.study.among
    assert all_of_them is not None
    found = _under(result)
    background = {}
    for name in all_of_them.methods:
        try:
            looked = _under(result_of_record(all_of_them.for_method(name)))
        except StudyError:
            continue
        for cause in looked.causes:
            if cause.kind == "repeatability":
                background[name] = cause
    method = study.methods[0]
    if method not in background or len(background) < 2:
        return found
    best = min(background, key=lambda name: background[name].size.value)
    if best == method:
        return found
    worse = _method(result, all_of_them.for_method(best), len(all_of_them.methods))
    named = sorted((*worse, *found.named), key=lambda cause: -cause.share.value)
    return found._replace(causes=(*named, *(c for c in found.causes if c.kind == "repeatability")))


def _under(result: GaugeResult) -> Causes:
    """Return the causes under one of several methods; all of them share one budget."""
    study = result.study
    methods = 1 if study.among is None else len(study.among.methods)
    looks = methods * LEVEL / UNDER_METHODS_LEVEL
    return study.once(("causes under", result.key), lambda: _looked_for(study, result, looks))


def _method(result: GaugeResult, beside: Study, methods: int) -> list[Cause]:
    """Return the method as a cause, where its repeats scatter more than by the best one."""
    clean = without_slips(result.study)
    if clean is not result.study:
        result = result_of_record(clean)
    try:
        sized, against = (_sized(one) for one in (result, _clean(beside)))
    except StudyError:
        return []
    method, best = result.study.methods[0], beside.methods[0]
    # What other causes explain is not counted again.
    state, better = sized.states[-1], against.states[-1]
    df, df_below = (s.df_error or s.df_interaction for s in (state, better))
    if not better.error > 0.0:
        return []
    ratio = state.error / better.error
    p = float(fdtrc(df, df_below, ratio)) * 2.0 * (methods - 1)
    if p >= 0.5 * METHOD_LEVEL:
        return []
    gone = max(state.error - better.error, 0.0)
    other = _reshuffled(np.asarray(against.error[-1]))
    draws = np.maximum(sized.draws[0] - sized.error[-1] + other, other)
    share, without = sized.estimates(max(sized.shown - gone, better.error), draws)
    low, high = sd_ratio_interval(math.sqrt(ratio), df, df_below)
    found = Cause(
        kind="method",
        operator=None,
        part=None,
        session=None,
        method=method,
        trials=(),
        size=Estimate(math.sqrt(ratio), float(low), float(high)),
        share=share,
        without=without,
        sure=min(p, 1.0),
        first_step=f"Measure by {shortened(best, LONGEST_NAME)} where you can.",
    )
    what = f"Repeats by {method} scatter {found.size.value:.1f} times as much as by {best}"
    found = replace(found, what=what, alike="repeating as well")
    return [replace(found, sentence=_told(found, result))]


def _apart(study: Study, base: str, other: str) -> list[Cause]:
    """Return a method as a cause, where it reads apart from the first one on average.

    That is in the GRR of neither. Share and GRR without it are those of readings of which half
    are taken by either method: the difference d adds d²/4 to the mean of their variances.
    """
    people = "fixed" if study.all_studied or len(study.operator_names) < 3 else "random"
    try:
        one, two = (_clean(study.for_method(name)) for name in (base, other))
        means = [_cell_means(each) for each in (one, two)]
        if means[0].shape != means[1].shape:
            return []
        difference = method_difference(means[1] - means[0], operators=people)
        draws = [
            variance_draws(pivots_of(each), "GRR", specification_of(each)) for each in (one, two)
        ]
    except StudyError:
        return []
    p = float(2.0 * stdtr(difference.df, -abs(difference.mean / difference.error)))
    p *= len(study.methods) - 1
    if not p < 0.5 * METHOD_LEVEL:
        return []
    value, error = float(difference.mean), float(difference.error)
    reach = float(stdtrit(difference.df, 0.975)) * error
    mean = 0.5 * (one.value("GRR", "variance") + two.value("GRR", "variance"))
    d = value + error * np.random.default_rng(8).standard_t(float(difference.df), draws[0].size)
    apart, mean_draws = 0.25 * d**2, 0.5 * (draws[0] + _reshuffled(draws[1]))
    low, high = limits(apart / (apart + mean_draws))
    share = 0.25 * value**2 / (0.25 * value**2 + mean)
    measure = "percent_tolerance" if study.purpose == "accept" else "percent_tv"
    why = one.reasons.get(measure, "")
    without = Estimate(math.nan, unit=PERCENT, why=why or "it is a share of the tolerance only")
    if measure == "percent_tolerance" and not why:
        factor = one.value("GRR", measure) / one.value("GRR", "sd")
        left = (factor * math.sqrt(mean), *limits(factor * np.sqrt(mean_draws)))
        without = _within(*left, PERCENT)
    found = Cause(
        kind="method",
        operator=None,
        part=None,
        session=None,
        method=other,
        trials=(),
        size=Estimate(value, value - reach, value + reach, study.unit),
        share=_within(100.0 * share, 100.0 * low, 100.0 * high, PERCENT),
        without=without,
        sure=min(p, 1.0),
        first_step=f"Zero the gauge as {shortened(other, LONGEST_NAME)} holds it, on a master of "
        "the part's size, and compare again.",
    )
    if found.share.value < LEAST_SHARE:
        return []
    way = "high" if value > 0.0 else "low"
    what = f"{begun(other)} reads {Estimate(abs(value), unit=study.unit)} {way} against {base}"
    told = (
        f"{what}: that is in the GRR of neither; with both in use it makes {found.share} of the "
        "variance of measuring."
    )
    return [replace(found, what=what, sentence=told)]


def _clean(study: Study) -> GaugeResult:
    """Return the result of one method without readings that are none of their part."""
    return result_of_record(without_slips(study))


def _sized(result: GaugeResult) -> _Sized:
    """Return the causes under one method as they were taken off."""
    study = result.study
    return study.once(("sized", result.key), lambda: _Sized(result, _prepared(study), []))


def _cell_means(result: GaugeResult) -> Array:
    """Return the mean of each cell, without what drifts or moved; an empty cell has none."""
    values, sized = result.study.cube().values, _sized(result)
    if not np.isfinite(values).any(axis=2).all():
        raise StudyError("A part was not measured by every operator", "Take the reading")
    means = np.nanmean(values, axis=2)
    for suspect in sized.suspects:
        if suspect.family in ("slip", "drift", "step", "trial_shift"):
            means = means + (suspect.after.y - suspect.before.y).mean(axis=2)
    return np.asarray(means)


def _reshuffled(draws: Array) -> Array:
    """Return the draws of another study in an order of their own."""
    return np.random.default_rng(7).permutation(draws)


# What is said.
# -------------

#: Fact → what to compare where the study does not say that it was the same for everyone.
_TO_COMPARE = {
    "zero_orientation": "how the gauge is zeroed",
    "ratchet_turns": "how many turns of the ratchet close it",
    "holding": "how it is held",
    "measuring_place": "where on the part they measure",
}
#: How often a gauge block is measured to find an offset, a part to find a scatter, and a
#: part to see whether a drift is gone: enough to see twice the last cause's standard error.
BLOCK_REPEATS, PART_REPEATS, DRIFT_REPEATS, SETTINGS = 5, 10, 20, 5


def _said(cause: Cause, result: GaugeResult, *, beside: tuple[str, ...] = ()) -> Cause:
    """Return a cause with its sentences, and what to do first about it.

    ``beside``: whose offsets must be put right before this one shows.
    """
    what, alike = _what(cause, result.study)
    if beside:
        what += f" with {listed([shortened(name, LONGEST_NAME) for name in beside])} put right"
    first_step, readings = _first_step(cause, result)
    cause = replace(cause, what=what, alike=alike, first_step=first_step, readings=readings)
    return replace(cause, sentence=_told(cause, result))


def _what(cause: Cause, study: Study) -> tuple[str, str]:
    """Return what was found, and the counterfactual in words."""
    who = "" if cause.operator is None else shortened(cause.operator, LONGEST_NAME)
    part = cause.part
    way = "high" if cause.size.value > 0 else "low"
    size = Estimate(abs(cause.size.value), unit=cause.size.unit)
    in_session = "" if cause.session is None else f" in session {cause.session}"
    whose = f"{who}'s readings" if who else "the readings"
    several = ", " in (part or "")
    of_trials = f"trial{'s' if len(cause.trials) > 1 else ''} {listed(_texts(cause.trials))}"
    more = _times(cause, "the others'")
    templates: dict[Kind, tuple[str, str]] = {
        "operator_offset": (
            f"{who} reads {size} {way} against the others"
            if who
            else f"{begun(listed(study.operator_names))} read {size} apart",
            "reading alike",
        ),
        "operator_scatter": (
            f"{who}'s repeats {more}",
            "repeating alike",
        ),
        "interaction": (
            f"{who or 'One operator'} reads part{'s' if several else ''} {part} {size} apart from "
            "what part and operator explain"
            if part
            else f"{who or 'Every operator'} measures some parts otherwise than "
            f"{'the others do' if who else 'the rest'} ({size} as a standard deviation)",
            "measuring every part alike",
        ),
        "part": (
            f"Nobody repeats part {part} well: its repeats {more}",
            "repeating it like the others",
        ),
        "drift": (
            f"{begun(whose)} drift by {size}{in_session} "
            f"{'upwards' if cause.size.value > 0 else 'downwards'}",
            "without drift",
        ),
        "step": (
            f"{begun(whose)} jump {size} {'up' if cause.size.value > 0 else 'down'}{in_session} "
            f"at part {part}, {of_trials}",
            "without the jump",
        ),
        "trial_shift": (
            f"{who or 'Every operator'} reads {of_trials} {size} {way} against the other trials",
            "with the zero kept",
        ),
        "sessions": (
            f"What one person reads changes by {size} from session to session (standard deviation)",
            "with sessions alike",
        ),
        "gauges": (
            f"The gauges differ by {size} (standard deviation), on all parts alike",
            "with gauges alike",
        ),
        "digit": (f"The last digit of {size} is coarse", "with a fine digit"),
        "slip": (
            f"One reading stands out by {size}: part {part}, {who}, {of_trials}",
            "with that reading like the others",
        ),
        "exchanged_parts": (
            f"{who}'s readings of parts {part} fit the others' only when they are exchanged, "
            f"{size} apart ({of_trials})",
            "exchanged back",
        ),
        "copied_trial": (
            f"{who}'s {of_trials} "
            f"{'hold the same readings' if len(cause.trials) > 1 else 'holds the readings of'}"
            f"{'' if len(cause.trials) > 1 else ' another operator'}",
            "without the copied trial",
        ),
        "outliers": (
            f"Single readings or some parts scatter far more than the rest, up to {size} from "
            "their repeats",
            "with those readings like the others",
        ),
        "size": (
            f"Repeats of the parts at one end of the range {_times(cause, 'those at the other')}",
            "scattering everywhere as at the quiet end",
        ),
        "autocorrelation": (
            "Readings taken one after the other are alike (their errors correlate by about "
            f"{cause.size.value:.1f}): something moves slowly while measuring",
            "",
        ),
        "place": (
            f"The rounds lie up to {size} apart: everything in one round, a trial of one operator, "
            "moved together",
            "with the rounds alike",
        ),
        "repeatability": (
            f"Repeatability of gauge and grip, the background, is {size} (standard deviation)",
            "",
        ),
    }
    return templates[cause.kind]


def _times(cause: Cause, others: str) -> str:
    """Return how many times as much some repeats scatter; others that do not are no measure."""
    if cause.size.value < 1e6:
        return f"scatter {cause.size.value:.1f} times as much as {others}"
    return f"scatter, and {others} do not"


def _texts(numbers: tuple[int, ...]) -> list[str]:
    return [str(number) for number in numbers]


def _repeat_limit(result: GaugeResult) -> str:
    """Return by how much two readings differ once in twenty: 2.8 EV, and EV 1.4 times as large.

    EV is raised as it may be that much larger than a study of ninety readings shows.
    """
    return length(2.8 * 1.4 * result.value("EV", "sd"), result.study.unit)


def _first_step(cause: Cause, result: GaugeResult) -> tuple[str, int]:
    """Return what to do first about a cause, and how many readings it takes."""
    study = result.study
    o, r, facts = len(study.operator_names), study.trials, study.facts
    everyone = "everyone" if o > 1 else "the operator"
    parts = (cause.part or "").count(",") + 1 if cause.part else len(study.parts)
    mark = "" if facts.get("place_marked") else "mark the place where they are measured, "
    them = "it" if cause.part and parts == 1 else "them"
    zeroed = facts.get("zeroed_how_often")
    of_trials = f"trial{'s' if len(cause.trials) > 1 else ''} {listed(_texts(cause.trials))}"
    # How often to zero takes a look at the drift of its own.
    against_drift = _against_drift(study) if cause.kind == "drift" else ""
    steps: dict[Kind, tuple[str, int]] = {
        "operator_offset": (
            "Let everyone measure one gauge block of this size five times, side by side, and "
            f"{_compare(study)}.",
            BLOCK_REPEATS * o,
        ),
        "operator_scatter": (
            "Let everyone repeat one marked part ten times, side by side, and "
            f"{_compare(study, scatter=True)}.",
            PART_REPEATS * o,
        ),
        "interaction": (
            f"Look at {_these_parts(cause)} for taper, burrs and roundness, {mark}and let "
            f"{everyone} measure {them} again.",
            parts * o * r,
        ),
        "part": (
            f"Look at {_these_parts(cause)} for burrs, form and dirt, "
            f"{mark.replace('they are', 'it is')}and let {everyone} measure it again.",
            o * r,
        ),
        "drift": (
            f"{begun(against_drift)}; then measure one part twenty times over a session "
            "to see whether it holds.",
            DRIFT_REPEATS,
        ),
        "step": (
            "Ask what happened at that moment, check zero on a master, and measure again from "
            "there.",
            cause.readings,
        ),
        "trial_shift": (
            f"Ask why {of_trials} {'reads' if len(cause.trials) == 1 else 'read'} differently: "
            "what was set or touched before? Check zero on a master before each trial"
            f"{_than_now(zeroed)}.",
            o * r,
        ),
        "gauges": (
            "Set all gauges to one master, and correct or leave out the one that still differs.",
            0,
        ),
        "sessions": (
            "Set the zero on a master, the same way each day, and let gauge and parts come to one "
            "temperature; check it with five zero settings, one after the other.",
            SETTINGS,
        ),
        "digit": ("Read the gauge with a finer digit.", 0),
        "slip": ("Compare this reading with its record, and measure it again.", 1),
        "exchanged_parts": (
            f"Ask for {_these_parts(cause)} and measure both again.",
            2 * len(cause.trials),
        ),
        "copied_trial": (
            "Find out whether a column was copied, and measure that trial again.",
            len(study.parts),
        ),
        "outliers": (
            "Read every part twice and a third time where the two differ by more than "
            f"{_repeat_limit(result)}; look at the parts concerned for burrs, form and dirt.",
            0,
        ),
        "size": (
            "Look at what changes over the range: how the gauge is held, form and weight of the "
            "parts; judge small and large parts by a study each.",
            0,
        ),
        "autocorrelation": (
            "Measure in random order, let gauge and parts become equally warm, and check zero on "
            "a master between the parts.",
            0,
        ),
        "place": (
            "Find out what changed between the rounds (zero, place on the part, warmth), check "
            "zero on a master before each round, and mark where to measure.",
            o * r,
        ),
        "repeatability": (bench_advice(study), 0),
    }
    return steps[cause.kind]


def _these_parts(cause: Cause) -> str:
    if cause.part is None:
        return "the parts"
    return f"part{'s' if ', ' in cause.part else ''} {cause.part}"


def _compare(study: Study, *, scatter: bool = False) -> str:
    """Return what to compare between the operators: what the study's facts do not settle.

    How the gauge was zeroed moves all readings of a person: it makes no one's repeats scatter.
    """
    left = [
        words
        for key, words in _TO_COMPARE.items()
        if not _stated(study, key) and not (scatter and key == "zero_orientation")
    ]
    if study.facts.get("place_marked") or "place" in study.readings:
        left = [words for words in left if words != _TO_COMPARE["measuring_place"]]
    if study.methods:  # named by how the gauge is held
        left = [words for words in left if words != _TO_COMPARE["holding"]]
    if left:
        return f"compare {listed(left)}"
    alike = "holding, ratchet" if scatter else "holding, zero, ratchet"
    return (
        f"watch what differs: {alike} and place are the same for all, so look at the feel in "
        "closing it and at how it is read"
    )


def _against_drift(study: Study) -> str:
    """Return what to do against a drift, without what the facts say is done."""
    steps = []
    if not _stated(study, "soak_minutes"):
        steps.append("let gauge and parts lie side by side until they are equally warm")
    if study.facts.get("holding") in (None, "", "bare hand"):
        steps.append("keep the bare hand off the gauge")
    often = zero_interval(study) or "more often"
    now = _than_now(study.facts.get("zeroed_how_often"))
    return listed([*steps, f"check zero on a master {often}{now}"])


def _than_now(zeroed: object) -> str:
    return f" (now: {shortened(str(zeroed), LONGEST_NAME)})" if zeroed not in (None, "") else ""


def _stated(study: Study, key: str) -> bool:
    return study.facts.get(key) not in (None, "")


def bench_advice(study: Study) -> str:
    """Return what steadies repeats in general, without what the facts say is done."""
    steps = ["clean faces and part before each reading"]
    if study.facts.get("holding") != "stand" and not study.methods:
        steps.append("hold the gauge in a stand")
    if not _stated(study, "soak_minutes"):
        steps.append("let gauge and parts lie side by side until they are equally warm")
    if not study.facts.get("place_marked"):
        steps.append("mark where on the part to measure")
    if not _stated(study, "ratchet_turns"):
        steps.append("close it with the same number of turns of the ratchet")
    return f"{begun(listed(steps))}."


def _told(cause: Cause, result: GaugeResult) -> str:
    """Return a cause in one sentence, with its share and GRR before and after."""
    if not cause.share.known:
        return f"{cause.what}."
    told = f"{cause.what}: {cause.share} of GRR's variance"
    if not cause.alike or not cause.without.known:
        return f"{told}."
    return f"{told}; {counterfactual(cause, result, interval=True)}."


def counterfactual(cause: Cause, result: GaugeResult, *, interval: bool = False) -> str:
    """Return "reading alike, GRR 18.7 % → 8.1 % of the tolerance"; "" where it is not known."""
    if not cause.alike or not cause.without.known:
        return ""
    of = "of the tolerance" if result.study.purpose == "accept" else "of the total variation"
    left = f"{cause.without:i}" if interval else f"{cause.without}"
    return f"{cause.alike}, GRR {percent(shown_percent(result))} → {left} {of}"


def shown_percent(result: GaugeResult) -> float:
    """Return GRR in percent of the tolerance, for purpose "control" of the total variation."""
    accept = result.study.purpose == "accept"
    return result.value("GRR", "percent_tolerance" if accept else "percent_tv")


def short(cause: Cause, result: GaugeResult) -> str:
    """Return a cause with its counterfactual: "Jan reads 1.0 µm low: reading alike, GRR …"."""
    told = counterfactual(cause, result)
    return f"{cause.what}: {told}." if told else f"{cause.what}."


def _headline(named: tuple[Cause, ...], notes: tuple[str, ...]) -> str:
    if not named:
        if any(note.startswith("No causes were looked for") for note in notes):
            return "No causes could be looked for"
        return "Nothing stands out: what is left is the repeatability of gauge and grip"
    if len(named) == 1:
        return "One thing stands out"
    return f"{len(named)} things stand out, the largest share of GRR's variance first"


def _cause_table(causes: tuple[Cause, ...]) -> Table:
    head = ["Cause", "Operator", "Part", "Size", "Share", "GRR without", "p"]
    rows = [
        [
            cause.kind.replace("_", " "),
            cause.operator or "",
            cause.part or "",
            f"{cause.size}",
            f"{cause.share:i}",
            f"{cause.without:i}",
            p_cell(cause.sure),
        ]
        for cause in causes
    ]
    return Table(head, rows, left=3)
