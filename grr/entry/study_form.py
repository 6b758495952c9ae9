"""The forms about a study: its facts, kept in its folder, and which study to work on.

The form shows what `contradictions` finds at the field that it is about, as one types; nothing is
written while something contradicts, is missing, or waits for a yes.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import threading
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from html import escape
from pathlib import Path
from typing import Any, TypeVar

import anywidget
import pandas as pd

from grr.files.chosen import (
    asked_for,
    chosen_folder,
    chosen_study,
    remember_choice,
    study_folders,
    study_to_copy,
)
from grr.files.folder import change_settings, new_study_folder, open_study, save_study
from grr.files.study_file import STUDY_FILE, read_settings
from grr.files.text_and_numbers import number_in
from grr.files.verify import record_unused_rows
from grr.model.choices import OperatorsAre
from grr.model.errors import StudyError
from grr.model.facts import FACTS, Kind, Question
from grr.model.html_blocks import FONT
from grr.model.rules import Plan
from grr.model.settings import PARTS, PURPOSES, Settings
from grr.model.tolerance import Tolerance
from grr.model.values import a_path, needs, spelling
from grr.questions.planning import (
    TWO_GAUGES,
    expected_precision,
    part_codes,
    refuse_by_ranges,
    refuse_two_as_a_sample,
    usual_design,
)

_HERE = Path(__file__).parent


def _field(
    key: str, question: str, kind: Kind, about: str = "", choices: tuple[str, ...] = ()
) -> Question:
    """Return a question of this form that is no fact; ``about`` is one sentence under it."""
    return Question(key, question, question, kind, about, choices=choices)


@dataclass(frozen=True)
class FieldProblem:
    """What is wrong at one field, or has to be asked.

    Parameters
    ----------
    key : str
        Of the field.
    words : str
    mend : str
        What the button says that mends it; "" where there is none.
    answers : dict
        What that button writes.
    asks : bool
        Whether a yes is enough: it may be meant.
    missing : bool
        Whether nothing was answered yet; told once somebody wants to save.
    """

    key: str
    words: str
    mend: str = ""
    answers: Mapping[str, str] = field(default_factory=dict)
    asks: bool = False
    missing: bool = False


_LIMITS, _DEVIATIONS = "limits", "nominal size with deviations"
Word = TypeVar("Word", bound=str)
#: The answers to "Are these all who will ever measure?".
ALL, OTHERS = "yes, only they", "no, others too"

GAUGES_ARE: dict[OperatorsAre, str] = {
    "random": "no, others like these too",
    "fixed": "yes, only these",
}

#: The questions that decide, in the order of the form.
_FIELDS = (
    _field("title", "Name of the study", "text"),
    _field("unit", "Unit", "choice", choices=("mm", "µm", "in", "µin")),
    _field("given_as", "Tolerance given as", "choice", choices=(_LIMITS, _DEVIATIONS)),
    _field("lower", "Lower limit", "number"),
    _field("upper", "Upper limit", "number"),
    _field("nominal", "Nominal size", "number"),
    _field("lower_deviation", "Lower deviation", "number", "With its sign: +0.006"),
    _field("upper_deviation", "Upper deviation", "number", "With its sign: +0.012"),
    _field("resolution", "Last digit", "number", "Its step, such as 0.001"),
    _field("operators", "People", "text", "Names, with commas between them."),
    _field("operators_are", "Are these all who will ever measure?", "choice", "", (ALL, OTHERS)),
    _field("people", "How many in all, these included?", "whole", "Empty: not known."),
    _field("parts", "Parts", "whole", "Empty: 10, or 5 where others will measure too."),
    _field("trials", "Readings of each part", "whole", "Empty: 3, or 2."),
    _field(
        "sessions",
        "Sessions of each operator",
        "whole",
        "Two days show what one hides.",
    ),
    _field(
        "looks",
        "May more people measure after a first verdict?",
        "yes_no",
        "Both verdicts then share the error: the first needs 97.5 % in place of 95 %.",
    ),
    _field("methods", "Ways of holding to compare", "text", "Such as: stand, handheld"),
    _field(
        "places",
        "Places on each part, if several",
        "text",
        "Such as: top, middle. Then so many readings at each place.",
    ),
    _field(
        "gauges",
        "Gauges or fixtures, if several",
        "text",
        "Their names, with commas. Then so many readings with each.",
    ),
    _field(
        "gauges_are",
        "Are these all the gauges that will ever be used?",
        "choice",
        "Only where several are named.",
        tuple(GAUGES_ARE.values()),
    ),
    _field("purpose", "What for?", "choice", "", tuple(PURPOSES.values())),
    _field("parts_from", "The parts are", "choice", "", tuple(PARTS.values())),
    _field(
        "process_sd",
        "Standard deviation of the process",
        "number",
        "From records, if known; the total as observed.",
    ),
    *(fact for fact in FACTS if fact.key != "nominal"),
)
_BY_KEY = {one.key: one for one in _FIELDS}
#: What is planned before the first reading, and not asked where the readings are there.
_PLANNED = (
    *("parts", "operators", "trials", "sessions", "looks", "methods"),
    *("places", "gauges", "gauges_are"),
)
#: What has an answer from the start.
_FROM_THE_START = {
    "unit": "mm",
    "given_as": _LIMITS,
    "purpose": PURPOSES["accept"],
    "parts_from": PARTS["process"],
}


def study_form(folder: str | Path, readings: pd.DataFrame | None = None) -> StudyForm:
    """Return a form for the facts of the study in ``folder``.

    A folder that holds no study yet gets one when the form is saved, and it becomes the
    study that the notebooks work on. Once readings are there, a change needs a name and a
    reason, and is logged.

    Parameters
    ----------
    folder : str or Path
        Such as "../studies/pins_lot_7".
    readings : DataFrame, optional
        Taken long ago, as from `grr.read_readings`: they are saved with the facts.

    Raises
    ------
    StudyError
        The folder holds a study that cannot be read, or whose plan no method could judge.

    Examples
    --------
    >>> grr.study_form("demo_data/dowel_pin")
    Run this cell to see the form for the facts of the study.
    """
    folder = a_path(folder)
    if readings is not None:
        needs(readings, pd.DataFrame, "readings")
    return StudyForm(folder, readings)


class StudyForm(anywidget.AnyWidget):
    """The form for the facts of one study; made by `grr.study_form`.

    Attributes
    ----------
    answers : dict
        Key of a field → what is written there, as text.
    who, why : str
        Who changes the settings of a study that has readings, and for what reason.
    confirmed : set of str
        Words of what was asked and is meant so.
    said : str
        How the last attempt to save ended; "" where nothing was saved since a change.
    """

    _esm = "".join((_HERE / name).read_text("utf-8") for name in ("elements.js", "study_form.js"))
    _css = _HERE / "study_form.css"

    def __init__(self, folder: Path, readings: pd.DataFrame | None) -> None:
        super().__init__()
        self.folder, self._readings = folder, readings
        old = _settings_in(folder)
        if old is not None:
            refuse_by_ranges(old)
        like = study_to_copy() if old is None and readings is None else None
        self._like = read_settings(like) if like else None
        shown = _answers(old) if old is not None or readings is None else _old_file(readings)
        if self._like is not None:
            shown = _copied(self._like)
        #: Who measured, where the readings were taken before there was a plan.
        self.measured_by = _measured_by(folder, old) if readings is None else ()
        left_out = _PLANNED if readings is not None or self.measured_by else ()
        self.fields = tuple(one for one in _FIELDS if one.key not in left_out)
        self.answers = {one.key: _text(shown.get(one.key)) for one in self.fields}
        #: The ways of holding that the form was opened with; one alone is what was recommended.
        self._ways = self.answers.get("methods")
        self.who = self.why = ""
        self.confirmed: set[str] = set()
        self._named = f"{folder.parent.name}/{folder.name}"
        self.where = f"{folder.absolute().parent.name}/{folder.name}"
        self.said = "Not saved yet."
        if old is not None and readings is None:
            again = ": a study of this name was there" if asked_for("new") else ""
            self.said = f"Saved in {self.where}{again}."
        if old is not None and readings is not None:
            self.said = f"{folder} holds a study, whose readings stay."
        self.good = True
        self._asked_to_save = False
        self._guard = threading.RLock()
        self.on_msg(self._heard)

    def __repr__(self) -> str:
        return "Run this cell to see the form for the facts of the study."

    def change(self, **answers: object) -> None:
        """Write answers into fields."""
        for key, answer in answers.items():
            self.answers[key] = _text(answer)
        self.said, self.good = "Changed and not saved.", False

    def contradictions(self) -> list[FieldProblem]:
        """Return what keeps the study from being saved, in the order of the fields."""
        old = _settings_in(self.folder)
        # A study of old readings has no plan.
        planned = self._readings is None and (old is None or old.plan is not None)
        found = list(contradictions(self.answers, planned=planned))
        order = list(_BY_KEY)
        settled = {"methods"} if self.answers.get("methods") == self._ways else set()
        open_ones = [one for one in found if not (one.asks and one.words in self.confirmed)]
        return sorted(
            (one for one in open_ones if one.key not in settled),
            key=lambda one: order.index(one.key),
        )

    def save(self) -> None:
        """Write the study, where nothing contradicts; say in `said` how it ended."""
        self._asked_to_save = True
        open_ones = self.contradictions()
        if open_ones:
            first = open_ones[0]
            self.said = f"{_BY_KEY[first.key].question}: {first.words}"
            self.good = False
            return
        try:
            unit = self.answers["unit"]
            values = {one.key: _value(one, self.answers[one.key], unit) for one in self.fields}
            old = _settings_in(self.folder)
            settings = _settings(values, old, like=self._like)
            refuse_by_ranges(settings)
            if old is not None:
                change_settings(self.folder, settings, who=self.who, why=self.why)
                if self.who.strip() and self.why.strip():  # of an imported file
                    record_unused_rows(self.folder, by=self.who, reason=self.why)
            elif self._readings is not None:
                save_study(settings.study(self._readings), self.folder)
            else:
                new_study_folder(self.folder, **vars(settings))
            remember_choice(self._named, self.folder.parent.parent)
        except StudyError as error:
            self.said, self.good = str(error), False
            return
        self.said, self.good = f"Saved in {self.where}.", True

    def chance(self) -> dict[str, Any]:
        """Return how often studies of this design decide, for both answers; or why not told."""
        values: dict[str, Any] = {}
        for key in ("parts", "trials", "people"):
            try:
                values[key] = _value(_BY_KEY[key], self.answers.get(key, ""))
            except StudyError:
                values[key] = None
        people = len(_names(self.answers.get("operators")))
        if self._readings is not None or self.measured_by:
            return {"why": "Measured already: the answer tells."}
        if not people:
            return {"why": "Waits for the people."}
        open_ones = {one.key for one in self.contradictions() if not (one.missing or one.asks)}
        if open_ones & {"operators", "people", "parts", "trials"}:
            return {"why": "Waits until people, parts and trials fit."}
        said = self.answers.get("operators_are")
        others = "fixed" if said == ALL else values["people"] or "random"
        purpose = _key(PURPOSES, self.answers["purpose"])
        try:
            if said != ALL:
                refuse_two_as_a_sample(people, others)
            times, cost = self._times(values["trials"]), self._what_limits_cost()
            given = {"operators_are": others, "purpose": purpose, "studies": 500, **cost}
            found = expected_precision(values["parts"], people, times, **given)
        except StudyError as error:
            return {"why": f"{error.problem}. {error.remedy}."}
        told = {who: found.decides(who) for who in found.chances["operators_are"].unique()}
        design, each = found.design, self._places_and_gauges()
        better = [
            {
                "design": f"{row['operators']} people, {row['parts']} parts, {row['trials']} times",
                "readings": int(row["readings"]),
                "of_20": round(20 * row["decides"]),
            }
            for row in found.better.head(2).to_dict("records")
        ]
        return {
            "all": next((round(20 * p) for who, p in told.items() if who == "fixed"), None),
            "others": next((round(20 * p) for who, p in told.items() if who != "fixed"), None),
            "better": better,
            "parts": design.parts,
            "trials": design.trials // each,
            "readings": design.readings,
            "counted": "" if each == 1 else _COUNTED.format(design.trials),
        }

    def _times(self, trials: int | None) -> int | None:
        """Return how often each measures each part, at all places with all gauges."""
        each = self._places_and_gauges()
        if trials is None and each == 1:
            return None
        people = len(_names(self.answers.get("operators")))
        fixed = self.answers.get("operators_are") == ALL
        return (trials or usual_design(people, "fixed" if fixed else "random").trials) * each

    def _places_and_gauges(self) -> int:
        each = [max(1, len(_names(self.answers.get(key)))) for key in ("places", "gauges")]
        return each[0] * each[1]

    def _what_limits_cost(self) -> dict[str, Any]:
        """Return tolerance and process as far as they are given, for the price of limits."""
        keys = ("nominal", "lower_deviation", "upper_deviation", "lower", "upper", "process_sd")
        try:
            unit = self.answers["unit"]
            values = {key: _value(_BY_KEY[key], self.answers.get(key, ""), unit) for key in keys}
            values["given_as"] = self.answers.get("given_as")
            tolerance = _tolerance(values)
        except StudyError:
            return {}
        sd = values["process_sd"]
        return {"tolerance": tolerance, "process_sd": sd if sd is not None and sd > 0.0 else None}

    # Messages of the page; every answer of Python is the whole state

    def _heard(self, _widget: object, message: Mapping[str, Any], _buffers: object) -> None:
        with self._guard:
            before = dict(self.answers)
            sent = {str(key): str(text) for key, text in (message.get("answers") or {}).items()}
            if any(self.answers.get(key) != text for key, text in sent.items()):
                self.change(**{key: text for key, text in sent.items() if key in self.answers})
            self.confirmed |= set(map(str, message.get("confirmed") or ()))
            self.who, self.why = str(message.get("who") or ""), str(message.get("why") or "")
            if message.get("kind") == "save":
                self.save()
            self.send(self._state(message.get("id")))
            if message.get("kind") == "look" or before != self.answers:
                self.send({"id": message.get("id"), "chance": self.chance()})

    def _state(self, identifier: object) -> dict[str, Any]:
        old = _settings_in(self.folder)
        plan = None if old is None else old.plan
        saved = self.good and self.said.startswith("Saved")
        found = self.contradictions()
        return {
            "id": identifier,
            "fields": [asdict(one) for one in self.fields],
            "answers": self.answers,
            "wrong": [
                {**asdict(one), "answers": dict(one.answers)}
                for one in found
                if not one.missing or self._asked_to_save
            ],
            "left": len(found),
            "said": self.said,
            "good": self.good,
            "saved": saved,
            "has_readings": (self.folder / "readings.csv").exists(),
            "key": part_codes(plan.parts, plan.seed) if plan else {},
            "planned": self._readings is None,
            "measured_by": list(self.measured_by),
            "study": self._named,
        }


def _measured_by(folder: Path, old: Settings | None) -> tuple[str, ...]:
    """Return the people of a study that was imported: it has readings, and no plan."""
    if old is None or old.plan is not None:
        return ()
    try:
        return open_study(folder).operator_names
    except StudyError:
        return ()


# What contradicts itself or another field


def contradictions(answers: Mapping[str, str], *, planned: bool) -> Iterator[FieldProblem]:
    """Yield what keeps a study with these answers from being saved.

    Parameters
    ----------
    answers : mapping
        Key of a field → what is written there.
    planned : bool
        Whether the study is yet to be measured, so that there must be a plan.
    """
    values: dict[str, Any] = {}
    for key, text in answers.items():
        try:
            values[key] = _value(_BY_KEY[key], text, answers.get("unit", ""))
        except StudyError as error:
            yield FieldProblem(key, f"{error.problem}: {text}.")
    if planned and "title" in values and not values["title"]:
        yield FieldProblem("title", "Needs a name.", missing=True)
    yield from _about_limits(values, answers, needed=planned)
    yield from _about_the_digit(values, needed=planned)
    yield from _about_all(_names(answers.get("operators")), values, answers)
    if planned:
        yield from _about_people(answers)
        yield from _about_the_plan(values)


def _limit_keys(answers: Mapping[str, Any]) -> tuple[bool, tuple[str, str]]:
    """Return whether deviations are given, and the keys of the two numbers."""
    if answers.get("given_as") == _DEVIATIONS:
        return True, ("lower_deviation", "upper_deviation")
    return False, ("lower", "upper")


def _about_limits(
    values: Mapping[str, Any], answers: Mapping[str, str], *, needed: bool
) -> Iterator[FieldProblem]:
    deviations, keys = _limit_keys(answers)
    if any(key not in values for key in keys):
        return  # one of them is no number, which is said
    lower, upper = (values[key] for key in keys)
    if deviations and values.get("nominal") is None:
        yield FieldProblem("nominal", "Needs the size on the drawing.", missing=True)
    if lower is None and upper is None:
        accept = answers.get("purpose") == PURPOSES["accept"]
        if needed and accept:
            yield FieldProblem(keys[0], "Needs a limit, or both.", missing=True)
        return
    if lower is None or upper is None:
        if deviations:
            yield FieldProblem(keys[lower is not None], "Needs both deviations.", missing=True)
        return
    if lower == upper:
        yield FieldProblem(keys[0], "Both limits are the same.")
    elif lower > upper:
        swapped = {keys[0]: answers[keys[1]], keys[1]: answers[keys[0]]}
        mended = _point_missing(upper, lower, keys[0])
        yield mended or FieldProblem(keys[0], "Lower is above upper.", "Swap them", swapped)
    elif not deviations and lower > 0 and upper / lower > _FAR_APART:
        words = f"Upper is {upper / lower:.3g} times lower."
        asked = FieldProblem(keys[1], words, "It is right", asks=True)
        yield _point_missing(lower, upper, keys[1]) or asked


#: Limits of one size lie closer together than this; more is asked about.
_FAR_APART = 3.0


def _point_missing(small: float, large: float, large_key: str) -> FieldProblem | None:
    """Return the contradiction that one limit lacks its point, where that explains it."""
    if small <= 0 or large / small <= _FAR_APART:
        return None
    for power in range(1, 8):
        shifted = large / 10**power
        if 0.9 < shifted / small < 1.2 and shifted != small:
            words = f"{large / small:.0f} times the other limit. A point missing?"
            return FieldProblem(large_key, words, f"{shifted:.12g}", {large_key: f"{shifted:.12g}"})
    return None


def _about_the_digit(values: Mapping[str, Any], *, needed: bool) -> Iterator[FieldProblem]:
    digit = values.get("resolution")
    if "resolution" not in values:
        return
    if digit is None:
        if needed:
            words = "Needs the step of the gauge's last digit."
            yield FieldProblem("resolution", words, missing=True)
        return
    if digit <= 0:
        yield FieldProblem("resolution", "Is above zero.")
        return
    deviations, keys = _limit_keys(values)
    lower, upper = (values.get(key) for key in keys)
    if lower is None or upper is None or not lower < upper:
        return
    if not deviations and lower > 0 and upper > _FAR_APART * lower:
        return  # one of them lacks its point, which is said
    width = upper - lower
    tenth = f"{10 ** math.floor(math.log10(width / 10) + 1e-9):.12g}"
    unit = values.get("unit", "mm")
    if digit >= width * (1 - 1e-9):
        words = f"Coarser than the whole tolerance, {width:.3g} {unit}."
        yield FieldProblem("resolution", words, tenth, {"resolution": tenth})
    elif digit > width / 10 * (1 + 1e-9):
        words = f"{100 * digit / width:.0f} % of the tolerance; a tenth is the usual limit."
        yield FieldProblem("resolution", words, "It is right", asks=True)
    elif digit < width / 100_000:
        words = f"Only {digit / width:.0e} of the tolerance. Is it in {unit}?"
        yield FieldProblem("resolution", words, "It is right", asks=True)


_COUNTED = "Places and gauges count as trials here: each part {} times by each person."
_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def _about_people(answers: Mapping[str, str]) -> Iterator[FieldProblem]:
    names = _names(answers.get("operators"))
    if not names:
        yield FieldProblem("operators", "Needs the names of those who measure.", missing=True)
    apart = [part.strip() for part in re.split(r"[,;/|\n]", answers.get("operators") or "")]
    apart = [part for part in apart if part]
    if len(apart) > len(names):
        many = _WORDS[len(apart)] if len(apart) < len(_WORDS) else str(len(apart))
        some = "One person" if len(names) == 1 else f"{len(names)} people"
        words = f"{some}, or {many}?"
        mended = {"operators": ", ".join(apart)}
        yield FieldProblem("operators", words, f"{many.capitalize()} people", mended)
    ways = _names(answers.get("methods"))
    for key in ("operators", "methods", "places", "gauges"):
        names = _names(answers.get(key))
        if len(set(map(spelling, names))) < len(names):
            yield FieldProblem(key, "One name stands there twice.")
    if len(ways) == 1:
        words = "One way is nothing to compare: leave it empty, or name two."
        yield FieldProblem("methods", words)
    for key in ("places", "gauges"):
        names = _names(answers.get(key))
        if len(names) == 1:
            yield FieldProblem(key, "Name two or more, or leave it empty.")
        elif names and ways:
            yield FieldProblem(key, "Not beside ways of holding: plan a study for each of them.")
    gauges, said = _names(answers.get("gauges")), answers.get("gauges_are", "")
    if gauges and not said:
        yield FieldProblem("gauges_are", "Needs an answer: it decides much.", missing=True)
    elif len(gauges) == 2 and said == GAUGES_ARE["random"]:
        yield FieldProblem("gauges_are", f"{TWO_GAUGES}.", "It is so", asks=True)


def _about_all(
    names: tuple[str, ...], values: Mapping[str, Any], answers: Mapping[str, str]
) -> Iterator[FieldProblem]:
    said, people = answers.get("operators_are", ""), values.get("people")
    if not said:
        yield FieldProblem("operators_are", "Needs an answer: it decides most.", missing=True)
    if said == ALL and people is not None and people != len(names):
        words = f"{people:g} in all, and only these {len(names)}?"
        yield FieldProblem("people", words, "Only these", {"people": ""})
    if said != OTHERS or "people" not in values:
        return
    if people is not None and (people != int(people) or people <= len(names)):
        words = f"More than the {len(names)} who measure now, or leave it empty."
        yield FieldProblem("people", words)
    if people is None and len(names) == 2:
        words = "Two cannot stand for others: such a study decides almost nothing."
        yield FieldProblem("people", f"{words} How many will ever measure?")


def _about_the_plan(values: Mapping[str, Any]) -> Iterator[FieldProblem]:
    for key, least, words in (
        ("parts", 2, "Needs two parts at least."),
        ("trials", 1, "Needs one reading of each part at least."),
        ("sessions", 1, "Needs one session at least."),
    ):
        value = values.get(key)
        if value is None:
            continue  # the usual number, or no number, which is said
        if value != int(value):
            yield FieldProblem(key, "Is a whole number.")
        elif value < least:
            yield FieldProblem(key, words)
        elif value > 200:
            yield FieldProblem(key, f"{value:g}: is that meant?", "It is right", asks=True)
    trials, sessions = values.get("trials"), values.get("sessions")
    if trials == 1:
        words = "Read once, repeatability and interaction cannot be told apart. Two or three can."
        yield FieldProblem("trials", words, "It is meant", asks=True)
    if sessions and trials and sessions > trials >= 1:
        yield FieldProblem("sessions", "In each session every part is measured once at least.")


# What the fields hold, as text and as settings


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def _value(asked: Question, text: str, unit: str = "") -> Any:
    """Return the answer, a length in ``unit``; None where the question was left open.

    Raises
    ------
    StudyError
        A number or a date was asked for and something else was written.
    """
    text = text.strip()
    if text == "":
        return None
    if asked.kind == "yes_no":
        return text == "yes"
    if asked.kind == "date":
        try:
            return dt.date.fromisoformat(text)
        except ValueError:
            raise StudyError("This is no date", "Write it as 2027-03-31", value=text) from None
    if asked.kind not in {"number", "whole"}:
        return text
    try:
        if asked.unit not in ("", "study"):
            text, unit = text.removesuffix(asked.unit), ""
        value = number_in(unit if asked.kind == "number" else "", text)
    except StudyError as error:
        remedy = error.remedy.split(", or state decimal", maxsplit=1)[0]
        raise StudyError(error.problem, remedy, column=asked.question, value=text) from None
    return int(value) if asked.kind == "whole" and value == int(value) else value


def _settings_in(folder: Path) -> Settings | None:
    """Return the settings of a study; None where the folder holds none yet."""
    return read_settings(folder) if (folder / STUDY_FILE).exists() else None


def _answers(settings: Settings | None) -> dict[str, Any]:
    """Return what the form shows at first."""
    if settings is None:
        # On a page the name that was typed on the start page.
        return {**_FROM_THE_START, "sessions": 1, "title": asked_for("new")}
    plan, tolerance = settings.plan, settings.tolerance
    answers: dict[str, Any] = {**_FROM_THE_START, **settings.facts}
    answers |= {
        "title": settings.title,
        "unit": settings.unit or "mm",
        "lower": tolerance.lower if tolerance else None,
        "upper": tolerance.upper if tolerance else None,
        "resolution": settings.resolution,
        "purpose": PURPOSES[settings.purpose],
        "process_sd": settings.process_sd,
        "parts_from": PARTS[settings.parts_from],
        **_who_measures(settings.operators_are),
    }
    if plan is not None:
        answers |= {
            "parts": len(plan.parts),
            "operators": ", ".join(plan.operators),
            "trials": plan.trials,
            "sessions": plan.sessions,
            "looks": plan.looks == 2,
            "methods": ", ".join(plan.methods),
            "places": ", ".join(plan.places),
            "gauges": ", ".join(plan.gauges),
        }
        if plan.gauges:
            known: OperatorsAre = "fixed" if settings.gauges_are == "fixed" else "random"
            answers["gauges_are"] = GAUGES_ARE[known]
    return answers


def _copied(like: Settings) -> dict[str, Any]:
    """Return what the form shows for a new study like another: all but its name and its days."""
    days = [fact.key for fact in FACTS if fact.kind == "date"]
    asked = {key: asked_for(key) for key in ("parts", "trials", "methods") if asked_for(key)}
    return {**_answers(like), "title": asked_for("new")} | dict.fromkeys(days) | asked


def _old_file(readings: pd.DataFrame) -> dict[str, Any]:
    """Return what the form shows at first for readings that a file holds."""
    file = readings.attrs.get("taken", {}).get("file", "")
    found = {"title": Path(file).stem, "unit": readings.attrs.get("unit") or "mm"}
    return _FROM_THE_START | found


def _settings(
    answers: dict[str, Any], old: Settings | None, like: Settings | None = None
) -> Settings:
    """Return the settings that the answers describe; parts are named as in a study like it."""
    facts = {fact.key: answers[fact.key] for fact in FACTS if answers[fact.key] is not None}
    if old is not None:
        facts = {key: v for key, v in old.facts.items() if key not in answers} | facts
    base = Settings() if old is None else old
    named = like.plan if old is None and like is not None else base.plan
    return Settings(
        title=answers["title"] or "",
        unit=answers["unit"],
        resolution=answers["resolution"],
        tolerance=_tolerance(answers),
        purpose=_key(PURPOSES, answers["purpose"]),
        operators_are=_operators_are(answers),
        gauges_are=_gauges_are(answers, base),
        parts_from=_key(PARTS, answers["parts_from"]),
        process_sd=answers["process_sd"],
        process_mean=base.process_mean,
        design=base.design,
        rules=base.rules,
        plan=_plan(answers, base, named),
        facts=facts,
        example=base.example,
        id=base.id,
    )


def _tolerance(answers: dict[str, Any]) -> Tolerance | None:
    deviations, keys = _limit_keys(answers)
    lower, upper = (answers[key] for key in keys)
    if deviations:
        return Tolerance.about(answers["nominal"], lower, upper)
    return None if lower is None and upper is None else Tolerance(lower, upper)


def _plan(answers: dict[str, Any], base: Settings, named: Plan | None) -> Plan | None:
    old = base.plan
    operators = _names(answers.get("operators"))
    if not operators:
        return old
    given = {"purpose": _key(PURPOSES, answers["purpose"]), "process_sd": answers["process_sd"]}
    usual = usual_design(len(operators), _operators_are(answers), **given)
    parts = answers["parts"] or usual.parts
    kept, most = None, 0 if named is None else len(named.parts)
    if named is not None and (parts == most or (old is None and parts < most)):
        kept = tuple(named.parts[at * most // parts] for at in range(parts))
    return Plan(
        parts=kept or tuple(str(number) for number in range(1, parts + 1)),
        operators=operators,
        trials=answers["trials"] or usual.trials,
        methods=_names(answers["methods"]),
        seed=int(base.id[:6], 16) if old is None else old.seed,
        sessions=answers["sessions"] or 1,
        looks=2 if answers["looks"] else 1,
        further_operators=() if old is None else old.further_operators,
        further_parts=() if old is None else old.further_parts,
        places=_names(answers["places"]),
        gauges=_names(answers["gauges"]),
    )


def _names(text: str | None) -> tuple[str, ...]:
    return tuple(name.strip() for name in (text or "").split(",") if name.strip())


def _who_measures(operators_are: OperatorsAre | int) -> dict[str, Any]:
    if isinstance(operators_are, int):
        return {"operators_are": OTHERS, "people": operators_are}
    return {"operators_are": ALL if operators_are == "fixed" else OTHERS}


def _operators_are(answers: dict[str, Any]) -> OperatorsAre | int:
    """Return the word, or how many people will ever measure."""
    if answers["operators_are"] == ALL:
        return "fixed"
    return answers["people"] or "random"


def _gauges_are(answers: dict[str, Any], base: Settings) -> OperatorsAre | int:
    """Return the word that was picked; how many there are, where that was stated before."""
    said = answers.get("gauges_are")
    if not said or (said == GAUGES_ARE["random"] and isinstance(base.gauges_are, int)):
        return base.gauges_are
    return _key(GAUGES_ARE, said)


def _key(words: Mapping[Word, str], shown: str) -> Word:
    return next(key for key, text in words.items() if text == shown)


# `grr.choose_study`


def choose_study(top: str | Path = "..") -> Any:
    """Return a form that picks a study folder and remembers it for the other notebooks.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebook.

    Examples
    --------
    >>> grr.choose_study()
    Run this cell to pick a study.
    """
    import ipywidgets as widgets

    class Picker(widgets.VBox):  # type: ignore[misc]
        def __repr__(self) -> str:  # a notebook that was not run shows this alone
            return "Run this cell to pick a study."

    top = a_path(top)
    folders = study_folders(top)
    picker = widgets.Dropdown(
        options=folders,
        description="Study folder",
        style={"description_width": "130px"},
        layout={"width": "520px"},
    )
    status = widgets.HTML()
    now = chosen_folder(top).relative_to(top).as_posix()
    if now in folders:
        picker.value = now

    def picked(_: object = None) -> None:
        if picker.value is None:
            return
        remember_choice(picker.value, top)
        try:
            study = chosen_study(top)
        except StudyError as error:
            said, colour = f"✖ {error}", "#a63d00"
        else:
            stamp = " Example with invented readings." if study.example else ""
            said, colour = f"✔ The notebooks now use: {study.summary}.{stamp}", "#00664a"
        style = f"font:15px/1.5 {FONT};color:{colour};max-width:72ch"
        status.value = f'<div role="status" style="{style}">{escape(said)}</div>'

    picker.observe(picked, names="value")
    return Picker([picker, status])
