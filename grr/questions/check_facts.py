"""Do the study's facts raise a question?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import numpy as np
import pandas as pd

from grr.formulas.data_checks import FACTORS
from grr.model.rounding import listed
from grr.model.study import Study
from grr.questions.findings import Finding

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
        if study.facts.get(key) in (None, "") and not (key == "holding" and _held(study))
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
    due = study.facts.get("calibration_due")
    measured = _last_day(study)
    if not due or measured is None:
        return
    day = calibration_due(study)
    if day is None:
        yield Finding(
            "look",
            "calibration",
            "the gauge",
            f"The certificate's due date reads {due!r}, which is not a date.",
            "Write it like 2027-03-31.",
        )
        return
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


def _last_day(study: Study) -> dt.date | None:
    readings = study.readings
    if "time" not in readings or readings["time"].isna().all():
        return None
    return pd.Timestamp(readings["time"].max()).date()


def _zero_limit(study: Study) -> Iterator[Finding]:
    tolerance = study.tolerance
    if tolerance is None:
        return
    readings = study.readings["reading"].to_numpy(dtype=float)
    smallest = float(np.nanmin(readings))
    if tolerance.lower == 0.0 and smallest >= 0.0 and tolerance.upper is not None:
        near = float(np.nanmedian(readings)) < 0.5 * tolerance.upper
        if near:
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
    if abs(centre - middle) <= _FAR * width:
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
