"""The first page of a report: the decision, the ruler, the few numbers that matter, who and when.

`front_page` is that of a study by one method, `methods_front_page` that of several: which
of them is needed, and how sure that is.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from grr.formulas.second_look import confidence_of
from grr.model.blocks import Banner, Bullets, Formulas, Heading, Picture, Prose, Table
from grr.model.choices import FIX_FIRST
from grr.model.errors import StudyError
from grr.model.names import begun, shortened
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import JOIN, counted, limits_text, listed, percent, size
from grr.model.study import Study
from grr.model.values import needs
from grr.page.conduct import fact
from grr.page.filed_results import ManyStudies, answer_of, kind_of, stated, told_of
from grr.page.filled_in import filled_in
from grr.page.page_blocks import Drawing, Form, KeyNumber, KeyNumbers, PageBlock, or_reason
from grr.questions import methods
from grr.questions.causes import cause_blocks, counterfactual, short
from grr.questions.check import TO_DO, Finding, Findings, calibration_due, check
from grr.questions.gauge import GaugeResult, spread_text
from grr.questions.renewal import recheck
from grr.questions.verdict import (
    CAUTION,
    DO_NOT_USE,
    LIKE_THIS,
    LOOKS,
    NOT_DECIDED,
    USE,
    WITH_LIMITS,
    Verdict,
)
from grr.show.method_figures import method_rulers
from grr.show.ruler_figures import tolerance_ruler
from grr.show.template import without_key

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: Longest title and longest name on the first page; the whole stands further on.
LONGEST_TITLE, LONGEST_NAME = 140, 40
#: Findings named on the first page, and the longest place of one.
MOST_PLACES, LONGEST_PLACE = 3, 60
#: Numbers that matter on the first page.
NUMBERS = 3
#: Height that a ruler needs for its numbers, in px.
NUMBERS_OF_RULER = 50
#: Steps to take named there; all of them stand in the next part.
STEPS = 1
_SAYS = {
    USE: "Good enough to {task}, used as here.",
    LIKE_THIS: "Good enough to {task}, under the conditions of this study only.",
    WITH_LIMITS: "Good enough to {task}, within the acceptance limits below only.",
    DO_NOT_USE: "Not good enough to {task}.",
    NOT_DECIDED: "This study does not decide whether it is good enough to {task}.",
    FIX_FIRST: "Nothing is decided before the readings below are settled.",
}
#: The same as `RUINED`, in as few words.
NOT_STATED = Prose(["No numbers while readings are wrong."])
#: The same as `CAUTION`, in the few words that the first page has room for.
SHORT_CAUTION = "This study does not replace the drawing or competent judgement."
CHANGED = "A change of gauge, people or method: then study again."
#: Label, key in the table of intervals, and the formulas that lead to the number.
_ROWS = (
    (
        "GRR of tolerance",
        ("GRR", "percent_tolerance"),
        ("EV", "AV", "INT", "GRR", "percent_tolerance"),
    ),
    ("GRR of total variation", ("GRR", "percent_tv"), ("GRR", "TV", "percent_tv")),
    ("ndc", ("ndc", "value"), ("PV", "ndc")),
    (
        "GRR, spread of the measuring system",
        ("GRR", "spread"),
        ("EV", "AV", "INT", "GRR", "spread"),
    ),
)


@dataclass(frozen=True)
class Cover:
    """Who answers for the report, when it was made, and what it replaces."""

    date: str
    prepared_by: str = ""
    approved_by: str = ""
    revision: str = ""
    supersedes: str = ""
    deviations: str = ""
    number: str = ""

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            needs(value, str, name)


@dataclass(frozen=True)
class FrontPage:
    """The first page, before it is a page.

    Parameters
    ----------
    kicker : str
        Date, revision and what is superseded, in small letters over the title.
    title : str
    stamp : str
        Says that the readings are invented; "" where they are not.
    blocks : sequence of blocks
    caution : str
        What the report does not replace; last on the page.
    kind : {"", "methods", "result"}
        What it is about where that is not one method of measuring: several, or a result.
    """

    kicker: str
    title: str
    stamp: str
    blocks: Sequence[PageBlock]
    caution: str
    kind: str = ""


def front_page(verdict: Verdict, cover: Cover) -> FrontPage:
    """Return the first page of the report on one method of measuring: the whole decision."""
    study, findings = verdict.result.study, verdict.findings
    mark, colour = LOOKS[verdict.banner]
    cause = [] if verdict.cause is None or findings.must_mend else [verdict.cause]
    told = [
        *(f"{short(one, verdict.result)}" for one in cause),
        *_nothing_stands_out(verdict),
        # The first sentence; the whole stands among the reasons.
        *([] if findings.ruined else re.split(r"(?<=\.)\s+(?=[A-Z])", verdict.by_confidence)[:1]),
        *_accept(verdict),
        *cautions(study, findings, cover, told={one.kind for one in cause}, brief=True),
    ]
    blocks: list[PageBlock] = [
        Banner(mark, verdict.banner, colour, decision_sentence(verdict)),
        Prose(told),
        *_listed("What to do next", _steps(verdict)),
    ]
    if findings.must_mend:
        blocks += _listed("Look at this first", findings.look_first[:1])
    if study.tolerance is not None and not findings.ruined:
        blocks.append(Drawing(lambda: _ruler(verdict.result)))
    blocks += [NOT_STATED] if findings.ruined else key_numbers(verdict.result)
    blocks += _listed("What ends this verdict", how_long(verdict))
    return _page(study, cover, blocks)


def _nothing_stands_out(verdict: Verdict) -> list[str]:
    """Return that no cause was found, where one was looked for and would be of use."""
    if verdict.banner in (USE, LIKE_THIS, FIX_FIRST) or verdict.cause is not None:
        return []
    return [
        f"{one.text}." for one in cause_blocks(verdict.result.study)[:1] if isinstance(one, Heading)
    ]


def _accept(verdict: Verdict) -> list[str]:
    """Return the acceptance limits: part of the decision, or for the meantime."""
    if verdict.findings.must_mend or not verdict.acceptance:
        return []
    text = f"{verdict.acceptance[0].partition(', ')[0].rstrip('.')}."
    if verdict.banner in (DO_NOT_USE, NOT_DECIDED):
        text = f"Meanwhile {text[:1].lower()}{text[1:]}"
    return [text]


def _steps(verdict: Verdict) -> list[str]:
    """Return the first step; what it would bring stands beside its cause already."""
    told = []
    for step in verdict.steps[:STEPS]:
        brings = "" if step.cause is None else begun(counterfactual(step.cause, verdict.result))
        known = step.cause is not None and step.cause is verdict.cause and brings
        told.append(step.sentence.split(brings)[0].rstrip() if known else step.sentence)
    return told


def _ruler(result: GaugeResult) -> Figure:
    """Return the ruler without its numbers: the limits at its ends have theirs."""
    figure = tolerance_ruler(result)
    figure.layout.xaxis.title.text = ""
    figure.layout.xaxis.tickvals = figure.layout.xaxis.ticktext = []
    figure.layout.height -= NUMBERS_OF_RULER
    figure.layout.margin.b -= NUMBERS_OF_RULER
    return figure


def _rulers(found: methods.MethodComparison) -> Figure:
    """Return the rulers of the methods without what the zones are: the labels say it."""
    figure = method_rulers(found)
    title = figure.layout.xaxis.title
    title.text = without_key(title.text)
    return figure


def how_long(verdict: Verdict) -> list[str]:
    """Return what ends the verdict, and the short check that renews it."""
    if verdict.findings.must_mend:
        return []
    if verdict.banner in (DO_NOT_USE, NOT_DECIDED):
        return [CHANGED]
    study = verdict.result.study
    person = "A new person" if study.all_studied else "Other training"
    check = recheck(study)
    renewed = "Then study again." if check is None else f"Re-check: {check}"
    return [f"{person}, repair, calibration, another fixture or place. {renewed}"]


def methods_front_page(
    study: Study,
    found: list[methods.MethodComparison],
    why_not: StudyError | None,
    verdicts: dict[str, Verdict],
    cover: Cover,
) -> FrontPage:
    """Return the first page of the report on several methods of measuring."""
    blocks: list[PageBlock] = []
    if why_not is not None:
        blocks.append(Prose([f"The methods cannot be compared. {why_not}"]))
    for one in found:
        mark, colour = one.look
        blocks.append(Banner(mark, one.headline.upper(), colour, one.answer))
        blocks += _listed("Look at this first", one.look_first)
        if study.tolerance is not None and not one.ruined:
            blocks.append(Drawing(lambda one=one: _rulers(one)))  # type: ignore[misc]
    used = methods.recommended_of(found)
    cause = None if used is None else verdicts[used].cause
    told = [] if used is None or cause is None else [short(cause, verdicts[used].result)]
    blocks.append(Prose([*told, *cautions(study, check(study), cover, brief=True)]))
    for one in found:
        blocks += _next(one)
    blocks += [_numbers_of(verdicts)]
    ends = how_long(verdicts[used]) if used is not None else [CHANGED]
    blocks += _listed("What ends this verdict", ends)
    return _page(study, cover, blocks, several=True)


def _next(found: methods.MethodComparison) -> list[PageBlock]:
    """Return what to do: how to use the recommended method, or what each one would need."""
    told: list[PageBlock] = []
    for title, sentences in methods.what_next(found)[: None if found.to_mend else -1]:
        if title.endswith(" only if") and found.recommended is not None:
            continue  # of the method that is not to be used: stands where methods are compared
        if title.endswith("conditions"):
            told += _listed(
                "What to do next", ["Measure as in the study: see grr.compare_methods."]
            )
        else:
            told += _listed(title, sentences[:1])
    return told


def _numbers_of(verdicts: dict[str, Verdict]) -> Table:
    """Return the decision on each method by itself, and its few numbers with their intervals."""
    labels = [label for label, _, _ in _ROWS[:NUMBERS]]
    columns = []
    for verdict in verdicts.values():
        known = [] if verdict.findings.ruined else _key_rows(verdict.result)[0]
        told = {
            row.label: f"{row.value} ({row.interval.removesuffix(f'{JOIN}%')})".removesuffix(" ()")
            for row in known
        }
        decision = f"{LOOKS[verdict.banner][0]} {verdict.banner}"
        columns.append([decision, *(told.get(label, "not estimated") for label in labels)])
    names = [shortened(name, LONGEST_NAME) for name in verdicts]
    rows = list(zip(["by itself", *labels], *columns, strict=True))
    return Table(["with 95 % limits", *names], rows)


def comparisons_of(
    study: Study, baseline: str | None
) -> tuple[list[methods.MethodComparison], StudyError | None]:
    """Return every method against the baseline, or why they cannot be compared."""
    try:
        return methods.compare_with_baseline(study, baseline), None
    except StudyError as error:
        if baseline is not None and baseline not in study.methods:
            raise
        return [], error


def result_front_page(result: Printed, cover: Cover) -> FrontPage:
    """Return the first page of the report on any result but a study: its answer, and who signs."""
    kind = kind_of(result)
    title, seal = (str(told_of(result, name) or "") for name in ("title", "seal"))
    title = title or kind.title
    number = str(getattr(result, "gauge", ""))
    gauge = gauge_entries(told_of(result, "facts") or {}, number)
    return FrontPage(
        kicker=_kicker(kind.title, title, cover),
        title=shortened(title, LONGEST_TITLE),
        stamp=EXAMPLE if told_of(result, "example") else "",
        blocks=[
            *answer_of(result),
            *_shown_first(result),
            Heading("Who, what, when", 2),
            Form(
                [
                    *(() if isinstance(result, ManyStudies) else gauge),
                    *stated(result),
                    *((("Seal", seal),) if seal else ()),
                    ("Measured by", ""),
                    ("Measured on", ""),
                ]
            ),
            Form(signature_entries(cover)),
        ],
        caution=CAUTION,
        kind="result",
    )


def _shown_first(result: Printed) -> Sequence[PageBlock]:
    """Return the picture of a result's answer, or all that it says where it has none."""
    draw = kind_of(result).figure
    if draw is None:
        return result.blocks()
    return or_reason(lambda: [drawn_picture(draw(result))], "Not drawn: ")


def drawn_picture(figure: Figure) -> Picture:
    """Return a picture of a figure that is drawn already."""
    return Picture(lambda: figure)


def gauge_entries(facts: Mapping[str, object], number: str = "") -> list[tuple[str, str]]:
    """Return what identifies the gauge; what is not recorded is "", a line to fill in."""

    def known(key: str) -> str:
        return _short(str(facts.get(key) or ""))

    return [
        ("Gauge", known("gauge_type")),
        ("Serial", known("gauge_number") or _short(number)),
        ("Range", known("gauge_range")),
        ("Certificate", known("certificate")),
        ("Calibrated", known("calibrated_on")),
        ("Due", known("calibration_due")),
    ]


def signature_entries(cover: Cover) -> list[tuple[str, str]]:
    """Return who answers for the report, with room to sign."""
    return [
        ("Prepared", _short(cover.prepared_by)),
        ("Signed", ""),
        ("Approved", _short(cover.approved_by)),
        ("Signed", ""),
    ]


def _short(text: str) -> str:
    return shortened(text, LONGEST_NAME) if text else ""


def _kicker(what: str, title: str, cover: Cover) -> str:
    """Return what the page is and of when; not what it is where the title under it says so."""
    about = [f"{'R' if title.startswith(what) else f'{what}, r'}eport of {cover.date}"]
    about += [f"supersedes {shortened(cover.supersedes, LONGEST_NAME)}"] if cover.supersedes else []
    return " · ".join(about)


def _page(
    study: Study, cover: Cover, blocks: Sequence[PageBlock], *, several: bool = False
) -> FrontPage:
    """Return the first page: title, date and revision, the blocks, and who answers for it."""
    title = shortened(study.title, LONGEST_TITLE) if study.title else "Gauge study"
    return FrontPage(
        kicker=_kicker("Gauge study", title, cover),
        title=title,
        stamp=f"{EXAMPLE.partition(';')[0]}." if study.example else "",
        blocks=[*blocks, Form(who_what_when(study, cover)), Form(signature_entries(cover))],
        caution=SHORT_CAUTION,
        kind="methods" if several else "",
    )


def _listed(title: str, sentences: Sequence[str]) -> list[PageBlock]:
    if len(sentences) == 1:
        return [Heading(title, 2), Prose(sentences)]
    return [Heading(title, 2), Bullets(sentences)] if sentences else []


def decision_sentence(verdict: Verdict) -> str:
    """Return the decision as a sentence: what the gauge may be used for."""
    study = verdict.result.study
    task = "control the process"
    if study.purpose == "accept":
        task = "accept parts" if study.tolerance is None else "accept parts to these limits"
    return _SAYS[verdict.banner].format(task=task)


def cautions(
    study: Study,
    findings: Findings,
    cover: Cover,
    told: Collection[str] = (),
    *,
    brief: bool = False,
) -> list[str]:
    """Return what the check of the data found, and whether the gauge is due for calibration.

    What a cause explains that stands on the page already (``told``: its kind) is left out;
    ``brief`` names places only where something must be mended.
    """
    due = calibration_due(study)
    sentences = []
    if due is not None and due.isoformat() < cover.date:
        sentences.append(f"Calibration was due on {due}: calibrate first.")
    return [*sentences, *_found([one for one in findings if one.cause not in told], brief)]


def _found(findings: Sequence[Finding], brief: bool) -> list[str]:
    """Return one sentence on the findings, some of the most serious places named."""
    numbers = [
        (sum(one.severity == severity for one in findings), phrase)
        for severity, phrase in TO_DO.items()
    ]
    counts = [f"{number} {phrase}" for number, phrase in numbers if number]
    if not counts:
        return []
    first, _, rest = counts[0].partition(" ")
    counts[0] = f"{counted(int(first), 'finding')} {rest}"
    named = [
        f"{shortened(one.place, LONGEST_PLACE)} ({one.topic})"
        for one in findings
        if one.severity != "know"
    ]
    if brief and all(one.severity == "know" for one in findings):
        return []
    if brief and all(one.severity != "mend" for one in findings):
        return [f"In the data, {listed(counts)}."]
    places = f": {listed(named, MOST_PLACES)}" if named else ""
    return [f"In the data, {listed(counts)}{places}; see grr.check."]


def who_what_when(study: Study, cover: Cover) -> list[tuple[str, str]]:
    """Return what the first page says about the study and those who answer for it."""
    names = [shortened(name, LONGEST_NAME) for name in study.operator_names]
    how = "a sample"
    if math.isfinite(study.people):
        how = "everybody" if study.all_studied else f"{len(names)} of {study.people:.0f}"
    drawing_number = fact(study, "drawing")
    if drawing_number and fact(study, "drawing_revision"):
        drawing_number += f", revision {fact(study, 'drawing_revision')}"
    digit = study.resolution
    limits = limits_text(study.tolerance, digit, study.unit)
    entries = [
        ("Part", fact(study, "characteristic")),
        ("Drawing", drawing_number),
        ("Limits", limits if study.tolerance is not None else "none given"),
        ("Digit", "" if digit is None else size(digit, digit, study.unit)),
        *gauge_entries(study.facts),
        ("Measured", f"{counted(len(study.parts), 'part')}, {counted(study.taken, 'reading')}"),
        ("On", taken(study)),
        ("By", f"{listed(names, 6)} ({how})"),
        ("Seal", (study.record.seal if study.record else "") or "none"),
        ("Report", _short(cover.number)),
        ("Revision", _short(cover.revision)),
    ]
    return [(name, shortened(text, 110) if text else "") for name, text in entries]


def taken(study: Study) -> str:
    """Return the days between which the readings were taken; "" where that is not known."""
    times = study.readings.get("time")
    if times is None or not times.notna().any():
        return ""
    first, last = f"{times.min():%Y-%m-%d}", f"{times.max():%Y-%m-%d}"
    return first if first == last else f"{first} to {last}"


# The few numbers that matter
# ---------------------------


def key_numbers(result: GaugeResult) -> list[PageBlock]:
    """Return the numbers that matter, each with its interval and its formula to unfold."""
    rows, notes = _key_rows(result)
    level = confidence_of(result.study)
    by = "" if result.method == "anova" else result.estimator_name.lower()
    return [KeyNumbers(f"two-sided {100 * level:g}{JOIN}%", rows, by), Bullets(notes)]


def _key_rows(result: GaugeResult) -> tuple[list[KeyNumber], list[str]]:
    """Return the numbers that matter, and why some have no interval."""
    limits, notes = None, dict[str, None]()
    try:
        limits = result.intervals(level=confidence_of(result.study))
    except StudyError as error:
        notes[f"No intervals: {error}"] = None
    worked = filled_in(result)
    rows = []
    for label, key, names in _ROWS:
        value = result.estimate(*key).value
        if math.isnan(value):
            if key[1] != "percent_tolerance" or result.study.tolerance is not None:
                rows.append(KeyNumber(label, "not estimated"))
            continue
        interval = ""
        if limits is not None:
            lower, upper = (float(limits[column][key]) for column in ("lower", "upper"))
            interval = _interval(lower, upper, key[1], result)
            if limits["reason"][key]:
                notes[f"No interval of {key[0]}: {limits['reason'][key]}."] = None
        formulas = Formulas([line for name in names for line in worked.get(name, ())])
        shown = str(result.ndc) if key[0] == "ndc" else _written(value, key[1], result)
        rows.append(KeyNumber(label, shown, interval, formulas))
    return rows[:NUMBERS], list(notes)


def _interval(lower: float, upper: float, measure: str, result: GaugeResult) -> str:
    if math.isnan(lower):
        return "—"
    low = _written(lower, measure, result)
    if math.isinf(upper):
        return f"{low}, no upper limit"
    high = _written(upper, measure, result)
    unit = high.rpartition(JOIN)[2] if JOIN in high else ""
    return f"{low.removesuffix(f'{JOIN}{unit}')} to {high}"


def _written(value: float, measure: str, result: GaugeResult) -> str:
    if measure.startswith("percent"):
        return percent(value)
    # A number of categories is rounded down, as ndc itself.
    return f"{max(1, math.floor(value))}" if measure == "value" else spread_text(result, value)
