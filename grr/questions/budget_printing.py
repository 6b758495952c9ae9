"""How an uncertainty budget is printed: as text, and as HTML."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from grr.model import tables
from grr.model.rounding import JOIN, figures, length, percent, with_unit
from grr.questions.printing import EXAMPLE

if TYPE_CHECKING:
    from grr.questions.budget import UncertaintyBudget

#: Degrees of freedom above which t is the normal distribution to three figures.
MANY_DF = 1000


def budget_text(budget: UncertaintyBudget) -> str:
    """Return the budget for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in _opening(budget)]
    lines += ["", tables.text_table(*_rows(budget)), ""]
    return "\n".join([*lines, *(tables.bullet(line) for line in _closing(budget))])


def budget_html(budget: UncertaintyBudget) -> str:
    """Return the budget for a notebook, with the formula of each line."""
    head, rows = _rows(budget)
    notes = budget.to_frame()["note"].tolist()
    rows = [[row[0], str(note), *row[1:]] for row, note in zip(rows, notes, strict=True)]
    table = tables.html_table([head[0], "how", *head[1:]], rows, left=2)
    return tables.html_prose(*_opening(budget)) + table + tables.html_list(_closing(budget))


def _opening(budget: UncertaintyBudget) -> list[str]:
    lines = [EXAMPLE] if budget.example else []
    name = f"{budget.title}: " if budget.title else ""
    many = budget.df > MANY_DF
    known = "" if many else f", {math.floor(budget.df)} degrees of freedom"
    source = "as agreed" if budget.k is not None else f"{100 * budget.level:g} %{known}"
    lines.append(
        f"{name}expanded uncertainty U = {length(budget.expanded, budget.unit)} "
        f"(k = {figures(budget.coverage, 3)}, {source}); standard uncertainty "
        f"{length(budget.standard_u, budget.unit)}."
    )
    return lines


def _rows(budget: UncertaintyBudget) -> tuple[list[str], list[list[str]]]:
    rows = []
    for name, line in budget.to_frame().iterrows():
        share = float(line["share_percent"])
        rows.append(
            [
                str(name),
                _size(float(line["size"]), str(line["unit"]), budget.unit),
                str(line["distribution"]),
                length(float(line["contribution"]), budget.unit),
                "not counted" if math.isnan(share) else percent(share),
            ]
        )
    return ["Contribution", "size", "distribution", "makes", "of the variance"], rows


def _size(value: float, unit: str, own: str) -> str:
    """Return the size of a line: a length as it reads best, else with its unit."""
    if unit == "1/K":
        return f"{figures(1e6 * value)}·10⁻⁶{JOIN}/K"
    return length(value, unit) if unit == own else with_unit(figures(value), unit)


def _closing(budget: UncertaintyBudget) -> list[str]:
    lines = [f"Not counted: {name}, {why}." for name, why in budget.left_out.items()]
    lines += [
        f"Already in the study? {line.name.capitalize()} may be in {line.inside} already. It is "
        "counted besides until that is answered."
        for line in budget.lines
        if line.inside and line.in_study is None
    ]
    if budget.correlations:
        pairs = [f"{a} with {b} {r:g}" for (a, b), r in budget.correlations.items()]
        lines.append(
            f"Correlated: {'; '.join(pairs)}. The shares of the variance leave that out, and the "
            "degrees of freedom are then an approximation."
        )
    return [*lines, *budget.questions]
