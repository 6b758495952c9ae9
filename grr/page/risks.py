"""What wrong decisions cost: risks, acceptance limits, and what would make GRR smaller."""

from __future__ import annotations

from grr.model import tables
from grr.page.page import heading, or_reason
from grr.questions.gauge import GaugeResult
from grr.questions.improving import improvement_closing, improvement_rows, what_would_help
from grr.questions.risk import (
    guard_band,
    guard_notes,
    guard_rows,
    misclassification,
    risk_notes,
    risk_rows,
)


def risks_html(result: GaugeResult) -> str:
    """Return risks, acceptance limits and improvements of one measuring system."""
    return "".join(
        [
            heading("How many parts are judged wrongly?"),
            or_reason(lambda: _risks(result), "The risks cannot be told: "),
            heading("Within which readings may parts be accepted?"),
            or_reason(lambda: _limits(result), "There are no acceptance limits: "),
            heading("What would make GRR smaller?"),
            or_reason(lambda: _improvements(result), "Nothing can be predicted: "),
        ]
    )


def _risks(result: GaugeResult) -> str:
    found = misclassification(result)
    return tables.html_table(*risk_rows(found)) + tables.html_list(risk_notes(found))


def _limits(result: GaugeResult) -> str:
    band = guard_band(result)
    table = ""
    if band.possible:
        head, rows = guard_rows(band)
        table = tables.html_table([head[0], "Value"], rows)
    return tables.html_prose(band.aim) + table + tables.html_list(guard_notes(band))


def _improvements(result: GaugeResult) -> str:
    found = what_would_help(result)
    return tables.html_table(*improvement_rows(found)) + tables.html_list(
        improvement_closing(found)
    )
