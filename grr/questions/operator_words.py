"""What a comparison says about each operator, in words, and what usually causes it.

Causes and ways to confirm them are common practice at a micrometer; no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from grr.model.names import shortened
from grr.model.rounding import figures, length, listed
from grr.questions.drift import DriftNumbers, bump_words
from grr.questions.offset_words import (
    AGREES,
    HIGH,
    LOW,
    agreeing,
    offset_finding,
    others_than,
    size_words,
)
from grr.questions.operator_numbers import OperatorNumbers
from grr.questions.trial_changes import change_words

#: Longest name in a finding.
LONGEST_NAME = 30

SCATTERS, DEPENDS, DRIFTS, SHIFTS, TIRES = (
    "scatters more",
    "depends on the part",
    "drifts",
    "shifts while measuring",
    "scatters more and more",
)

#: What usually lies behind a finding at a micrometer.
CAUSES = {
    HIGH: "too little or a jerky feel at the ratchet, a part tilted between the faces, dirt on "
    "the faces, or another habit of zeroing",
    LOW: "more force at the ratchet or turning the thimble instead of it, a frame warmed by the "
    "hand, or another habit of zeroing",
    SCATTERS: "an uneven feel at the ratchet, a part that is not aligned the same way each time, "
    "another spot on the part each time, or a hand that moves while reading",
    DEPENDS: "where on the part is measured (taper, out-of-round, a burr), or parts that one "
    "hand holds better than another",
    DRIFTS: "a gauge or parts that warm in the hand, a zero that moves, or a habit that settles "
    "while measuring",
    SHIFTS: "a zero or a setting that was touched, a gauge bumped or dropped, parts or a room at "
    "another temperature",
    TIRES: "fatigue or haste: the session may be too long",
}
#: How to find out, without guessing.
CONFIRM = {
    HIGH: "Let everyone zero the gauge alike and measure one gauge block near this size ten "
    "times: it shows who is off, not only that they differ.",
    SCATTERS: "Let this operator repeat one marked part ten times, by hand and in a stand, with "
    "the same number of ratchet clicks each time, and compare.",
    DEPENDS: "Mark the spot on the parts named, look at them for taper, burrs and roundness, and "
    "let everyone measure there once more.",
    DRIFTS: "Check zero on a part-sized master at the start, in the middle and at the end; "
    "notebook 7, Stand or handheld, says how fast it goes.",
    SHIFTS: "Ask what happened at that moment, check zero on a part-sized master, and measure that "
    "trial again.",
    TIRES: "Split the session in two on different days and compare.",
}
CONFIRM[LOW] = CONFIRM[HIGH]


@dataclass(frozen=True)
class OperatorConclusion:
    """What the study says about one operator.

    Attributes
    ----------
    operator : str
    findings : tuple of str
        "agrees", or some of "reads between the others", "reads high", "reads low", "scatters
        more", "depends on the part", "drifts", "shifts while measuring", "scatters more and
        more".
    sentence : str
    agrees_with : tuple of str
        Those whose readings agree with this operator's, where others' do not.
    to_the_digit : bool
        Whether the others' readings differ beyond chance, but by less than the last digit.
    """

    operator: str
    findings: tuple[str, ...]
    sentence: str
    agrees_with: tuple[str, ...] = ()
    to_the_digit: bool = False

    @property
    def in_words(self) -> tuple[str, ...]:
        """The findings as they are shown: "agrees with Jonas" where only Jonas is meant."""
        kinds = tuple(kind for kind in self.findings if kind != AGREES)
        if self.agrees_with:
            names = [shortened(name, LONGEST_NAME) for name in self.agrees_with]
            return (f"agrees with {listed(names, 3)}", *kinds)
        return kinds or (f"{AGREES} to the last digit" if self.to_the_digit else AGREES,)

    @property
    def causes(self) -> tuple[str, ...]:
        """What usually causes it."""
        return tuple(CAUSES[kind] for kind in self.findings if kind in CAUSES)

    @property
    def confirm(self) -> tuple[str, ...]:
        """How to find out."""
        return tuple(dict.fromkeys(CONFIRM[kind] for kind in self.findings if kind in CONFIRM))


def operator_conclusions(numbers: OperatorNumbers) -> tuple[OperatorConclusion, ...]:
    """Return a conclusion for each operator.

    Each question (offset, scatter, part, trend) is asked of all operators together at the
    family-wise level of the comparison. Offsets are Tukey's: an operator reads high or low
    where more than half of the others differ from them; scatter is Cochran's test, asked of
    each operator; nobody is named for a difference below the last digit of the gauge; an
    operator depends on the part where their own share of the interaction
    is beyond chance and not smaller than an equal share.
    """
    return tuple(_conclusion(numbers, name) for name in numbers.study.operator_names)


def _conclusion(numbers: OperatorNumbers, name: str) -> OperatorConclusion:
    alike = agreeing(numbers, name)
    found = {
        **offset_finding(numbers, name),
        **_scatter(numbers, name),
        **_by_part(numbers, name),
        **_trend(numbers, name),
    }
    if set(found) <= {AGREES}:
        others = "the other operators" if len(numbers.table) > 2 else others_than(numbers, name)[0]
        sentence = found.get(AGREES, f"{name} agrees with {others} within what the study can see.")
        return OperatorConclusion(name, (AGREES,), sentence, alike, bool(found) and not alike)
    kinds = tuple(kind for kind in found if kind != AGREES)
    named = HIGH in found or LOW in found
    return OperatorConclusion(name, kinds, " ".join(found.values()), () if named else alike)


def _scatter(numbers: OperatorNumbers, name: str) -> dict[str, str]:
    p, count = numbers.value(name, "scatter_p"), len(numbers.table)
    if math.isnan(p) or p >= (1.0 - numbers.level) / count:
        return {}
    ratio = numbers.value(name, "scatter_ratio")
    if math.isinf(ratio):
        return {SCATTERS: f"{name}'s readings scatter; the others' repeat to the last digit."}
    low, high = (numbers.value(name, f"scatter_ratio_{end}") for end in ("lower", "upper"))
    spread = length(numbers.value(name, "sd"), numbers.study.unit)
    return {
        SCATTERS: f"{name} scatters more than the others by a factor {figures(ratio)} "
        f"({100 * numbers.level:g} % interval {figures(low)} to {figures(high)}; standard "
        f"deviation {spread})."
    }


def _by_part(numbers: OperatorNumbers, name: str) -> dict[str, str]:
    alpha = 1.0 - numbers.level
    cells = numbers.cells.loc[(slice(None), name), ["residual", "residual_p"]]
    parts = cells.index.get_level_values("part").tolist()
    residuals, p = cells["residual"].tolist(), cells["residual_p"].tolist()
    # the two ways to be noticed share the level
    noticed = numbers.value(name, "interaction_p") < alpha / 2 or min(p) < alpha / 2
    if not noticed or numbers.value(name, "interaction_share") < 1.0 / len(numbers.table):
        return {}
    beyond = [i for i in range(len(parts)) if p[i] < alpha]
    if not beyond:
        beyond = [max(range(len(parts)), key=lambda i: abs(residuals[i]))]
    shown = [
        f"part {parts[i]} ({length(abs(residuals[i]), numbers.study.unit)} "
        f"{'higher' if residuals[i] > 0 else 'lower'})"
        for i in beyond
    ]
    return {
        DEPENDS: f"How far {name} is from the others depends on the part: most on "
        f"{listed(shown)} than {name} otherwise reads."
    }


def _trend(numbers: OperatorNumbers, name: str) -> dict[str, str]:
    study = numbers.study
    alpha = (1.0 - numbers.level) / len(numbers.table)
    found = {}
    if numbers.drift is not None and name in numbers.drifters:
        found[DRIFTS] = _drift_sentence(numbers.drift, name)
    moved = [change_words(change, study) for change in numbers.changes if name in change.operators]
    if numbers.drift is not None and not moved:
        moved = [bump_words(numbers.drift, b) for b in numbers.bumps if b.operator == name]
    if moved:
        found[SHIFTS] = f"{name}: {listed(moved)}."
    growth = numbers.value(name, "scatter_growth")
    if numbers.value(name, "scatter_growth_p") < alpha and growth > 1.0:
        found[TIRES] = (
            f"{name}'s last trials scatter {figures(growth)} times as much as the first ones."
        )
    return found


def _drift_sentence(drift: DriftNumbers, name: str) -> str:
    """Return how fast an operator's readings drift: as all do, unless the operators differ."""
    ((method, found),) = drift.methods.items()
    unlike = bool(drift.fastest(method)) and found.curve is None
    change = drift.value(method, name, "over") if unlike else drift.change(method)
    text = f"{name}'s readings {'rise' if change > 0 else 'fall'} while measuring"
    size = size_words(abs(change), drift.study)
    if found.curve is not None:
        return f"{text}, by {size} over a session, most of it at its start."
    rate = drift.value(method, name, "slope") if unlike else float(found.slope.slope)
    per = "a minute" if drift.taken.unit == "min" else "from one reading to the next"
    alike = "" if unlike or len(drift.operators(method)) < 2 else ", as all operators' do"
    return f"{text}{alike}, by {length(abs(rate), drift.study.unit)} {per}: over a session {size}."


def advice(conclusions: tuple[OperatorConclusion, ...]) -> list[tuple[str, str]]:
    """Return each finding with its operators, and its usual causes and how to confirm it."""
    people: dict[str, list[str]] = {}
    for conclusion in conclusions:
        for kind in conclusion.findings:
            if kind in CAUSES:
                people.setdefault(kind, []).append(conclusion.operator)
    return [
        (
            f"{listed(names)} {in_plural(kind, len(names))}",
            f"Usual causes: {CAUSES[kind]}. To confirm: {CONFIRM[kind]}",
        )
        for kind, names in people.items()
    ]


def in_plural(finding: str, people: int) -> str:
    """Return "reads high" as it is said of one person, and "read high" of several."""
    if people == 1:
        return finding
    verb, _, rest = finding.partition(" ")
    return f"{verb.removesuffix('s')} {rest}".strip()
