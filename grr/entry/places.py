"""Where each reading of a study belongs, in the order in which it is measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from grr.files.events import Event
from grr.files.journal import JournalRow


@dataclass(frozen=True)
class Place:
    """One planned reading; ``method`` is "" where the plan names none."""

    operator: str
    method: str
    trial: int
    part: str

    def __str__(self) -> str:
        method = f", {self.method}" if self.method else ""
        return f"part {self.part}, trial {self.trial}{method}, {self.operator}"

    @property
    def as_list(self) -> list[str | int]:
        """The place as the form sends it."""
        return [self.operator, self.method, self.trial, self.part]


def place_of(row: JournalRow) -> Place:
    """Return the place of a row of the journal."""
    trial = int(row.trial) if row.trial.isdecimal() else 0
    return Place(row.operator, row.method, trial, row.part)


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
    for place, after in zip(places, [*places[1:], None], strict=True):
        longer.append(place)
        if after is None or _round(place) != _round(after):
            longer.append(Place(*_round(place), part))
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
        new += [Place(operator, p.method, p.trial, p.part) for p in parts[turn:] + parts[:turn]]
    return new
