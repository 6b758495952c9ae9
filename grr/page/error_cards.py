"""What a cell shows that cannot go on: one card with what, where and remedy, no traceback.

An extension of IPython that `grr lab` loads into its kernels. On a page any other error is
one sentence and the name of a file for support; in a notebook it is left to IPython.
"""

from __future__ import annotations

import platform
import traceback
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from grr.files.chosen import on_a_page
from grr.model.errors import StudyError
from grr.model.html_blocks import FONT, INK

#: Where the file for support goes, as seen from the notebooks.
SUPPORT = Path("..") / "support"


def load_ipython_extension(shell: Any) -> None:
    """Show errors as cards in this kernel."""
    shell.set_custom_exc((Exception,), _show)


def _show(
    shell: Any,
    kind: type[BaseException],
    error: BaseException,
    trace: TracebackType | None,
    tb_offset: int | None = None,
) -> None:
    from IPython.display import HTML, display

    if isinstance(error, StudyError):
        display(HTML(card(error)))  # type: ignore[no-untyped-call]
    elif on_a_page():
        display(HTML(sorry(error)))  # type: ignore[no-untyped-call]
    else:
        shell.showtraceback((kind, error, trace), tb_offset=tb_offset)


def card(error: StudyError) -> str:
    """Return a refusal as a card: what is wrong, where, and what to do."""
    places = {"file": error.file, "row": error.row, "column": error.column, "value": error.value}
    shown = {name: str(place)[:200] for name, place in places.items() if place is not None}
    return _card(f"{error.problem}.", shown, f"{error.remedy}.")


def sorry(error: BaseException) -> str:
    """Return the card of an error that nobody foresaw, and write the file for support."""
    file = SUPPORT / f"error_{datetime.now():%Y-%m-%d_%H%M%S}.txt"
    lines = [f"Python {platform.python_version()}, {platform.platform()}\n"]
    lines += traceback.format_exception(error)
    try:
        SUPPORT.mkdir(exist_ok=True)
        file.write_text("".join(lines), encoding="utf-8", newline="\n")
        where = {"file": str(file.resolve())}
    except OSError:
        where = {}
    return _card(
        "This page cannot be shown: something happened that the program does not know.",
        where,
        "Your readings are safe. Go back to the studies, and give the file to whoever looks "
        "after the program.",
    )


def _card(problem: str, places: dict[str, str], remedy: str) -> str:
    from grr.page.templates import render

    values = {"problem": problem, "places": places, "remedy": remedy, "ink": INK, "font": FONT}
    return render("error_card.html.j2", values)
