"""Invented readings with a known truth: people, parts, a gauge, and the order of measuring."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from grr.files.folder import READINGS_FILE, new_study_folder
from grr.files.journal import Journal, JournalRow
from grr.model.record import GAUGE

#: Seconds from one reading to the next: at least, and scattered on top of it.
PACE = (14.0, 4.0)


@dataclass(frozen=True)
class Person:
    """How one operator measures; lengths in µm.

    ``offset`` is added to every reading, ``scatter`` is the standard deviation of repeats,
    ``touch`` that of what the operator adds to one part and not to another. Bare hands warm
    the frame, which then reads low: by ``warm`` in the end, ``warm_minutes`` being the time
    constant.
    """

    offset: float
    scatter: float
    touch: float = 0.0
    warm: float = 0.0
    warm_minutes: float = 6.0


@dataclass(frozen=True)
class Reading:
    """One simulated reading; ``value`` in the unit of the study, rounded as the gauge shows it."""

    part: str
    operator: str
    trial: int
    value: float
    time: datetime
    method: str = ""
    day: str = ""

    @property
    def session(self) -> str:
        """Whose session it belongs to, by which method and on which day."""
        return "-".join(filter(None, (self.operator, self.method, self.day)))


def spread_evenly(mean: float, sd: float, count: int) -> list[float]:
    """Return sizes at the middle of equal shares of a normal distribution."""
    from scipy.stats import norm

    return [mean + sd * float(norm.ppf((i + 0.5) / count)) for i in range(count)]


def measured(
    rng: np.random.Generator,
    sizes: Mapping[str, float],
    people: Mapping[str, Person],
    *,
    trials: int,
    resolution: float,
    per_micrometre: float,
    begin: datetime,
) -> list[Reading]:
    """Return the readings in the order taken: operator by operator, parts mixed in each trial.

    Parameters
    ----------
    sizes : mapping
        Part → true size in the unit of the study.
    per_micrometre : float
        How many of the study's units are one micrometre: 0.001 for mm.
    begin : datetime
        When the first operator begins; each next one begins an hour later.
    """
    decimals = max(0, -math.floor(math.log10(resolution) + 1e-9))
    readings = []
    for number, (name, person) in enumerate(people.items()):
        start = time = begin + timedelta(hours=number)
        touch = dict(zip(sizes, rng.normal(0.0, person.touch, len(sizes)), strict=True))
        for trial in range(1, trials + 1):
            for at in rng.permutation(len(sizes)):
                part = list(sizes)[at]
                time += timedelta(seconds=round(PACE[0] + abs(rng.normal(0.0, PACE[1])), 1))
                minutes = (time - start).total_seconds() / 60
                drift = -person.warm * (1.0 - math.exp(-minutes / person.warm_minutes))
                error = person.offset + touch[part] + drift + rng.normal(0.0, person.scatter)
                value = sizes[part] + error * per_micrometre
                shown = round(round(value / resolution) * resolution, decimals)
                readings.append(Reading(part, name, trial, shown, time))
    return readings


def write_study(
    folder: Path,
    name: str,
    *,
    readings: Sequence[Reading],
    decimals: int,
    **settings: Any,
) -> None:
    """Write a study folder whose readings stand in a journal, as if collected live."""
    new_study_folder(folder, id=f"demo-{name}", example=True, **settings)
    rows = [
        JournalRow(
            id=f"{name[:6]}{number:04d}",
            part=reading.part,
            operator=reading.operator,
            trial=str(reading.trial),
            method=reading.method,
            reading=f"{reading.value:.{decimals}f}",
            time=f"{reading.time.isoformat(timespec='milliseconds')}Z",
            entered_by=reading.operator,
            source=GAUGE,
            raw=f"{reading.value:+.{decimals}f}",
            session=f"{name}-{reading.session}",
        )
        for number, reading in enumerate(readings, start=1)
    ]
    journal = Journal(folder / READINGS_FILE)
    for row in rows:  # one at a time, as a gauge sends them
        journal.append(row)


def write_plain_readings(folder: Path, lines: Sequence[Sequence[object]]) -> None:
    """Write ``readings.csv`` as somebody types it from paper."""
    text = "".join(",".join(map(str, line)) + "\n" for line in lines)
    (folder / READINGS_FILE).write_text(text, encoding="utf-8", newline="\n")


def write_truth(
    folder: Path, note: str, sizes: Mapping[str, float], people: Mapping[str, Person], **more: Any
) -> None:
    """Write what the readings were made from, for whoever checks the analysis."""
    document = {
        "note": note,
        **more,
        "true_sizes": {part: round(size, 7) for part, size in sizes.items()},
        "operators_in_micrometres": {name: asdict(person) for name, person in people.items()},
    }
    text = f"# What the invented readings were made from.\n\n{tomli_w.dumps(document)}"
    (folder / "truth.toml").write_text(text, encoding="utf-8", newline="\n")
