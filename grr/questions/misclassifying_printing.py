"""How the risks of wrong decisions are printed: as text, and as HTML."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from grr.model import tables
from grr.model.chance import chance, chances
from grr.model.limits import limits_text
from grr.model.rounding import length, same_decimals, size, with_unit
from grr.questions.printing import EXAMPLE

if TYPE_CHECKING:
    from grr.questions.circumstances import Circumstances
    from grr.questions.misclassifying import Misclassification

ASSUMED = (
    "Assumed: true values and errors are normal, the process stays as it is, and each part is "
    "judged by one reading."
)
PPM = "ppm: parts per million."
CAUTION = (
    "How much risk is allowed is for the drawing, the customer and the law to say, not for "
    "this calculation."
)


def risks_text(result: Misclassification) -> str:
    """Return the risks for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in _opening(result)]
    lines += ["", tables.text_table(*risk_rows(result)), ""]
    return "\n".join([*lines, *(tables.bullet(line) for line in risk_notes(result))])


def risks_html(result: Misclassification) -> str:
    """Return the risks for a notebook."""
    table = tables.html_table(*risk_rows(result))
    return tables.html_prose(*_opening(result)) + table + tables.html_list(risk_notes(result))


def situation_lines(known: Circumstances) -> list[str]:
    """Return tolerance, measuring system and process as sentences."""
    unit = known.unit
    lines = [EXAMPLE] if known.example else []
    if known.title:
        lines.append(known.title)
    lines.append(f"Tolerance: {limits_text(known.tolerance, known.resolution, unit)}.")
    lines.append(f"Measuring system: sd {length(known.grr_sd, unit)} ({known.grr_is}).")
    process = known.process
    if process is not None:
        mean = with_unit(same_decimals(process.mean, process.sd), unit)
        lines.append(
            f"Process: mean {mean}, sd of true values {length(process.sd, unit)} ({process.sd_is})."
        )
    return lines


def _opening(result: Misclassification) -> list[str]:
    known = result.circumstances
    lines = situation_lines(known)
    if result.acceptance != known.tolerance:
        accepted = limits_text(result.acceptance, known.resolution, known.unit)
        lines.append(f"Accepted are readings: {accepted}.")
    if result.bias != 0.0:
        lines.append(f"Bias of the readings, not corrected: {length(result.bias, known.unit)}.")
    return lines


def risk_rows(result: Misclassification) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the table of probabilities."""
    with_interval = result.circumstances.estimated
    head = ["How likely is it that", "probability"]
    if with_interval:
        head.append(f"{100 * result.level:g} % interval")
    rows = []
    for meaning, estimate, lower, upper in result.table.itertuples(index=False):
        row = [str(meaning), chance(float(estimate))]
        rows.append([*row, chances(float(lower), float(upper))] if with_interval else row)
    return head, rows


def risk_notes(result: Misclassification) -> list[str]:
    """Return the risks in numbers of parts, and what is assumed."""
    lines = []
    bad, good = result.value("bad_accepted"), result.value("good_rejected")
    if math.isfinite(bad) and math.isfinite(good):
        lines.append(
            f"Of a million parts about {_count(bad)} are bad and accepted, and about "
            f"{_count(good)} are good and rejected."
        )
    if result.reading is not None:
        known = result.circumstances
        shown = size(result.reading, known.resolution, known.unit)
        lines.append(
            f"A part that reads {shown} is bad with probability "
            f"{chance(result.value('reading_bad'))}, given what this process makes; by the "
            "reading alone, knowing nothing of the process, with "
            f"{chance(result.value('reading_bad_without_process'))}."
        )
    if result.circumstances.estimated:
        lines.append(
            "The intervals carry the uncertainty of the study: with few operators GRR itself is "
            "not known well."
        )
    return [*lines, PPM, ASSUMED, CAUTION]


def _count(probability: float) -> str:
    expected = 1e6 * probability
    return f"{expected:.2g}" if expected < 10.0 else f"{float(f'{expected:.3g}'):.0f}"
