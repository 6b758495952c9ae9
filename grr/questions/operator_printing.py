"""How a comparison of operators is printed: as text, and as HTML."""

from __future__ import annotations

import math

from grr.model import tables
from grr.model.rounding import JOIN, figures, length
from grr.model.study import Study
from grr.questions.operator_numbers import CONSISTENCY_LEVEL, OperatorNumbers
from grr.questions.operator_words import OperatorConclusion, advice
from grr.questions.printing import EXAMPLE

NO_BLAME = (
    "These sentences are about how the gauge is handled, not about persons. Confirm a finding "
    "before acting on it."
)


def opening(numbers: OperatorNumbers) -> list[str]:
    """Return the lines above the answer: which study, which method."""
    study = numbers.study
    lines = [EXAMPLE] if study.example else []
    method = f", method {study.methods[0]}" if study.methods else ""
    return [*lines, f"{study.summary}{method}"]


def operator_rows(
    numbers: OperatorNumbers, conclusions: tuple[OperatorConclusion, ...]
) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the table of operators."""
    study = numbers.study
    head = ["Operator", "from the others", "repeatability (sd)", "times the others'", "finding"]
    rows = []
    for conclusion in conclusions:
        offset, upper, sd, ratio = (
            numbers.value(conclusion.operator, column)
            for column in ("from_others", "from_others_upper", "sd", "scatter_ratio")
        )
        rows.append(
            [
                conclusion.operator,
                f"{_signed(offset, study)} ± {length(upper - offset, study.unit)}",
                "—" if math.isnan(sd) else length(sd, study.unit),
                "—" if math.isnan(ratio) else figures(ratio),
                ", ".join(conclusion.in_words),
            ]
        )
    return head, rows


def pair_rows(numbers: OperatorNumbers) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the pairwise differences."""
    study = numbers.study
    rows = [
        [
            f"{first} − {second}",
            _signed(difference, study),
            f"{_signed(lower, study)} to {_signed(upper, study)}",
            _p(p),
        ]
        for first, second, difference, lower, upper, p in numbers.pairs.itertuples(
            index=False, name=None
        )
    ]
    return ["Pair", "difference", f"{100 * numbers.level:g} % interval, all pairs", "p"], rows


def consistency_rows(numbers: OperatorNumbers) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of h and k; a star marks what lies beyond its limit."""
    never = len(numbers.table) < 4  # h cannot pass its ceiling by enough to mean anything
    rows = []
    columns = numbers.cells[["h", "k", "residual"]].reset_index()
    for part, operator, h, k, residual in columns.itertuples(index=False, name=None):
        rows.append(
            [
                part,
                operator,
                _starred(h, not never and abs(h) > numbers.h_limit),
                _starred(k, k > numbers.k_limit),
                "—" if math.isnan(residual) else _signed(residual, numbers.study),
            ]
        )
    return ["Part", "operator", "h", "k", "left over"], rows


def consistency_note(numbers: OperatorNumbers) -> str:
    """Return what h and k are, and their limits."""
    text = (
        "h: how far an operator's mean of a part is from all operators' mean of it, in their "
        "standard deviations; k: an operator's scatter on a part over everyone's (ISO 5725-2, "
        "ASTM E691). Left over: what remains of a mean once part and operator are taken off. "
    )
    count = len(numbers.table)
    if count < 4:
        text += f"With {count} operators |h| cannot exceed {figures(numbers.h_ceiling, 4)}, so it "
        text += "is shown and never marked. "
    else:
        text += f"Limit of |h| {figures(numbers.h_limit, 3)}. "
    if not math.isnan(numbers.k_limit):
        text += f"Limit of k {figures(numbers.k_limit, 3)}. "
    level = f"{100 * (1 - CONSISTENCY_LEVEL):g}"
    return f"{text}A star marks what lies beyond; one in a hundred does by chance ({level} %)."


def test_sentence(numbers: OperatorNumbers) -> str:
    """Return the tests of equal scatter in one sentence."""
    if numbers.scatter_tests.empty:
        return "Nothing was repeated, so the operators' scatter cannot be compared."
    c, limit = (numbers.scatter_test("Cochran", column) for column in ("statistic", "limit"))
    if math.isnan(c):
        return "The readings repeat to the last digit, so the operators' scatter is hidden."
    bound = "" if math.isnan(limit) else f" (limit {figures(limit, 3)})"
    return (
        f"Is the scatter equal? Bartlett's test: p = {_p(numbers.scatter_test('Bartlett', 'p'))}; "
        f"Cochran's C = {figures(c, 3)}{bound}, p = {_p(numbers.scatter_test('Cochran', 'p'))}."
    )


def operators_text(
    numbers: OperatorNumbers, conclusions: tuple[OperatorConclusion, ...], headline: str
) -> str:
    """Return the comparison for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in (*opening(numbers), "", headline)]
    head, rows = operator_rows(numbers, conclusions)
    lines += ["", tables.text_table(head[:4], [row[:4] for row in rows]), ""]
    lines += [tables.bullet(conclusion.sentence) for conclusion in conclusions]
    for who, what in advice(conclusions):
        lines += ["", tables.paragraph(f"{who}. {what}")]
    lines += ["", tables.text_table(*pair_rows(numbers)), ""]
    lines += [tables.paragraph(test_sentence(numbers)), tables.paragraph(NO_BLAME)]
    return "\n".join(lines)


def operators_html(
    numbers: OperatorNumbers, conclusions: tuple[OperatorConclusion, ...], headline: str
) -> str:
    """Return the comparison for a notebook."""
    blocks = [
        tables.html_prose(*opening(numbers)),
        tables.html_heading(headline),
        tables.html_table(*operator_rows(numbers, conclusions)),
    ]
    blocks.append(tables.html_list([conclusion.sentence for conclusion in conclusions]))
    help_with = advice(conclusions)
    if help_with:
        title = "What usually causes it, and how to confirm it"
        blocks.append(tables.html_callout(title, help_with, colour="#00527a"))
    blocks.append(tables.html_prose(NO_BLAME))
    pairs = tables.html_table(*pair_rows(numbers), caption="All pairs (Tukey)")
    blocks.append(
        tables.html_folded(
            "Every pair, and the tests of equal scatter",
            pairs + tables.html_prose(test_sentence(numbers)),
        )
    )
    curious = tables.html_prose(consistency_note(numbers)) + tables.html_table(
        *consistency_rows(numbers), left=2
    )
    blocks.append(tables.html_folded("For the curious: consistency part by part, h and k", curious))
    return "".join(blocks)


def _signed(value: float, study: Study) -> str:
    text = length(abs(value), study.unit)
    return f"{'−' if value < 0 else '+'}{text}" if text != "0" else text


def _starred(value: float, beyond: bool) -> str:
    if math.isnan(value):
        return "—"
    return f"{value:.2f}".replace("-", "−") + (" *" if beyond else "")


def _p(value: float) -> str:
    return "—" if math.isnan(value) else f"under{JOIN}0.001" if value < 0.001 else f"{value:.3f}"
