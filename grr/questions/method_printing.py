"""How a comparison of two methods is printed: as text, and as HTML."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from grr.formulas.method_comparison import BASELINE, CANDIDATE, NEITHER, OPEN
from grr.model import tables
from grr.model.names import shortened
from grr.model.rounding import JOIN, counted, figures, length, percent, square_unit, squares
from grr.questions.gauge import EXAMPLE, tolerance_text
from grr.questions.method_help import remedy_sentence
from grr.questions.method_words import (
    agreement_sentence,
    correction_sentences,
    cost_sentences,
    difference_sentence,
    headline,
    open_sentences,
    operators_sentence,
    ratio_sentence,
    share_sentence,
)
from grr.questions.verdict import conditions_of_use

if TYPE_CHECKING:
    from grr.questions.compare_methods import MethodComparison

#: What each choice looks like: a mark beside the words, and a colour.
LOOKS = {
    CANDIDATE: ("●", "#00664a"),
    BASELINE: ("◐", "#00527a"),
    NEITHER: ("✖", "#a63d00"),
    OPEN: ("○", "#57606a"),
}
#: So many findings to mend are told.
MOST_MENDED = 6
#: Longest name of a method at the head of a column.
LONGEST_NAME = 18
CAUTION = (
    "This comparison does not replace the drawing, the customer's requirements, the calibration "
    "of the gauge or the judgement of a competent person."
)


def opening(found: MethodComparison) -> list[str]:
    """Return the lines above the numbers."""
    study, numbers = found.study, found.numbers
    lines = [EXAMPLE] if study.example else []
    return [
        *lines,
        study.summary,
        f"Tolerance: {tolerance_text(study)}. Baseline: {numbers.baseline}; candidate: "
        f"{numbers.candidate}.",
    ]


def confidence_text(found: MethodComparison) -> str:
    """Return how sure the decision is."""
    asked = f"{100 * found.study.rules.confidence:g}{JOIN}%"
    if found.to_mend:
        return (
            f"{counted(len(found.to_mend), 'finding')} must be settled before the methods can be "
            "compared; see grr.check."
        )
    if found.choice == OPEN:
        return f"No decision reaches {asked} confidence."
    sure = 100 * found.confidence
    shown = f"over 99.9{JOIN}%" if sure > 99.9 else f"{sure:.1f}{JOIN}%"
    return f"Confidence {shown} (at least {asked} is asked for)."


def method_rows(found: MethodComparison) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the table of methods."""
    numbers, unit = found.numbers, found.study.unit
    rows = []
    for label, quantity in (
        ("repeatability EV", "EV"),
        ("reproducibility AV", "AV"),
        ("GRR", "GRR"),
    ):
        row = [f"{label} (sd)"]
        for method in numbers.methods:
            value = numbers.results[method].value(quantity, "sd")
            row.append("not estimated" if math.isnan(value) else length(value, unit))
        ratio = {"EV": numbers.ev_ratio, "GRR": numbers.grr_ratio}.get(quantity)
        row.append("" if ratio is None else f"× {figures(ratio.estimate)}")
        rows.append(row)
    criteria = [found.judgements[name].criterion for name in numbers.methods]
    if criteria[0] is not None and criteria[1] is not None:
        name = criteria[0].name
        rows.append([f"GRR {name}", *(percent(c.value) for c in criteria if c is not None), ""])
    if found.risks.by_method:
        misjudged = [figures(found.risks.misjudged(name)) for name in numbers.methods]
        rows.append(["misjudged in 1000 parts", *misjudged, ""])
    if len(numbers.seconds) >= 2:
        times = [numbers.seconds.get(name, math.nan) for name in numbers.methods]
        rows.append(
            [
                "time for a reading",
                *("—" if math.isnan(s) else f"{figures(s)}{JOIN}s" for s in times),
                "",
            ]
        )
    return ["", *(shortened(name, LONGEST_NAME) for name in numbers.methods), "ratio"], rows


def operator_rows(found: MethodComparison) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of each operator's own difference between the methods."""
    unit = found.study.unit
    table = found.numbers.by_operator.reset_index()
    rows = [
        [operator, _signed(difference, unit), f"{_signed(low, unit)} to {_signed(high, unit)}"]
        for operator, difference, low, high in table.itertuples(index=False, name=None)
    ]
    base, candidate = (shortened(name, LONGEST_NAME) for name in found.numbers.methods)
    head = f"{candidate} − {base}"
    return ["Operator", head, f"{100 * found.numbers.level:g} % interval"], rows


def reasons(found: MethodComparison) -> list[str]:
    """Return what the decision rests on."""
    return [
        share_sentence(found.numbers, found.judgements),
        difference_sentence(found.numbers, found.margin, found.evidence),
        ratio_sentence(found.numbers),
        agreement_sentence(found.numbers),
        operators_sentence(found.numbers),
    ]


def what_next(found: MethodComparison) -> tuple[str, list[str]]:
    """Return a title and what to do next."""
    if found.to_mend:
        return "What to do next", list(found.to_mend[:MOST_MENDED])
    margin = None if found.margin is None else found.margin.length
    changes = [remedy_sentence(found.numbers, remedy, margin) for remedy in found.remedies]
    if found.choice == CANDIDATE:
        return "Conditions", [
            *conditions_of_use(found.numbers.results[found.numbers.candidate].study),
            "Watch the gauge with a check standard, measured by the same method.",
        ]
    if found.choice == OPEN:
        return "What would decide", [
            *open_sentences(found.numbers, found.judgements, found.margin, found.evidence),
            *changes,
        ]
    changes += correction_sentences(found.numbers, found.margin, found.remedies)
    if not changes:
        changes = [
            "No mean of a practicable number of readings makes the candidate good enough. Reduce "
            "what dominates first: grr.compare_operators and grr.drift say what."
        ]
    return f"What would make {found.numbers.candidate} good enough", changes


def _sections(found: MethodComparison) -> list[tuple[str, list[str]]]:
    cost = cost_sentences(found.numbers, found.judgements, found.risks)
    return [("Why", reasons(found)), ("What it costs", cost), what_next(found)]


def methods_text(found: MethodComparison) -> str:
    """Return the comparison for a terminal of 80 columns."""
    mark, _ = LOOKS[found.choice]
    lines = [tables.paragraph(f"{mark} {headline(found.numbers, found.choice).upper()}"), ""]
    lines += [tables.paragraph(line) for line in (*opening(found), confidence_text(found))]
    lines += ["", tables.text_table(*method_rows(found))]
    for title, sentences in _sections(found):
        if sentences:
            lines += ["", title, *(tables.bullet(sentence) for sentence in sentences)]
    lines += ["", tables.text_table(*operator_rows(found)), "", tables.paragraph(CAUTION)]
    return "\n".join(lines)


def methods_html(found: MethodComparison) -> str:
    """Return the comparison for a notebook."""
    mark, colour = LOOKS[found.choice]
    blocks = [
        tables.html_banner(
            f"{mark} {headline(found.numbers, found.choice).upper()}", colour=colour
        ),
        tables.html_prose(*opening(found), confidence_text(found)),
        tables.html_table(*method_rows(found)),
    ]
    for title, sentences in _sections(found):
        if sentences:
            blocks += [tables.html_heading(title, 4), tables.html_list(sentences)]
    blocks.append(
        tables.html_folded(
            "Each operator's own difference", tables.html_table(*operator_rows(found))
        )
    )
    table = found.numbers.anova_table
    if table is not None:
        blocks.append(
            tables.html_folded("Analysis of variance", tables.html_table(*_anova_rows(found)))
        )
    return "".join([*blocks, tables.html_prose(CAUTION)])


def _anova_rows(found: MethodComparison) -> tuple[list[str], list[list[str]]]:
    table = found.numbers.anova_table
    assert table is not None
    unit = found.study.unit
    sums, means = (squares(table[name].tolist(), unit) for name in ("sum_sq", "mean_sq"))
    rows = [
        [
            str(source),
            f"{df}",
            sums[line],
            means[line] or "—",
            "—" if math.isnan(f) else figures(f, 3),
            "—" if math.isnan(p) else f"{p:.2g}",
            against,
        ]
        for line, (source, df, _, _, f, p, against) in enumerate(table.itertuples(name=None))
    ]
    told = f", {square_unit(unit)}" if unit else ""
    head = ["Source", "df", f"sum of squares{told}", f"mean square{told}", "F", "p"]
    return [*head, "tested against"], rows


def _signed(value: float, unit: str) -> str:
    return f"{'−' if value < 0 else '+'}{length(abs(value), unit)}" if value else "0"
