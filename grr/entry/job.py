"""What is to be measured, where, in which order and with what."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path

import numpy as np

from grr.entry.places import Place
from grr.files.settings import Settings
from grr.files.study_file import STUDY_FILE, read_settings
from grr.model.errors import StudyError
from grr.model.rounding import size
from grr.model.rules import Plan
from grr.model.study import Study
from grr.model.values import a_path
from grr.questions.planning import part_codes


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
        tolerance, digit, unit = (
            self.settings.tolerance,
            self.settings.resolution,
            self.settings.unit,
        )
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


def run_order(plan: Plan) -> tuple[Place, ...]:
    """Return the places of a plan: by operator, then trial and method, parts in random order.

    From one trial to the next, and from one operator to the next, the methods change
    places, so that a drift does not fall on one of them alone.
    """
    places = []
    for number, operator in enumerate(plan.operators):
        for trial in range(1, plan.trials + 1):
            methods = list(plan.methods or ("",))
            if (number + trial) % 2 == 0:
                methods.reverse()
            for which, method in enumerate(methods):
                generator = np.random.default_rng([plan.seed, number, trial, which])
                order = generator.permutation(len(plan.parts))
                places += [Place(operator, method, trial, plan.parts[i]) for i in order]
    return tuple(places)
