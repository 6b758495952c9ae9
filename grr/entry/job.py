"""What is to be measured, where, in which order and with what."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from hashlib import sha256
from pathlib import Path

import numpy as np

from grr.files.events import Event
from grr.files.journal import JournalRow
from grr.files.study_file import STUDY_FILE, read_settings
from grr.model.errors import StudyError
from grr.model.rounding import size
from grr.model.rules import Plan
from grr.model.settings import Settings
from grr.model.study import Study
from grr.model.values import a_path
from grr.questions.planning import part_codes


@dataclass(frozen=True)
class Place:
    """One planned reading; ``method`` is "" where the plan names none.

    ``place`` (on the part) and ``gauge`` follow from the rest by the plan.
    """

    operator: str
    method: str
    trial: int
    part: str
    place: str = field(default="", compare=False)
    gauge: str = field(default="", compare=False)

    def __str__(self) -> str:
        further = "".join(f", {one}" for one in (self.place, self.with_what) if one)
        return f"part {self.part}, trial {self.trial}{further}, {self.operator}"

    @property
    def with_what(self) -> str:
        """How or with which gauge it is measured, where there are several; else ""."""
        return self.method or (f"gauge {self.gauge}" if self.gauge else "")

    @property
    def as_list(self) -> list[str | int]:
        """The place as the form sends it; where on the part and the gauge only where told."""
        further = [self.place, self.gauge] if self.place or self.gauge else []
        return [self.operator, self.method, self.trial, self.part, *further]


def row_at(place: Place, session: JournalRow | Event | None, **filled: str) -> JournalRow:
    """Return a row of the journal for a place, read in a session."""
    where = {key: str(getattr(place, key)) for key in ("part", "operator", "trial", "method")}
    where |= {"place": place.place, "gauge": place.gauge}
    return JournalRow(session=session.session if session else "", **where, **filled)


def place_of(row: JournalRow) -> Place:
    """Return the place of a row of the journal."""
    trial = int(row.trial) if row.trial.isdecimal() else 0
    return Place(row.operator, row.method, trial, row.part, row.place, row.gauge)


def with_changes(planned: Sequence[Place], events: Sequence[Event]) -> list[Place]:
    """Return the planned places after operators and parts were added or withdrawn.

    A new part is measured at the end of each round of an operator, so that the places
    that others were told stay what they were; a new operator comes last and measures the
    parts in the order of the first operator's rounds, turned by one part for each new
    operator. What was withdrawn is left out from then on; its readings stay in the file.
    """
    places = list(planned)
    for event in events:
        if event.kind == "added" and event.name == "part":
            places = _with_part(places, event.value)
        elif event.kind == "added" and event.name == "operator":
            places += _of_new_operator(places, event.value)
        elif event.kind == "withdrawn":
            places = [p for p in places if getattr(p, event.name, None) != event.old]
            if event.name == "part" and event.value:
                places = _with_part(places, event.value)
    return places


def _with_part(places: list[Place], part: str) -> list[Place]:
    longer: list[Place] = []
    spots = sorted({place.place for place in places})
    for place, after in zip(places, [*places[1:], None], strict=True):
        longer.append(place)
        if after is None or _round(place) != _round(after):
            spot = spots[(place.trial - 1) % len(spots)]
            longer.append(Place(*_round(place), part, spot, place.gauge))
    return longer


def _round(place: Place) -> tuple[str, str, int]:
    return place.operator, place.method, place.trial


def _of_new_operator(places: list[Place], operator: str) -> list[Place]:
    operators = list(dict.fromkeys(place.operator for place in places))
    if operator in operators or not operators:
        return []
    pattern = [place for place in places if place.operator == operators[0]]
    rounds: dict[tuple[str, str, int], list[Place]] = {}
    for place in pattern:
        rounds.setdefault(_round(place), []).append(place)
    new: list[Place] = []
    for parts in rounds.values():
        turn = len(operators) % len(parts)
        new += [replace(place, operator=operator) for place in parts[turn:] + parts[:turn]]
    return new


# The job


@dataclass(frozen=True)
class Job:
    """One study to collect.

    Parameters
    ----------
    folder : Path
    settings : Settings
        From ``study.toml``.
    places : tuple of Place
        Every planned reading, in the order of measurement.
    """

    folder: Path
    settings: Settings
    places: tuple[Place, ...]

    @property
    def key(self) -> str:
        """A name for this folder on this machine, for what the browser keeps back."""
        return sha256(str(self.folder.resolve()).encode("utf-8")).hexdigest()[:16]

    @property
    def methods(self) -> tuple[str, ...]:
        """The ways of holding that are compared; empty where there is one only."""
        return tuple(dict.fromkeys(place.method for place in self.places if place.method))

    @cached_property
    def codes(self) -> dict[str, str]:
        """The codes of the planned parts on the run sheet and the key sheet."""
        plan = self.settings.plan
        return {} if plan is None else part_codes(plan.parts, plan.seed)

    @property
    def shown_limits(self) -> tuple[float | None, float | None]:
        """The limits of the drawing as the gauge shows them."""
        tolerance = self.settings.shown_tolerance
        return (None, None) if tolerance is None else (tolerance.lower, tolerance.upper)

    @property
    def limits_in_words(self) -> str:
        """Such as "10.0060 to 10.0120 mm"; "" where there are none."""
        tolerance, digit = self.settings.tolerance, self.settings.resolution
        unit = self.settings.unit
        if tolerance is None:
            return ""
        if tolerance.lower is not None and tolerance.upper is not None:
            return f"{size(tolerance.lower, digit)} to {size(tolerance.upper, digit, unit)}"
        if tolerance.upper is not None:
            return f"at most {size(tolerance.upper, digit, unit)}"
        return f"at least {size(float(tolerance.lower or 0.0), digit, unit)}"


def open_job(study: Study | str | Path) -> Job:
    """Return the job of collecting a study.

    Parameters
    ----------
    study : Study or path-like
        A study folder, or a study that was opened from one.

    Raises
    ------
    StudyError
        There is no such folder, or its ``study.toml`` cannot be used or holds no plan.
    """
    folder = study.folder if isinstance(study, Study) else a_path(study)
    if folder is None:
        raise StudyError(
            "This study was not opened from a folder",
            "Save it with grr.save_study, then collect into that folder",
        )
    settings = read_settings(folder)
    if settings.plan is None:
        raise StudyError(
            "The study has no plan: what should be measured?",
            "Add parts, operators and trials to the table [plan]",
            file=folder / STUDY_FILE,
        )
    return Job(folder, settings, run_order(settings.plan))


#: Beside the seed, of the order in which a part's places are measured.
_SPOTS = 11


def run_order(plan: Plan) -> tuple[Place, ...]:
    """Return the places of a plan: by session, operator, trial and method, parts in random order.

    A second stage comes after all of the first.

    From one trial to the next, and from one operator to the next, the methods change
    places, so that a drift does not fall on one of them alone. No part comes twice in a row
    by one operator: readings that follow each other are alike, and repeatability would read
    too small.

    Several places on a part: each round takes every part once, at one of its places, and as many
    rounds as there are places take each place of each part once. Which parts are due at which
    place is drawn, each place as often as the others in every round. So a place is found anew for
    each reading, as it will be in use, and no round or drift falls on one place.

    Several gauges: rounds with one gauge follow each other, and the next trial begins with the
    gauge that the last ended with. To change gauges costs a new zero, so it is done as seldom
    as possible, and a drift still falls on all of them.
    """
    places: list[Place] = []
    first = range(len(plan.operators))
    second = range(len(plan.operators), len(plan.operators) + len(plan.further_operators))
    for stage, parts in ((first, plan.parts), (second, plan.further_parts)):
        for session in range(1, plan.sessions + 1):
            for number in stage:
                for trial in range(1, plan.times + 1):
                    if plan.session_of(trial) == session:
                        places += _trial(plan, number, parts, trial, places)
    return tuple(places)


def _trial(
    plan: Plan, number: int, parts: Sequence[str], trial: int, before: Sequence[Place]
) -> list[Place]:
    """Return one trial of an operator, after what comes before it."""
    operator = (*plan.operators, *plan.further_operators)[number]
    methods = list(plan.methods or ("",))
    if (number + trial) % 2 == 0:
        methods.reverse()
    places = list(before[-1:])
    for which, method in enumerate(methods):
        generator = np.random.default_rng([plan.seed, number, trial, which])
        order = generator.permutation(len(parts))
        last = places[-1] if places else None
        first = parts[order[0]]
        if last is not None and (last.operator, last.part) == (operator, first):
            order[:2] = order[1::-1]
        spots, gauge = _spots(plan, number, parts, trial)
        places += [Place(operator, method, trial, parts[i], spots[i], gauge) for i in order]
    return places[len(before[-1:]) :]


def _spots(
    plan: Plan, number: int, parts: Sequence[str], trial: int
) -> tuple[tuple[str, ...], str]:
    """Return where on each part one round measures, and with which gauge."""
    repeat, inside = divmod(trial - 1, plan.times // plan.trials)
    block, at = divmod(inside, max(1, len(plan.places)))
    gauges = plan.gauges or ("",)
    if (number + repeat) % 2:
        gauges = gauges[::-1]
    if not plan.places:
        return ("",) * len(parts), gauges[block]
    generator = np.random.default_rng([plan.seed, number, repeat, block, _SPOTS])
    turn, rank = (generator.permutation(len(names)) for names in (plan.places, plan.parts))
    spots = [turn[(rank[plan.parts.index(part)] + at) % len(turn)] for part in parts]
    return tuple(plan.places[spot] for spot in spots), gauges[block]
