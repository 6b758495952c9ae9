"""`grr.choose_study`: pick the study that the notebooks work on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from grr.entry.plain_widgets import form_box, status_line
from grr.files.chosen import chosen_folder, chosen_study, remember_choice, study_folders
from grr.model.errors import StudyError
from grr.model.values import a_path


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
