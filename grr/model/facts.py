"""What is asked about a study besides its readings: gauge, part, holding, who and when.

The answers are kept in ``Study.facts`` and, in a study folder, in the table ``[facts]``
of ``study.toml``. None of them is compulsory; other keys may be added and are kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from grr.model.errors import StudyError
from grr.model.values import short_text


@dataclass(frozen=True)
class Fact:
    """One question about a study.

    Parameters
    ----------
    key : str
        Its name in ``Study.facts`` and in ``study.toml``.
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
    question: str
    kind: str
    help: str
    unit: str = ""
    choices: tuple[str, ...] = ()


ABSOLUTE, DEVIATION = "absolute sizes", "deviations from a setting master"
CLOSED_FACES, MASTER = "closed faces", "master"
HOLDINGS = ("stand", "handheld with insulation", "bare hand")

FACTS = (
    Fact(
        "characteristic",
        "What is measured?",
        "text",
        "As on the drawing: diameter, thickness, length.",
    ),
    Fact("planned_by", "Who plans this study?", "text", "The person to ask about it."),
    Fact(
        "customer", "Who is the customer?", "text", "Their requirements go before the rules here."
    ),
    Fact("drawing", "Drawing number", "text", "The drawing whose tolerance is used."),
    Fact(
        "nominal",
        "Nominal size on the drawing",
        "number",
        "Sizes are also shown as deviations from it.",
        "study",
    ),
    Fact(
        "drawing_revision",
        "Drawing revision",
        "text",
        "A tolerance can change from one revision to the next.",
    ),
    Fact("lot", "Lot or batch of the parts", "text", "So that the parts can be found again."),
    Fact(
        "measuring_place",
        "Where on the part is it measured?",
        "text",
        "Such as: 5 mm from the chamfer, two points. If everyone picks a place, roundness and "
        "taper of the part count as repeatability. Two faces cannot see odd lobing.",
    ),
    Fact(
        "place_marked",
        "Is that place marked on the parts?",
        "yes_no",
        "A mark keeps the part's own form out of the gauge's repeatability.",
    ),
    Fact("gauge_number", "Number of the gauge", "text", "As engraved or on its label."),
    Fact(
        "certificate",
        "Number of the calibration certificate",
        "text",
        "This study does not replace a calibration.",
    ),
    Fact(
        "calibration_due",
        "Calibration due on",
        "date",
        "Past this date the readings cannot be relied on.",
    ),
    Fact(
        "readings_are",
        "What does the gauge show?",
        "choice",
        "The full size, or the deviation from the master on which it was set.",
        choices=(ABSOLUTE, DEVIATION),
    ),
    Fact(
        "setting_master_size",
        "Size of the setting master, if it shows deviations",
        "number",
        "The calibrated size; it is taken off the limits before they are compared with readings.",
        "study",
    ),
    Fact(
        "zeroed_on",
        "What is the gauge zeroed on?",
        "choice",
        "Closed faces cannot show an even warming of the frame; a master of the part's size can.",
        choices=(CLOSED_FACES, MASTER),
    ),
    Fact(
        "zero_master_size",
        "Size of the zeroing master",
        "number",
        "Leave empty for closed faces.",
        "study",
    ),
    Fact(
        "zero_master_certificate",
        "Certificate of the zeroing master",
        "text",
        "Leave empty for closed faces.",
    ),
    Fact(
        "zero_orientation",
        "How is the gauge held while it is zeroed?",
        "text",
        "It must be held as in measuring: horizontal or upright changes the zero.",
    ),
    Fact(
        "zeroed_how_often",
        "How often is it zeroed?",
        "text",
        "Such as: at the start of each session, or every ten parts.",
    ),
    Fact(
        "holding",
        "How is the gauge held while measuring?",
        "choice",
        "A hand warms the frame; a warm frame reads low.",
        choices=HOLDINGS,
    ),
    Fact(
        "ratchet_turns",
        "Turns or clicks of the ratchet",
        "whole",
        "The same number every time keeps the measuring force the same.",
    ),
    Fact(
        "soak_minutes",
        "How long do gauge and parts lie side by side beforehand?",
        "number",
        "They must reach the same temperature.",
        "min",
    ),
    Fact(
        "room_temperature",
        "Room temperature",
        "number",
        "Sizes on drawings hold at 20 °C (ISO 1).",
        "°C",
    ),
    Fact(
        "sessions_per_operator",
        "In how many sessions does each operator measure?",
        "whole",
        "Sessions on different days show what changes from day to day.",
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


def _checked(fact: Fact, answer: object) -> object:
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


def _how_to_answer(fact: Fact) -> str:
    if fact.kind == "choice":
        return f"Use one of: {', '.join(fact.choices)}"
    return {
        "text": "Give a text",
        "number": f"Give a number{f' in {fact.unit}' if fact.unit not in ('', 'study') else ''}",
        "whole": "Give a whole number, 0 or more",
        "date": "Give a date like 2027-03-31",
        "yes_no": "Answer true or false",
    }[fact.kind]
