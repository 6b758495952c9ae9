"""One question of a form: its label, its control and its help, in one row."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from html import escape
from typing import Any

from grr.files.number_text import parse_number
from grr.model.errors import StudyError
from grr.model.tables import FAINT, FONT, INK


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
