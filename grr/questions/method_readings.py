"""The readings of two methods that are compared: same parts, same operators, side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.model.errors import StudyError
from grr.model.rounding import listed
from grr.model.study import Study


@dataclass(frozen=True)
class MethodReadings:
    """Readings by baseline and candidate.

    Attributes
    ----------
    values : ndarray, shape (parts, operators, 2, trials)
        Baseline first; NaN where a reading is missing.
    studies : dict
        Method → the study with its readings only.
    baseline, candidate : str
    """

    values: Array
    studies: dict[str, Study]
    baseline: str
    candidate: str


def method_readings(study: Study, baseline: str | None, candidate: str | None) -> MethodReadings:
    """Return the readings of two methods of a study.

    Where the study has two methods, naming one of them is enough.

    Raises
    ------
    StudyError
        One method only, a method that the study does not know, a method measured by other
        operators or on other parts, or a combination that was never measured.
    """
    baseline, candidate = _named(study, baseline, candidate)
    studies = {name: study.for_method(name) for name in (baseline, candidate)}
    for what, sets in (
        ("part", {name: s.parts for name, s in studies.items()}),
        ("operator", {name: s.operator_names for name, s in studies.items()}),
    ):
        _refuse_others(what, sets, baseline, candidate)
    cubes = [studies[name].cube().values for name in (baseline, candidate)]
    trials = max(cube.shape[-1] for cube in cubes)
    padded = [
        np.pad(cube, [(0, 0), (0, 0), (0, trials - cube.shape[-1])], constant_values=np.nan)
        for cube in cubes
    ]
    values = np.stack(padded, axis=2)
    empty = ~np.isfinite(values).any(axis=-1)
    if empty.any():
        part, operator, method = (int(i) for i in np.argwhere(empty)[0])
        first = studies[baseline]
        raise StudyError(
            f"Operator {first.operator_names[operator]} did not measure part "
            f"{first.parts[part]} by {(baseline, candidate)[method]}",
            "Take that reading, or leave the part out of the readings of both methods",
        )
    return MethodReadings(values, studies, baseline, candidate)


def _named(study: Study, baseline: str | None, candidate: str | None) -> tuple[str, str]:
    known = study.methods
    if study.design == "nested":
        raise StudyError(
            "In a nested study no part was measured twice by different hands",
            "Methods are compared on parts that every operator measures by both",
        )
    if len(known) < 2:
        raise StudyError(
            "The readings are by one method only, so there is nothing to compare",
            "Add a column method that names how each reading was taken, such as stand and "
            "handheld, with the same parts and operators under each",
            value=known[0] if known else None,
        )
    for given in (baseline, candidate):
        if given is not None and given not in known:
            raise StudyError(
                "The study knows no such method", f"Use two of: {listed(known)}", value=given
            )
    unnamed = (baseline is None) + (candidate is None)
    if unnamed == 2 or (unnamed and len(known) > 2):
        raise StudyError(
            "It is not said which methods to compare",
            f'Name both: baseline="{known[0]}", candidate="{known[1]}"',
            value=", ".join(known),
        )
    others = [name for name in known if name not in (baseline, candidate)]
    baseline = others[0] if baseline is None else baseline
    candidate = others[0] if candidate is None else candidate
    if baseline == candidate:
        raise StudyError(
            "Baseline and candidate are the same method",
            f"Name two of: {listed(known)}",
            value=baseline,
        )
    return baseline, candidate


def _refuse_others(
    what: str, sets: dict[str, tuple[str, ...]], baseline: str, candidate: str
) -> None:
    for one, other in ((baseline, candidate), (candidate, baseline)):
        extra = [name for name in sets[one] if name not in sets[other]]
        if extra:
            verb = "was" if len(extra) == 1 else "were"
            by = "measured only" if what == "part" else "measuring only"
            raise StudyError(
                f"{what.capitalize()} {listed(extra)} {verb} {by} by {one}, not by {other}",
                f"Measure the same {what}s by both methods, or leave the others out",
            )
