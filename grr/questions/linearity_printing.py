"""How the bias over the range is printed: as text, and as HTML."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from grr.model import tables
from grr.model.limits import fine_interval, fine_length
from grr.model.probability import p_text
from grr.model.rounding import counted, figures, length, size, with_unit
from grr.model.units import conversion, fine_unit
from grr.questions.printing import EXAMPLE

if TYPE_CHECKING:
    from grr.questions.linearity_result import LinearityResult


def linearity_text(result: LinearityResult) -> str:
    """Return the result for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in _opening(result)]
    lines += ["", tables.text_table(*_rows(result)), ""]
    return "\n".join([*lines, *(tables.bullet(line) for line in _closing(result))])


def linearity_html(result: LinearityResult) -> str:
    """Return the result for a notebook."""
    table = tables.html_table(*_rows(result))
    return tables.html_prose(*_opening(result)) + table + tables.html_list(_closing(result))


def _opening(result: LinearityResult) -> list[str]:
    lines = [EXAMPLE] if result.example else []
    values = result.blocks.values
    lowest, highest = (size(v, result.resolution) for v in (values[0], values[-1]))
    name = f"{result.title}: " if result.title else ""
    lines.append(
        f"{name}{counted(len(result.bias), 'reading')} on {counted(len(values), 'block')} from "
        f"{with_unit(f'{lowest} to {highest}', result.unit)}."
    )
    return lines


def _rows(result: LinearityResult) -> tuple[list[str], list[list[str]]]:
    head = ["Block", "readings", "bias", f"{100 * result.level:g} % interval", "largest error"]
    if result.mpe is not None:
        head.append(f"MPE ±{length(result.mpe, result.unit)}")
    rows = []
    for i, value in enumerate(result.blocks.values):
        low, high = float(result.block_lower[i]), float(result.block_upper[i])
        spread = high - low if math.isfinite(high - low) else result.largest_bias
        row = [
            size(float(value), result.resolution),
            f"{int(result.blocks.counts[i])}",
            fine_length(float(result.blocks.means[i]), spread, result.unit),
            fine_interval(low, high, result.unit),
            fine_length(float(result.largest_errors[i]), spread, result.unit),
        ]
        rows.append([*row, result.mpe_states[i]] if result.mpe is not None else row)
    return head, rows


def _closing(result: LinearityResult) -> list[str]:
    unit = result.unit
    lines = [
        _line_sentence(result),
        f"Zero bias lies {'inside' if result.zero_inside else 'outside'} the band "
        f"{'everywhere' if result.zero_inside else 'somewhere in the range'} (the manual's "
        f"criterion); slope and intercept both 0: {p_text(float(result.line.joint_p))}.",
        f"Largest bias found {length(result.largest_bias, unit)}; with the intervals it could "
        f"be {length(result.largest_possible_bias, unit)}{_limit(result)}",
    ]
    if result.mpe is not None:
        lines.append(
            f"Error of indication against ±{length(result.mpe, unit)} by ISO 14253-1, the blocks' "
            f"uncertainty taken into account: {result.mpe_state}."
        )
    if result.pitch is not None:
        wave = result.pitch
        lines.append(
            f"Periodic error of the screw: amplitude {length(float(wave.amplitude), unit)} "
            f"({fine_interval(float(wave.lower), float(wave.upper), unit)})."
        )
    return [*lines, *result.notes]


def _line_sentence(result: LinearityResult) -> str:
    unit, line = result.unit, result.line
    fine = fine_unit(unit)
    factor = conversion(unit, fine)
    span = float(result.blocks.values[-1] - result.blocks.values[0])
    low, high = (end * span for end in result.slope_interval)
    slope = float(line.slope)
    units = f" (bias in {fine}, size in {unit})" if unit else ""
    return (
        f"Over the range of {with_unit(f'{span:g}', unit)} the bias changes by "
        f"{fine_length(slope * span, high - low, unit)} ({100 * result.level:g} % interval "
        f"{fine_interval(low, high, unit)}); bias = {figures(float(line.intercept) * factor, 3)} "
        f"{'−' if slope < 0 else '+'} {figures(abs(slope) * factor, 3)} × size{units}."
    )


def _limit(result: LinearityResult) -> str:
    if result.bias_limit is None:
        return ". No bias limit was given, so the range is not judged."
    words = {
        "within": "within the limit everywhere",
        "beyond": "beyond the limit somewhere",
        "open": "not decided: the limit lies inside the intervals",
    }
    limit = length(result.bias_limit, result.unit)
    return f". Against the limit of ±{limit}: {words[result.against(result.bias_limit)]}."
