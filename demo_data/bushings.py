"""Bushings in inches: outside diameter 0.6250 +0.0010/+0.0006 in, 10 µin resolution."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import numpy as np
from simulate import Person, measured, spread_evenly, write_study, write_truth

from grr.model.facts import ABSOLUTE, MASTER
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance

RESOLUTION = 0.00001
PEOPLE = {
    "Nell": Person(offset=-0.15, scatter=0.22, touch=0.05),
    "Otto": Person(offset=0.05, scatter=0.25, touch=0.05),
    "Pia": Person(offset=0.20, scatter=0.24, touch=0.05),
}


def bushing_inch(folder: Path) -> None:
    """Write a study in inches, with operators sampled from those who will measure."""
    rng = np.random.default_rng(20260324)
    sizes = rng.permutation(spread_evenly(0.6258, 0.00011, 10)) + rng.normal(0.0, 0.000005, 10)
    bushings = {f"B{number}": float(size) for number, size in enumerate(sizes, start=1)}
    readings = measured(
        rng,
        bushings,
        PEOPLE,
        trials=3,
        resolution=RESOLUTION,
        per_micrometre=1 / 25400,
        begin=datetime(2026, 3, 24, 13, 0),
    )
    write_study(
        folder,
        folder.name,
        readings=readings,
        decimals=5,
        title="Example with invented readings: bushings in inches",
        unit="in",
        resolution=RESOLUTION,
        tolerance=Tolerance(0.6256, 0.6260),
        purpose="accept",
        operators_are="random",
        plan=Plan(tuple(bushings), tuple(PEOPLE), 3, (), 31),
        facts={
            "characteristic": "outside diameter of the bushing",
            "planned_by": "invented",
            "drawing": "invented-2203",
            "drawing_revision": "A",
            "nominal": 0.625,
            "lot": "invented lot 12",
            "measuring_place": "a quarter inch from the flange",
            "place_marked": False,
            "gauge_number": "demo micrometer 8",
            "certificate": "invented-2260",
            "calibration_due": date(2026, 12, 31),
            "readings_are": ABSOLUTE,
            "zeroed_on": MASTER,
            "zero_master_size": 0.625,
            "zero_master_certificate": "invented-2261",
            "holding": "handheld with insulation",
            "ratchet_turns": 3,
            "soak_minutes": 60,
            "room_temperature": 21.0,
            "sessions_per_operator": 1,
        },
    )
    write_truth(folder, "Offsets and scatter are in µm, sizes in inches.", bushings, PEOPLE)
