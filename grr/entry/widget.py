"""`grr.collect`: the entry form in the notebook."""

from __future__ import annotations

from pathlib import Path

from grr.entry.collecting import Collecting
from grr.entry.job import open_job
from grr.entry.messages import MessageHandler
from grr.entry.window import ReadingsForm
from grr.model.study import Study

_HERE = Path(__file__).parent
_SCRIPTS = ("elements.js", "carrier.js", "form.js")


def collect(study: Study | str | Path) -> CollectForm:
    """Return the form that takes a study's readings; it appears under the cell.

    Every reading is in ``readings.csv`` of the study folder, flushed to the disk, before
    the form says so. Running the cell again goes on where it was.

    Parameters
    ----------
    study : Study or path-like
        A study folder, or a study that was opened from one.

    Raises
    ------
    StudyError
        There is no such folder, its ``study.toml`` holds no plan, or its readings were not
        collected with this form.

    Examples
    --------
    >>> grr.collect("demo_data/dowel_pin")
    The entry form: run this cell to open it, then pick the operator.
    """
    return CollectForm(Collecting(open_job(study)))


class CollectForm(ReadingsForm):
    """The form of one study; made by `grr.collect`.

    Parameters
    ----------
    work : Collecting
    """

    _esm = "".join((_HERE / name).read_text("utf-8") for name in _SCRIPTS)
    _css = _HERE / "form.css"

    def __init__(self, work: Collecting) -> None:
        super().__init__(work, MessageHandler(work))

    def __repr__(self) -> str:
        return "The entry form: run this cell to open it, then pick the operator."
