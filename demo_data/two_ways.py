"""Pins and rollers of 10 mm, each measured in a stand and with the gauge held in the hand."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
from simulate import Person, Reading, measured, spread_evenly, write_study, write_truth

from grr.files.events import Event, Events
from grr.files.folder import EVENTS_FILE
from grr.model.facts import ABSOLUTE, MASTER
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance

RESOLUTION = 0.0001
METHODS = ("stand", "handheld")
OPERATORS = ("Ilka", "Jonas", "Miro")
#: Jonas truly reads high, Miro truly scatters. A hand warms the frame, and a frame that got
#: warm after zeroing reads low.
HANDS = {
    "stand": {
        "Ilka": Person(offset=0.0, scatter=0.06, touch=0.02),
        "Jonas": Person(offset=0.25, scatter=0.06, touch=0.02),
        "Miro": Person(offset=0.0, scatter=0.14, touch=0.02),
    },
    "handheld": {
        "Ilka": Person(offset=0.0, scatter=0.12, touch=0.03, warm=1.0, warm_minutes=2.5),
        "Jonas": Person(offset=0.25, scatter=0.12, touch=0.03, warm=1.0, warm_minutes=2.5),
        "Miro": Person(offset=0.0, scatter=0.60, touch=0.03, warm=1.0, warm_minutes=2.5),
    },
}
#: Seconds that the stand costs on each reading.
STAND_SECONDS = 9.0
ZERO_SCATTER = 0.05


def pins_two_ways(folder: Path) -> None:
    """Write the study in which the stand is needed: dowel pins, 10 m5, a tolerance of 6 µm."""
    _write(
        folder,
        title="Example with invented readings: dowel pins, in a stand and in the hand",
        characteristic="diameter of the dowel pin, 10 m5",
        tolerance=Tolerance(10.006, 10.012),
        sizes=(10.009, 0.0011),
        day=datetime(2026, 4, 14, 7, 0),
        seed=20260416,
        note="Handheld is not good enough for 6 µm: it warms, and Miro scatters.",
    )


def rollers_two_ways(folder: Path) -> None:
    """Write the study in which the hand is enough: rollers, 10 h9, a tolerance of 36 µm."""
    _write(
        folder,
        title="Example with invented readings: rollers, in a stand and in the hand",
        characteristic="diameter of the roller, 10 h9",
        # ISO 286-1: 10 h9 is −36 µm to 0 (from memory).
        tolerance=Tolerance(9.964, 10.0),
        sizes=(9.982, 0.006),
        day=datetime(2026, 4, 21, 7, 0),
        seed=20260422,
        note="The same people and gauge; for 36 µm handheld is good enough.",
    )


def _write(
    folder: Path,
    *,
    title: str,
    characteristic: str,
    tolerance: Tolerance,
    sizes: tuple[float, float],
    day: datetime,
    seed: int,
    note: str,
) -> None:
    rng = np.random.default_rng(seed)
    even = rng.permutation(spread_evenly(*sizes, 10)) + rng.normal(0.0, 0.00005, 10)
    parts = {str(number): float(size) for number, size in enumerate(even, start=1)}
    readings = _sessions(rng, parts, day)
    write_study(
        folder,
        folder.name,
        readings=readings,
        decimals=4,
        title=title,
        unit="mm",
        resolution=RESOLUTION,
        tolerance=tolerance,
        purpose="accept",
        operators_are="fixed",
        plan=Plan(tuple(parts), OPERATORS, 3, METHODS, seed % 1000),
        facts=_facts(characteristic),
    )
    events = Events(folder / EVENTS_FILE)
    for check in _zero_checks(rng, folder.name, readings):
        events.append(check)
    write_truth(
        folder,
        note,
        parts,
        {f"{name}, {method}": HANDS[method][name] for method in METHODS for name in OPERATORS},
        handheld_minus_stand_in_micrometres=round(
            _mean_error(readings, "handheld") - _mean_error(readings, "stand"), 4
        ),
    )


def _facts(characteristic: str) -> dict[str, object]:
    return {
        "characteristic": characteristic,
        "planned_by": "invented",
        "customer": "invented",
        "drawing": "invented-1017",
        "nominal": 10.0,
        "drawing_revision": "B",
        "lot": "invented lot 9",
        "measuring_place": "middle of the length, at the mark",
        "place_marked": True,
        "gauge_number": "demo micrometer 3",
        "certificate": "invented-2241",
        "calibration_due": date(2026, 9, 30),
        "readings_are": ABSOLUTE,
        "zeroed_on": MASTER,
        "zero_master_size": 10.0,
        "zero_master_certificate": "invented-0901",
        "zero_orientation": "as in measuring, spindle horizontal",
        "zeroed_how_often": "at the start of each session",
        "ratchet_turns": 3,
        "soak_minutes": 120,
        "room_temperature": 20.5,
        "sessions_per_operator": 2,
        "difference_margin_percent": 5.0,
    }


def _sessions(rng: np.random.Generator, parts: dict[str, float], day: datetime) -> list[Reading]:
    """Return the readings: each operator has a session by each method, an hour apart.

    Jonas begins with the hand, so that the methods do not always come in the same order.
    """
    readings = []
    for number, name in enumerate(OPERATORS):
        order = METHODS if number != 1 else METHODS[::-1]
        for turn, method in enumerate(order):
            found = measured(
                rng,
                parts,
                {name: HANDS[method][name]},
                trials=3,
                resolution=RESOLUTION,
                per_micrometre=0.001,
                begin=day + timedelta(hours=2 * number + turn),
            )
            slower = STAND_SECONDS if method == "stand" else 0.0
            readings += [
                replace(r, method=method, time=r.time + timedelta(seconds=slower * count))
                for count, r in enumerate(found, start=1)
            ]
    return readings


def _begin(reading: Reading) -> datetime:
    """Return when the session of a reading began: all begin on the hour."""
    return reading.time.replace(minute=0, second=0, microsecond=0)


def _drift(reading: Reading) -> float:
    """Return what warming adds to a reading, in µm; the stand knows none."""
    person = HANDS[reading.method][reading.operator]
    minutes = (reading.time - _begin(reading)).total_seconds() / 60
    return -person.warm * (1.0 - math.exp(-minutes / person.warm_minutes))


def _mean_error(readings: list[Reading], method: str) -> float:
    """Return what a method adds on average, in µm, apart from chance."""
    errors = [HANDS[method][r.operator].offset + _drift(r) for r in readings if r.method == method]
    return float(np.mean(errors))


def _zero_checks(rng: np.random.Generator, name: str, readings: list[Reading]) -> list[Event]:
    """Return what the gauge shows on the 10 mm master at either end of each session."""
    last = {reading.session: reading for reading in readings}
    events = []
    for number, reading in enumerate(last.values(), start=1):
        after = reading.time + timedelta(seconds=20)
        checks = (
            ("before", _begin(reading), 0.0),
            ("after", after, _drift(replace(reading, time=after))),
        )
        for kind, time, drift in checks:
            shown = 10.0 + (drift + rng.normal(0.0, ZERO_SCATTER)) / 1000
            events.append(
                Event(
                    id=f"{name[:6]}z{number:02d}{kind[0]}",
                    time=f"{time.isoformat(timespec='milliseconds')}Z",
                    session=f"{name}-{reading.session}",
                    kind="zero",
                    name=kind,
                    old="master 10.0000 mm, certificate invented-0901",
                    value=f"{shown:.4f}",
                    entered_by=reading.operator,
                )
            )
    return sorted(events, key=lambda event: event.time)
