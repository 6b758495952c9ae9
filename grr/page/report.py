"""`grr.report`: the report of a study or another result, as one page of HTML or as a PDF.

A report is data first: a first page and numbered parts, each of blocks. The template
``report.html.j2`` beside this file turns it into a page that needs nothing else.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from grr.files.allowed_files import target_file
from grr.files.disk import write_whole
from grr.files.folder import study_files
from grr.model.blocks import Banner, Bullets, Facts, Fold, Heading, Picture, Prose
from grr.model.errors import StudyError
from grr.model.names import shortened
from grr.model.printed import EXAMPLE, Printed
from grr.model.study import Study
from grr.model.values import needs, one_of
from grr.page.conduct import (
    all_facts,
    conduct_blocks,
    provenance_blocks,
    readings_fingerprint,
    versions,
)
from grr.page.filed_results import (
    as_filed,
    fingerprint,
    formulas_of,
    kind_of,
    table_text,
    told_of,
)
from grr.page.front import (
    LONGEST_TITLE,
    STEPS,
    Cover,
    FrontPage,
    comparisons_of,
    front_page,
    methods_front_page,
    result_front_page,
)
from grr.page.json_export import result_text
from grr.page.numbers import (
    after_opening,
    how_blocks,
    numbers_blocks,
    order_blocks,
    readings_blocks,
    risks_blocks,
    side_by_side,
)
from grr.page.page_blocks import Columns, PageBlock, or_reason
from grr.page.pdf import print_pdf
from grr.page.templates import render
from grr.questions.check import RUINED, Findings, check
from grr.questions.drift import drift, in_order
from grr.questions.gauge import GaugeResult, result_of_record
from grr.questions.methods import MethodComparison
from grr.questions.operator_codes import Codes
from grr.questions.operator_codes import code_operators as coded
from grr.questions.operators import compare_operators
from grr.questions.verdict import CAUTION, Verdict, verdict
from grr.show.method_figures import methods_by_part
from grr.show.operator_figures import operators_side_by_side, parts_by_operators, trial_ranges
from grr.show.spread_figures import spread_sources
from grr.show.static import WIDTH
from grr.show.time_figures import drift_over_time

if TYPE_CHECKING:
    import pandas as pd
    from plotly.graph_objects import Figure

#: Sizes of paper that a PDF can be printed on, as style sheets call them.
PAPERS = {"A4": "A4", "Letter": "letter"}
LONGEST_METHOD = 40
#: Width at which a picture is drawn that stands beside another, in px.
HALF = 460.0
#: A text of so many letters is said once; shorter ones are names and labels.
SENTENCE = 30
DATA, OPERATORS, METHODS = (
    "Is the data what it claims to be?",
    "The operators compared",
    "The methods compared",
)
NUMBERS, RISKS, HOW = "The numbers", "Risks and acceptance limits", "How it was computed"
DRIFT = "Drift while measuring"
#: A function that a sentence names → the part of the report that holds its answer.
_ANSWERED_IN = {
    "anova": NUMBERS,
    "average_range": NUMBERS,
    "check": DATA,
    "compare_operators": OPERATORS,
    "compare_methods": METHODS,
    "drift": DRIFT,
    "guard_band": RISKS,
    "misclassification": RISKS,
    "what_would_help": RISKS,
    "worked_sheet": HOW,
}
#: The same for what a sentence calls by its name in the notebooks.
_CALLED = {
    "the check of the data": DATA,
    "notebook 5, Risk and limits": RISKS,
    "notebook 7, Stand or handheld": DRIFT,
}
#: Ends a reason that the part with this name, which is near, says whole.
_SEE_DATA = "to look at, see the check of the data."
_FUNCTION = re.compile(rf"\bgrr\.({'|'.join(_ANSWERED_IN)})\b(?:\(\w*\))?")


@dataclass(frozen=True)
class Part:
    """One numbered part of the report; ``name`` is what links lead to.

    Those of the annex, for who recomputes, come last and in small print.
    """

    name: str
    title: str
    blocks: Sequence[PageBlock]
    new_page: bool = False
    annex: bool = False


@dataclass(frozen=True)
class Report:
    """A whole report, before it is a page.

    Parameters
    ----------
    title : str
    foot : str
        At the foot of every printed page: letters, digits and plain signs only.
    cover : FrontPage
    parts : sequence of Part
    paper : str
        As a style sheet calls it; "" leaves the choice to whoever prints.
    seal : str
        Of the study's folder; "" where the study was opened from none.
    told : callable
        What to do with every text, such as naming parts of the report in place of functions.
    """

    title: str
    foot: str
    cover: FrontPage
    parts: Sequence[Part]
    paper: str = ""
    seal: str = ""
    told: Callable[[str], str] = str

    @property
    def first_foot(self) -> str:
        """The foot without the date, which the first page has above its title."""
        return self.foot.partition(", ")[2]

    def html(self, *, on_paper: bool = False) -> str:
        """Return the report as one page; on paper everything is unfolded."""
        widths = {"whole_width": WIDTH, "half_width": HALF}
        values = {"report": self, "on_paper": on_paper, **widths}
        return render("report.html.j2", values, told=self.told)


def report(
    subject: Study | Printed | pd.DataFrame,
    path: str | PathLike[str],
    *,
    date: dt.date | None = None,
    prepared_by: str = "",
    approved_by: str = "",
    number: str = "",
    revision: str = "",
    supersedes: str = "",
    deviations: str = "",
    code_operators: bool = False,
    baseline: str | None = None,
    paper: str = "A4",
    overwrite: bool = False,
) -> Path:
    """Write the report of a study, or of another result, as one page of HTML or as PDF.

    Parameters
    ----------
    subject : Study or result
        A study by one method of measuring, or by several: then the report compares them. A
        gauge result stands for its study. Also a qualification, a study on a reference, of
        linearity or of stability, an uncertainty budget, or the table of `grr.analyse_many`.
    path : str or path
        Ends in .html or .pdf. A PDF is printed by an installed Chromium, Chrome or Edge; the
        study (readings.csv, study.toml), or the result's table.csv, and result.json are
        attached to it.
    date : date, optional
        The day to print; today by default. The same study and date give the same bytes.
    prepared_by, approved_by, number, revision, supersedes : str
        Printed on the first page; what is "" is a line to fill in by hand.
    deviations : str
        What was done otherwise than planned, besides what the files tell.
    code_operators : bool
        Whether operators are called "Operator 1" and so on, in notes and records as well.
        The coded readings are attached. Of a study only.
    baseline : str, optional
        Of several methods the one that the others are compared with; the first of the
        plan by default.
    paper : {"A4", "Letter"}
        Of a PDF.
    overwrite : bool
        Whether a file that grr did not make may be replaced.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    StudyError
        Something that cannot be filed, another ending, a study that cannot be analysed, no
        browser for a PDF, or a place that cannot be written or holds a file that grr did not
        make.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.report(study, "pins.html", date=datetime.date(2026, 3, 31)).name
    'pins.html'
    """
    target = target_file(path, ".html", ".pdf", overwrite=overwrite)
    filed = as_filed(subject)
    methods = filed.methods if isinstance(filed, Study) else ()
    if baseline is not None and baseline not in methods:
        raise StudyError(
            "The baseline is none of the methods of the study",
            f"Name one of: {', '.join(methods)}"
            if methods
            else "Leave it out: there is one method",
            value=baseline,
        )
    one_of("paper", paper, tuple(PAPERS))
    day = (dt.date.today() if date is None else needs(date, dt.date, "date")).isoformat()
    cover = Cover(day, prepared_by, approved_by, revision, supersedes, deviations, number)
    shown = filed
    if isinstance(filed, Study):
        if code_operators:
            shown, key = coded(filed)
            codes = Codes({name: code for code, name in key.items()})
            cover = replace(cover, deviations=codes.text(deviations))
        made = report_of(filed, needs(shown, Study), cover, baseline=baseline)
    elif code_operators:
        raise StudyError(
            "Only the operators of a study can be coded",
            "Code them before: grr.code_operators(study), then make this result of that study",
        )
    else:
        made = report_of_result(filed, cover)
    if target.suffix.lower() == ".pdf":
        page = replace(made, paper=PAPERS[paper]).html(on_paper=True)
        data = study_files(shown) if isinstance(shown, Study) else {"table.csv": table_text(shown)}
        print_pdf(page, target, day, {**data, "result.json": result_text(shown)})
    else:
        write_whole(target, made.html())
    return target


def report_of(study: Study, shown: Study, cover: Cover, *, baseline: str | None = None) -> Report:
    """Return the whole report as data.

    Parameters
    ----------
    study : Study
        As it was read, for its fingerprint and its record.
    shown : Study
        As it is shown: the same, or with coded operators.
    cover : Cover
    baseline : str, optional

    Raises
    ------
    StudyError
        The study cannot be analysed, or the baseline is none of its methods.
    """
    several = len(shown.methods) > 1
    studies = {m: shown.for_method(m) for m in shown.methods} if several else {"": shown}
    verdicts = {name: verdict(result_of_record(one)) for name, one in studies.items()}
    if several:
        front, parts = _several_methods(shown, verdicts, cover, baseline)
    else:
        front, parts = _one_method(verdicts[""], cover)
    reasons = [part for part in parts if part.name == "why"]
    steps = [step for one in verdicts.values() for step in one.next_steps]
    data = [*_found(check(shown), steps), *conduct_blocks(shown, cover.deviations)]
    title = shown.title if len(shown.title) > LONGEST_TITLE else ""  # else page 1 has it whole
    about = [("Title", title), ("Methods", ", ".join(shown.methods)), *all_facts(shown)]
    facts = [Facts(about)] if any(answer for _, answer in about) else []
    proof = provenance_blocks(study, shown)
    parts = [
        *reasons,
        Part("data", DATA, data, new_page=not reasons),
        *(part for part in parts if part not in reasons and not part.annex),
        Part("facts", "Annex, what was measured and how", facts, annex=True),
        *(part for part in parts if part.annex),
        Part("record", "Where the numbers come from", proof, annex=True),
    ]
    foot = f"report of {cover.date}, readings {readings_fingerprint(shown)[:16]}"
    seal = study.record.seal if study.record else ""
    return Report(
        shown.title or "Gauge study", foot, front, said_once(parts), seal=seal, told=for_readers
    )


def report_of_result(result: Printed, cover: Cover) -> Report:
    """Return the report on any other result as data: its answer, what it says, its formulas."""
    kind, software = kind_of(result), ", ".join(f"{name} {v}" for name, v in versions().items())
    proof = [("SHA-256 of the table", fingerprint(result)), ("Software", software)]
    stated_otherwise = [Prose([f"Stated by who prepared the report: {cover.deviations}"])]
    parts = [
        *([] if kind.figure is None else [Part("result", "The result", _without_banner(result))]),
        *([Part("deviations", "Deviations", stated_otherwise)] if cover.deviations else []),
        Part("formulas", "Formulas and their sources", [formulas_of(result)]),
        Part("record", "Where the numbers come from", [Facts(proof)]),
    ]
    foot = f"report of {cover.date}, table {fingerprint(result)[:16]}"
    title, seal = (str(told_of(result, name) or "") for name in ("title", "seal"))
    front = result_front_page(result, cover)
    return Report(title or kind.title, foot, front, parts, seal=seal)


def _without_banner(result: Printed) -> list[PageBlock]:
    """Return what a result says without what the first page has: its banner and its stamp."""
    return [
        replace(one, paragraphs=[text for text in one.paragraphs if text != EXAMPLE])
        if isinstance(one, Prose)
        else one
        for one in _raised(result.blocks())
        if not isinstance(one, Banner)
    ]


def for_readers(text: str) -> str:
    """Return a text that names parts of the report in place of functions to call."""
    for name, part in _CALLED.items():
        text = text.replace(name, f"“{part}”")
    return _FUNCTION.sub(lambda found: f"“{_ANSWERED_IN[found.group(1)]}”", text)


def said_once(parts: Sequence[Part]) -> list[Part]:
    """Return the parts without what an earlier one has said, and none that says nothing more."""
    told: set[str] = set()
    left = [replace(part, blocks=_unsaid(part.blocks, told)) for part in parts]
    return [part for part in left if part.blocks]


def _unsaid(blocks: Sequence[PageBlock], told: set[str]) -> list[PageBlock]:
    """Return blocks without sentences already told, and without headings over nothing."""
    kept: list[PageBlock] = []
    for block in blocks:
        if isinstance(block, Prose | Bullets):
            texts = block.paragraphs if isinstance(block, Prose) else block.items
            new = [text for text in texts if text not in told]
            told.update(text for text in new if len(text) >= SENTENCE)
            kept += [Prose(new) if isinstance(block, Prose) else Bullets(new, block.numbered)]
            kept = kept if new else kept[:-1]
        elif isinstance(block, Columns):
            sides = [set(told), set(told)]  # what both sides say is said of two things
            left, right = _unsaid(block.left, sides[0]), _unsaid(block.right, sides[1])
            kept.append(replace(block, left=left, right=right))
            told.update(*sides)
        else:
            kept.append(block)
    after: list[PageBlock | None] = [*kept[1:], None]
    return [
        one
        for one, following in zip(kept, after, strict=False)
        if not isinstance(one, Heading)
        or not (
            following is None or (isinstance(following, Heading) and following.level <= one.level)
        )
    ]


def _found(findings: Findings, steps: Sequence[str]) -> Sequence[PageBlock]:
    """Return what the check found, without what to do where that is among the next steps."""
    told = [
        replace(one, todo="") if any(one.todo in step for step in steps) else one
        for one in findings
    ]
    return replace(findings, findings=tuple(told)).blocks()


def _one_method(judged: Verdict, cover: Cover) -> tuple[FrontPage, list[Part]]:
    result = judged.result
    study = result.study
    ruined = {"": result} if judged.findings.ruined else {}
    pictures = _pictures(result, spread=not ruined)
    pictures = [Columns(pictures[::2], pictures[1::2])] if len(pictures) > 1 else pictures
    people: Sequence[PageBlock] = [RUINED]
    if not ruined:
        picture, said = _operators(study)
        if picture:
            said = [Columns([*picture, *_drawn(lambda: trial_ranges(study))], said)]
        people = [*said, *_drift(study)]
    parts = [
        Part("why", "Why this decision", [*_why(judged), Prose([CAUTION])], True),
        Part("pictures", "The study in pictures", pictures),
        Part("numbers", NUMBERS, [RUINED] if ruined else numbers_blocks(result)),
        Part("comparisons", OPERATORS, people),
        Part("risks", RISKS, [RUINED] if ruined else _beside(risks_blocks(result))),
        *_annex(study, {"": result}, ruined),
    ]
    return front_page(judged, cover), parts


def _several_methods(
    study: Study, verdicts: dict[str, Verdict], cover: Cover, baseline: str | None
) -> tuple[FrontPage, list[Part]]:
    """Return the report on several methods: each part says the same of all, side by side."""
    found, why_not = comparisons_of(study, baseline)
    results = {name: judged.result for name, judged in verdicts.items()}
    ruined = {name for name, judged in verdicts.items() if judged.findings.ruined}
    front = methods_front_page(study, found, why_not, verdicts, cover)
    compared = [block for one in found for block in _compared(one)]
    drifts = [] if check(study).ruined else _drift(study)

    def each(
        told: Callable[[GaugeResult], Sequence[PageBlock]], *, below: bool = False
    ) -> list[PageBlock]:
        said = [(name, [RUINED] if name in ruined else told(one)) for name, one in results.items()]
        return side_by_side(said, below=below)

    decided = [
        (name, judged.blocks() if name in ruined else [judged.blocks()[0], *_why(judged)])
        for name, judged in verdicts.items()
    ]
    pictures = [
        (
            name,
            [
                *_pictures(one, spread=name not in ruined)[-1:],
                *([] if name in ruined else _operators(one.study)[0]),
            ],
        )
        for name, one in results.items()
    ]
    parts = [
        Part("methods", METHODS, [*compared, *drifts]),
        Part("decision", "Each method by itself", side_by_side(decided)),
        Part("pictures", "The readings in pictures", side_by_side(pictures)),
        Part("comparisons", OPERATORS, each(lambda result: _operators(result.study)[1])),
        Part("numbers", NUMBERS, each(lambda one: numbers_blocks(one)[1:], below=True), annex=True),
        Part("risks", RISKS, each(risks_blocks), annex=True),
        *_annex(study, results, ruined),
    ]
    return front, parts


def _compared(found: MethodComparison) -> list[PageBlock]:
    """Return the comparison without what the first page has said: answer, study and caution."""
    _, _, numbers, *said, _ = _raised(found.blocks())
    drawn = [] if found.ruined else _drawn(lambda: methods_by_part(found))
    wide = [one for one in said if isinstance(one, Fold) and one.brief]  # the table of squares
    return [Columns([numbers, *drawn], [one for one in said if one not in wide]), *wide]


def _why(judged: Verdict) -> list[PageBlock]:
    """Return what the decision rests on, its conditions, and everything to do next."""
    proven = [] if judged.proven_for is None else [str(judged.proven_for)]
    reasons = [judged.by_manual, judged.by_confidence, *proven, *judged.reasons]
    sections = (
        (judged.acceptance_title, judged.acceptance),
        (judged.conditions_title, judged.conditions),
        ("Everything to do next", judged.next_steps if len(judged.next_steps) > STEPS else ()),
    )
    return [
        Bullets([one for one in dict.fromkeys(reasons) if not one.endswith(_SEE_DATA)]),
        *(
            block
            for title, sentences in sections
            if sentences
            for block in (Heading(title, 3), Bullets(sentences))
        ),
    ]


def _raised(blocks: Sequence[PageBlock]) -> list[PageBlock]:
    """Return blocks with their smaller headings one level up, as a part needs them."""
    return [replace(one, level=3) if isinstance(one, Heading) else one for one in blocks]


def _beside(blocks: Sequence[PageBlock]) -> list[PageBlock]:
    """Return what stands under the first two headings in two columns, and the rest below."""
    starts = [
        at for at, block in enumerate(blocks) if isinstance(block, Heading) and block.level < 4
    ]
    first, second, *rest = [*starts, len(blocks), len(blocks)]
    third = rest[0]
    return [Columns(blocks[first:second], blocks[second:third], True), *blocks[third:]]


def _pictures(result: GaugeResult, *, spread: bool = True) -> list[PageBlock]:
    """Return the study in pictures; of ruined readings no spread, and the order they came in."""
    study = result.study
    return [
        *(_drawn(lambda: spread_sources(result)) if spread else []),
        *_drawn(lambda: parts_by_operators(result)),
        *([] if spread else _drawn(lambda: trial_ranges(study))),
        *([] if spread else _drawn(lambda: in_order(study))),
    ]


def _drawn(make: Callable[[], Figure]) -> Sequence[PageBlock]:
    """Return a picture, or the sentence that says why there is none."""

    def picture() -> list[PageBlock]:
        figure = make()
        return [Picture(lambda: figure)]

    return or_reason(picture, "Not drawn: ")


def _operators(study: Study) -> tuple[Sequence[PageBlock], Sequence[PageBlock]]:
    """Return who reads high and who scatters as a picture, and what is said of it in words.

    Without what is for the curious. Where they cannot be compared no picture, and why.
    """
    try:
        found = compare_operators(study)
        figure = operators_side_by_side(found)
    except StudyError:
        return [], or_reason(
            lambda: compare_operators(study).blocks(), "The operators cannot be compared: "
        )
    said = after_opening(found.blocks())[1:]  # the headline is the picture's answer
    return [Picture(lambda: figure)], [
        one for one in said if not (isinstance(one, Fold) and one.brief)
    ]


def _drift(study: Study) -> list[PageBlock]:
    """Return whether the readings drift while measuring, and when to zero again."""

    def looked_at() -> list[PageBlock]:
        found = drift(study)
        figure = drift_over_time(found)
        said = after_opening(found.blocks())[1:]  # the headline is the picture's answer
        return [Columns([Picture(lambda: figure)], said)]

    return [Heading(DRIFT, 3), *or_reason(looked_at, "Drift cannot be seen: ")]


def _annex(study: Study, results: Mapping[str, GaugeResult], ruined: Collection[str]) -> list[Part]:
    """Return formulas, sheets and readings; no numbers of ruined readings."""
    readings = [
        block
        for name, result in results.items()
        for block in readings_blocks(result.study, name and shortened(name, LONGEST_METHOD))
    ]
    return [
        Part("how", HOW, how_blocks(results, ruined), annex=True),
        Part("readings", "All readings", [*readings, *order_blocks(study)], annex=True),
    ]
