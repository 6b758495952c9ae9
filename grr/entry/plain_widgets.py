"""Small pieces that the forms share."""

from __future__ import annotations

from html import escape
from typing import Any

from grr.model.tables import FONT, INK


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
