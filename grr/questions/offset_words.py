"""Who reads high or low, who agrees with whom, and what is below the last digit."""

from __future__ import annotations

from grr.model.rounding import length, listed, percent
from grr.model.study import Study
from grr.questions.operator_numbers import OperatorNumbers

AGREES, BETWEEN, HIGH, LOW = "agrees", "reads between the others", "reads high", "reads low"


def offset_finding(numbers: OperatorNumbers, name: str) -> dict[str, str]:
    """Return the finding about an operator's mean; who differs is named."""
    study = numbers.study
    different = _different(numbers, name)
    others = others_than(numbers, name)
    if not different:
        return _below_a_digit(numbers, name)
    offset = numbers.value(name, "from_others")
    value, high = abs(offset), offset > 0.0
    kind = HIGH if high else LOW
    if len(others) == 1:
        way = "higher" if high else "lower"
        return {
            kind: f"{name} reads {size_words(value, study)} {way} than {others[0]}; which of the "
            "two is right, this study cannot say."
        }
    if not _named(numbers, name):
        pairs = [
            f"{length(abs(d), study.unit)} {'higher' if d > 0 else 'lower'} than {other}"
            for other, d in different.items()
        ]
        agreeing = [other for other in others if other not in different]
        if not agreeing:
            return {BETWEEN: f"{name} reads {listed(pairs)}."}
        return {
            AGREES: f"{name} agrees with {listed(agreeing)}, but reads {listed(pairs)}.",
        }
    sign = 1.0 if high else -1.0
    low, top = sorted(
        sign * numbers.value(name, f"from_others_{end}") for end in ("lower", "upper")
    )
    interval = (
        f"{100 * numbers.level:g} % interval {_range(low, top, study)}, against the mean of the "
        "others"
    )
    return {kind: f"{name} {kind} by {size_words(value, study)}; {interval}."}


def _below_a_digit(numbers: OperatorNumbers, name: str) -> dict[str, str]:
    """Return the sentence about a difference that is beyond chance and below the last digit."""
    study, alpha = numbers.study, 1.0 - numbers.level
    small = {o: d for o, (d, p) in numbers.differences_of(name).items() if p < alpha}
    if not small or study.resolution is None:
        return {}
    pairs = [
        f"{length(abs(d), study.unit)} {'above' if d > 0 else 'below'} {other}'s"
        for other, d in small.items()
    ]
    return {
        AGREES: f"{name} agrees with the others to the last digit: the mean lies {listed(pairs)}, "
        f"less than the last digit of the gauge ({length(study.resolution, study.unit)})."
    }


def _named(numbers: OperatorNumbers, name: str) -> bool:
    """Whether an operator is above most others, or below most, and by a digit or more."""
    others, offset = len(numbers.table) - 1, numbers.value(name, "from_others")
    beyond = [
        difference
        for difference, p in numbers.differences_of(name).values()
        if p < 1.0 - numbers.level and difference * offset > 0.0
    ]
    return 2 * len(beyond) > others and _visible(numbers, offset)


def _visible(numbers: OperatorNumbers, difference: float) -> bool:
    return abs(difference) > (1.0 - 1e-9) * (numbers.study.resolution or 0.0)


def _different(numbers: OperatorNumbers, name: str) -> dict[str, float]:
    """Return who reads otherwise beyond chance, and by how much this operator is higher.

    A difference below the last digit counts only where one of the two is named for it.
    """
    return {
        other: difference
        for other, (difference, p) in numbers.differences_of(name).items()
        if p < 1.0 - numbers.level
        and (_visible(numbers, difference) or _named(numbers, name) or _named(numbers, other))
    }


def agreeing(numbers: OperatorNumbers, name: str) -> tuple[str, ...]:
    """Return those who agree with an operator from whom others differ; else none."""
    different = _different(numbers, name)
    if not different:
        return ()
    return tuple(other for other in others_than(numbers, name) if other not in different)


def others_than(numbers: OperatorNumbers, name: str) -> list[str]:
    """Return the other operators."""
    return [other for other in numbers.study.operator_names if other != name]


def size_words(value: float, study: Study) -> str:
    """Return a length with its share of the tolerance, and a note where no digit shows it."""
    text = length(value, study.unit)
    width = None if study.tolerance is None else study.tolerance.width
    notes = []
    if width is not None:
        notes.append(f"{percent(100.0 * value / width)} of the tolerance")
    if study.resolution is not None and value < study.resolution:
        notes.append("less than the last digit of the gauge")
    return f"{text} ({', '.join(notes)})" if notes else text


def _range(low: float, high: float, study: Study) -> str:
    return f"{length(low, study.unit)} to {length(high, study.unit)}"
