"""The pages beside the six steps: do we read alike, stand or handheld, fit, still good.

A page belongs to the study in its address; without one it lists the studies that it can answer
for, a person's own first.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from grr.entry.gauge_form import GaugeForm
from grr.files.chosen import (
    PLACES,
    asked_for,
    chosen_folder,
    gauge_of_the_page,
    on_a_page,
    study_folders,
    study_of_the_page,
)
from grr.files.folder import study_in
from grr.files.gauge_folder import GAUGES, gauge_folders, read_gauge
from grr.model.blocks import Block, Bullets, Heading, Prose
from grr.model.errors import StudyError
from grr.model.html_blocks import as_html
from grr.model.names import begun, brief, shortened
from grr.model.rounding import JOIN, figures, length, length_and_half
from grr.model.study import Study
from grr.model.values import a_path
from grr.page.frame import Button, Foot, between, page_address, progress_of
from grr.page.label import gauge_label
from grr.page.report import report
from grr.page.screens import LONGEST, MOST_LISTED, Screen, answer_page, row_of, told
from grr.questions.operators import OperatorComparison, OperatorConclusion, compare_operators
from grr.questions.qualify import Qualification
from grr.questions.verdict import verdict
from grr.show.drawings import length_bar, offset_scale

START = "0_start_here.ipynb"
QUALIFY, WATCH = "8_qualify_a_micrometer", "9_keep_watching"
OPERATORS, METHODS = "6_which_operator_needs_what", "7_stand_or_handheld"
#: Most operators that one screen shows.
MOST_OPERATORS = 8


def operators_page(top: str | Path = "..") -> Screen:
    """Show who reads high or low, who scatters more, and whether it matters here.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebooks.

    Raises
    ------
    StudyError
        The chosen study cannot be used, or one person measured it.

    Examples
    --------
    >>> grr.operators_page()
    Screen(Example with invented readings: dowel pins in a stand: 10 …)
    """
    folder = _study_of_one_s_own(a_path(top))
    if folder is None:
        return _picked(
            "Do we read alike?", "Whose readings?", OPERATORS, a_path(top), "operator_names"
        )
    study = study_in(folder)
    name = progress_of(folder).name
    quiet = []
    if len(study.methods) > 1:  # one way of holding at a time
        asked = asked_for("method")
        method = asked if asked in study.methods else study.methods[0]
        others = [one for one in study.methods if one != method]
        quiet = [
            Button(begun(shortened(one, LONGEST)), page_address(OPERATORS, name, method=one))
            for one in others[:2]
        ]
        study = study.for_method(method)
    found = compare_operators(study)
    numbers, held = bool(asked_for("numbers")), bool(found.look_first)
    foot = Foot(
        _operators_next(found),
        Button("Back to the answer", page_address("answer", name)),
        [*quiet, Button("Numbers and formulas", page_address(OPERATORS, name, numbers="1"))],
    )
    if numbers:
        foot = Foot("Rounded for reading.", Button("Back", page_address(OPERATORS, name)))
    values = {
        "sentence": ": ".join([found.headline, *found.look_first[:1]]),
        "rows": [] if numbers or held else _operator_rows(found),
        "more": 0 if held else max(0, len(found.conclusions) - MOST_OPERATORS),
        "three": [] if numbers or held else _chance_and_size(found, study),
        "numbers": as_html(found.blocks()) if numbers else "",
    }
    return Screen(found.blocks(), "operators.html.j2", values, foot)


def _operator_rows(found: OperatorComparison) -> list[dict[str, Any]]:
    numbers, unit = found.numbers, found.study.unit
    worst = sorted(found.conclusions, key=lambda one: -one.offset.largest)
    span = max([one.offset.largest for one in worst] + [2.0 * numbers.matters_from])
    most = max(numbers.value(one.operator, "sd") for one in worst)
    rows = []
    for one in worst[:MOST_OPERATORS]:
        size, sd = one.offset.size, numbers.estimate(one.operator, "sd", unit)
        both = length_and_half(size.value, size.upper - size.value, unit)
        offset, _, half = both.partition(" ± ")
        rows.append(
            {
                "name": shortened(one.operator, LONGEST),
                "finding": ", ".join(one.in_words),
                "apart": one.reads_apart,
                "scale": offset_scale(size, numbers.matters_from, span),
                "offset": offset if size.known else "not known",
                "interval": f"± {half}, 95{JOIN}%" if half else "",
                "bar": length_bar(sd.value, most) if sd.known else "",
                "scatter": f"{sd}" if sd.known else "not known",
            }
        )
    return rows


def _chance_and_size(found: OperatorComparison, study: Study) -> list[dict[str, str]]:
    """Return three answers about the one who reads farthest off: chance, size, what it brings."""
    one = max(found.conclusions, key=_off)
    offset, unit = one.offset, found.study.unit
    by_chance = "No" if offset.differs else "It may be"
    words = {"yes": "Yes", "no": "No", "open": "Not shown", "not known": "Not known"}
    small = ""
    if offset.matters != "not known":
        small = f"from {length(offset.matters_from, unit)} on it does"
    brings = told("Reading alike", "Nothing to win")
    judged = verdict(study).criterion
    if offset.without is not None and offset.without.known and judged is not None:
        large = f"{judged.value:.0f} → {offset.without.value:.0f}{JOIN}%"
        brings = told("Reading alike", large, judged.name)
    return [
        told("Is it chance?", by_chance, f"p {figures(offset.p)}"),
        told("Does it matter here?", words[offset.matters], small),
        brings,
    ]


def _off(one: OperatorConclusion) -> tuple[bool, float]:
    return one.reads_apart, abs(one.offset.size.value)


def _operators_next(found: OperatorComparison) -> str:
    if found.look_first:
        return "Fix the reading first."
    for one in sorted(found.conclusions, key=_off, reverse=True):
        if one.confirm:
            what = brief(one.confirm[0]).replace("this operator", shortened(one.operator, LONGEST))
            return f"Next: {what[0].lower()}{what[1:]}"
    return "Nobody needs help."


def methods_page(top: str | Path = "..") -> Screen:
    """Show which of two ways of holding to use, what the other costs, and on what conditions.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebooks.

    Raises
    ------
    StudyError
        The chosen study cannot be used.

    Examples
    --------
    >>> grr.methods_page()
    Screen(This study holds the gauge in one way. Plan one with two: …)
    """
    folder = _study_of_one_s_own(a_path(top))
    question = "Stand or handheld?"
    if folder is None:
        return _picked(question, "Which study?", METHODS, a_path(top), "methods")
    study = study_in(folder)
    if len(study.methods) > 1:
        return answer_page(study)
    said = [Prose(["This study holds the gauge in one way. Plan one with two: name both."])]
    start = Button("Plan one", f"{START}#new")
    foot = Foot("The same people measure the same parts both ways.", start)
    return replace(_pick(question, said[0].paragraphs[0], [], foot), said=said)


# The gauges
# ----------


def qualify_page(top: str | Path = "..") -> Screen | GaugeForm:
    """Show the form that qualifies a gauge, or the gauges of the working folder to pick from.

    The form works on the gauge in the page's address.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebooks.

    Examples
    --------
    >>> grr.qualify_page()
    Screen()
    """
    return _gauge_page(a_path(top), "qualify", "Is this gauge fit?", QUALIFY)


def watch_page(top: str | Path = "..") -> Screen | GaugeForm:
    """Show the form that watches a gauge by its check standard, or the gauges to pick from.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebooks.

    Examples
    --------
    >>> grr.watch_page()
    Screen()
    """
    return _gauge_page(a_path(top), "watch", "Is it still good?", WATCH)


def _gauge_page(
    top: Path, kind: Literal["qualify", "watch"], question: str, notebook: str
) -> Screen | GaugeForm:
    name = gauge_of_the_page()
    if name:
        studies = [one for one in study_folders(top) if one.startswith(f"{PLACES[0]}/")]
        return GaugeForm(top / name, kind, asked_for("new"), studies, filing=report, label=_label)
    rows = []
    for folder in gauge_folders(top)[:MOST_LISTED]:
        row: dict[str, Any] = {"title": folder.name, "limits": "", "state": "", "example": False}
        row["address"] = page_address(notebook, "", gauge=f"{GAUGES}/{folder.name}")
        try:
            facts = read_gauge(folder)
        except StudyError as error:
            row["state"] = error.problem
        else:
            row["title"] = shortened(facts.title, 60)
            row["limits"] = between(facts.tolerance, facts.resolution, facts.unit)
        rows.append(row)
    lead = "Which gauge?" if rows else "No gauge yet. Give the first one its number below."
    return _pick(question, lead, rows, new=f"{notebook}.ipynb")


def _label(page: Qualification) -> str:
    return gauge_label(page).page


# Which study
# -----------


def _study_of_one_s_own(top: Path) -> Path | None:
    """Return the study in the page's address; in a notebook the chosen one."""
    if on_a_page():
        return top / study_of_the_page() if study_of_the_page() else None
    return chosen_folder(top)


def _picked(question: str, lead: str, notebook: str, top: Path, several: str) -> Screen:
    """Return the list of the studies that a page can answer for: those with several of these."""
    rows = []
    for name in study_folders(top)[:MOST_LISTED]:
        try:
            progress = progress_of(top / name)
        except StudyError:
            continue  # the start page says why
        if progress.study is not None and len(getattr(progress.study, several)) > 1:
            rows.append(row_of(progress, page_address(notebook, name)))
    own = next((row for row in rows if not row["example"]), None)
    foot = Foot("Or plan a study of your own.", Button("Start a study", f"{START}#new"))
    if own is not None:
        foot = Foot(own["title"], Button("Open it", own["address"]))
    return _pick(question, lead, rows, foot)


def _pick(
    question: str, lead: str, rows: list[dict[str, Any]], foot: Foot | None = None, new: str = ""
) -> Screen:
    """Return a list to pick from; ``new`` is the notebook that makes one more."""
    said: list[Block] = [Heading(question, 3), Bullets([row["title"] for row in rows])]
    values = {"question": question, "lead": lead, "rows": rows, "new": new}
    return Screen(said, "pick.html.j2", values, foot)
