"""What a drift means, in words: how fast, when to zero again, and what warming would do it.

Bare-handed for ten minutes a 25 mm micrometer grows by about half a micrometre, which is
what 1.7 K does to an inch of steel; a stand, gloves and an insulating grip exist for this
reason (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from grr.formulas.drift_rate import time_to_drift, time_to_settle, time_until_steady
from grr.formulas.micrometer import STEEL_EXPANSION, warming_for
from grr.model.names import shortened
from grr.model.rounding import JOIN, figures, length, listed, percent
from grr.model.study import Study
from grr.model.units import conversion
from grr.questions.drift_bumps import BumpFound
from grr.questions.drift_numbers import (
    SETTLING,
    STRAIGHT,
    DriftNumbers,
    MethodDrift,
)
from grr.questions.trial_words import change_words, who_changed


@dataclass(frozen=True)
class ReZero:
    """When to zero again, so that drift stays within what is allowed; times in minutes.

    Attributes
    ----------
    allowed : float
        Largest drift accepted, in the unit of the study.
    share : float
        The same as a share of the tolerance; NaN where it was given as a length.
    estimate, sure : float
        Time until the drift reaches it: as estimated, and with the faster drift that the
        study still allows at one-sided confidence. Infinite where it never does.
    steady : float
        After how long no more than that is still to come; NaN where no curve was fitted.
    """

    allowed: float
    share: float
    estimate: float
    sure: float
    steady: float


def re_zero(numbers: DriftNumbers, method: str, allowed: float, share: float) -> ReZero:
    """Return when to zero again under one method: by the operator who drifts fastest."""
    found, confidence = numbers.methods[method], numbers.study.rules.confidence
    if found.curve is not None:
        curve = found.curve
        outer = max(map(abs, curve.amount_limits))
        quick = max(curve.time_constant_limits[0], 0.1 * curve.time_constant)
        return ReZero(
            allowed,
            share,
            float(time_to_settle(allowed, curve.amount, curve.time_constant)),
            float(time_to_settle(allowed, outer, quick)),
            float(time_until_steady(allowed, curve.amount, curve.time_constant)),
        )
    shown = float(found.slope.slope) if found.shape == STRAIGHT else 0.0
    low, high = (float(v) for v in found.slope.limits(2.0 * confidence - 1.0))
    fastest = numbers.fastest(method)
    if fastest:
        shown, low, high = (
            numbers.value(method, fastest, column) for column in ("slope", "lower", "upper")
        )
    return ReZero(
        allowed,
        share,
        float(time_to_drift(allowed, shown)),
        float(time_to_drift(allowed, max(abs(low), abs(high)))),
        math.nan,
    )


def drift_sentence(numbers: DriftNumbers, found: MethodDrift) -> str:
    """Return what the readings do under one method."""
    study, name = numbers.study, _name(found)
    level = f"{100 * numbers.level:g}{JOIN}%"
    if found.shape == SETTLING and found.curve is not None:
        curve = found.curve
        low, high = sorted(map(abs, curve.amount_limits))
        return (
            f"{name}: the readings {_way(curve.amount)} by {_length(curve.amount, study)} and "
            f"settle ({level} interval {length(low, study.unit)} to {length(high, study.unit)}): "
            f"63{JOIN}% of it within {_time(curve.time_constant, numbers)}, 90{JOIN}% within "
            f"{_time(math.log(10.0) * curve.time_constant, numbers)}."
        )
    slope = float(found.slope.slope)
    low, high = (float(v) for v in found.slope.limits(numbers.level))
    if found.shape == STRAIGHT:
        near, far = sorted(map(abs, (low, high)))
        return (
            f"{name}: the readings {_way(slope)} by {length(abs(slope), study.unit)} "
            f"{_per(numbers)} ({level} interval {length(near, study.unit)} to "
            f"{length(far, study.unit)}): {_length(slope * found.span, study)} over a session of "
            f"{_time(found.span, numbers)}."
        )
    if float(found.slope.error) == 0.0:
        return f"{name}: the readings repeat to the last digit, so no drift can be seen."
    return (
        f"{name}: no drift shows; it is at most {length(max(abs(low), abs(high)), study.unit)} "
        f"{_per(numbers)} ({level} confidence)."
    )


def unlike_sentence(numbers: DriftNumbers, found: MethodDrift) -> str:
    """Return who drifts and who does not, where the operators differ; "" where not."""
    if not numbers.fastest(found.method):
        return ""
    drifting = numbers.drifting(found.method)
    others = [name for name in numbers.operators(found.method) if name not in drifting]
    phrases = []
    for name in drifting:
        slope = numbers.value(found.method, name, "slope")
        change = length(abs(slope), numbers.study.unit)
        phrases.append(f"{name}'s readings {_way(slope)} by {change} {_per(numbers)}")
    rest = f"; {listed(others)} {'shows' if len(others) == 1 else 'show'} none" if others else ""
    return f"{_name(found)}: the operators do not drift alike: {listed(phrases)}{rest}."


def re_zero_sentence(numbers: DriftNumbers, found: MethodDrift, when: ReZero) -> str:
    """Return when to zero again; nothing is promised for longer than was watched."""
    study, name = numbers.study, _name(found)
    share = "" if math.isnan(when.share) else f"{percent(100 * when.share)} of the tolerance, "
    goal = f"under {share}{length(when.allowed, study.unit)}"
    watched = _time(found.span, numbers)
    if when.sure > found.span:
        text = f"{name}: within a session of {watched} drift stays {goal}: zero at its start."
        return text if math.isinf(when.sure) else f"{text} Longer sessions were not watched."
    if when.estimate > found.span:
        return (
            f"{name}: zero again every {_time(when.sure, numbers)} to be sure that drift stays "
            f"{goal}; as estimated it would for a session of {watched}."
        )
    text = (
        f"{name}: zero again every {_time(when.estimate, numbers)} to keep drift {goal}; "
        f"{_time(when.sure, numbers)} to be sure."
    )
    if not math.isnan(when.steady) and when.steady > 0.0:
        text += (
            f" Or hold it for {_time(when.steady, numbers)} first, zero it in the hand on a "
            "master, and go on without putting it down."
        )
    return text


def warming_sentence(numbers: DriftNumbers, found: MethodDrift, warmed_mm: float) -> str:
    """Return what warming of the frame would explain a drift; "" where none shows or no unit."""
    study, change = numbers.study, numbers.change(found.method)
    if change == 0.0 or not study.unit:
        return ""
    frame = warmed_mm * conversion("mm", study.unit)
    kelvin = abs(float(warming_for(change, frame)))
    text = (
        f"{_name(found)}: {length(abs(change), study.unit)} is what "
        f"{figures(kelvin)}{JOIN}K do to {warmed_mm:g}{JOIN}mm of steel "
        f"(ΔL = L·α·ΔT, α = {STEEL_EXPANSION * 1e6:g}·10⁻⁶/K). "
    )
    if change < 0.0:
        return text + (
            "A frame warmed after zeroing reads low, as here: use a stand, gloves or an "
            "insulating grip."
        )
    return text + (
        "But a frame warmed after zeroing reads low, and these readings rise: look for parts "
        "that warm in the hand, or a gauge that was zeroed warm and cooled down."
    )


def zero_sentence(numbers: DriftNumbers, found: MethodDrift) -> str:
    """Return how far the zero moved; "" where it was not checked."""
    zero, study = found.zero, numbers.study
    if zero is None:
        return ""
    if zero.largest == 0.0:
        return f"{_name(found)}: the zero was the same before and after every session."
    text = f"{_name(found)}: from the first zero check of a session to the last the zero moves by "
    text += f"{_signed(zero.mean, study)} on average"
    if not math.isnan(zero.lower):
        low, high = (_signed(v, study) for v in (zero.lower, zero.upper))
        text += f" ({100 * numbers.level:g}{JOIN}% interval {low} to {high})"
    return f"{text}; the largest change is {_signed(zero.largest, study)}."


def bump_sentences(numbers: DriftNumbers) -> list[str]:
    """Return where from one reading to the next everything moved: a bump, or a zero set anew."""
    return [
        f"{begun(_joined(bump.operator, bump.method))}: {bump_words(numbers, bump)}. Was the gauge "
        "bumped, dropped or set to zero there?"
        for bump in numbers.bumps
    ]


def bump_words(numbers: DriftNumbers, bump: BumpFound) -> str:
    """Return what a bump did, and from which reading on."""
    session = f" of session {bump.session}" if bump.sessions > 1 else ""
    way = "higher" if bump.size > 0 else "lower"
    place = (
        f"trial {bump.trial}"
        if bump.begins
        else f"part {shortened(bump.part, 30)} in trial {bump.trial}"
    )
    return (
        f"after {_time(bump.at, numbers)}{session}, from {place} on, "
        f"everything reads {length(abs(bump.size), numbers.study.unit)} {way} at once"
    )


def change_sentences(numbers: DriftNumbers) -> list[str]:
    """Return what changed between trials and is no drift."""
    return [
        f"{begun(_joined(who_changed(change, numbers.study), method))}: "
        f"{change_words(change, numbers.study)}. Was the zero or the setting touched in between?"
        for method, changes in numbers.changes.items()
        for change in changes
    ]


def _joined(operator: str, method: str) -> str:
    return f"{operator}, {method}" if method else operator


def _name(found: MethodDrift) -> str:
    return begun(found.method) or "All readings"


def begun(text: str) -> str:
    """Return a text as it begins a sentence."""
    return f"{text[0].upper()}{text[1:]}" if text else text


def _way(change: float) -> str:
    return "fall" if change < 0 else "rise"


def _per(numbers: DriftNumbers) -> str:
    return "a minute" if numbers.taken.unit == "min" else "from one reading to the next"


def _time(value: float, numbers: DriftNumbers) -> str:
    """Return a time: a duration, or readings where no time is known."""
    if numbers.taken.unit == "reading":
        count = max(1, math.floor(value))
        return f"{count} reading{'s' if count > 1 else ''}"
    return duration(value)


def duration(minutes: float) -> str:
    """Return a duration in minutes, or in seconds where it is short."""
    if minutes < 1.0:
        return f"{max(1, math.floor(60.0 * minutes))}{JOIN}s"
    return f"{figures(minutes)}{JOIN}min"


def _length(value: float, study: Study) -> str:
    width = None if study.tolerance is None else study.tolerance.width
    share = "" if width is None else f" ({percent(100 * abs(value) / width)} of the tolerance)"
    return length(abs(value), study.unit) + share


def _signed(value: float, study: Study) -> str:
    return f"{'−' if value < 0 else '+'}{length(abs(value), study.unit)}" if value else "0"
