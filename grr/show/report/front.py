"""The first page: the decision, the ruler, the few numbers that matter, who and when."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape

from grr.analysis.printing import EXAMPLE, tolerance_text
from grr.facts import FACTS
from grr.judge.verdict import CAUTION, LOOKS, Verdict
from grr.show.report.page import facts_list, figure_html
from grr.show.ruler_figure import tolerance_ruler
from grr.study import Study
from grr.wording import tables
from grr.wording.rounding import figures, length, listed, percent


@dataclass(frozen=True)
class Signatures:
    """Who answers for the report, and what it replaces."""

    prepared_by: str = ""
    approved_by: str = ""
    revision: str = ""
    supersedes: str = ""
    deviations: str = ""


def front_page(verdict: Verdict, signatures: Signatures, date: str) -> str:
    """Return the first page of the report as HTML."""
    study = verdict.result.study
    mark, colour = LOOKS[verdict.decision]
    parts = [f"<h1>{escape(study.title or 'Gauge study')}</h1>"]
    if study.example:
        parts.append(f'<p class="example">{escape(EXAMPLE)}</p>')
    parts += [
        tables.html_banner(f"{mark} {verdict.decision}", colour=colour),
        tables.html_prose(verdict.by_manual, verdict.by_confidence),
    ]
    if study.tolerance is not None:
        parts.append(figure_html(tolerance_ruler(verdict.result)))
    parts.append(key_numbers(verdict))
    for title, sentences in (
        ("Conditions of use", verdict.conditions),
        ("What to do next", verdict.next_steps),
    ):
        if sentences:
            parts.append(f"<h3>{title}</h3>{tables.html_list(sentences)}")
    parts += [
        "<h3>Who, what, when</h3>",
        facts_list(_who_what_when(study, signatures, date)),
        tables.html_prose(CAUTION),
    ]
    return "".join(parts)


def key_numbers(verdict: Verdict) -> str:
    """Return the numbers that matter, each with its interval."""
    result = verdict.result
    level = 100 * result.study.rules.confidence
    limits = result.intervals(level=result.study.rules.confidence)
    rows = []
    for label, key in (
        ("GRR, spread of the measuring system", ("GRR", "spread")),
        ("GRR, percent of the tolerance", ("GRR", "percent_tolerance")),
        ("GRR, percent of the total variation", ("GRR", "percent_tv")),
        ("EV, repeatability", ("EV", "spread")),
        ("AV, reproducibility", ("AV", "spread")),
        ("Distinct categories (ndc)", ("ndc", "value")),
    ):
        if key not in limits.index:
            continue
        row = limits.loc[key]
        values = [float(row[name]) for name in ("estimate", "lower", "upper")]
        if math.isnan(values[0]):
            rows.append([label, "not estimated", "", ""])
            continue
        rows.append([label, *(_written(value, key[1], result.study.unit) for value in values)])
    head = ["Quantity", "Value", f"{level:g} % from", "to"]
    return tables.html_table(head, rows)


def _written(value: float, measure: str, unit: str) -> str:
    if math.isnan(value):
        return "—"
    if math.isinf(value):
        return "unbounded"
    if measure.startswith("percent"):
        return percent(value)
    return figures(value, 3) if measure == "value" else length(value, unit)


def _who_what_when(study: Study, signatures: Signatures, date: str) -> list[tuple[str, str]]:
    times = study.readings.get("time")
    taken = ""
    if times is not None and times.notna().any():
        taken = f"{times.min():%Y-%m-%d %H:%M} to {times.max():%Y-%m-%d %H:%M} UTC"
    purpose = {"accept": "accept parts against the tolerance", "control": "control a process"}
    operators = {"random": "a sample of those who will measure", "fixed": "all who ever will"}
    facts = [
        (fact.question.rstrip("?"), _fact(study.facts[fact.key], fact.unit))
        for fact in FACTS
        if fact.key in study.facts
    ]
    return [
        ("Report of", date),
        ("Prepared by", signatures.prepared_by),
        ("Approved by", signatures.approved_by),
        ("Revision", signatures.revision),
        ("Supersedes", signatures.supersedes),
        ("Deviations from the plan", signatures.deviations),
        ("Readings taken", taken),
        ("Measured", study.summary.removeprefix(f"{study.title}: ")),
        ("Tolerance", tolerance_text(study)),
        ("Purpose", purpose[study.purpose]),
        ("Operators", f"{listed(study.operator_names, 10)}; {operators[study.operators]}"),
        *facts,
    ]


def _fact(value: object, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{text} {unit}" if unit and unit != "study" else text
