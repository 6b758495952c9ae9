"""The forms about a study: its facts, kept in its folder, and which study to work on."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from grr.files.chosen import chosen_folder, chosen_study, remember_choice, study_folders
from grr.files.folder import change_settings, new_study_folder, save_study
from grr.files.study_file import STUDY_FILE, read_settings
from grr.files.text_and_numbers import parse_number
from grr.model.choices import OperatorsAre
from grr.model.errors import StudyError
from grr.model.html_blocks import FAINT, FONT, INK
from grr.model.rules import Plan
from grr.model.settings import FACTS, OPERATORS, PARTS, PURPOSES, Settings
from grr.model.tolerance import Tolerance
from grr.model.values import a_path, needs, people_who_measure
from grr.questions.planning import (
    chances_of_plan,
    refuse_joined_names,
    refuse_two_as_a_sample,
    usual_design,
)

# One question of a form: its label, its control and its help, in one row


@dataclass(frozen=True)
class Field:
    """One question.

    Parameters
    ----------
    key, question : str
    kind : {"text", "number", "whole", "date", "yes_no", "choice"}
    help : str
        One sentence beside the control.
    choices : tuple of str
    unit : str
    """

    key: str
    question: str
    kind: str
    help: str
    choices: tuple[str, ...] = ()
    unit: str = ""


@dataclass(frozen=True)
class ShownField:
    """A question on the screen."""

    field: Field
    control: Any
    row: Any


def field_for(field: Field, value: object) -> ShownField:
    """Return the row of widgets that asks ``field``, answered with ``value`` where not None."""
    import ipywidgets as widgets

    unit = f" ({field.unit})" if field.unit and field.unit != "study" else ""
    label = widgets.HTML(
        f'<span style="font:14px {FONT};color:{INK}">{escape(field.question + unit)}</span>',
        layout={"width": "330px"},
    )
    control = _control(field, value)
    control.layout = {"width": "260px"}
    aside = widgets.HTML(
        f'<span style="font:13px {FONT};color:{FAINT}">{escape(field.help)}</span>',
        layout={"width": "400px"},
    )
    return ShownField(field, control, widgets.HBox([label, control, aside]))


def _control(field: Field, value: object) -> Any:
    import ipywidgets as widgets

    if field.kind == "choice":
        options = list(field.choices)
        if field.key not in _ALWAYS_ANSWERED:
            options.insert(0, "")
        return widgets.Dropdown(options=options, value=value if value in options else options[0])
    if field.kind == "yes_no":
        shown = {True: "yes", False: "no"}.get(value, "") if isinstance(value, bool) else ""
        return widgets.Dropdown(options=["", "yes", "no"], value=shown)
    if field.kind == "date":
        return widgets.DatePicker(value=value if isinstance(value, dt.date) else None)
    return widgets.Text(value="" if value is None else _text(value), continuous_update=False)


#: Choices that have an answer from the start.
_ALWAYS_ANSWERED = {"unit", "given_as", "purpose", "parts_from", "operators_are"}


def _text(value: object) -> str:
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def value_of(shown: ShownField) -> Any:
    """Return the answer; None where the question was left open.

    Raises
    ------
    StudyError
        A number was asked for and something else was written; ``column`` is the question.
    """
    answer, kind = shown.control.value, shown.field.kind
    if answer is None or answer == "":
        return None
    if kind == "yes_no":
        return answer == "yes"
    if kind not in {"number", "whole"}:
        return answer
    try:
        value = parse_number(answer).value
    except StudyError as error:
        remedy = error.remedy.split(", or state decimal", maxsplit=1)[0]
        raise StudyError(error.problem, remedy, column=shown.field.question, value=answer) from None
    return int(value) if kind == "whole" and value == int(value) else value


# `grr.study_form`


_LIMITS, _DEVIATIONS = "limits", "nominal size with deviations"
Word = TypeVar("Word", bound=str)
SOME = "some of a known number of people"

#: The questions of the form, by section: key, question, kind, help.
_SECTIONS: tuple[tuple[str, tuple[Field, ...]], ...] = (
    (
        "The tolerance",
        (
            Field("title", "Name of the study", "text", "What is measured, in a few words."),
            Field("unit", "Unit", "choice", "The unit of the readings.", ("mm", "µm", "in", "µin")),
            Field("given_as", "Tolerance given as", "choice", "", (_LIMITS, _DEVIATIONS)),
            Field("lower", "Lower limit", "number", "Leave empty where there is none."),
            Field("upper", "Upper limit", "number", "Leave empty where there is none."),
            Field("nominal", "Nominal size", "number", "With deviations only."),
            Field("lower_deviation", "Lower deviation", "number", "With its sign: +0.006"),
            Field("upper_deviation", "Upper deviation", "number", "With its sign: +0.012"),
            Field("resolution", "Last digit of the gauge", "number", "Its step, such as 0.0001"),
            Field("purpose", "What for?", "choice", "", tuple(PURPOSES.values())),
            Field(
                "process_sd",
                "Standard deviation of the process",
                "number",
                "From records, if known; the total as observed.",
            ),
        ),
    ),
    (
        "The plan",
        (
            Field(
                "parts",
                "Number of parts",
                "number",
                "Empty: 10, or 5 across the tolerance where others will measure too.",
            ),
            Field("parts_from", "The parts are", "choice", "", tuple(PARTS.values())),
            Field("operators", "Operators", "text", "Names, separated by commas."),
            Field(
                "operators_are",
                "The operators are",
                "choice",
                "Fixed operators need far fewer readings for the same certainty, but the verdict "
                "holds for them only.",
                (*OPERATORS.values(), SOME),
            ),
            Field(
                "people",
                "How many people will ever measure?",
                "number",
                "Those studied included; only where they are some of a known number.",
            ),
            Field(
                "trials",
                "Readings of each part",
                "number",
                "By each operator. Empty: 3, or 2 where others will measure too.",
            ),
            Field(
                "sessions",
                "Sessions of each operator",
                "number",
                "Two, on different days with a fresh zero, show what one day hides.",
            ),
            Field("methods", "Ways of holding to compare", "text", "Such as: stand, handheld"),
        ),
    ),
    (
        "Gauge, part and place",
        tuple(
            Field(fact.key, fact.question, fact.kind, fact.help, fact.choices, fact.unit)
            for fact in FACTS
            if fact.key != "nominal"
        ),
    ),
)
#: What is planned before the first reading, and not asked where the readings are there.
_PLANNED = ("parts", "operators", "trials", "sessions", "methods")


def study_form(folder: str | Path, readings: pd.DataFrame | None = None) -> Any:
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
        The folder holds a study that cannot be read.
    """
    import ipywidgets as widgets

    folder = a_path(folder)
    if readings is not None:
        needs(readings, pd.DataFrame, "readings")
    old = read_settings(folder) if (folder / STUDY_FILE).exists() else None
    shown = _answers(old) if old is not None or readings is None else _old_file(readings)
    fields: dict[str, Any] = {}
    blocks: list[Any] = []
    for title, section in _SECTIONS:
        rows = []
        for entry in section:
            if readings is not None and entry.key in _PLANNED:
                continue
            fields[entry.key] = field_for(entry, shown.get(entry.key))
            rows.append(fields[entry.key].row)
        blocks += _block(title, rows, folded=section is _SECTIONS[-1][1])
    who = field_for(Field("who", "Changed by", "text", "Needed once there are readings."), "")
    why = field_for(Field("why", "Reason of the change", "text", "It is kept on record."), "")
    button = widgets.Button(description="Save the study", button_style="primary")
    first = f"Nothing is written to {folder} until you save."
    if old is not None and readings is not None:
        first = f"{folder} holds a study, whose readings stay. Name another folder for new ones."
    status = widgets.HTML(status_line(first, good=old is None or readings is None))

    def changed(_: object) -> None:
        status.value = status_line(
            "Changed and not saved. Results shown anywhere are out of date until you save and "
            "run their cells again.",
            good=False,
        )

    def save(_: object) -> None:
        try:
            answers = {key: value_of(entry) for key, entry in fields.items()}
            settings = _settings(answers, read_settings(folder) if _exists(folder) else None)
            if _exists(folder):
                change_settings(folder, settings, who=value_of(who) or "", why=value_of(why) or "")
            elif readings is not None:
                save_study(settings.study(readings), folder)
            else:
                new_study_folder(folder, **_as_options(settings))
            remember_choice(f"{folder.parent.name}/{folder.name}", folder.parent.parent)
        except StudyError as error:
            status.value = status_line(str(error), good=False)
            return
        said = f"Saved in {folder}. The notebooks now use this study; run their cells again."
        if readings is None:
            said += f" {_will_it_decide(settings)}"
        status.value = status_line(said, good=True)

    for entry in fields.values():
        entry.control.observe(changed, names="value")
    button.on_click(save)
    box = form_box(
        [*blocks, who.row, why.row, button, status],
        instruction="Run this cell to see the form for the facts of the study.",
    )
    box.fields, box.who, box.why, box.button, box.status = fields, who, why, button, status
    return box


def _will_it_decide(settings: Settings) -> str:
    """Return how many of 20 studies like this decide; "" where there is no plan to judge."""
    try:
        return f"Of 20 studies planned like this about {chances_of_plan(settings).of_twenty()}."
    except StudyError:
        return ""


def _block(title: str, rows: list[Any], *, folded: bool) -> list[Any]:
    """Return a section: open under its heading, or folded away where it can wait."""
    import ipywidgets as widgets

    if not folded:
        return [heading(title), widgets.VBox(rows)]
    return [widgets.Accordion([widgets.VBox(rows)], titles=(f"{title} (for the record)",))]


def _exists(folder: Path) -> bool:
    return (folder / STUDY_FILE).exists()


def _as_options(settings: Settings) -> dict[str, Any]:
    return {name: getattr(settings, name) for name in Settings.__dataclass_fields__}


def _answers(settings: Settings | None) -> dict[str, Any]:
    """Return what the form shows at first."""
    if settings is None:
        return {"unit": "mm", "sessions": 1, "resolution": 0.0001}
    plan, tolerance = settings.plan, settings.tolerance
    answers: dict[str, Any] = dict(settings.facts)
    answers |= {
        "title": settings.title,
        "unit": settings.unit,
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
            "methods": ", ".join(plan.methods),
        }
    return answers


def _old_file(readings: pd.DataFrame) -> dict[str, Any]:
    """Return what the form shows at first for readings that a file holds."""
    file = readings.attrs.get("taken", {}).get("file", "")
    return {"title": Path(file).stem, "unit": readings.attrs.get("unit") or "mm"}


def _settings(answers: dict[str, Any], old: Settings | None) -> Settings:
    """Return the settings that the answers describe."""
    facts = {fact.key: answers[fact.key] for fact in FACTS if answers[fact.key] is not None}
    if old is not None:
        facts = {key: v for key, v in old.facts.items() if key not in answers} | facts
    base = Settings() if old is None else old
    if base.plan is None:
        refuse_joined_names(_names(answers.get("operators")))
        refuse_two_as_a_sample(len(_names(answers.get("operators"))), _operators_are(answers))
    return Settings(
        title=answers["title"] or "",
        unit=answers["unit"],
        resolution=answers["resolution"],
        tolerance=_tolerance(answers),
        purpose=_key(PURPOSES, answers["purpose"]),
        operators_are=_operators_are(answers),
        parts_from=_key(PARTS, answers["parts_from"]),
        process_sd=answers["process_sd"],
        process_mean=base.process_mean,
        design=base.design,
        rules=base.rules,
        plan=_plan(answers, base),
        facts=facts,
        example=base.example,
        id=base.id,
    )


def _tolerance(answers: dict[str, Any]) -> Tolerance | None:
    if answers["given_as"] == _DEVIATIONS:
        if answers["nominal"] is None:
            raise StudyError(
                "The nominal size is missing", "Give the size on the drawing", column="nominal"
            )
        return Tolerance.about(
            answers["nominal"], answers["lower_deviation"], answers["upper_deviation"]
        )
    if answers["lower"] is None and answers["upper"] is None:
        return None
    return Tolerance(answers["lower"], answers["upper"])


def _plan(answers: dict[str, Any], base: Settings) -> Plan | None:
    old = base.plan
    operators = _names(answers.get("operators"))
    if not operators:
        return old
    usual = usual_design(
        len(operators),
        _operators_are(answers),
        purpose=_key(PURPOSES, answers["purpose"]),
        process_sd=answers["process_sd"],
    )
    parts, trials, sessions = (
        standard if answers[name] is None else _count(name, answers[name])
        for name, standard in (("parts", usual.parts), ("trials", usual.trials), ("sessions", 1))
    )
    kept = old.parts if old is not None and len(old.parts) == parts else None
    return Plan(
        parts=kept or tuple(str(number) for number in range(1, parts + 1)),
        operators=operators,
        trials=trials,
        methods=_names(answers["methods"]),
        seed=int(base.id[:6], 16) if old is None else old.seed,
        sessions=sessions,
    )


def _names(text: str | None) -> tuple[str, ...]:
    return tuple(name.strip() for name in (text or "").split(",") if name.strip())


def _count(name: str, value: float | None) -> int:
    if value is None or value < 1 or value != int(value):
        raise StudyError(
            f"The number of {name} is not a whole number from 1", "Correct it", value=value
        )
    return int(value)


def _who_measures(operators_are: OperatorsAre | int) -> dict[str, Any]:
    if isinstance(operators_are, int):
        return {"operators_are": SOME, "people": operators_are}
    return {"operators_are": OPERATORS[operators_are]}


def _operators_are(answers: dict[str, Any]) -> OperatorsAre | int:
    """Return the word, or how many people will ever measure."""
    if answers["operators_are"] != SOME:
        if answers["people"] is not None:
            raise StudyError(
                "The number of people who will ever measure belongs to some of a known number",
                f"Choose “{SOME}”, or leave the number empty",
                column="people",
                value=answers["people"],
            )
        return _key(OPERATORS, answers["operators_are"])
    people = _count("people who will ever measure", answers["people"])
    people_who_measure(people, len(_names(answers.get("operators"))))
    return people


def _key(words: Mapping[Word, str], shown: str) -> Word:
    return next(key for key, text in words.items() if text == shown)


# `grr.choose_study`


def choose_study(top: str | Path = "..") -> Any:
    """Return a form that picks a study folder and remembers it for the other notebooks.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebook.
    """
    import ipywidgets as widgets

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
            status.value = status_line(str(error), good=False)
            return
        stamp = " Example with invented readings." if study.example else ""
        status.value = status_line(f"The notebooks now use: {study.summary}.{stamp}", good=True)

    picker.observe(picked, names="value")
    return form_box([picker, status], instruction="Run this cell to pick a study.")


# Small pieces that both forms share


def form_box(children: list[Any], *, instruction: str) -> Any:
    """Return a column of widgets that shows an instruction where it cannot be shown itself.

    A stored notebook that has not been run has no live widget, only its text: an
    instruction there, and the same on every run.
    """
    import ipywidgets as widgets

    class Form(widgets.VBox):  # type: ignore[misc]
        def __repr__(self) -> str:
            return instruction

    return Form(children)


def heading(text: str) -> Any:
    """Return a section's heading as a widget."""
    import ipywidgets as widgets

    return widgets.HTML(
        f'<div style="font:600 17px {FONT};color:{INK};margin:12px 0 2px">{escape(text)}</div>'
    )


def status_line(text: str, *, good: bool) -> str:
    """Return HTML that says how the last action ended; never by colour alone."""
    mark, colour = ("✔", "#00664a") if good else ("✖", "#a63d00")
    return (
        f'<div role="status" style="font:15px/1.5 {FONT};color:{colour};max-width:72ch">'
        f"{mark} {escape(text)}</div>"
    )
