"""How the readings of a reference part are printed: as text, and as HTML."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from grr.formulas.bias import Bias
from grr.model import tables
from grr.model.limits import fine_interval, fine_length, limits_text
from grr.model.probability import p_text
from grr.model.rounding import NOT_ESTIMATED, counted, figures, length, percent, size
from grr.questions.printing import EXAMPLE

if TYPE_CHECKING:
    from grr.questions.reference_result import ReferenceResult


def reference_text(result: ReferenceResult) -> str:
    """Return the result for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in _opening(result)]
    lines += ["", tables.text_table(*_rows(result)), ""]
    return "\n".join([*lines, *(tables.bullet(line) for line in _closing(result))])


def reference_html(result: ReferenceResult) -> str:
    """Return the result for a notebook."""
    table = tables.html_table(*_rows(result))
    return tables.html_prose(*_opening(result)) + table + tables.html_list(_closing(result))


def _opening(result: ReferenceResult) -> list[str]:
    lines = [EXAMPLE] if result.example else []
    step = result.resolution
    part = size(result.reference, None if step is None else step / 10.0, result.unit)
    name = f"{result.title}: " if result.title else ""
    lines.append(f"{name}{counted(len(result.readings), 'reading')} of a reference part, {part}.")
    lines.append(f"Tolerance: {limits_text(result.tolerance, step, result.unit)}.")
    return lines


def _rows(result: ReferenceResult) -> tuple[list[str], list[list[str]]]:
    rows = [
        _length_row(result, "Bias, readings alone", "bias"),
        _length_row(
            result, "Bias, with the reference's uncertainty", "bias_with_reference", bound=True
        ),
        _length_row(result, "Repeatability (one sd)", "repeatability_sd"),
        _ratio_row(result, "Cg"),
        _ratio_row(result, "Cgk"),
        _percent_row(result, "Q_MS, uncertainty of the system", "Q_MS"),
        _percent_row(result, "Resolution, of the tolerance", "resolution_percent"),
    ]
    least = result.smallest_tolerance
    shown = NOT_ESTIMATED if math.isnan(least) else length(least, result.unit, 3)
    rows.append(["Smallest tolerance", shown, "", ""])
    return ["Quantity", "value", f"{100 * result.asked.level:g} % interval", "asked for"], rows


def _length_row(result: ReferenceResult, name: str, key: str, *, bound: bool = False) -> list[str]:
    found, unit = result.quantities()[key], result.unit
    limited = bound and not math.isnan(found.limit)
    allowed = f"at most ±{length(found.limit, unit)}" if limited else ""
    if math.isnan(found.lower):
        return [name, length(found.estimate, unit), "", allowed]
    shown = fine_length(found.estimate, found.upper - found.lower, unit)
    return [name, shown, fine_interval(found.lower, found.upper, unit), allowed]


def _ratio_row(result: ReferenceResult, name: str) -> list[str]:
    found = result.quantities()[name]
    if math.isnan(found.estimate):
        return [name, NOT_ESTIMATED, "", ""]
    interval = f"{figures(found.lower, 3)} to {figures(found.upper, 3)}"
    interval = "" if math.isnan(found.lower) else interval
    return [name, figures(found.estimate, 3), interval, f"at least {found.limit:g}"]


def _percent_row(result: ReferenceResult, name: str, key: str) -> list[str]:
    found = result.quantities()[key]
    if math.isnan(found.estimate):
        return [name, NOT_ESTIMATED, "", ""]
    return [name, percent(found.estimate), "", f"at most {found.limit:g} %"]


def _closing(result: ReferenceResult) -> list[str]:
    lines = [
        _test_sentence("By the standard deviation", result.by_sd),
        _test_sentence("By the manual's range form", result.by_range),
    ]
    reasons: dict[str, list[str]] = {}
    for name, reason in result.reasons.items():
        reasons.setdefault(reason, []).append(name)
    lines += [f"{', '.join(names)}: not estimated, {why}." for why, names in reasons.items()]
    return [*lines, *result.notes]


def _test_sentence(form: str, bias: Bias) -> str:
    t, p = float(bias.t), float(bias.p)
    if not math.isfinite(t):
        return f"{form}: the readings do not scatter, so there is no test."
    shown = "is shown" if p < 1.0 - bias.level else "is not shown"
    return (
        f"{form}: t = {t:.2f} with {bias.df:.3g} degrees of freedom, {p_text(p)}; a bias "
        f"other than 0 {shown}."
    )
