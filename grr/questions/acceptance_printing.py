"""How acceptance limits are printed: as text, and as HTML."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from grr.model import tables
from grr.model.chance import chance
from grr.model.limits import limits_text
from grr.model.rounding import decimals_for, length
from grr.model.tolerance import Tolerance
from grr.questions.misclassifying_printing import PPM, situation_lines

if TYPE_CHECKING:
    from grr.questions.acceptance import GuardBand

AGREED = (
    "Which rule counts is for supplier and customer to agree; these limits are for the one who "
    "states that parts conform. Where the drawing or the contract names a rule, that one holds."
)
ONLY_GRR = (
    "u is GRR alone: calibration, temperature and whatever else the study did not vary are not "
    "in it. Give u from an uncertainty budget where there is one."
)


def guard_text(band: GuardBand) -> str:
    """Return the acceptance limits for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in _opening(band)]
    lines += [
        "",
        tables.text_table(*guard_rows(band)) if band.possible else "NO ACCEPTANCE LIMITS",
        "",
    ]
    return "\n".join([*lines, *(tables.bullet(line) for line in guard_notes(band))])


def guard_html(band: GuardBand) -> str:
    """Return the acceptance limits for a notebook."""
    top = tables.html_prose(*_opening(band))
    middle = (
        tables.html_table(*guard_rows(band))
        if band.possible
        else tables.html_heading("No acceptance limits", 4)
    )
    return top + middle + tables.html_list(guard_notes(band))


def _opening(band: GuardBand) -> list[str]:
    known = band.circumstances
    lines = situation_lines(known)
    if band.bias != 0.0:
        lines.append(f"Known bias: {length(band.bias, known.unit)}.")
    return [*lines, band.aim]


def guard_rows(band: GuardBand) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the table of acceptance limits."""
    known, corrected = band.circumstances, band.bias != 0.0
    rows = [["Guard band at each limit", length(band.width, known.unit)]]
    if not math.isnan(band.lower):
        rows.append([f"  its {100 * band.level:g} % interval", _interval(band)])
    finer = 10.0 if corrected else 1.0
    name = "Accept corrected readings" if corrected else "Accept readings"
    rows.append([name, _shown(band, band.acceptance, finer)])
    if corrected:
        rows.append(
            ["Accept readings as the gauge shows them", _shown(band, band.on_the_gauge, 1.0)]
        )
    if not math.isnan(band.upper):
        cautious = _shown(band, band.cautious, finer)
        rows.append(["Cautious limits (upper end of the interval)", cautious])
    return ["Acceptance limits", ""], rows


def _shown(band: GuardBand, limits: Tolerance | None, finer: float) -> str:
    """Return limits rounded inwards to the gauge's digit: the last readings to accept."""
    known = band.circumstances
    step = known.resolution
    step = 10.0 ** -decimals_for(band.width or 1.0) if step is None else step / finer
    if limits is None:
        return "none"
    lower = None if limits.lower is None else math.ceil(limits.lower / step - 1e-6) * step
    upper = None if limits.upper is None else math.floor(limits.upper / step + 1e-6) * step
    if lower is not None and upper is not None and lower >= upper:
        return "none"
    return limits_text(Tolerance(lower, upper), step, known.unit)


def _interval(band: GuardBand) -> str:
    unit = band.circumstances.unit
    high = length(band.upper, unit) if math.isfinite(band.upper) else "no limits possible"
    return f"{length(band.lower, unit)} to {high}"


def guard_notes(band: GuardBand) -> list[str]:
    """Return what the limits cost, and on what they rest."""
    lines = [band.why_not] if band.why_not else []
    now, before = band.risks, band.risks_unguarded
    if now is not None and before is not None:
        lines.append(
            f"Bad and accepted: {chance(float(now.bad_accepted))} of all parts, instead of "
            f"{chance(float(before.bad_accepted))} with the tolerance limits themselves."
        )
        lines.append(
            f"Good and rejected: {chance(float(now.good_rejected))} of all parts, instead of "
            f"{chance(float(before.good_rejected))}. {chance(float(now.accepted))} of all parts "
            "are accepted."
        )
        if float(now.accepted) < 0.5:
            lines.append(
                "Fewer than half of the parts would be accepted: improve the measurement or the "
                "process instead."
            )
    elif band.possible:
        lines.append(f"What the limits cost is not known: {band.circumstances.no_process}.")
    if band.width == 0.0:
        lines.append("The tolerance limits themselves hold this risk; no guard band is needed.")
    if not math.isfinite(band.upper) and not math.isnan(band.upper) and band.possible:
        lines.append(
            "The study is also compatible with a spread at which no acceptance limits are left."
        )
    if band.circumstances.grr_is != "given":
        lines.append(ONLY_GRR)
    if now is not None:
        lines.append(PPM)
    return [*lines, AGREED]
