"""Dowel pins, ground to 10 mm m5 (10.006 to 10.012 mm), measured with 0.1 µm resolution."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from simulate import (
    Person,
    Reading,
    measured,
    spread_evenly,
    write_plain_readings,
    write_study,
    write_truth,
)

from grr.files.folder import new_study_folder
from grr.model.facts import ABSOLUTE, CLOSED_FACES
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance

#: ISO 286-1: 10 m5 is +6 µm to +12 µm (from memory).
TOLERANCE = Tolerance(10.006, 10.012)
RESOLUTION = 0.0001
OPERATORS = ("Ilka", "Jonas", "Miro")

#: How the zero differs from one setting to the next, in µm (standard deviation).
ZERO_SCATTER = 0.15
GOOD_HANDS = {
    "Ilka": Person(offset=-0.02, scatter=0.055, touch=0.01),
    "Jonas": Person(offset=0.00, scatter=0.060, touch=0.01),
    "Miro": Person(offset=0.03, scatter=0.055, touch=0.01),
}
ONE_BARE_HAND = {
    "Ilka": Person(offset=-0.02, scatter=0.06, touch=0.02),
    "Jonas": Person(offset=0.04, scatter=0.08, touch=0.02),
    "Miro": Person(offset=0.00, scatter=0.42, touch=0.10, warm=1.1),
}


def _pins(rng: np.random.Generator) -> dict[str, float]:
    """Return ten pins across what the process makes, numbered without regard to size."""
    sizes = rng.permutation(spread_evenly(10.009, 0.0011, 10)) + rng.normal(0.0, 0.00005, 10)
    return {str(number): float(size) for number, size in enumerate(sizes, start=1)}


def _settings(title: str, seed: int, **facts: object) -> dict[str, Any]:
    return {
        "title": title,
        "unit": "mm",
        "resolution": RESOLUTION,
        "tolerance": TOLERANCE,
        "purpose": "accept",
        "operators_are": "fixed",
        "plan": Plan(tuple(map(str, range(1, 11))), OPERATORS, 3, (), seed),
        "facts": {
            "characteristic": "diameter of the dowel pin, 10 m5",
            "planned_by": "invented",
            "customer": "invented",
            "drawing": "invented-1017",
            "nominal": 10.0,
            "drawing_revision": "B",
            "lot": "invented lot 7",
            "measuring_place": "middle of the length, at the mark",
            "place_marked": True,
            "gauge_number": "demo micrometer 3",
            "certificate": "invented-2241",
            "calibration_due": date(2026, 9, 30),
            "readings_are": ABSOLUTE,
            "zeroed_on": CLOSED_FACES,
            "zero_orientation": "as in measuring, spindle horizontal",
            "zeroed_how_often": "at the start of each session",
            "holding": "stand",
            "ratchet_turns": 3,
            "soak_minutes": 120,
            "room_temperature": 20.5,
            "sessions_per_operator": 1,
            **facts,
        },
    }


def dowel_pin(folder: Path) -> None:
    """Write a study that passes: a stand, a marked place, three careful operators."""
    rng = np.random.default_rng(20260303)
    pins = _pins(rng)
    readings = measured(
        rng,
        pins,
        GOOD_HANDS,
        trials=3,
        resolution=RESOLUTION,
        per_micrometre=0.001,
        begin=datetime(2026, 3, 3, 7, 30),
    )
    settings = _settings("Example with invented readings: dowel pins in a stand", 17)
    write_study(folder, folder.name, readings=readings, decimals=4, **settings)
    write_truth(folder, "Everyone measures well.", pins, GOOD_HANDS)


def dowel_pin_handheld(folder: Path) -> None:
    """Write a study that fails: one operator's bare hand scatters and warms the frame."""
    rng = np.random.default_rng(20260311)
    pins = _pins(rng)
    readings = measured(
        rng,
        pins,
        ONE_BARE_HAND,
        trials=3,
        resolution=RESOLUTION,
        per_micrometre=0.001,
        begin=datetime(2026, 3, 10, 7, 30),
    )
    settings = _settings(
        "Example with invented readings: dowel pins, gauge held in the hand",
        23,
        holding="bare hand",
        gauge_number="demo micrometer 4",
    )
    write_study(folder, folder.name, readings=readings, decimals=4, **settings)
    note = "Miro holds the frame in a bare hand: it warms and reads low, and he tilts the pin."
    write_truth(folder, note, pins, ONE_BARE_HAND)


def dowel_pin_two_days(folder: Path) -> None:
    """Write a study over two days each: repeats are close, and the zero is set anew each day."""
    rng = np.random.default_rng(20260324)
    pins = _pins(rng)
    begin = datetime(2026, 3, 24, 7, 30)
    zeros: dict[str, list[float]] = {name: [] for name in OPERATORS}
    readings = []
    for day in range(2):
        moved = {}
        for name, person in GOOD_HANDS.items():
            zeros[name].append(round(float(rng.normal(0.0, ZERO_SCATTER)), 4))
            moved[name] = replace(person, offset=person.offset + zeros[name][-1], touch=0.0)
        taken = measured(
            rng,
            pins,
            moved,
            trials=2,
            resolution=RESOLUTION,
            per_micrometre=0.001,
            begin=begin + timedelta(days=day),
        )
        readings += [replace(r, trial=r.trial + 2 * day, day=f"day{day + 1}") for r in taken]
    settings = _settings(
        "Example with invented readings: dowel pins, two days each",
        31,
        gauge_number="demo micrometer 5",
        sessions_per_operator=2,
    )
    settings["plan"] = Plan(tuple(map(str, range(1, 11))), OPERATORS, 4, (), 31, sessions=2)
    write_study(folder, folder.name, readings=readings, decimals=4, **settings)
    still = {name: replace(person, touch=0.0) for name, person in GOOD_HANDS.items()}
    write_truth(
        folder,
        "Everyone measures well, but sets the zero anew each day, and not always alike.",
        pins,
        still,
        zero_scatter_in_micrometres=ZERO_SCATTER,
        zeros_in_micrometres=zeros,
    )


def dowel_pin_mistakes(folder: Path) -> None:
    """Write the first study's sort of readings, typed from paper with mistakes planted."""
    rng = np.random.default_rng(20260317)
    pins = _pins(rng)
    readings = measured(
        rng,
        pins,
        GOOD_HANDS,
        trials=3,
        resolution=RESOLUTION,
        per_micrometre=0.001,
        begin=datetime(2026, 3, 17, 7, 30),
    )
    typed = {(r.part, r.operator, r.trial): f"{r.value:.4f}" for r in readings}
    planted = _planted(typed, readings, pins)
    lines: list[list[object]] = [["order", "part", "operator", "trial", "reading"]]
    for order, r in enumerate(readings, start=1):
        lines.append([order, r.part, r.operator, r.trial, typed[r.part, r.operator, r.trial]])
    settings = _settings("Example with invented readings: dowel pins, mistakes planted", 29)
    new_study_folder(folder, id=f"demo-{folder.name}", example=True, **settings)
    write_plain_readings(folder, lines)
    write_truth(folder, "Mistakes were planted.", pins, GOOD_HANDS, planted=planted)


def _planted(
    typed: dict[tuple[str, str, int], str], readings: list[Reading], pins: dict[str, float]
) -> list[str]:
    """Spoil the readings in place and return what was done, each in words."""
    by_size = sorted(pins, key=pins.__getitem__)
    small, large = by_size[1], by_size[7]
    for trial in (1, 2, 3):  # two pins in each other's place
        first, second = (small, "Jonas", trial), (large, "Jonas", trial)
        typed[first], typed[second] = typed[second], typed[first]
    for part in pins:  # a column copied
        typed[part, "Ilka", 3] = typed[part, "Ilka", 2]
    sequence = [r.part for r in readings if r.operator == "Miro" and r.trial == 2]
    values = [typed[part, "Miro", 2] for part in sequence]
    start = 3  # from the fourth reading on each value is written one pin late
    for part, value in zip(sequence[start + 1 :], values[start:-1], strict=True):
        typed[part, "Miro", 2] = value
    typed[sequence[start], "Miro", 2] = values[start - 1]
    ten, inch, far, gone = by_size[3], by_size[5], by_size[4], by_size[8]
    typed[ten, "Ilka", 1] = f"{10 * float(typed[ten, 'Ilka', 1]):.4f}"
    typed[inch, "Miro", 1] = f"{float(typed[inch, 'Miro', 1]) / 25.4:.4f}"
    typed[far, "Miro", 3] = f"{float(typed[far, 'Miro', 3]) + 0.0009:.4f}"
    typed[gone, "Jonas", 2] = ""
    return [
        f"exchanged parts: pins {small} and {large}, Jonas, every trial",
        "copied trial: Ilka, trial 3 is a copy of trial 2",
        "one part out: Miro, trial 2, from the fourth reading on",
        f"factor: pin {ten}, Ilka, trial 1, ten times too large",
        f"factor: pin {inch}, Miro, trial 1, typed in inches",
        f"range beyond limit: pin {far}, Miro, trial 3 is 0.9 µm too large",
        f"incomplete: pin {gone}, Jonas, trial 2 was not measured",
    ]
