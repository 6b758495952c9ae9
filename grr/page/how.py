"""How it was computed: options, formulas with their sources, and with the numbers filled in."""

from __future__ import annotations

from grr.formulas.pivots import DRAWS, SEED
from grr.model import tables
from grr.model.glossary import explain
from grr.model.rounding import square_unit
from grr.model.units import conversion, fine_unit
from grr.page.filled_in import filled_in
from grr.page.page import facts_list, folded, formulas, or_reason
from grr.questions.gauge import GaugeResult
from grr.questions.worked_sheet import worked_sheet

_EXPLAINED = (
    "EV",
    "AV",
    "INT",
    "GRR",
    "PV",
    "TV",
    "percent of tolerance",
    "percent of total variation",
    "ndc",
    "operators fixed or random",
    "guard band",
    "consumer's risk",
)

_METHODS = {"anova": "analysis of variance", "average_range": "average and range"}


def how_html(result: GaugeResult, *, sources: bool = True) -> str:
    """Return the method, the options, the formulas and, where asked for, their sources."""
    rules = result.study.rules
    options = [
        ("Method of record", _METHODS[rules.method_of_record]),
        ("Estimator", result.estimator),
        ("Spread", f"{result.spread:g} standard deviations"),
        ("Interaction", f"{rules.interaction}; pooled where its p is above {rules.pool_above:g}"),
        ("Thresholds", f"good under {rules.good_percent:g} %, limit {rules.limit_percent:g} %"),
        ("Fewest categories", str(rules.least_ndc)),
        ("Confidence", f"{100 * rules.confidence:g} %, one-sided for decisions"),
        ("Intervals", f"generalized confidence intervals, {DRAWS} draws, seed {SEED}"),
    ]
    lines = list(dict.fromkeys(line for group in filled_in(result).values() for line in group))
    return "".join(
        [
            facts_list(options),
            folded("The formulas and their sources", _formulas()) if sources else "",
            folded("This study's numbers filled in", _told_in(result) + formulas(lines)),
            or_reason(
                lambda: folded("The average-and-range form, line by line", _form(result)),
                "No average-and-range form: ",
            ),
        ]
    )


def _told_in(result: GaugeResult) -> str:
    """Return the unit of the squares here, where it is not that of the table."""
    unit = result.study.unit
    if result.anova_table is None or fine_unit(unit) == unit:
        return ""
    return tables.html_prose(
        f"Squares are in {unit}² here, and in {square_unit(unit)} in the table of sums of squares: "
        f"1 {unit}² = {conversion(unit, fine_unit(unit)) ** 2:,.0f} {square_unit(unit)}."
    )


def _formulas() -> str:
    entries = [explain(term).to_frame().iloc[0] for term in _EXPLAINED]
    rows = [[str(e["term"]), str(e["formula"]), str(e["source"])] for e in entries]
    return tables.html_table(["Quantity", "Formula", "Source"], rows, left=3)


def _form(result: GaugeResult) -> str:
    """Return the form as two tables: each stays on one page, and together they need not."""
    sheet = worked_sheet(result.study, spread=result.spread)
    first = next(i for i, line in enumerate(sheet.lines) if line.symbol == "K1")
    tables_of_lines = [
        tables.html_table(
            ["Line", "Formula, numbers, result"],
            [[line.quantity, line.worked] for line in lines],
            caption=caption,
            left=2,
        )
        for caption, lines in (
            ("Ranges and averages", sheet.lines[:first]),
            ("What follows from them", sheet.lines[first:]),
        )
    ]
    return "".join(tables_of_lines) + tables.html_list(sheet.result.notes)
