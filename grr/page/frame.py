"""The frame around every page: whose study, which step, what next.

A band on top names the study; a scale on the left holds the six steps, and how far they are
done; the foot holds one sentence and one primary button. Its looks are in ``pages.css``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from urllib.parse import urlencode

from grr.files.chosen import (
    PLACES,
    asked_for,
    chosen_folder,
    folder_name,
    gauge_of_the_page,
    remember_choice,
    study_of_the_page,
)
from grr.files.folder import study_in
from grr.files.study_file import STUDY_FILE, read_settings
from grr.model.errors import StudyError
from grr.model.names import begun, shortened
from grr.model.rounding import JOIN, counted, limits_text
from grr.model.settings import Settings
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.page.templates import render
from grr.questions.check import check

#: Step → its name on the scale, and the notebook whose page it is.
STEPS = {
    "plan": ("Plan", "1_plan"),
    "measure": ("Measure", "2_collect"),
    "check": ("Check", "3_check"),
    "answer": ("Answer", "4_judge"),
    "improve": ("Improve", "4_judge"),
    "file": ("File", "4_judge"),
}
START = "0_start_here"
#: Pages beside a step's own → that step.
BESIDE = {"print": "plan"}
#: What the title of an example begins with; on a page the yellow frame says it.
_BEFORE_EXAMPLES = "Example with invented readings: "
#: The report of a study, in its own folder.
REPORT = "report.html"


@dataclass(frozen=True)
class Button:
    """What can be pressed: words, and the address that it leads to."""

    words: str
    address: str
    new_window: bool = False


@dataclass(frozen=True)
class Foot:
    """What next: one sentence, quiet buttons, and the one primary button."""

    sentence: str
    primary: Button | None = None
    quiet: Sequence[Button] = ()

    def html(self) -> str:
        """Return the foot as a page shows it."""
        return render("foot.html.j2", {"foot": self})


def page_address(step: str, study: str, **more: str) -> str:
    """Return the address of a step's page for a study folder such as "studies/pins"."""
    notebook = STEPS[step][1] if step in STEPS else step
    asked = {"step": step} if step in STEPS else {}
    asked |= {"study": study} if study else {}
    return f"{notebook}.ipynb?{urlencode(asked | more)}"


def between(tolerance: Tolerance | None, resolution: float | None, unit: str) -> str:
    """Return limits as a page shows them, short: "7.991 – 8.000 mm"."""
    return limits_text(tolerance, resolution, unit).replace(" to ", f"{JOIN}– ")


def named_study(folder: Path) -> str:
    """Return a study folder as addresses name it: "studies/pins"."""
    return f"{folder.parent.name}/{folder.name}"


@dataclass(frozen=True)
class Progress:
    """How far a study is.

    Attributes
    ----------
    folder : Path
    settings : Settings or None
        None for a study that is being planned.
    study : Study or None
        None while there are no readings.
    trouble : str
        Why the readings cannot be used; "" where they can, or there are none.
    """

    folder: Path
    settings: Settings | None
    study: Study | None
    trouble: str = ""

    @property
    def name(self) -> str:
        """The study folder as addresses name it."""
        return named_study(self.folder)

    @property
    def title(self) -> str:
        """What the study is called."""
        given = (self.settings.title if self.settings else "").removeprefix(_BEFORE_EXAMPLES)
        return begun(given) or asked_for("new") or self.folder.name.replace("_", " ")

    @property
    def example(self) -> bool:
        """Whether the readings are invented."""
        return bool(self.settings and self.settings.example)

    @property
    def taken(self) -> int:
        """How many readings there are."""
        return self.study.taken if self.study else 0

    @property
    def planned(self) -> int:
        """How many readings were planned; those taken where nothing was planned."""
        plan = self.settings.plan if self.settings else None
        return plan.readings if plan else self.taken

    @property
    def measured(self) -> bool:
        """Whether all readings that were planned are there."""
        return 0 < self.taken >= self.planned

    @property
    def filed(self) -> bool:
        """Whether the report is in the folder."""
        return (self.folder / REPORT).exists()

    @property
    def when(self) -> str:
        """The time of the last reading, or its day where it is not today."""
        times = self.study.readings.get("time") if self.study else None
        if times is None or not times.notna().any():
            return ""
        last = times.max()
        local = (last if last.tzinfo else last.tz_localize("UTC")).to_pydatetime().astimezone()
        today = local.date() == datetime.now().date()
        return f"{local:%H:%M}" if today else f"{local.day} {local:%b %Y}"

    @property
    def state(self) -> str:
        """How many readings there are, in words."""
        if self.trouble:
            return f"the {'readings' if self.settings else 'settings'} cannot be used"
        if not self.taken:
            return "nothing read yet"
        if not self.measured:
            return f"{self.taken} of {self.planned} read"
        return counted(self.taken, "reading")

    @property
    def done(self) -> tuple[str, ...]:
        """The steps that are done."""
        found = ["plan"] if self.settings and (self.settings.plan or self.taken) else []
        if self.measured and self.study:
            found.append("measure")
            if not check(self.study).must_mend:
                found.append("check")
                found += ["answer", "improve", "file"] if self.filed else []
        return tuple(found)

    @property
    def next_step(self) -> str:
        """The first step that is not done; the answer of a study that was filed."""
        left = [step for step in STEPS if step not in self.done]
        return left[0] if left else "answer"


def progress_of(folder: Path) -> Progress:
    """Return how far the study in a folder is; the folder may not be there yet."""
    if not (folder / STUDY_FILE).exists():
        return Progress(folder, None, None)
    settings = read_settings(folder)
    try:
        return Progress(folder, settings, study_in(folder))
    except StudyError as error:
        nothing = "no readings yet" in error.problem
        return Progress(folder, settings, None, "" if nothing else str(error))


def show_frame(step: str, notebook: str, of_examples: bool = False) -> None:
    """Show the frame of a page; the cells of the notebook follow in it.

    Parameters
    ----------
    step : str
        One of `STEPS`; "" for a page that is no step of a study.
    notebook : str
        The file of the notebook, such as "4_judge.ipynb".
    of_examples : bool
        Whether its cells open demo studies, whatever study was chosen.
    """
    from IPython.display import HTML, display

    beside = step not in STEPS and not study_of_the_page()
    gauges = notebook == f"{START}.ipynb" or beside
    try:
        folder = None if gauges else _folder_of_the_page()
        html = frame_html(step, notebook, folder, of_examples=of_examples and not step)
    except StudyError:  # it becomes a card, beside the way back
        display(HTML(frame_html("", notebook, None)))  # type: ignore[no-untyped-call]
        raise
    if folder is not None and study_of_the_page() and (folder / STUDY_FILE).exists():
        remember_choice(study_of_the_page())
    display(HTML(html))  # type: ignore[no-untyped-call]


def _folder_of_the_page() -> Path:
    """Return the study in the page's address, the new one named there, or the chosen one."""
    new, name = asked_for("new"), study_of_the_page()
    if new:
        return Path("..") / PLACES[0] / folder_name(new)
    return Path("..") / name if name else chosen_folder()


def frame_html(step: str, notebook: str, folder: Path | None, *, of_examples: bool = False) -> str:
    """Return band, scale and, for pages that bring none of their own, the foot."""
    progress = progress_of(folder) if folder is not None else None
    done = () if progress is None else progress.done
    page, step = step, BESIDE.get(step, step)
    before = list(STEPS).index(step) if step in STEPS else 0
    gauge = gauge_of_the_page().partition("/")[2].replace("_", " ")
    steps = [
        {
            "words": words,
            "address": page_address(key, progress.name) if progress else "",
            # What is only looked at is done once it lies behind the present step.
            "done": key in done
            or (key in ("answer", "improve") and "check" in done and index < before),
            "here": key == step == page,
            "reached": index < before,
        }
        for index, (key, (words, _)) in enumerate(STEPS.items())
    ]
    foot = None if step else Foot("", Button("Back to the studies", f"{START}.ipynb"))
    if step not in ("", "plan") and progress is not None and not progress.settings:
        foot = Foot("", Button("Go to the plan", page_address("plan", progress.name)))
    values = {
        "step": page,
        "start": f"{START}.ipynb",
        "notebook": f"/lab/tree/notebooks/{notebook}",
        "progress": progress,
        "title": progress.title if progress else asked_for("new") or gauge or "Gauge studies",
        "facts": _facts(progress),
        "state": " · ".join(filter(None, [progress.state, progress.when])) if progress else "",
        "steps": steps if step in STEPS else [],
        "here": before,
        "working_folder": str(Path("..").resolve()),
        "example": of_examples or (progress is not None and progress.example),
        "front": notebook == f"{START}.ipynb",
        # The steps bring their own.
        "foot": foot,
    }
    return render("frame.html.j2", values)


def _facts(progress: Progress | None) -> str:
    if progress is None or progress.settings is None:
        return "new study" if progress else ""
    settings = progress.settings
    gauge = str(settings.facts.get("gauge_number") or settings.facts.get("gauge") or "")
    found = [between(settings.tolerance, settings.resolution, settings.unit)]
    found += [shortened(gauge, 30)] if gauge else []
    return " · ".join(found)
