"""What is to be measured, where and with what: read from ``study.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from grr.entry.places import Place
from grr.facts import DEVIATION
from grr.wording.rounding import size


@dataclass(frozen=True)
class Job:
    """One study to collect.

    Parameters
    ----------
    folder : Path
    places : tuple of Place
        Every planned reading, in the order of measurement.
    lower, upper : float, optional
        Limits of the drawing, in ``unit``.
    resolution : float, optional
    facts : mapping
    """

    folder: Path
    places: tuple[Place, ...]
    title: str = ""
    unit: str = ""
    lower: float | None = None
    upper: float | None = None
    resolution: float | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """A name for this folder on this machine, for what the browser keeps back."""
        return sha256(str(self.folder.resolve()).encode("utf-8")).hexdigest()[:16]

    @property
    def methods(self) -> tuple[str, ...]:
        """The ways of holding that are compared; empty where there is one only."""
        return tuple(dict.fromkeys(place.method for place in self.places if place.method))

    @property
    def shown_limits(self) -> tuple[float | None, float | None]:
        """The limits as the gauge shows them: less the master's size where it shows deviations."""
        master = self.facts.get("setting_master_size")
        shift = 0.0
        if self.facts.get("readings_are") == DEVIATION and master is not None:
            shift = float(master)
        return (
            None if self.lower is None else self.lower - shift,
            None if self.upper is None else self.upper - shift,
        )

    @property
    def limits_in_words(self) -> str:
        """Such as "10.0060 to 10.0120 mm"; "" where there are none."""
        if self.lower is not None and self.upper is not None:
            low = size(self.lower, self.resolution)
            return f"{low} to {size(self.upper, self.resolution, self.unit)}"
        if self.upper is not None:
            return f"at most {size(self.upper, self.resolution, self.unit)}"
        if self.lower is not None:
            return f"at least {size(self.lower, self.resolution, self.unit)}"
        return ""
