"""The tables of numbers: both methods of calculation, and the analysis of variance."""

from __future__ import annotations

from grr.model import tables
from grr.page.page import heading, or_reason
from grr.questions.gauge import AnovaTable, GaugeResult, anova, average_range, closing, source_rows


def numbers_html(result: GaugeResult) -> str:
    """Return the result of record, then that of the other method of calculation."""
    of_record = _result_html(result, "the method of record")
    if result.method == "average_range":
        other = or_reason(lambda: _result_html(anova(result.study), "to compare"))
    else:
        other = or_reason(
            lambda: _result_html(average_range(result.study), "to compare"),
            "By average and range: not possible: ",
        )
    return of_record + other + _intervals(result)


def _result_html(result: GaugeResult, standing: str) -> str:
    parts = [
        heading(f"{result.estimator_name}, {standing}"),
        "" if result.method == "average_range" else tables.html_prose(f"{result.estimator}."),
        tables.html_table(*source_rows(result)),
        tables.html_list(closing(result)),
    ]
    if isinstance(result.anova_table, AnovaTable):
        parts.append(tables.html_heading("Table of sums of squares", 4))
        parts.append(result.anova_table._repr_html_())
    elif result.method == "anova":
        parts.append(tables.html_prose(result.anova_table_reason))
    return "".join(parts)


def _intervals(result: GaugeResult) -> str:
    level = result.study.rules.confidence
    return heading("Intervals") + or_reason(
        lambda: result.intervals(level=level)._repr_html_(), "No intervals: "
    )
