"""How the result of a study is printed: as text, and as HTML."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.facts import DEVIATION
from grr.model.rounding import JOIN, figures, length, percent, size
from grr.model.study import Study
from grr.model.units import conversion, fine_unit
from grr.questions.sources import NAMES, SOURCES

if TYPE_CHECKING:
    from grr.questions.result import GaugeResult

EXAMPLE = "EXAMPLE: these readings are invented; they say nothing about your gauge."


def tolerance_text(study: Study) -> str:
    """Return the tolerance in words, with its unit."""
    if study.tolerance is None:
        return "no tolerance given"
    lower, upper = study.tolerance.lower, study.tolerance.upper
    shown = [None if v is None else size(v, study.resolution) for v in (lower, upper)]
    unit = f" {study.unit}" if study.unit else ""
    beside = _deviations(study)
    if shown[0] is None:
        return f"at most {shown[1]}{unit}{beside}"
    if shown[1] is None:
        return f"at least {shown[0]}{unit}{beside}"
    return f"{shown[0]} to {shown[1]}{unit}{beside}"


def _deviations(study: Study) -> str:
    """Return the limits as deviations from the nominal size, in brackets; "" if not stated."""
    nominal = study.facts.get("nominal")
    deviates = study.facts.get("readings_are") == DEVIATION
    if nominal is None or study.tolerance is None or not study.unit or deviates:
        return ""
    fine = fine_unit(study.unit)
    factor = conversion(study.unit, fine)
    limits = (study.tolerance.lower, study.tolerance.upper)
    # Ten digits: 10.012 − 10 is 0.01199999999999 in binary.
    shown = [f"{(limit - nominal) * factor:+.10g}" for limit in limits if limit is not None]
    return f" ({nominal:g} with {' and '.join(shown)} {fine})"


def opening(result: GaugeResult) -> list[str]:
    """Return the lines above the numbers: which study, how much, how computed."""
    study = result.study
    lines = [EXAMPLE] if study.example else []
    gauge = study.facts.get("gauge_number")
    lines.append(study.summary + (f", gauge {gauge}" if gauge else ""))
    lines.append(f"Tolerance: {tolerance_text(study)}{_when(study)}")
    lines.append(f"{result.estimator}.")
    return lines


def _when(study: Study) -> str:
    """Return when the readings were taken, as the end of a sentence; "" if not recorded."""
    readings = study.readings
    if "time" not in readings or readings["time"].isna().all():
        return ""
    first, last = (f"{readings['time'].agg(end):%Y-%m-%d}" for end in ("min", "max"))
    return f"; readings taken {first}" + (f" to {last}" if last != first else "")


def source_rows(result: GaugeResult) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the table of sources as a person reads it."""
    head = [
        "Source",
        f"spread ({result.spread:g}{JOIN}sd)",
        "of tolerance",
        "of total",
        "share of variance",
    ]
    rows = []
    for name in SOURCES:
        label = f"{name} {NAMES[name]}"
        if name in result.below_zero:
            label += " (estimated below zero)"
        if math.isnan(result.value(name, "sd")):
            rows.append([label, "not estimated", "", "", ""])
            continue
        rows.append(
            [
                label,
                length(result.value(name, "spread"), result.study.unit),
                *(
                    _share(result.value(name, column))
                    for column in ("percent_tolerance", "percent_tv", "percent_contribution")
                ),
            ]
        )
    return head, rows


def _share(value: float) -> str:
    return "—" if math.isnan(value) else percent(value)


def closing(result: GaugeResult) -> list[str]:
    """Return the sentences under the numbers: ndc, what is missing and why, notes."""
    lines = []
    if result.ndc is None:
        lines.append("Distinct categories (ndc): not estimated.")
    else:
        lines.append(
            f"Distinct categories (ndc): {result.ndc} "
            f"(1.41·PV/GRR = {figures(result.ndc_exact, 3)}, rounded down"
            f"{', but never below 1' if result.ndc_exact < 1.0 else ''})."
        )
    said: dict[str, list[str]] = {}
    words = {
        "percent_tv": "Percent of total variation",
        "percent_contribution": "share of variance",
        "percent_tolerance": "Percent of tolerance",
    }
    for name, reason in result.reasons.items():
        said.setdefault(reason, []).append(words.get(name, name))
    lines += [f"{' and '.join(names)}: not estimated, {reason}." for reason, names in said.items()]
    return [*lines, *_one_limit(result), *result.notes]


def _one_limit(result: GaugeResult) -> list[str]:
    """Return from where percent of tolerance is counted where there is one limit only."""
    study, tolerance = result.study, result.study.tolerance
    if tolerance is None or tolerance.two_sided or "percent_tolerance" in result.reasons:
        return []
    given = study.process_mean is not None
    centre = result.mean if study.process_mean is None else study.process_mean
    fine = None if study.resolution is None else study.resolution / 10.0
    text = (
        f"One limit: percent of tolerance is {result.spread / 2:g} sd against the distance from "
        f"the {'process mean given' if given else 'mean of the readings'}, "
        f"{size(centre, fine, study.unit)}, to the limit."
    )
    if study.parts_from == "chosen" and not given:
        text += (
            " The parts were chosen, so that mean is theirs and not that of the process: state "
            "process_mean before you judge by it."
        )
    return [text]


def result_blocks(result: GaugeResult) -> list[Block]:
    """Return which study it is, the table of sources, and what to know about it."""
    return [Prose(opening(result)), Table(*source_rows(result)), Bullets(closing(result))]
