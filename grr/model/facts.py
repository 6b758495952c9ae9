"""What is asked about a study besides its readings: gauge, part, holding, who and when.

`FACTS` are the questions; the answers are kept in ``Study.facts`` and in the table ``[facts]``
of ``study.toml``. None is compulsory; other keys may be added and are kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal

from grr.model.errors import StudyError
from grr.model.values import short_text

Kind = Literal["text", "number", "whole", "date", "yes_no", "choice"]


@dataclass(frozen=True)
class Question:
    """One question about a study.

    Parameters
    ----------
    key : str
        Its name in ``Study.facts`` and in ``study.toml``.
    label : str
        Names the answer where it is shown: in reports.
    question : str
    kind : {"text", "number", "whole", "date", "yes_no", "choice"}
    help : str
        Why it is asked, or how to answer.
    unit : str
        Of a number; "study" stands for the unit of the study.
    choices : tuple of str
        The answers of a "choice".
    """

    key: str
    label: str
    question: str
    kind: Kind
    help: str
    unit: str = ""
    choices: tuple[str, ...] = ()


ABSOLUTE, DEVIATION = "absolute sizes", "deviations from a setting master"
CLOSED_FACES, MASTER = "closed faces", "master"
HOLDINGS = ("stand", "handheld with insulation", "bare hand")

FACTS = (
    Question(
        "characteristic",
        "Characteristic",
        "What is measured?",
        "text",
        "As on the drawing: diameter, thickness, length.",
    ),
    Question(
        "planned_by", "Planned by", "Who plans this study?", "text", "The person to ask about it."
    ),
    Question(
        "customer",
        "Customer",
        "Who is the customer?",
        "text",
        "Their requirements go before the rules here.",
    ),
    Question(
        "drawing", "Drawing", "Drawing number", "text", "The drawing whose tolerance is used."
    ),
    Question(
        "nominal",
        "Nominal size",
        "Nominal size on the drawing",
        "number",
        "Sizes are also shown as deviations from it.",
        "study",
    ),
    Question(
        "drawing_revision",
        "Drawing revision",
        "Drawing revision",
        "text",
        "A tolerance can change from one revision to the next.",
    ),
    Question(
        "lot",
        "Lot or batch",
        "Lot or batch of the parts",
        "text",
        "So that the parts can be found again.",
    ),
    Question(
        "measuring_place",
        "Measured at",
        "Where on the part is it measured?",
        "text",
        "Such as: 5 mm from the chamfer, two points. If everyone picks a place, roundness and "
        "taper of the part count as repeatability. Two faces cannot see odd lobing.",
    ),
    Question(
        "place_marked",
        "Place marked on the parts",
        "Is that place marked on the parts?",
        "yes_no",
        "A mark keeps the part's own form out of the gauge's repeatability.",
    ),
    Question(
        "gauge_type",
        "Gauge",
        "Maker and type of the gauge",
        "text",
        "As in its papers; the report names it.",
    ),
    Question(
        "gauge_number",
        "Serial number",
        "Number of the gauge",
        "text",
        "As engraved or on its label.",
    ),
    Question(
        "gauge_range",
        "Range of the gauge",
        "Measuring range of the gauge",
        "text",
        "Such as 0 to 25 mm.",
    ),
    Question(
        "calibrated_on",
        "Calibrated on",
        "Last calibrated on",
        "date",
        "As on the certificate.",
    ),
    Question(
        "certificate",
        "Calibration certificate",
        "Number of the calibration certificate",
        "text",
        "This study does not replace a calibration.",
    ),
    Question(
        "calibration_due",
        "Calibration due",
        "Calibration due on",
        "date",
        "Past this date the readings cannot be relied on.",
    ),
    Question(
        "bias_at_most",
        "Bias at most",
        "How far off can the mean of many readings be?",
        "number",
        "Bias and calibration uncertainty together, from the bias study or the certificate. "
        "Acceptance limits allow for it; leave empty if not known.",
        "study",
    ),
    Question(
        "readings_are",
        "The gauge shows",
        "What does the gauge show?",
        "choice",
        "The full size, or the deviation from the master on which it was set.",
        choices=(ABSOLUTE, DEVIATION),
    ),
    Question(
        "setting_master_size",
        "Size of the setting master",
        "Size of the setting master, if it shows deviations",
        "number",
        "The calibrated size; it is taken off the limits before they are compared with readings.",
        "study",
    ),
    Question(
        "zeroed_on",
        "Zeroed on",
        "What is the gauge zeroed on?",
        "choice",
        "Closed faces cannot show an even warming of the frame; a master of the part's size can.",
        choices=(CLOSED_FACES, MASTER),
    ),
    Question(
        "zero_master_size",
        "Size of the zeroing master",
        "Size of the zeroing master",
        "number",
        "Leave empty for closed faces.",
        "study",
    ),
    Question(
        "zero_master_certificate",
        "Certificate of the zeroing master",
        "Certificate of the zeroing master",
        "text",
        "Leave empty for closed faces.",
    ),
    Question(
        "zero_orientation",
        "Held while zeroed",
        "How is the gauge held while it is zeroed?",
        "text",
        "It must be held as in measuring: horizontal or upright changes the zero.",
    ),
    Question(
        "zeroed_how_often",
        "Zeroed how often",
        "How often is it zeroed?",
        "text",
        "Such as: at the start of each session, or every ten parts.",
    ),
    Question(
        "holding",
        "Held while measuring",
        "How is the gauge held while measuring?",
        "choice",
        "A hand warms the frame; a warm frame reads low.",
        choices=HOLDINGS,
    ),
    Question(
        "ratchet_turns",
        "Turns of the ratchet",
        "Turns or clicks of the ratchet",
        "whole",
        "The same number every time keeps the measuring force the same.",
    ),
    Question(
        "soak_minutes",
        "Soaked side by side",
        "How long do gauge and parts lie side by side beforehand?",
        "number",
        "They must reach the same temperature.",
        "min",
    ),
    Question(
        "room_temperature",
        "Room temperature",
        "Room temperature",
        "number",
        "Sizes on drawings hold at 20 °C (ISO 1).",
        "°C",
    ),
)

_BY_KEY = {fact.key: fact for fact in FACTS}


def checked_facts(answers: Mapping[str, Any]) -> dict[str, Any]:
    """Return the answers as `Study.facts` keeps them; empty answers are left out.

    Raises
    ------
    StudyError
        An answer does not fit its question; ``column`` is the key.
    """
    kept = {}
    for key, answer in answers.items():
        if answer is None or answer == "":
            continue
        fact = _BY_KEY.get(key)
        if isinstance(answer, str):
            short_text(f"The answer {key}", answer)
        kept[key] = answer if fact is None else _checked(fact, answer)
    return kept


def _checked(fact: Question, answer: object) -> object:
    if fact.kind == "text" and isinstance(answer, str):
        return answer
    if fact.kind == "yes_no" and isinstance(answer, bool):
        return answer
    if fact.kind == "choice" and answer in fact.choices:
        return answer
    if fact.kind in ("number", "whole") and _is_number(answer, whole=fact.kind == "whole"):
        return answer
    if fact.kind == "date":
        day = _as_date(answer)
        if day is not None:
            return day
    raise StudyError(
        f"The answer to “{fact.question}” cannot be used",
        _how_to_answer(fact),
        column=fact.key,
        value=answer,
    )


def _is_number(answer: object, *, whole: bool) -> bool:
    if isinstance(answer, bool) or not isinstance(answer, (int, float)):
        return False
    return math.isfinite(answer) and (not whole or (answer >= 0 and answer == int(answer)))


def _as_date(answer: object) -> date | None:
    if isinstance(answer, datetime):
        return answer.date()
    if isinstance(answer, date):
        return answer
    try:
        return date.fromisoformat(str(answer))
    except ValueError:
        return None


def _how_to_answer(fact: Question) -> str:
    if fact.kind == "choice":
        return f"Use one of: {', '.join(fact.choices)}"
    return {
        "text": "Give a text",
        "number": f"Give a number{f' in {fact.unit}' if fact.unit not in ('', 'study') else ''}",
        "whole": "Give a whole number, 0 or more",
        "date": "Give a date like 2027-03-31",
        "yes_no": "Answer true or false",
    }[fact.kind]
