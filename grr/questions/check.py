"""`grr.check`: is the data what it claims to be?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.formulas import data_checks
from grr.formulas.arrays import Array, Mask
from grr.formulas.average_range import chance_beyond_limit, d2, upper_range_limit
from grr.formulas.change_points import may_shift
from grr.formulas.data_checks import FACTORS, digits_seen, may_hold_mistakes, median
from grr.formulas.operator_comparison import TrialRanges, trial_ranges
from grr.model.blocks import Block, Callout, Prose
from grr.model.printed import Printed
from grr.model.record import REMEDY, Record
from grr.model.rounding import counted, figures, length, lengths_apart, listed, percent, size
from grr.model.study import Cube, Study, checked_study
from grr.model.values import spelling
from grr.questions.causes import Cause, causes_of
from grr.questions.drift import DriftNumbers, bump_words, drift_or_reason
from grr.questions.mistakes import (
    mistakes_in,
    mistakes_of,
    part_by_part,
    without_slips,
)
from grr.questions.trial_changes import (
    LEVEL,
    PlacedChange,
    TrialChange,
    change_words,
    changes_in,
    small_interaction,
    trial_changes,
)


def check(study: Study) -> Findings:
    """Look for mistakes in the readings and weaknesses of the study.

    Parameters
    ----------
    study : Study
        A study by several methods is checked method by method.

    Returns
    -------
    Findings
        The most serious first. Nothing is changed or left out: a person decides.

    Notes
    -----
    Each check names its source where it is made, further down in this file.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> found = grr.check(study)
    >>> [finding.severity for finding in found.findings]
    ['look']
    """
    return checked_study(study).once("check", lambda: _check(study))


def must_mend(study: Study) -> bool:
    """Return whether `check` finds something to mend; how the operators count changes nothing."""
    return study.once("must mend", lambda: check(study).must_mend, of_readings=True)


def _check(study: Study) -> Findings:
    found = [*record(study), *what_was_read(study), *names_alike(study), *facts(study)]
    if len(study.methods) < 2:
        found += _of_one_method(study)
    else:
        for method in study.methods:
            found += [
                replace(finding, place=f"{method}: {finding.place}")
                for finding in _of_one_method(study.for_method(method))
            ]
    severity = list(SEVERITIES)
    return Findings(tuple(sorted(found, key=lambda finding: severity.index(finding.severity))))


def _of_one_method(study: Study) -> list[Finding]:
    clean = without_slips(study)
    return [
        *completeness(study),
        *mistakes(study),
        *trials(clean),
        *scatter(clean),
        *resolution(clean),
    ]


#: How serious a finding is, the most serious first, and what that means.
SEVERITIES = {
    "mend": "the numbers cannot be trusted until this is settled",
    "look": "check this before you use the numbers",
    "know": "keep it in mind when you read the numbers",
}
#: What each asks for, after a number of findings.
TO_DO = {"mend": "to fix first", "look": "to look at", "know": "for information"}
#: What is wrong with readings themselves, not with how they came about.
_WRONG_READINGS = {
    "factor",
    "far off",
    "exchanged parts",
    "copied trial",
    "one part out",
    "stuck gauge",
    "unit",
}
_TITLES = {"mend": "Fix first", "look": "Look at", "know": "For your information"}
_MARKS = {"mend": "✖", "look": "▲", "know": "●"}
_COLOURS = {"mend": "#a63d00", "look": "#8a5a00", "know": "#00527a"}


@dataclass(frozen=True)
class Finding:
    """One thing found in the data.

    Attributes
    ----------
    severity : {"mend", "look", "know"}
    topic : str
        A short name, the same for every finding of its kind.
    place : str
        Part, operator, trial; "the study" where it concerns all of it.
    what : str
        What was found, as a sentence.
    todo : str
        What to do, as a sentence.
    cause : str
        Kind of the cause that explains it, as `grr.assess` names it; "" where none does.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> finding = grr.check(study).findings[0]
    >>> finding.severity
    'look'
    """

    severity: str
    topic: str
    place: str
    what: str
    todo: str
    cause: str = ""


@dataclass(frozen=True, repr=False)
class Findings(Printed):
    """All findings of a check, the most serious first.

    Examples
    --------
    >>> found = grr.check(grr.open_study("demo_data/dowel_pin_mistakes"))
    >>> found.ruined
    True
    """

    findings: tuple[Finding, ...]

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.findings)

    def __len__(self) -> int:
        return len(self.findings)

    def about(self, topic: str) -> tuple[Finding, ...]:
        """Return the findings of one topic."""
        return tuple(finding for finding in self.findings if finding.topic == topic)

    @property
    def must_mend(self) -> bool:
        """Whether something must be settled before the numbers can be trusted."""
        return any(finding.severity == "mend" for finding in self.findings)

    @property
    def ruined(self) -> bool:
        """Whether readings themselves are wrong: what is calculated from them means nothing."""
        return any(f.severity == "mend" and f.topic in _WRONG_READINGS for f in self.findings)

    @property
    def look_first(self) -> tuple[str, ...]:
        """The one or two readings or facts to look at first: the place, and what is wrong."""
        mend = [f for f in self.findings if f.severity == "mend"]
        return tuple(f"{f.place[0].upper()}{f.place[1:]}: {f.what}" for f in mend[:2])

    @property
    def headline(self) -> str:
        """The check in one sentence."""
        if not self.findings:
            return "Nothing suspicious was found in the readings."
        numbers = {name: sum(f.severity == name for f in self.findings) for name in SEVERITIES}
        split = [f"{n} {TO_DO[name]}" for name, n in numbers.items() if n]
        return f"{counted(len(self.findings), 'finding')}: {', '.join(split)}."

    def to_frame(self) -> pd.DataFrame:
        """Return one row a finding: severity, topic, place, what, todo."""
        columns = ["severity", "topic", "place", "what", "todo"]
        return pd.DataFrame(
            [[getattr(f, column) for column in columns] for f in self.findings], columns=columns
        )

    def blocks(self) -> list[Block]:
        """Return the headline, then the findings of each severity."""
        found: list[Block] = [Prose([self.headline])]
        for severity, meaning in SEVERITIES.items():
            group = [f for f in self.findings if f.severity == severity]
            if group:
                title = f"{_MARKS[severity]} {_TITLES[severity]}: {meaning}"
                entries = [(f.place, f"{f.what} {f.todo}") for f in group]
                found.append(Callout(title, entries, _COLOURS[severity]))
        return found


#: In place of numbers that wrong readings have ruined.
RUINED = Prose(
    [
        "Not stated: readings are wrong, and what is calculated from them means nothing. Fix them "
        "first."
    ]
)
RECORD, SETTINGS = "record", "settings"
_MOST_SHOWN = 6


def record(study: Study) -> Iterator[Finding]:
    """Yield findings about rows that were altered, and settings changed past the record.

    Nothing for a study that was not opened from a folder, or whose readings were not taken
    with the entry form: there is no record to compare with.
    """
    found = study.record
    if found is None:
        return
    for file in found.files:
        if file.altered is not None:
            yield Finding(
                "mend",
                RECORD,
                file.name,
                f"Row {file.altered.row} is the first that is not as it was written: "
                f"{file.altered.why}.",
                "Restore the file from a copy. A reading is corrected in the entry form, where the "
                "old value stays on record.",
            )
    if found.missing_sessions:
        yield Finding(
            "mend",
            RECORD,
            "events.csv",
            "The readings name sessions of which there is no record: "
            f"{listed(found.missing_sessions)}. Events, and the settings logged there, were "
            "removed.",
            "Restore events.csv from a copy.",
        )
    for one in found.contradictions:
        yield Finding(
            "mend",
            RECORD,
            one.file,
            f"{one.what}.",
            "Restore the study's folder from a copy, or say in the report why it is so.",
        )
    yield from _copies(found)
    yield from _settings_record(found)
    if found.problem is not None:
        yield Finding(
            "mend",
            RECORD,
            "the record",
            f"The record of the study cannot be read: {found.problem.problem}.",
            f"{found.problem.remedy}.",
        )


def _copies(found: Record) -> Iterator[Finding]:
    """Yield a finding for each file that may be another copy of the record.

    A folder that is synchronised between two machines keeps both versions of a file that both
    have changed: readings taken on one of them are then in the copy only.
    """
    for stray in found.strays:
        yield Finding(
            "look" if stray.readings == 0 else "mend",
            RECORD,
            stray.name,
            f"Beside the record lies {stray}.",
            "Find out which is the right one before anyone measures again, and move the other out "
            "of the folder."
            + (
                " Where both hold readings that count, put the copies of readings.csv and "
                "events.csv with study.toml into a folder of their own, under these names, and "
                "join the two folders: grr merge."
                if stray.readings
                else ""
            ),
        )


def _settings_record(found: Record) -> Iterator[Finding]:
    """Yield one finding on what decides, and one on facts that were replaced.

    A fact stated by hand where none was stated before is what the study file is for.
    """
    deciding = [str(change) for change in found.changes if change.decides]
    replaced = [str(change) for change in found.changes if change.old and not change.decides]
    for severity, changes, todo in (
        ("mend", deciding, f"{REMEDY}."),
        (
            "look",
            replaced,
            "This only describes the study. Compare it with the paper it came from, and put it on "
            "record in the same way as any other change (grr record).",
        ),
    ):
        if changes:
            shown = _the_first(changes, _MOST_SHOWN)
            what = f"Changed outside the record after collecting began: {shown}."
            yield Finding(severity, SETTINGS, "study.toml", what, todo)


def _the_first(names: list[str], most: int) -> str:
    """Return the first names, and how many more there are."""
    more = f"; and {len(names) - most} more" if len(names) > most else ""
    return f"{'; '.join(names[:most])}{more}"


READ = "what was read"


def what_was_read(study: Study) -> Iterator[Finding]:
    """Yield findings about what was taken from a file of somebody's own, and what was not."""
    taken, record = study.read_from, study.record
    explained = {} if record is None else record.not_used
    unused = dict.fromkeys([*taken.get("unused", ()), *explained])
    unused_rows = [row for row in unused if not explained.get(row)]
    if unused_rows:
        yield Finding(
            "look" if record is None else "mend",
            READ,
            taken.get("file") or "the file",
            f"Looks like data and was not used: {listed(unused_rows, _MOST_SHOWN)}.",
            "Complete the row in the file and read it again"
            + (
                ", or delete it."
                if record is None
                else ", or say why it does not count: save the study form with a name and a reason "
                "(grr record FOLDER --by NAME --reason WHY)."
            ),
        )
    told = [f"{row} ({explained[row]})" for row in unused if explained.get(row)]
    if told:
        yield Finding(
            "know",
            READ,
            taken.get("file") or "the file",
            f"Not used, and put on record why: {listed(told, _MOST_SHOWN)}.",
            "Compare the reasons with the file.",
        )
    if taken.get("assumed"):
        yield Finding(
            "look",
            READ,
            taken["file"],
            f"Assumed: {'; '.join(taken['assumed'])}.",
            "Compare the readings with the file before you use the numbers.",
        )
    if taken.get("ignored"):
        yield Finding(
            "know",
            READ,
            taken["file"],
            f"{counted(study.taken, 'reading')} taken from {taken['cells']}. Left out: "
            f"{listed(taken['ignored'], _MOST_SHOWN)}.",
            "Compare the list with the file: grr.describe_reading shows all of it.",
        )


def names_alike(study: Study) -> Iterator[Finding]:
    """Yield a finding where one part, operator or method seems to be written in two ways.

    A file in which it is so is refused when it is read; a DataFrame comes as it is.
    """
    for what, names in (
        ("part", study.parts),
        ("operator", study.operator_names),
        ("method", study.methods),
    ):
        first: dict[str, str] = {}
        for name in names:
            other = first.setdefault(spelling(name), name)
            if other != name:
                yield Finding(
                    "mend",
                    "names alike",
                    f"{what} {name}",
                    f"One {what} seems to be written in two ways: “{other}” and “{name}”.",
                    f"Write the {what} the same way everywhere. Where they are two, give them "
                    "names that differ in more than capitals, spaces and letters that look alike.",
                )


def completeness(study: Study) -> Iterator[Finding]:
    """Yield findings about missing readings, thin designs and the order of measurement."""
    cube = study.cube()
    yield from _missing(study, cube)
    yield from _thin(cube)
    yield from _order(study)


def _not_asked_for(study: Study, cube: Cube) -> Mask:
    """Return which parts those of a second stage were not to measure; parts × operators."""
    plan = study.plan
    if plan is None:
        return np.zeros((len(cube.parts), len(cube.operators)), bool)
    left_out = np.array([part not in plan.further_parts for part in cube.parts])
    further = np.array([name in plan.further_operators for name in cube.operators])
    found: Mask = left_out[:, None] & further
    return found


def _missing(study: Study, cube: Cube) -> Iterator[Finding]:
    gaps = np.argwhere(np.isnan(cube.values) & ~_not_asked_for(study, cube)[:, :, None])
    if study.plan is not None:
        absent = [part for part in study.plan.parts if part not in cube.parts]
        planned, further = study.plan.operators, study.plan.further_operators
        begun = not set(further).isdisjoint(cube.operators)  # a second stage
        absent += [
            f"operator {name}"
            for name in (*planned, *(further if begun else ()))
            if name not in cube.operators
        ]
        if absent:
            named = {*study.plan.parts, *study.plan.operators}
            others = [name for name in (*cube.parts, *cube.operators) if name not in named]
            yield _never_measured(absent, others)
    else:
        yield from _numbers_left_out(cube)
    if study.design == "nested":
        return
    never = np.isnan(cube.values).all(axis=2)
    if len(gaps) == 0:
        return
    if never.shape[1] > 1 and ((~never).sum(axis=1) < 2).all():
        yield Finding(
            "mend",
            "nested",
            "the study",
            "No part was measured by two operators.",
            "If that was meant (measuring destroys the part, say), state design='nested'; "
            "otherwise let every operator measure the same parts.",
        )
        return
    if cube.complete:
        yield Finding(
            "know",
            "incomplete",
            "the study",
            "The trials are numbered unevenly, but everyone measured every part equally often.",
            "Nothing to do: repeats may stand in any place.",
        )
        return
    shown = [place(cube, *(int(i) for i in gap)) for gap in gaps]
    cells = [place(cube, int(i), int(j)) for i, j in np.argwhere(never)]
    what = f"{counted(len(gaps), 'reading')} missing: {_the_first(shown, 4)}"
    if cells:
        what += f". Never measured at all: {'; '.join(cells[:3])}"
        what += f" and {len(cells) - 3} more" if len(cells) > 3 else ""
    yield Finding(
        "look",
        "incomplete",
        "the study",
        f"{what}.",
        "Take them if the parts and the gauge are still as they were. Otherwise the analysis "
        "uses what is there and says so.",
    )


def _never_measured(absent: list[str], others: list[str]) -> Finding:
    """Return what a plan names and the readings do not; ``others`` is named by them alone."""
    what = f"The plan names what was never measured: {listed(absent)}"
    todo = "Finish the study, or say in the report why it was cut short."
    if others:
        what += f". The readings name what the plan does not: {listed(others)}"
        todo = f"Where they are the same, write them so in study.toml, under [plan]. {todo}"
    return Finding("mend", "incomplete", "the study", f"{what}.", todo)


def _numbers_left_out(cube: Cube) -> Iterator[Finding]:
    """Yield a finding where parts are numbered and few numbers between them are missing."""
    numbers = [int(part) for part in cube.parts if part.isascii() and part.isdecimal()]
    if len(numbers) < len(cube.parts) or len(numbers) < 3:
        return
    absent = sorted(set(range(min(numbers), max(numbers) + 1)) - set(numbers))
    if absent and 4 * len(absent) <= len(numbers):
        yield Finding(
            "look",
            "number left out",
            "the study",
            f"The parts are numbered {min(numbers)} to {max(numbers)}, and there is no "
            f"{listed([str(number) for number in absent])}.",
            "Where that part was measured, its readings belong into the study; where it was not, "
            "there is nothing to do.",
        )


def _thin(cube: Cube) -> Iterator[Finding]:
    p, o, r = cube.values.shape
    for thin, what, todo in (
        (
            o < 2,
            "One operator measured, so differences between operators cannot be seen.",
            "Let at least one more person measure the same parts, unless this operator is the "
            "only one who ever will.",
        ),
        (
            r < 2,
            "Each part was measured once by each operator, so repeatability and interaction "
            "cannot be told apart.",
            "Add a second trial.",
        ),
        (
            p < 5,
            f"Only {p} parts were measured; part variation from so few is poorly known.",
            "Use 10 parts where you can (AIAG MSA, 4th ed., chapter III section B).",
        ),
    ):
        if thin:
            yield Finding("look", "thin design", "the study", what, todo)


def _order(study: Study) -> Iterator[Finding]:
    if "order" not in study.readings or study.readings["order"].isna().all():
        yield Finding(
            "know",
            "order",
            "the study",
            "The order in which the readings were taken was not recorded, so drift and "
            "learning cannot be studied.",
            "Next time let the run sheet number the readings.",
        )
        return
    order = study.cube("order").values
    p, o, r = order.shape
    numbers = study.readings["order"].dropna()
    repeated = numbers[numbers.duplicated(keep=False)]
    if len(repeated):
        yield Finding(
            "look",
            "order",
            "the study",
            f"The order does not tell which reading was taken first: {len(repeated)} of "
            f"{counted(len(numbers), 'reading')} share their number with another one "
            f"(order {repeated.iloc[0]:g}, for one), so nothing that depends on it, such as drift, "
            "can be trusted.",
            "Number the readings 1, 2, 3 … as they were taken, or leave the order out.",
        )
    in_part_order = sum(
        bool(np.all(np.diff(order[:, j, t]) > 0))
        for j in range(o)
        for t in range(r)
        if np.isfinite(order[:, j, t]).all()
    )
    if p > 3 and in_part_order > 0.5 * o * r:
        yield Finding(
            "look",
            "order",
            "the study",
            "The parts were measured in the order of their numbers again and again, so an "
            "operator could remember the last value, and drift looks like part variation.",
            "Measure in random order next time (the run sheet gives one).",
        )


_SLIPS = {
    10.0: "a decimal place too far left (ten times too large)",
    0.1: "a decimal place too far right (ten times too small)",
    25.4: "25.4 times too large: mm where inches are expected",
    1 / 25.4: "25.4 times too small: inches where mm are expected",
    100.0: "two decimal places too far left (100 times too large)",
    0.01: "two decimal places too far right (100 times too small)",
    1000.0: "1000 times too large: another unit, µm for mm say",
    0.001: "1000 times too small: another unit, mm for µm say",
}


def mistakes(study: Study) -> Iterator[Finding]:
    """Yield findings about slips, exchanged parts, copied trials and shifted sequences."""
    cube, found = study.cube(), mistakes_in(study)
    yield from (_slip(study, cube, slip) for slip in found.slips)
    yield from (_shift(cube, shift) for shift in found.shifts)
    yield from (_swap(cube, swap) for swap in found.swaps)
    yield from (_copy(cube, copy) for copy in (*found.copies, *found.perhaps_copied))


def _slip(study: Study, cube: Cube, slip: data_checks.Slip) -> Finding:
    value = float(cube.values[slip.part, slip.operator, slip.trial])
    what = f"The reading {size(value, study.resolution)} "
    if slip.factor == 1.0:
        usual = float(median(without_slips(study).cube().values[slip.part]))
        tolerance = study.tolerance
        drawn = tolerance is not None and tolerance.two_sided
        what += (
            f"lies {length(abs(value - usual), study.unit)} "
            f"{'above' if value > usual else 'below'} the others of its part and far outside "
            f"{'the limits on the drawing' if drawn else 'what the other parts measure'}."
        )
    else:
        what += (
            f"looks {_SLIPS[slip.factor]}; {size(value / slip.factor, study.resolution)} would fit "
            "the part."
        )
    return Finding(
        "mend",
        "far off" if slip.factor == 1.0 else "factor",
        place(cube, slip.part, slip.operator, slip.trial),
        what,
        "Look at the record. Void it and measure again if you can; correct it only where the "
        "original is at hand.",
    )


def _swap(cube: Cube, swap: data_checks.Swap) -> Finding:
    a, b = (cube.parts[i] for i in swap.parts)
    all_trials = len(swap.trials) == cube.values.shape[2]
    which = (
        "every trial"
        if all_trials
        else f"trial {listed([str(cube.trials[t]) for t in swap.trials])}"
    )
    return Finding(
        "mend",
        "exchanged parts",
        f"parts {a} and {b}, operator {cube.operators[swap.operator]}, {which}",
        "The two parts' readings fit the other operators only when they are exchanged.",
        "Ask for the parts and measure both again; exchange the readings only if the mix-up "
        "is certain.",
    )


def _copy(cube: Cube, copy: data_checks.Copy) -> Finding:
    (one, first), (other, second) = (
        (cube.operators[j], cube.trials[t]) for j, t in (copy.first, copy.second)
    )
    alike = (
        "Both trials hold the same readings for every part; by chance this would happen less than "
        f"once in a {'thousand' if copy.sure else 'hundred'} studies."
    )
    if one == other:
        where = f"operator {one}, trials {first} and {second}"
        todo = "Find out whether a column was copied. If so, measure that trial again."
    else:
        where = f"operator {one}, trial {first}, and operator {other}, trial {second}"
        todo = (
            "Find out whether one operator's readings were entered for the other. If so, the one "
            "who did not measure measures that trial."
        )
    return Finding("mend" if copy.sure else "look", "copied trial", where, alike, todo)


def _shift(cube: Cube, shift: data_checks.Shift) -> Finding:
    way = "the part after" if shift.step == 1 else "the part before"
    return Finding(
        "mend",
        "one part out",
        f"operator {cube.operators[shift.operator]}, trial {cube.trials[shift.trial]}",
        f"From reading {shift.start + 1} of this trial on, each reading fits {way} it better "
        "than the part it is filed under.",
        "Compare with the run sheet; file the readings one part on, or measure the trial again.",
    )


#: Share of the tolerance that the parts should span at least (common practice, no source).
COVERED_SHARE = 0.5
#: A range beyond its limit that no cause explains is told where chance gives one so large in
#: at most this share of studies.
RARE = 0.005


def scatter(study: Study) -> Iterator[Finding]:
    """Yield findings about ranges beyond their limit, and about the choice of parts."""
    cube = study.cube()
    if float(np.nanmax(cube.values) - np.nanmin(cube.values)) == 0.0:
        yield Finding(
            "mend",
            "stuck gauge",
            "the study",
            "Every reading is the same: the gauge did not move, was not read, or is far too "
            "coarse.",
            "Find out which; these readings say nothing about the gauge.",
        )
        return
    yield from _ranges(study, cube)
    yield from _alike(study, cube)
    yield from _coverage(study, cube)


def _ranges(study: Study, cube: Cube) -> Iterator[Finding]:
    """Ranges beyond D4 × mean range that a cause explains, or that chance hardly gives.

    Source: AIAG MSA, 4th ed., chapter III section B (range chart). Chance alone puts a range
    beyond its limit in one study of six (10 × 3 × 3), so by itself it accuses nobody; the
    range chart shows it.
    """
    found = trial_ranges(cube.values, study.resolution)
    if found is None or not found.beyond.any():
        return
    left = {(int(i), int(j)) for i, j in np.argwhere(found.beyond)}
    for cause in causes_of(study).named:
        told = sorted(where for where in left if _explains(cause, cube, *where))
        if told:
            left.difference_update(told)
            yield _ranges_told(study, cube, found, told, cause)
    cells, step = int(np.isfinite(found.ranges).sum()), study.resolution or 0.0
    # Rounding alone may add a step to a range.
    times_mean = {where: (float(found.ranges[where]) - step) / found.mean for where in left}
    rare = [
        where
        for where in sorted(left)
        if chance_beyond_limit(study.trials, cells, times_mean[where]) < RARE
    ]
    if rare:
        yield _ranges_told(study, cube, found, rare, None)


def _explains(cause: Cause, cube: Cube, part: int, operator: int) -> bool:
    """Whether a cause makes the repeats of one part by one operator differ more than others."""
    if cause.kind not in RANGE_CAUSES:
        return False
    named = cause.part is None or cause.kind == "step" or cause.part == cube.parts[part]
    return named and cause.operator in (None, cube.operators[operator])


#: What makes repeats of one part by one operator differ.
RANGE_CAUSES = frozenset(
    {
        *("operator_scatter", "part", "slip", "step", "drift", "trial_shift"),
        *("outliers", "size", "place"),
    }
)


def _ranges_told(
    study: Study,
    cube: Cube,
    found: TrialRanges,
    places: list[tuple[int, int]],
    cause: Cause | None,
) -> Finding:
    worst, usual = lengths_apart(
        max(float(found.ranges[where]) for where in places), found.limit, study.unit
    )
    names = [place(cube, *where) for where in places]
    several = len(places) > 1
    what = f"The repeats differ by {'up to ' if several else ''}{worst}"
    what += f" ({listed(names, 5)})" if several else ""
    what += f"; ordinary scatter stays within {usual}."
    todo = "Look for dirt, a tilted part or a slip, and measure again; keep the readings if "
    todo += "nothing is found."
    if cause is not None:
        what, todo = f"{what} {cause.what}, which explains it.", cause.first_step
    return Finding(
        "look",
        "range beyond limit",
        f"{len(places)} places" if several else names[0],
        what,
        todo,
        "" if cause is None else cause.kind,
    )


def _alike(study: Study, cube: Cube) -> Iterator[Finding]:
    """Parts whose means differ no more than repeats do cannot show part variation."""
    cells = np.isfinite(cube.values).sum(axis=2)
    df = int(np.maximum(cells - 1, 0).sum())
    if df == 0:
        return
    filled = np.nan_to_num(cube.values)
    cell_means = filled.sum(axis=2) / np.maximum(cells, 1)
    squares = np.nansum(np.square(cube.values - cell_means[..., None]))
    repeat = float(np.sqrt(squares / df))
    counts = cells.sum(axis=1)
    means = filled.sum(axis=(1, 2))[counts > 0] / counts[counts > 0]
    expected = d2(max(2, len(means))) * repeat / np.sqrt(float(counts[counts > 0].mean()))
    if np.ptp(means) <= 1.5 * expected:
        yield Finding(
            "look",
            "parts alike",
            "the study",
            f"The parts' means lie within {length(float(np.ptp(means)), study.unit)}, hardly "
            "more than the scatter of repeats alone would give.",
            "Part variation, percent of total variation and ndc mean little here. Choose parts "
            "that span what the process makes.",
        )


def _coverage(study: Study, cube: Cube) -> Iterator[Finding]:
    tolerance = study.tolerance
    if study.purpose != "accept" or tolerance is None or tolerance.width is None:
        return
    centres = median(cube.values, axis=(1, 2))
    covered = float(np.nanmax(centres) - np.nanmin(centres)) / tolerance.width
    if covered < COVERED_SHARE:
        yield Finding(
            "know",
            "tolerance not covered",
            "the study",
            f"The parts span {percent(100 * covered)} of the tolerance, so the gauge was not "
            "tried near both limits.",
            "Add parts near the limits, also outside, if the gauge or the grip may behave "
            "differently there.",
        )


def resolution(study: Study) -> Iterator[Finding]:
    """Yield findings about the resolution of the gauge."""
    if study.resolution is None:
        yield Finding(
            "know",
            "resolution",
            "the study",
            "The resolution of the gauge was not stated, so it could not be judged.",
            "State it: the step of the last digit on the display.",
        )
        return
    yield from _against_tolerance(study, study.resolution)
    yield from _against_scatter(study, study.resolution)


def _against_tolerance(study: Study, step: float) -> Iterator[Finding]:
    """Resolution against a tenth of the tolerance or of the process spread.

    Source: AIAG MSA, 4th ed., chapter II (rule of tens; from memory).
    """
    width = None if study.tolerance is None else study.tolerance.width
    spread = None if study.process_sd is None else 6.0 * study.process_sd
    for whole, name in ((width, "tolerance"), (spread, "process spread (6 sd)")):
        # A ratio computed from decimals such as 10.012 − 10.006 misses by rounding.
        if whole is not None and step > whole / 10.0 * (1.0 + 1e-9):
            yield Finding(
                "look",
                "resolution",
                "the study",
                f"One digit of the gauge, {length(step, study.unit)}, is "
                f"{percent(100 * step / whole)} of the {name}; a tenth is the usual limit.",
                "Use a gauge with a finer digit.",
            )


def _against_scatter(study: Study, step: float) -> Iterator[Finding]:
    """Possible values within the limit of the range (see `digits_seen`)."""
    cube = study.cube()
    counts = np.isfinite(cube.values).sum(axis=2)
    r = int(counts.max())
    full = counts == r
    if r < 2:
        return
    ranges = np.ptp(cube.packed[full], axis=1)
    limit = upper_range_limit(r) * float(ranges.mean())
    seen = digits_seen(ranges, limit, step)
    if seen.too_few:
        yield Finding(
            "look",
            "too few digits",
            "the study",
            f"Only {counted(seen.possible, 'possible value')} within the limit of the range, and "
            f"{percent(100 * seen.zeros)} of the ranges are zero: the last digit hides the "
            "scatter.",
            "Read one more digit if the gauge has it. Otherwise repeatability is known only to "
            "be of the size of the last digit.",
            next((c.kind for c in causes_of(study).named if c.kind == "digit"), ""),
        )


#: A shift of more than so many standard deviations of the repeats must be settled first.
MANY_SD = 2.0


def trials(study: Study) -> Iterator[Finding]:
    """Yield findings about trials that read otherwise than the rest.

    About three in a thousand studies in which nothing moves get one (`LEVEL` in
    ``grr/questions/trial_changes.py``; the test is simulated in
    ``tests/formulas/test_change_points.py``).
    """
    found = trial_changes(study)
    small = small_interaction(study)
    numbers, no_drift = drift_or_reason(study) if found else (None, "")
    for change in found:
        yield _changed(study, change, numbers, no_drift, small)
    if small is not None and not found:
        yield Finding(
            "look",
            "repeats scatter alone",
            "the study",
            _too_small(small),
            "Something may have moved between the trials, or readings were copied. Ask how they "
            "were taken.",
        )


def _changed(
    study: Study,
    change: TrialChange,
    numbers: DriftNumbers | None,
    no_drift: str,
    small: tuple[float, float] | None,
) -> Finding:
    words = change_words(change, study)
    what = f"{words[0].upper()}{words[1:]}, on the same parts"
    if change.scatter > 0.0:
        scatter = length(change.scatter, study.unit)
        what += f"; repeats scatter with a standard deviation of {scatter}."
    else:
        what += "; otherwise the readings repeat to the last digit."
    if small is not None:
        what += f" {_too_small(small)}"
    severity = "mend" if _is_large(change, study.resolution) else "look"
    todo = (
        "Something moved between the rounds: zero, setting, room or parts. Find out what, and "
        "measure the rounds on one side of it again."
    )
    if numbers is not None and not _left(numbers, change):
        bumps = [b for b in numbers.bumps if b.operator in change.operators]
        if bumps:
            told = listed([f"{b.operator}, {bump_words(numbers, b)}" for b in bumps])
            what += f" By the order taken: {told}."
        else:
            severity, todo = (
                "look",
                "See notebook 7, Stand or handheld, for how fast it goes and when to zero again.",
            )
            what += " A drift while measuring explains it."
    elif no_drift:
        what += f" Whether a drift explains it is not known: {no_drift}."
    return Finding(
        severity,
        "trials differ",
        these_operators(study, change.operators),
        f"{what} It counts as repeatability.",
        todo,
        _cause_of(change, study),
    )


def _is_large(change: TrialChange | PlacedChange, resolution: float | None) -> bool:
    return abs(change.size) > max(MANY_SD * change.scatter, resolution or 0.0)


def _cause_of(change: TrialChange, study: Study) -> str:
    """Return the kind of the cause that is the same change; "" where none is."""
    for cause in causes_of(study).named:
        concerned = cause.operator is None or cause.operator in change.operators
        if cause.kind in ("trial_shift", "drift", "step") and concerned:
            return cause.kind
    return ""


def _left(numbers: DriftNumbers, change: TrialChange) -> bool:
    """Whether neither drift nor bumps explain a change."""
    left = {name for of in numbers.changes.values() for c in of for name in c.operators}
    return bool(left.intersection(change.operators))


def _too_small(small: tuple[float, float]) -> str:
    f, _ = small
    return (
        f"The repeats scatter far more than the means of parts by operators do (interaction "
        f"F = {figures(f)}; chance gives one so small in fewer than one study in a thousand)."
    )


#: Readings this many tolerances away from the middle contradict the tolerance.
_FAR = 10.0
#: Facts that say what the verdict is about.
_NEEDED = {
    "gauge_number": "the number of the gauge",
    "certificate": "its calibration certificate",
    "holding": "how it is held",
    "measuring_place": "where on the part it measures",
}


def facts(study: Study) -> Iterator[Finding]:
    """Yield findings about facts not stated, calibration, limits at zero and the unit."""
    yield from _not_stated(study)
    yield from _certificate(study)
    yield from _zero_limit(study)
    yield from _far_off(study)


def _not_stated(study: Study) -> Iterator[Finding]:
    """Yield a finding where a fact without which a verdict cannot be used again is missing."""
    missing = [
        words
        for key, words in _NEEDED.items()
        if study.facts.get(key) in (None, "")
        and not (key == "holding" and _held(study))
        and not (key == "measuring_place" and "place" in study.readings)
    ]
    if missing:
        yield Finding(
            "know",
            "facts",
            "the study",
            f"Not stated: {listed(missing)}.",
            "State them in the study form or in study.toml: the verdict holds for this gauge, "
            "held like this, at this place of the part.",
        )


def _held(study: Study) -> bool:
    """Whether the name of the method, or the checklist of a session, says how it was held."""
    if study.methods or study.record is None:
        return bool(study.methods)
    events = study.record.events
    asked = (events["kind"] == "checklist") & (events["name"] == "holding")
    return bool((events.loc[asked, "value"] != "").any())


def _certificate(study: Study) -> Iterator[Finding]:
    day, readings = calibration_due(study), study.readings
    if day is None or "time" not in readings or readings["time"].isna().all():
        return
    measured = pd.Timestamp(readings["time"].max()).date()
    if day < measured:
        yield Finding(
            "mend",
            "calibration",
            "the gauge",
            f"The calibration was due on {day}, and readings were taken on {measured}.",
            "Have the gauge calibrated before any reading accepts or rejects a part.",
        )


def calibration_due(study: Study) -> dt.date | None:
    """Return the day on which the calibration is due; None where no date is stated."""
    due = study.facts.get("calibration_due")
    try:
        return due if isinstance(due, dt.date) else dt.date.fromisoformat(str(due))
    except ValueError:
        return None


def _zero_limit(study: Study) -> Iterator[Finding]:
    tolerance = study.tolerance
    if tolerance is None or tolerance.lower != 0.0 or tolerance.upper is None:
        return
    readings = study.readings["reading"].to_numpy(dtype=float)
    if np.nanmin(readings) >= 0.0 and np.nanmedian(readings) < 0.5 * tolerance.upper:
        yield Finding(
            "look",
            "limit at zero",
            "the tolerance",
            "The lower limit is 0 and no reading is below it: for roundness, flatness or "
            "runout 0 is where the characteristic ends, not a limit on the drawing.",
            "If the drawing has no lower limit, leave it out: the tolerance is one-sided.",
        )


def _far_off(study: Study) -> Iterator[Finding]:
    """Yield a finding where the readings lie far from the tolerance: another unit, say."""
    tolerance = study.tolerance
    if tolerance is None or tolerance.lower is None or tolerance.upper is None:
        return
    width = tolerance.upper - tolerance.lower
    middle = 0.5 * (tolerance.upper + tolerance.lower)
    centre = float(np.nanmedian(study.readings["reading"].to_numpy(dtype=float)))
    if not _is_far(centre, tolerance.lower, tolerance.upper):
        return
    factor = next((f for f in FACTORS if abs(centre / f - middle) <= _FAR * width), None)
    guess = "" if factor is None else f" They would fit if divided by {factor:.4g}."
    yield Finding(
        "mend",
        "unit",
        "the study",
        f"The readings lie far from the tolerance: their median is {centre:.6g}, its middle "
        f"{middle:.6g}.{guess}",
        "Check the unit, the limits, and whether the gauge shows sizes or deviations from a "
        "setting master.",
    )


def _is_far(centre: Array | float, lower: Array | float, upper: Array | float) -> Mask:
    away = np.abs(centre - 0.5 * (np.asarray(upper) + lower))
    return np.asarray(away > _FAR * (np.asarray(upper) - lower))


def number_to_mend(
    readings: Array, resolution: Array, lower: Array, upper: Array
) -> NDArray[np.intp]:
    """Return how many things `check` finds that must be settled, in many studies at once.

    Of crossed studies that are given by their readings and limits alone: nothing is known of their
    order, their names differ, and every operator measured every part.

    Parameters
    ----------
    readings : ndarray, shape (studies, parts, operators, trials)
        NaN where missing.
    resolution, lower, upper : ndarray, shape (studies,)
        NaN where not given.
    """
    found = _is_far(median(readings, axis=(1, 2, 3)), lower, upper).astype(np.intp)
    suspect = may_hold_mistakes(readings, resolution)
    incomplete = np.isnan(readings).any(axis=(1, 2, 3))
    for n in np.flatnonzero(suspect | incomplete | may_shift(readings, level=LEVEL)):
        step = None if np.isnan(resolution[n]) else float(resolution[n])
        clean = readings[n].copy()
        if suspect[n]:
            limits = float(lower[n]), float(upper[n])
            wrong = mistakes_of(readings[n], part_by_part(readings[n]), step, limits)
            for slip in wrong.slips:
                clean[slip.part, slip.operator, slip.trial] = np.nan
            found[n] += sum(len(kind) for kind in (*wrong[:3], wrong.copies))
        found[n] += sum(_is_large(change, step) for change in changes_in(clean))
        found[n] += np.nanmax(clean) == np.nanmin(clean)  # a stuck gauge
    return found


def place(cube: Cube, part: int, operator: int, trial: int | None = None) -> str:
    """Return "part 7, operator Ilse, trial 2"."""
    where = f"part {cube.parts[part]}, operator {cube.operators[operator]}"
    return where if trial is None else f"{where}, trial {cube.trials[trial]}"


def these_operators(study: Study, names: tuple[str, ...]) -> str:
    """Return "operator Ilse", "operators Ilse and Jan", or "every operator"."""
    if len(names) == 1:
        return f"operator {names[0]}"
    return "every operator" if names == study.operator_names else f"operators {listed(names)}"
