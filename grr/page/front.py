"""The first page: the decision, the ruler, the few numbers that matter, who and when."""

from __future__ import annotations

from html import escape

from grr.model import tables
from grr.model.names import shortened
from grr.model.rounding import counted, listed
from grr.model.study import Study
from grr.page.cover import Cover, fact
from grr.page.key_numbers import key_numbers
from grr.page.page import drawing, facts_list
from grr.questions.check import TO_DO, Findings, calibration_due
from grr.questions.gauge import EXAMPLE, tolerance_text
from grr.questions.verdict import CAUTION, DO_NOT_USE, LIKE_THIS, LOOKS, NOT_DECIDED, USE, Verdict
from grr.show.ruler_figures import tolerance_ruler

#: Longest title and longest name on the first page; the whole stands further on.
LONGEST_TITLE, LONGEST_NAME = 140, 40
#: Findings named on the first page, and the longest place of one.
MOST_PLACES, LONGEST_PLACE = 3, 60
_SAYS = {
    USE: "This gauge, used as in this study, is good enough to {task}.",
    LIKE_THIS: "This gauge may be used to {task} under the conditions below only.",
    DO_NOT_USE: "Used as in this study, this gauge must not be used to {task}.",
    NOT_DECIDED: "This study does not decide whether the gauge is good enough to {task}.",
}


def front_page(verdict: Verdict, cover: Cover) -> str:
    """Return the first page of the report as HTML."""
    study = verdict.result.study
    mark, colour = LOOKS[verdict.decision]
    blocks = [
        title_block(study, cover),
        banner(f"{mark} {verdict.decision}", decision_sentence(verdict), colour),
        tables.html_prose(
            verdict.by_manual,
            verdict.by_confidence,
            *cautions(study, verdict.findings, cover),
        ),
    ]
    if study.tolerance is not None:
        figure = tolerance_ruler(verdict.result)
        blocks.append(f"<h2>{escape(str(figure.layout.meta['question']))}</h2>{drawing(figure)}")
    return "".join(
        [
            *blocks,
            "<h2>The numbers that matter</h2>",
            key_numbers(verdict.result),
            two_columns(
                _listed(verdict.conditions_title, verdict.conditions),
                _listed("What to do next", verdict.next_steps),
            ),
            "<h2>Who, what, when</h2>",
            facts_list(who_what_when(study, cover), short=True),
            f'<p class="faint">{escape(CAUTION)}</p>',
        ]
    )


def title_block(study: Study, cover: Cover) -> str:
    """Return title, date and revision, and the stamp on invented readings."""
    about = [f"Gauge study, report of {cover.date}"]
    about += [f"revision {shortened(cover.revision, LONGEST_NAME)}"] if cover.revision else []
    about += [f"supersedes {shortened(cover.supersedes, LONGEST_NAME)}"] if cover.supersedes else []
    title = shortened(study.title, LONGEST_TITLE) if study.title else "Gauge study"
    stamp = f'<p class="example">{escape(EXAMPLE)}</p>' if study.example else ""
    return f'<p class="kicker">{escape(" · ".join(about))}</p><h1>{escape(title)}</h1>{stamp}'


def banner(decision: str, sentence: str, colour: str) -> str:
    """Return the decision in large type with its sentence, on its colour."""
    return (
        f'<div class="banner" style="background:{colour}"><strong>{escape(decision)}</strong>'
        f'<span class="sentence">{escape(sentence)}</span></div>'
    )


def decision_sentence(verdict: Verdict) -> str:
    """Return the decision as a sentence: what the gauge may be used for."""
    study = verdict.result.study
    task = "control the process"
    if study.purpose == "accept":
        task = "accept parts"
        if study.tolerance is not None:
            task += f" against the tolerance, {tolerance_text(study)}"
    return _SAYS[verdict.decision].format(task=task)


def cautions(study: Study, findings: Findings, cover: Cover) -> list[str]:
    """Return what the check of the data found, and whether the gauge is due for calibration."""
    due = calibration_due(study)
    sentences = []
    if due is not None and due.isoformat() < cover.date:
        sentences.append(
            f"The calibration of the gauge was due on {due}, before this report: have it "
            "calibrated before it accepts or rejects parts."
        )
    return [*sentences, *_found(findings)]


def _found(findings: Findings) -> list[str]:
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
    places = f": {listed(named, MOST_PLACES)}" if named else ""
    return [f"In the data, {listed(counts)}{places}; see grr.check."]


def two_columns(*blocks: str) -> str:
    """Return blocks beside each other; one alone takes the whole width."""
    there = [block for block in blocks if block]
    if len(there) < 2:
        return "".join(there)
    return f'<div class="two">{"".join(f"<div>{block}</div>" for block in there)}</div>'


def _listed(title: str, sentences: tuple[str, ...]) -> str:
    return f"<h2>{title}</h2>{tables.html_list(sentences)}" if sentences else ""


def who_what_when(study: Study, cover: Cover) -> list[tuple[str, str]]:
    """Return what the first page says about the study and those who answer for it."""
    names = [shortened(name, LONGEST_NAME) for name in study.operator_names]
    how = "all who ever will measure" if study.operators == "fixed" else "a sample"
    drawing_number = fact(study, "drawing")
    if drawing_number and fact(study, "drawing_revision"):
        drawing_number += f", revision {fact(study, 'drawing_revision')}"
    gauge = fact(study, "gauge_number")
    if gauge and fact(study, "calibration_due"):
        gauge += f", calibration due {fact(study, 'calibration_due')}"
    entries = [
        ("Prepared by", cover.prepared_by),
        ("Approved by", cover.approved_by),
        ("Readings taken", taken(study)),
        ("Measured", f"{counted(len(study.parts), 'part')}, {counted(study.taken, 'reading')}"),
        ("Operators", f"{listed(names, 6)} ({how})"),
        ("Method", listed([shortened(name, LONGEST_NAME) for name in study.methods])),
        ("Characteristic", fact(study, "characteristic")),
        ("Drawing", drawing_number),
        ("Gauge", gauge),
        ("Customer", fact(study, "customer")),
    ]
    return [(name, shortened(text, 110)) for name, text in entries if text]


def taken(study: Study) -> str:
    """Return the days between which the readings were taken; "" where that is not known."""
    times = study.readings.get("time")
    if times is None or not times.notna().any():
        return ""
    first, last = f"{times.min():%Y-%m-%d}", f"{times.max():%Y-%m-%d}"
    return first if first == last else f"{first} to {last}"
