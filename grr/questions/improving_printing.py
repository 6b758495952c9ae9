"""How the effect of changes is printed: as text, and as HTML."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from grr.formulas.improvement import MOST_READINGS, Change
from grr.model import tables
from grr.model.rounding import figures, length, percent, with_unit
from grr.questions.printing import EXAMPLE
from grr.questions.result import GaugeResult

if TYPE_CHECKING:
    from grr.questions.improving import Improvement

OF = {"percent_tolerance": "of the tolerance", "percent_tv": "of the total variation"}


def change_text(change: Change, unit: str) -> str:
    """Return a change in words."""
    steps = []
    if change.operators_alike:
        steps.append("operators alike")
    if change.no_interaction:
        steps.append("no interaction")
    if change.resolution is not None:
        steps.append(f"last digit {with_unit(figures(change.resolution, 1), unit)}")
    if change.readings > 1:
        steps.append(f"mean of {change.readings} readings")
    return ", ".join(steps) if steps else "as it is now"


def improvement_notes(result: GaugeResult) -> tuple[str, ...]:
    """Return what the reader must know about the predictions."""
    study = result.study
    notes = [
        "Predicted from this study's variances; a study after the change has to confirm it.",
        "Operators alike: by training, by agreeing on feel, or by a stand. No interaction: by a "
        "marked place on the part, or one fixture for all.",
        "Averaging means several readings of a part by one operator: it lessens repeatability "
        "only. Differences between operators, and those from part to part (interaction), are "
        "the same in every one of these readings and do not average.",
    ]
    if result.floored:
        notes.append(
            "The readings repeat to the last digit: averaging takes nothing away, and a finer "
            "digit may show less of an improvement than this best case."
        )
    if len(study.operator_names) < 2:
        notes.append("One operator measured, so nothing is known about the others.")
    elif result.value("AV", "variance") == 0.0:
        notes.append("No difference between operators was found, so training is not listed.")
    if study.trials < 2:
        notes.append(
            "With one trial EV contains the interaction, which does not average: the means are "
            "the best case."
        )
    return tuple(notes)


def improvement_text(found: Improvement) -> str:
    """Return the predictions for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in _opening(found)]
    lines += ["", tables.text_table(*improvement_rows(found)), ""]
    return "\n".join([*lines, *(tables.bullet(line) for line in improvement_closing(found))])


def improvement_html(found: Improvement) -> str:
    """Return the predictions for a notebook."""
    table = tables.html_table(*improvement_rows(found))
    return (
        tables.html_prose(*_opening(found)) + table + tables.html_list(improvement_closing(found))
    )


def _opening(found: Improvement) -> list[str]:
    study = found.result.study
    first = found.table.iloc[0]
    return [
        *([EXAMPLE] if study.example else []),
        study.summary,
        f"GRR now takes {percent(float(first['percent']))} {OF[found.measure]}. What it would "
        "take after a change, the most effective first:",
    ]


def improvement_rows(found: Improvement) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the table of changes."""
    unit = found.result.study.unit
    spread = found.result.spread
    head = [
        "Change",
        f"GRR ({spread:g} sd)",
        OF[found.measure],
        f"{100 * found.level:g} % interval",
    ]
    rows = []
    for row in found.table.to_dict("records"):
        low, high = float(row["lower"]), float(row["upper"])
        interval = f"{percent(low)} to {percent(high)}" if math.isfinite(high) else "no limit"
        rows.append(
            [
                str(row["change"]),
                length(spread * float(row["grr_sd"]), unit),
                percent(float(row["percent"])),
                interval,
            ]
        )
    return head, rows


def improvement_closing(found: Improvement) -> list[str]:
    """Return the smallest changes that reach the thresholds, and the notes."""
    lines = []
    for threshold, change in sorted(found.smallest.items(), reverse=True):
        aim = f"{threshold:g} % {OF[found.measure]}"
        if change is None:
            lines.append(
                f"Nothing in this list would bring GRR to {aim}, not even all of it together "
                f"with the mean of {MOST_READINGS} readings: another gauge or another way of "
                "measuring is needed."
            )
        elif change == Change():
            lines.append(f"GRR is within {aim} as it is (by the calculated value).")
        else:
            words = change_text(change, found.result.study.unit)
            lines.append(f"The smallest change that would bring GRR to {aim}: {words}.")
    return [*lines, *found.notes]
