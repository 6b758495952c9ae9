"""How planned precision is printed: as text, and as HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from grr.formulas.precision import Shares
from grr.model import tables
from grr.model.rounding import JOIN, counted, figures, percent

if TYPE_CHECKING:
    from grr.questions.expecting import DesignComparison, ExpectedPrecision

#: How many designs are printed.
SHOWN = 10
KNOWN_WHOLE = (
    "Percentages are of a known whole: a two-sided tolerance, or a process sd from records."
)


def expectation_text(found: ExpectedPrecision) -> str:
    """Return the planned precision for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in _opening(found)]
    lines += ["", tables.text_table(*_rows(found)), ""]
    return "\n".join([*lines, *(tables.bullet(line) for line in _closing(found))])


def expectation_html(found: ExpectedPrecision) -> str:
    """Return the planned precision for a notebook."""
    table = tables.html_table(*_rows(found))
    return tables.html_prose(*_opening(found)) + table + tables.html_list(_closing(found))


def comparison_text(found: DesignComparison) -> str:
    """Return the designs for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in _comparison_opening(found)]
    lines += ["", tables.text_table(*_comparison_rows(found)), ""]
    return "\n".join([*lines, *(tables.bullet(line) for line in _comparison_closing(found))])


def comparison_html(found: DesignComparison) -> str:
    """Return the designs for a notebook."""
    return (
        tables.html_prose(*_comparison_opening(found))
        + tables.html_table(*_comparison_rows(found))
        + tables.html_list(_comparison_closing(found))
    )


def share(part: float) -> str:
    """Return a simulated share in whole percent: it is not known more closely."""
    return f"{100.0 * part:.0f}{JOIN}%"


def _opening(found: ExpectedPrecision) -> list[str]:
    design = found.precision.design
    who = (
        "the result holds for that person only"
        if design.operators == 1
        else f"the operators are {_who(design.operators_are)}"
    )
    return [
        f"{counted(design.parts, 'part')} × {counted(design.operators, 'operator')} × "
        f"{counted(design.trials, 'trial')} = {counted(design.readings, 'reading')}; {who}.",
        f"What {found.studies} such studies would show, by simulation:",
    ]


def _who(operators_are: str) -> str:
    if operators_are == "fixed":
        return "all who will ever measure"
    return "a sample of those who will measure"


def _rows(found: ExpectedPrecision) -> tuple[list[str], list[list[str]]]:
    rules = found.question.rules
    head = [
        "GRR truly takes",
        f"typical {100 * found.precision.level:g} % interval",
        f"shown under {rules.good_percent:g} %",
        f"under {rules.limit_percent:g} %",
        f"over {rules.limit_percent:g} %",
    ]
    rows = [
        [
            f"{row['true_percent']:g}{JOIN}%",
            f"{percent(row['lower'])} to {percent(row['upper'])}",
            share(row["shown_under_good"]),
            share(row["shown_under_limit"]),
            share(row["shown_over_limit"]),
        ]
        for row in found.to_frame().to_dict("records")
    ]
    return head, rows


def _closing(found: ExpectedPrecision) -> list[str]:
    rules, question = found.question.rules, found.question
    lines = [
        f"A gauge that truly takes {question.good_gauge:g} % is declared good in "
        f"{share(found.good_shown_good)} of the studies, one that truly takes "
        f"{question.bad_gauge:g} % declared bad in {share(found.bad_shown_bad)}, each with "
        f"{100 * rules.confidence:g} % confidence.",
        f"The expected width of the interval is {figures(found.precision.width)} times GRR itself.",
    ]
    if found.precision.design.operators_are == "random" and found.good_shown_good < 0.5:
        lines.append(
            "Too few sampled operators for a firm yes: more parts or trials hardly help, more "
            "operators do. If these are all who will ever measure, plan with "
            "operators_are='fixed'."
        )
    return [*lines, _assumed(found.precision.shares), KNOWN_WHOLE]


def _assumed(shares: Shares) -> str:
    return (
        f"Assumed: of the variance GRR {share(shares.repeatability)} is EV, "
        f"{share(shares.operator)} AV and {share(shares.interaction)} INT; give shares where you "
        "know better."
    )


def _comparison_opening(found: DesignComparison) -> list[str]:
    question = found.question
    return [
        f"Designs with at most {counted(found.budget, 'reading')}, the most deciding first; "
        f"the operators are {_who(found.operators_are)}.",
        f"Good shown good: a gauge that truly takes {question.good_gauge:g} % is shown to be under "
        f"{question.rules.good_percent:g} %. Bad shown bad: one that takes "
        f"{question.bad_gauge:g} % is shown to be over {question.rules.limit_percent:g} %.",
    ]


def _comparison_rows(found: DesignComparison) -> tuple[list[str], list[list[str]]]:
    head = [
        "Parts × operators × trials",
        "readings",
        "good shown good",
        "bad shown bad",
        "width",
    ]
    rows = [
        [
            f"{row['parts']} × {row['operators']} × {row['trials']}",
            f"{row['readings']}",
            share(row["good_shown_good"]),
            share(row["bad_shown_bad"]),
            f"{figures(row['width'])} × GRR",
        ]
        for row in found.table.head(SHOWN).to_dict("records")
    ]
    return head, rows


def _comparison_closing(found: DesignComparison) -> list[str]:
    more = len(found.table) - SHOWN
    lines = [f"{counted(more, 'further design')} in to_frame()."] if more > 0 else []
    return [
        *lines,
        "Width: expected width of the 95 % interval.",
        f"Each by {found.studies} simulated studies: differences of a few percentage points "
        "between designs are chance.",
        _assumed(found.shares),
        KNOWN_WHOLE,
        "Where the whole is to come from the parts of the study itself, take 10 parts or more "
        "(AIAG MSA, 4th ed., chapter III section B): part variation from five is hardly known.",
    ]
