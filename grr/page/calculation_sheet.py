"""The sheet of the workbook that calculates: from the readings to the percentages, by formulas.

Every number on it is a formula that starts from the sheet of readings, with the value that grr
computed stored in it, so that a program that does not calculate shows it too. The formulas are
those of the analysis of variance (AIAG MSA, 4th ed., appendix A) and of the average and range
method (ibid., chapter III section B), as in `grr.formulas`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from grr.formulas.average_range import AverageRange
from grr.formulas.average_range import average_range as from_ranges
from grr.formulas.sources_of_variation import NDC_FACTOR
from grr.model.choices import NAMES
from grr.model.errors import StudyError
from grr.model.study import Cube, Study
from grr.page.workbook_cells import Sheet, address, area
from grr.questions.gauge import GaugeResult, anova, average_range
from grr.questions.sittings import further_sources

#: Where the parts begin: below title, explanation, operators and trials.
_FIRST_PART = 4
_ABOUT = (
    "Each number is a formula that starts from the sheet Readings; in the last column it stands in "
    "words. Change a reading there and everything here follows."
)


def why_not(study: Study) -> str:
    """Return why a study has no such sheet, as a sentence; "" where it has one."""
    if study.design == "nested":
        return "Nested studies have no sheet of formulas."
    if not study.balanced:
        return "Readings are missing: the variances come from an estimate without closed formulas."
    further = further_sources(study)
    if further is not None and further.squares is not None:
        if further.only_sessions:
            return "Studies with several sessions have no sheet of formulas."
        return "Studies of several places or gauges have no sheet of formulas."
    if study.cube().packed.shape[2] < 2:
        return "With one trial there is no sheet of formulas: nothing was repeated."
    return ""


def calculation_sheet(
    sheet: Sheet, study: Study, readings: dict[tuple[str, str], list[str]]
) -> None:
    """Write the calculation of one study by one method of measuring.

    Parameters
    ----------
    sheet : Sheet
    study : Study
        Complete and crossed, with two trials or more (`why_not` is "").
    readings : dict
        Part and operator → the cells that hold their readings, trial by trial.
    """
    sheet.put(0, 0, "From the readings to the percentages", bold=True)
    sheet.put(1, 0, _ABOUT)
    lines = _Lines(sheet, _FIRST_PART + len(study.cube().parts) + 2)
    named = _means(sheet, study.cube(), readings)
    lines.names.update(named)
    _counts(lines, study)
    result = anova(study)
    lines.title("Analysis of variance: sums of squares, mean squares, F and p")
    _table(lines, result)
    lines.title("Analysis of variance: the sources of variation")
    _components(lines, result)
    _shares(lines, result)
    try:
        result = average_range(study)
    except StudyError:  # by ranges there is nothing: the sheet Sources says why
        return
    lines.title("Average and range")
    _ranges(lines, result, from_ranges(study.cube().packed))
    _shares(lines, result)


class _Lines:
    """Lines below each other: a name, its formula, and the formula in words."""

    def __init__(self, sheet: Sheet, first: int) -> None:
        self._sheet, self._row = sheet, first
        self.names: dict[str, str] = {}

    def title(self, said: str) -> None:
        self._row += 1
        self._sheet.put(self._row, 0, said, bold=True)
        self._row += 1

    def add(self, name: str, formula: str, value: Any, said: str = "") -> None:
        """Write a line; names in braces stand for the cells of the lines so named."""
        self._sheet.put(self._row, 0, name)
        self._sheet.formula(self._row, 1, formula.format_map(self.names), float(value))
        self._sheet.put(self._row, 2, said or None)
        self.names[name] = address(self._row, 1)
        self._row += 1

    def given(self, name: str, value: float, said: str) -> None:
        """Write a number that is no result of the readings."""
        self._sheet.put(self._row, 0, name)
        self._sheet.put(self._row, 1, float(value))
        self._sheet.put(self._row, 2, said)
        self.names[name] = address(self._row, 1)
        self._row += 1


def _means(sheet: Sheet, cube: Cube, readings: dict[tuple[str, str], list[str]]) -> dict[str, str]:
    """Write readings, means, squares and ranges of the cells; return name → block of cells."""
    values = cube.packed
    p, o, r = values.shape
    first, last = _FIRST_PART, _FIRST_PART + p - 1
    # Columns: the readings, an empty one, the cell means, the part means, and so on.
    means, squares, ranges = (1 + o * r + 1 + block * (o + 2) for block in range(3))
    for start, said in ((means, "means"), (squares, "squared deviations"), (ranges, "ranges")):
        sheet.put(2, start, said, bold=True)
    sheet.put(3, means + o, "all operators")
    for j, operator in enumerate(cube.operators):
        sheet.put(2, 1 + j * r, operator, bold=True)
        for k in range(r):
            sheet.put(3, 1 + j * r + k, f"trial {k + 1}")
        for start in (means, squares, ranges):
            sheet.put(3, start + j, operator)
    for i, part in enumerate(cube.parts):
        row = first + i
        sheet.put(row, 0, part)
        for j, operator in enumerate(cube.operators):
            for k, place in enumerate(readings[part, operator]):
                sheet.formula(row, 1 + j * r + k, place, float(values[i, j, k]))
            cell = area((row, 1 + j * r), (row, j * r + r))
            of_cell = values[i, j]
            sheet.formula(row, means + j, f"AVERAGE({cell})", float(of_cell.mean()))
            square = float(np.square(of_cell - of_cell.mean()).sum())
            sheet.formula(row, squares + j, f"DEVSQ({cell})", square)
            sheet.formula(row, ranges + j, f"MAX({cell})-MIN({cell})", float(np.ptp(of_cell)))
        of_part = area((row, means), (row, means + o - 1))
        sheet.formula(row, means + o, f"AVERAGE({of_part})", float(values[i].mean()))
    sheet.put(last + 1, 0, "all parts")
    for j in range(o + 1):
        column = area((first, means + j), (last, means + j))
        value = values[:, j].mean() if j < o else values.mean()
        sheet.formula(last + 1, means + j, f"AVERAGE({column})", float(value))
    return {
        "readings": area((first, 1), (last, o * r)),
        "cell means": area((first, means), (last, means + o - 1)),
        "part means": area((first, means + o), (last, means + o)),
        "operator means": area((last + 1, means), (last + 1, means + o - 1)),
        "mean": address(last + 1, means + o),
        "cell squares": area((first, squares), (last, squares + o - 1)),
        "ranges": area((first, ranges), (last, ranges + o - 1)),
    }


def _counts(lines: _Lines, study: Study) -> None:
    """Write how many parts, operators and trials there are, and what was stated."""
    p, o, r = study.cube().packed.shape
    lines.title("What is counted and stated")
    lines.add("p", "COUNT({part means})", p, "parts")
    lines.add("o", "COUNT({operator means})", o, "operators")
    lines.add("r", "COUNT({readings})/{p}/{o}", r, "trials")
    limits = study.tolerance
    among = math.isfinite(study.people) and o > 1
    for name, value, said in (
        ("N", study.people if among else None, "people who will ever measure"),
        ("lower limit", None if limits is None else limits.lower, "of the tolerance"),
        ("upper limit", None if limits is None else limits.upper, "of the tolerance"),
        ("k", anova(study).spread, "standard deviations in the spread"),
        ("d", study.resolution, "the step of the last digit"),
        ("process sd", study.process_sd, "as given"),
        ("process mean", study.process_mean, "as given"),
    ):
        if value is not None:
            lines.given(name, value, said)


def _table(lines: _Lines, result: GaugeResult) -> None:
    """Write the table of sums of squares as the result has it."""
    table = result.anova_table
    assert table is not None
    several = len(result.study.cube().operators) > 1
    sums = {
        "part": ("{o}*{r}*DEVSQ({part means})", "o · r · Σ(part mean − mean)²"),
        "operator": ("{p}*{r}*DEVSQ({operator means})", "p · r · Σ(operator mean − mean)²"),
        "interaction": (
            "{r}*DEVSQ({cell means})-{SS part}-{SS operator}",
            "r · Σ(cell mean − mean)² − SS part − SS operator",
        ),
        "error": ("SUM({cell squares})", "Σ(reading − cell mean)²"),
    }
    freedoms = {
        "part": "{p}-1",
        "operator": "{o}-1",
        "interaction": "({p}-1)*({o}-1)",
        "error": "{p}*{o}*({r}-1)",
    }
    for name in sums if several else ("part", "error"):
        formula, said = sums[name]
        lines.add(f"SS {name}", formula, table["sum_sq"][name], said)
        lines.add(f"df {name}", freedoms[name], table["df"][name])
        lines.add(f"MS {name}", f"{{SS {name}}}/{{df {name}}}", table["mean_sq"][name], "SS / df")
    error = "error"
    if several and result.pooled:
        error = "pooled error"
        lines.add(
            "SS pooled error",
            "{SS interaction}+{SS error}",
            table["sum_sq"]["interaction"] + table["sum_sq"]["error"],
            "the interaction is pooled with the error",
        )
        df = table["df"]["interaction"] + table["df"]["error"]
        lines.add("df pooled error", "{df interaction}+{df error}", df)
        ms = table["mean_sq"][error]
        lines.add("MS pooled error", "{SS pooled error}/{df pooled error}", ms, "SS / df")
    against = "interaction" if several and not result.pooled else error
    tests = {"part": against, "operator": against, "interaction": "error"}
    for name, below in tests.items():
        if name not in table.index or not math.isfinite(table["F"].get(name, math.nan)):
            continue
        said = f"MS {name} / MS {below}"
        lines.add(f"F {name}", f"{{MS {name}}}/{{MS {below}}}", table["F"][name], said)
        formula = f"FDIST({{F {name}}},{{df {name}}},{{df {below}}})"
        lines.add(f"p {name}", formula, table["p"][name], "how often chance alone gives such an F")


def _components(lines: _Lines, result: GaugeResult) -> None:
    """Write the variances by analysis of variance; one below zero counts as 0."""
    several = len(result.study.cube().operators) > 1
    error = "MS pooled error" if several and result.pooled else "MS error"
    against = "MS interaction" if several and not result.pooled else error
    floor = "({d}^2/12)" if result.floored else ""
    _variance(
        lines,
        result,
        "EV",
        f"MAX({{{error}}},{floor})" if floor else f"{{{error}}}",
        f"{error}, or the rounding error of the gauge, d² / 12" if floor else error,
    )
    summed = ["EV"]
    if several:
        share = "*(1-1/{N})" if "N" in lines.names else ""
        said = f"({'MS operator'} − {against}) / (p · r)"
        said += " · (1 − 1/N)" if share else ""
        formula = f"MAX(0,({{MS operator}}-{{{against}}})/({{p}}*{{r}}){share})"
        _variance(lines, result, "AV", formula, f"{said}, not below 0")
        summed.append("AV")
        if not result.pooled:
            formula = "MAX(0,({MS interaction}-{MS error})/{r})"
            said = "(MS interaction − MS error) / r, not below 0"
            _variance(lines, result, "INT", formula, said)
            summed.append("INT")
    _sum(lines, result, summed)
    own = f"MAX(0,({{MS part}}-{{{against}}})/({{o}}*{{r}}))"
    _part_and_total(lines, result, own, f"(MS part − {against}) / (o · r), not below 0")


def _ranges(lines: _Lines, result: GaugeResult, form: AverageRange) -> None:
    """Write the lines of the average and range method, in variances."""
    lines.add("mean range", "AVERAGE({ranges})", form.mean_range, "R̄")
    lines.given("K1", form.k1, "1 / d2* for the trials (see How it was computed in the report)")
    if result.floored:
        _variance(lines, result, "EV", "{d}^2/12", "the rounding error of the gauge, d² / 12")
    else:
        _variance(lines, result, "EV", "({mean range}*{K1})^2", "(R̄ · K1)²")
    summed = ["EV"]
    if form.operators > 1:
        gap = "MAX({operator means})-MIN({operator means})"
        lines.add("gap of operators", gap, form.operator_gap, "X̄diff")
        lines.given("K2", form.k2, "1 / d2* for the operators")
        formula = "MAX(0,({gap of operators}*{K2})^2-({mean range}*{K1})^2/({p}*{r}))"
        said = "(X̄diff · K2)² − (R̄ · K1)² / (p · r), not below 0"
        _variance(lines, result, "AV", formula, said)
        summed.append("AV")
    _sum(lines, result, summed)
    lines.add("gap of parts", "MAX({part means})-MIN({part means})", form.part_gap, "Rp")
    lines.given("K3", form.k3, "1 / d2* for the parts")
    _part_and_total(lines, result, "({gap of parts}*{K3})^2", "(Rp · K3)²")


def _variance(lines: _Lines, result: GaugeResult, name: str, formula: str, said: str) -> None:
    lines.add(f"{name}²", formula, result.value(name, "variance"), f"{NAMES[name]}: {said}")


def _sum(lines: _Lines, result: GaugeResult, summed: list[str]) -> None:
    formula = "+".join(f"{{{name}²}}" for name in summed)
    _variance(lines, result, "GRR", formula, " + ".join(f"{name}²" for name in summed))


def _part_and_total(lines: _Lines, result: GaugeResult, own: str, said: str) -> None:
    """Write parts and total, from the process where its sd is given."""
    if result.study.process_sd is None:
        _variance(lines, result, "PV", own, said)
        _variance(lines, result, "TV", "{GRR²}+{PV²}", "GRR² + PV²")
        return
    _variance(lines, result, "TV", "{process sd}^2", "the process sd squared")
    if not math.isnan(result.value("PV", "variance")):
        _variance(lines, result, "PV", "{TV²}-{GRR²}", "TV² − GRR²")


def _shares(lines: _Lines, result: GaugeResult) -> None:
    """Write standard deviation, spread and percentages of each source, and ndc."""
    allowed = _allowed(lines, result)
    for name in result.source_names:
        sd = result.value(name, "sd")
        if math.isnan(sd) or (name == "INT" and result.pooled):
            continue
        lines.add(name, f"SQRT({{{name}²}})", sd, f"{NAMES[name]}, standard deviation")
        spread = result.value(name, "spread")
        lines.add(f"{name} spread", f"{{k}}*{{{name}}}", spread, f"k · {name}")
        shares = {
            "percent_contribution": ("variance", f"{{{name}²}}/{{TV²}}", f"{name}² / TV²"),
            "percent_tv": ("total", f"SQRT({{{name}²}}/{{TV²}})", f"{name} / TV"),
            "percent_tolerance": (
                "tolerance",
                f"{{{name} spread}}/{allowed}",
                f"{name} spread / tolerance",
            ),
        }
        for measure, (whole, formula, said) in shares.items():
            value = result.value(name, measure)
            if not math.isnan(value):
                lines.add(f"{name} % of {whole}", f"100*{formula}", value, f"100 · {said}")
    if not math.isnan(result.ndc_exact):
        said = f"{NDC_FACTOR} · PV / GRR; rounded down and at least 1 it is ndc"
        lines.add("ndc, exact", f"{NDC_FACTOR}*{{PV}}/{{GRR}}", result.ndc_exact, said)


def _allowed(lines: _Lines, result: GaugeResult) -> str:
    """Return what a spread is compared with, as part of a formula; "" without a tolerance."""
    both = [name for name in ("lower limit", "upper limit") if name in lines.names]
    if len(both) == 2:
        return "({upper limit}-{lower limit})"
    if not both:
        return ""
    centre = "{process mean}" if result.study.process_mean is not None else "{mean}"
    return f"(2*ABS({{{both[0]}}}-{centre}))"
