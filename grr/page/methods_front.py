"""The first page of a study by several methods: which of them is needed, and how sure that is."""

from __future__ import annotations

from html import escape

from grr.model import tables
from grr.model.errors import StudyError
from grr.model.names import shortened
from grr.model.rounding import percent
from grr.model.study import Study
from grr.page.cover import Cover
from grr.page.front import banner, cautions, title_block, two_columns, who_what_when
from grr.page.page import drawing, facts_list
from grr.questions.check import check
from grr.questions.methods import (
    CAUTION,
    LOOKS,
    MethodComparison,
    compare_with_baseline,
    confidence_text,
    method_rows,
    reasons,
    what_next,
)
from grr.questions.verdict import LOOKS as VERDICT_LOOKS
from grr.questions.verdict import Verdict
from grr.show.method_figures import methods_by_part

LONGEST_METHOD = 40


def comparisons_of(
    study: Study, baseline: str | None
) -> tuple[list[MethodComparison], StudyError | None]:
    """Return every method against the baseline, or why they cannot be compared."""
    try:
        return compare_with_baseline(study, baseline), None
    except StudyError as error:
        if baseline is not None and baseline not in study.methods:
            raise
        return [], error


def methods_front_page(
    study: Study,
    found: list[MethodComparison],
    why_not: StudyError | None,
    verdicts: dict[str, Verdict],
    cover: Cover,
) -> str:
    """Return the first page of the report as HTML."""
    blocks = [title_block(study, cover)]
    if why_not is not None:
        blocks.append(tables.html_prose(f"The methods cannot be compared. {why_not}"))
    for number, one in enumerate(found):
        mark, colour = LOOKS[one.choice]
        words = one.headline
        blocks.append(banner(f"{mark} {words[0].upper()}{words[1:]}", confidence_text(one), colour))
        blocks.append(tables.html_prose(*reasons(one)[:2]))
        figure = methods_by_part(one)
        question = escape(str(figure.layout.meta["question"]))
        blocks.append(f"<h2>{question}</h2>{drawing(figure, f'-front{number}')}")
    told = " ".join(cautions(study, check(study), cover))
    blocks.append(tables.html_prose(told) if told else "")
    alone = f"<h2>Each method by itself</h2>{tables.html_list(_by_itself(verdicts))}"
    for one in found:
        head, rows = method_rows(one)
        numbers = tables.html_table(["Quantity", *head[1:]], rows)
        table = f"<h2>The numbers that matter</h2>{numbers}"
        blocks.append(two_columns(table, alone))
        alone = ""
    blocks.append(alone)
    for one in found:
        title, sentences = what_next(one)
        if sentences:
            blocks.append(f"<h2>{escape(title)}</h2>{tables.html_list(sentences)}")
    blocks += [
        "<h2>Who, what, when</h2>",
        facts_list(who_what_when(study, cover), short=True),
        f'<p class="faint">{escape(CAUTION)}</p>',
    ]
    return "".join(blocks)


def _by_itself(verdicts: dict[str, Verdict]) -> list[str]:
    lines = []
    for name, verdict in verdicts.items():
        mark, _ = VERDICT_LOOKS[verdict.decision]
        found = verdict.criterion
        share = "" if found is None else f", GRR takes {percent(found.value)} {found.name}"
        lines.append(f"{shortened(name, LONGEST_METHOD)}: {mark} {verdict.decision}{share}.")
    return lines
