"""The parts of the report, in the order in which a reader needs them."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from grr.model import tables
from grr.model.names import shortened
from grr.model.study import Study
from grr.page.comparisons import DRIFT, drift_html, operators_html
from grr.page.conduct import conduct_html
from grr.page.cover import Cover, all_facts
from grr.page.front import front_page
from grr.page.how import how_html
from grr.page.methods_front import comparisons_of, methods_front_page
from grr.page.numbers import numbers_html
from grr.page.page import (
    drawing,
    facts_list,
    figure_block,
    heading,
    or_reason,
    raised,
    section,
)
from grr.page.provenance import provenance_html, signatures_html
from grr.page.readings import readings_html
from grr.page.risks import risks_html
from grr.questions.check import check
from grr.questions.gauge import GaugeResult, result_of_record
from grr.questions.methods import MethodComparison
from grr.questions.verdict import verdict
from grr.show.operator_figures import parts_by_operators, trial_ranges
from grr.show.ruler_figures import tolerance_ruler
from grr.show.spread_figures import spread_sources
from grr.show.time_figures import in_order

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

LONGEST_METHOD = 40
DATA, OPERATORS, METHODS = (
    "Is the data what it claims to be?",
    "The operators compared",
    "The methods compared",
)
NUMBERS, RISKS, HOW = "The numbers", "Risks and acceptance limits", "How it was computed"
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
_FUNCTION = re.compile(rf"\bgrr\.({'|'.join(_ANSWERED_IN)})\b(?:\(\w*\))?")


@dataclass(frozen=True)
class Part:
    """One numbered part of the report."""

    name: str
    title: str
    content: str
    new_page: bool = False

    def html(self) -> str:
        """Return the part under its heading."""
        return section(self.title, self.content, name=self.name, new_page=self.new_page)


def report_body(study: Study, shown: Study, cover: Cover, *, baseline: str | None = None) -> str:
    """Return the whole report as HTML, without the frame around it.

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
    if len(shown.methods) > 1:
        front, parts = _several_methods(shown, cover, baseline)
    else:
        front, parts = _one_method(shown, cover)
    reasons = [part for part in parts if part.name == "why"]
    conduct = conduct_html(shown, cover.deviations)
    parts = [
        *reasons,
        Part("data", DATA, check(shown)._repr_html_() + conduct, new_page=not reasons),
        Part("facts", "What was measured, and how", facts_list([*_about(shown)])),
        *(part for part in parts if part not in reasons),
        Part("record", "Where the numbers come from", provenance_html(study, shown)),
        Part("signatures", "Signatures", signatures_html(cover)),
    ]
    links = "".join(f'<li><a href="#{part.name}">{escape(part.title)}</a></li>' for part in parts)
    kind = "front methods" if len(shown.methods) > 1 else "front"
    return for_readers(
        f'<section class="{kind}">{front}</section>'
        f'<nav aria-label="Contents"><b>In this report</b><ol>{links}</ol></nav>'
        f"{''.join(part.html() for part in parts)}"
    )


def for_readers(html: str) -> str:
    """Return HTML whose sentences name parts of the report in place of functions to call."""
    for name, part in _CALLED.items():
        html = html.replace(name, f"“{part}”")
    return _FUNCTION.sub(lambda found: f"“{_ANSWERED_IN[found.group(1)]}”", html)


def _about(study: Study) -> list[tuple[str, str]]:
    return [("Title", study.title), ("Methods", ", ".join(study.methods)), *all_facts(study)]


def _one_method(study: Study, cover: Cover) -> tuple[str, list[Part]]:
    result = result_of_record(study)
    judged = verdict(result)
    parts = [
        Part("why", "Why this decision", tables.html_list(judged.reasons), True),
        Part("pictures", "The study in pictures", _pictures(result)),
        *_numbers(result),
        Part("comparisons", OPERATORS, operators_html(study) + drift_html(study)),
        *_rest(result),
    ]
    return front_page(judged, cover), parts


def _several_methods(study: Study, cover: Cover, baseline: str | None) -> tuple[str, list[Part]]:
    found, why_not = comparisons_of(study, baseline)
    results = {name: result_of_record(study.for_method(name)) for name in study.methods}
    verdicts = {name: verdict(result) for name, result in results.items()}
    front = methods_front_page(study, found, why_not, verdicts, cover)
    parts = [Part("methods", METHODS, _compared(found) + drift_html(study))]
    for number, (name, result) in enumerate(results.items()):
        before, suffix = f"{shortened(name, LONGEST_METHOD)}: ", f"-m{number}"
        pictures = _ruler(result, suffix) + _pictures(result, suffix)
        judged = raised(verdicts[name]._repr_html_())
        parts += [
            Part(f"decision{suffix}", f"{before}the decision", judged + pictures, True),
            *_numbers(result, before, suffix),
            Part(
                f"comparisons{suffix}",
                f"{before}the operators compared",
                operators_html(result.study, suffix),
            ),
            *_rest(result, before, suffix),
        ]
    return front, parts


def _compared(found: list[MethodComparison]) -> str:
    return "".join(raised(one._repr_html_()) for one in found)


def _ruler(result: GaugeResult, suffix: str) -> str:
    figure = tolerance_ruler(result)
    return heading(str(figure.layout.meta["question"])) + drawing(figure, suffix)


def _pictures(result: GaugeResult, suffix: str = "") -> str:
    study = result.study

    def block(make: Callable[[], Figure]) -> str:
        return or_reason(lambda: figure_block(make(), suffix=suffix), "Not drawn: ")

    return (
        block(lambda: spread_sources(result))
        + block(lambda: parts_by_operators(result))
        + block(lambda: trial_ranges(study))
        + block(lambda: in_order(study))
    )


def _numbers(result: GaugeResult, before: str = "", suffix: str = "") -> list[Part]:
    title = f"{before}the numbers" if before else NUMBERS
    return [Part(f"numbers{suffix}", title, numbers_html(result))]


def _rest(result: GaugeResult, before: str = "", suffix: str = "") -> list[Part]:
    """Return risks, formulas and readings of one method."""

    def title(text: str) -> str:
        return f"{before}{text[0].lower()}{text[1:]}" if before else text

    return [
        Part(f"risks{suffix}", title(RISKS), risks_html(result)),
        Part(
            f"how{suffix}",
            title(HOW),
            how_html(result, sources=not suffix or suffix == "-m0"),
        ),
        Part(f"readings{suffix}", title("All readings"), readings_html(result.study)),
    ]
