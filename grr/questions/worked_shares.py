"""The percentages and ndc at the foot of the worked average-and-range sheet."""

from __future__ import annotations

import math

from grr.formulas.sources_of_variation import NDC_FACTOR
from grr.model.rounding import figures, percent
from grr.questions.result import GaugeResult
from grr.questions.sources import NAMES
from grr.questions.worked_lines import FORM, Line, five


def share_lines(result: GaugeResult) -> list[Line]:
    """Return the percentages of total variation and of the tolerance, and ndc."""
    tv = result.value("TV", "sd")
    worked = []
    for name in ("EV", "AV", "GRR", "PV"):
        value, sd = result.value(name, "percent_tv"), result.value(name, "sd")
        if math.isnan(value):
            reason = result.reasons.get("percent_tv", result.reasons.get(name, "TV is 0"))
            worked.append(_share(name, "TV", ("", ""), value, f"not estimated, {reason}"))
        else:
            working = (f"100 × {name} / TV", f"100 × {five(sd)} / {five(tv)}")
            worked.append(_share(name, "TV", working, value, percent(value)))
    worked.append(_categories(result))
    worked += _tolerance_lines(result)
    return worked


def _share(name: str, whole: str, working: tuple[str, str], value: float, shown: str) -> Line:
    """Return a percentage of "TV" or of "tolerance"; ``working`` is formula and numbers."""
    words = "total variation" if whole == "TV" else "the tolerance"
    quantity = f"{NAMES[name].capitalize()}, percent of {words}"
    return Line(quantity, f"{name}, % of {whole}", *working, value, shown, FORM)


def _categories(result: GaugeResult) -> Line:
    exact = result.ndc_exact
    if result.ndc is None:
        return Line("Distinct categories", "ndc", "", "", exact, "not estimated", FORM)
    pv, grr = result.value("PV", "sd"), result.value("GRR", "sd")
    return Line(
        "Distinct categories, rounded down and at least 1",
        "ndc",
        f"{NDC_FACTOR:g} × PV / GRR",
        f"{NDC_FACTOR:g} × {five(pv)} / {five(grr)}",
        exact,
        f"{figures(exact, 3)}, so {result.ndc}",
        FORM,
    )


def _tolerance_lines(result: GaugeResult) -> list[Line]:
    if result.study.tolerance is None:
        return []
    worked = []
    for name in ("EV", "AV", "GRR"):
        value = result.value(name, "percent_tolerance")
        if math.isnan(value):
            reason = result.reasons.get(name, result.reasons.get("percent_tolerance", ""))
            worked.append(_share(name, "tolerance", ("", ""), value, f"not estimated, {reason}"))
        else:
            working = _against_tolerance(result, name)
            worked.append(_share(name, "tolerance", working, value, percent(value)))
    return worked


def _against_tolerance(result: GaugeResult, name: str) -> tuple[str, str]:
    """Return formula and numbers of the spread over the tolerance; half of it for one limit."""
    study, sd, times = result.study, five(result.value(name, "sd")), result.spread
    tolerance = study.tolerance
    assert tolerance is not None
    if tolerance.width is not None:
        whole = five(tolerance.width)
        over = "(upper limit − lower limit)"
        return f"100 × {times:g} × {name} / {over}", f"100 × {times:g} × {sd} / {whole}"
    centre = result.mean if study.process_mean is None else study.process_mean
    limit = tolerance.upper if tolerance.upper is not None else tolerance.lower
    assert limit is not None
    half, whole = f"{times / 2:g}", five(abs(limit - centre))
    return (
        f"100 × {half} × {name} / distance from the mean to the limit",
        f"100 × {half} × {sd} / {whole}",
    )
