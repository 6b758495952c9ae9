"""`grr.worked_sheet`: the average-and-range form, every line with its numbers filled in."""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass, fields, replace

import numpy as np
import pandas as pd

from grr.formulas import average_range as form
from grr.formulas.arrays import Array
from grr.formulas.average_range import MANY_RANGES, AverageRange, d2, d2_star, upper_range_limit
from grr.formulas.sources_of_variation import NDC_FACTOR
from grr.model.blocks import Block, Bullets, Facts, Prose
from grr.model.choices import NAMES
from grr.model.names import shortened
from grr.model.printed import Printed
from grr.model.rounding import decimals_for, figures, listed, percent, reading_decimals
from grr.model.study import Study
from grr.questions.gauge import GaugeResult, average_range, opening

SOURCE = (
    "Source: AIAG MSA, 4th ed. (2010), chapter III section B, average and range method, and "
    "appendix C (d2*). The constants are computed from the distribution of the range."
)


@dataclass(frozen=True, eq=False, repr=False)
class WorkedSheet(Printed):
    """The average-and-range form of one study, line by line.

    Attributes
    ----------
    result : GaugeResult
        What `grr.average_range` returns for the study.
    lines : tuple of SheetLine
        In the order of working.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.worked_sheet(study)
    WorkedSheet(Example with invented readings: dowel pins in a stand: 10 …)
    """

    result: GaugeResult
    lines: tuple[SheetLine, ...]

    def value(self, symbol: str) -> float:
        """Return the value of the line with this symbol, such as "EV"."""
        return next(line.value for line in self.lines if line.symbol == symbol)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a line: what it is, formula, numbers, value, unit, source."""
        columns = [field.name for field in fields(SheetLine)]
        return pd.DataFrame([astuple(line) for line in self.lines], columns=columns)

    def blocks(self) -> list[Block]:
        """Return the form from top to bottom, and its source."""
        return [
            Prose(opening(self.result)[:-1]),
            Facts([(line.quantity, line.worked) for line in self.lines]),
            Bullets(self.result.notes),
            Prose([SOURCE]),
        ]


def worked_sheet(study: Study, *, spread: float | None = None) -> WorkedSheet:
    """Work the average-and-range form through, every number filled in.

    For the customer who asks for the form: the same numbers as `grr.average_range`.

    Parameters
    ----------
    study : Study
        Complete: every operator measured every part equally often, at least twice.
    spread : float, optional
        How many standard deviations are set against the tolerance; 6 by default.

    Returns
    -------
    WorkedSheet

    Raises
    ------
    StudyError
        One trial, or readings are missing.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, average and range method.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> sheet = grr.worked_sheet(study)
    >>> sheet.to_frame()["quantity"][0]
    'Mean range, Ilka'
    """
    result = average_range(study, spread=spread)
    readings = study.cube().packed
    lines = form.average_range(readings)
    return WorkedSheet(
        result,
        (
            *_range_lines(study, lines),
            *_mean_lines(study, readings, lines),
            *_spread_lines(result, lines),
            *_share_lines(result),
        ),
    )


FORM = "AIAG MSA, 4th ed., chapter III section B"
CONSTANTS = "AIAG MSA, 4th ed., appendix C"
#: Significant figures of what is worked on with; the result is not rounded in between.
FIGURES = 5


@dataclass(frozen=True)
class SheetLine:
    """One line of the form.

    Attributes
    ----------
    quantity : str
        What it is, in words.
    symbol, formula, numbers : str
        "EV", "R̄ × K1", "0.34167 × 0.59082".
    value : float
        Not rounded; NaN where not estimated.
    shown : str
        The value as printed, with its unit, or why there is none.
    source : str
    """

    quantity: str
    symbol: str
    formula: str
    numbers: str
    value: float
    shown: str
    source: str = FORM

    @property
    def worked(self) -> str:
        """Symbol, formula, numbers and value in one line."""
        if math.isnan(self.value):
            return f"{self.symbol}: {self.shown}"
        steps = [self.symbol, self.formula, self.numbers, self.shown]
        return " = ".join(step for step in steps if step)


def five(value: float) -> str:
    """Return a number with five significant figures."""
    return figures(value, FIGURES).replace("-", "−")


def _with_unit(value: float, study: Study) -> str:
    return f"{five(value)} {study.unit}".rstrip()


def _operator(study: Study, index: int) -> str:
    return shortened(study.operator_names[index], 24)


def _line(study: Study, named: tuple[str, str], how: tuple[str, str], value: object) -> SheetLine:
    """Return a line of a length: quantity and symbol, formula and numbers, value with its unit."""
    number = float(value)  # type: ignore[arg-type]
    return SheetLine(*named, *how, number, _with_unit(number, study))


def _range_lines(study: Study, lines: AverageRange) -> list[SheetLine]:
    """Return the mean range of each operator, of all, and the limit of a range."""
    p, o = lines.parts, lines.operators
    sums = lines.ranges.sum(axis=0)
    means, mean = sums / p, float(lines.mean_range)
    named = [
        f"part {shortened(study.parts[part], 16)} by {_operator(study, operator)}"
        for part, operator in np.argwhere(lines.ranges > lines.range_limit).tolist()
    ]
    each = [
        _line(
            study,
            (f"Mean range, {_operator(study, index)}", f"R̄{index + 1}"),
            ("sum of the ranges / parts", f"{five(float(sums[index]))} / {p}"),
            means[index],
        )
        for index in range(o)
    ]
    summed = f"({' + '.join(five(float(value)) for value in means)}) / {o}"
    of_all = ("sum of the mean ranges / operators", summed)
    of_limit = ("D4 × R̄", f"{five(upper_range_limit(lines.trials))} × {five(mean)}")
    limit = _line(study, ("Limit of a range", "UCL_R"), of_limit, lines.range_limit)
    beyond = f"{limit.shown} (beyond it: {listed(named) or 'none'})"
    return [
        *each,
        _line(study, ("Mean range of all", "R̄"), of_all, mean),
        replace(limit, shown=beyond),
    ]


def _mean_lines(study: Study, readings: Array, lines: AverageRange) -> list[SheetLine]:
    """Return the operators' means and their difference, and the range of the parts' means."""
    p, o, r = lines.parts, lines.operators, lines.trials
    decimals = max(reading_decimals(study.resolution), decimals_for(float(lines.mean_range), 4))

    def size(value: object) -> str:
        return f"{value:.{decimals}f}".replace("-", "−")

    means, parts = readings.mean(axis=(0, 2)), readings.mean(axis=(1, 2))
    worked = [
        SheetLine(
            f"Mean of {_operator(study, index)}",
            f"X̄{index + 1}",
            "sum of the readings / readings",
            f"{size(readings[:, index].sum())} / {p * r}",
            float(means[index]),
            f"{size(means[index])} {study.unit}".rstrip(),
        )
        for index in range(o)
    ]
    if o > 1:
        how = f"{size(means.max())} − {_bracketed(size(means.min()))}"
        named = ("Difference between operators", "X̄diff")
        worked.append(_line(study, named, ("largest X̄ − smallest X̄", how), lines.operator_gap))
    high, low = (shortened(study.parts[at(parts)], 16) for at in (np.argmax, np.argmin))
    named = (f"Range of the parts' means (part {high} largest, part {low} smallest)", "Rp")
    how = f"{size(parts.max())} − {_bracketed(size(parts.min()))}"
    formula = "largest part mean − smallest part mean"
    return [*worked, _line(study, named, (formula, how), lines.part_gap)]


def _bracketed(number: str) -> str:
    return f"({number})" if number.startswith("−") else number


def _constant(symbol: str, what: str, size: int, ranges: int) -> SheetLine:
    many = ranges > MANY_RANGES
    divisor = d2(size) if many else d2_star(size, ranges)
    name = "d2" if many else "d2*"
    count = f"{ranges} ranges" if ranges > 1 else "one range"
    why = f"more than {MANY_RANGES}, so d2 itself" if many else f"up to {MANY_RANGES}, so d2*"
    return SheetLine(
        f"Constant for {size} {what} ({count}: {why})",
        symbol,
        f"1 / {name}",
        f"1 / {five(divisor)}",
        1.0 / divisor,
        five(1.0 / divisor),
        CONSTANTS,
    )


def _spread_lines(result: GaugeResult, lines: AverageRange) -> list[SheetLine]:
    """Return constants and standard deviations, from EV to TV."""
    study = result.study
    mean, k1, k2, k3 = float(lines.mean_range), lines.k1, lines.k2, lines.k3
    ev, av, grr, pv, tv = (result.value(name, "sd") for name in ("EV", "AV", "GRR", "PV", "TV"))

    def sd(name: str, formula: str, numbers: str, shown: str = "") -> SheetLine:
        value = result.value(name, "sd")
        quantity = f"{NAMES[name].capitalize()}, standard deviation"
        shown = shown or _with_unit(value, study)
        return SheetLine(quantity, name, formula, numbers, value, shown)

    floored = ""
    if result.floored and study.resolution is not None:
        floored = (
            f"{_with_unit(mean * k1, study)}, under 0.3 of the resolution, so resolution/√12 "
            f"= {_with_unit(ev, study)}"
        )
    worked = [
        _constant("K1", "trials", lines.trials, lines.parts * lines.operators),
        sd("EV", "R̄ × K1", f"{five(mean)} × {five(k1)}", floored),
    ]
    if lines.operators > 1:
        square = float(lines.operator)
        zero = f"√({five(square)}), below zero, so 0" if square < 0.0 else ""
        worked.append(_constant("K2", "operators", lines.operators, 1))
        worked.append(
            sd(
                "AV",
                "√[(X̄diff × K2)² − (R̄ × K1)² / (parts × trials)]",
                f"√[({five(float(lines.operator_gap))} × {five(k2)})² − {five(mean * k1)}² / "
                f"({lines.parts} × {lines.trials})]",
                zero,
            )
        )
        worked.append(sd("GRR", "√(EV² + AV²)", f"√({five(ev)}² + {five(av)}²)"))
    else:
        worked.append(sd("AV", "", "", f"not estimated, {result.reasons['AV']}"))
        worked.append(sd("GRR", "EV", ""))
    if study.process_sd is not None:
        tv_line = sd("TV", "process sd, as given", "")
        if math.isnan(pv):
            pv_line = sd("PV", "", "", f"not estimated, {result.reasons['PV']}")
        else:
            pv_line = sd("PV", "√(TV² − GRR²)", f"√({five(tv)}² − {five(grr)}²)")
        return [*worked, tv_line, pv_line]
    return [
        *worked,
        _constant("K3", "parts", lines.parts, 1),
        sd("PV", "Rp × K3", f"{five(float(lines.part_gap))} × {five(k3)}"),
        sd("TV", "√(GRR² + PV²)", f"√({five(grr)}² + {five(pv)}²)"),
    ]


def _share_lines(result: GaugeResult) -> list[SheetLine]:
    """Return the percentages of total variation and of the tolerance, and ndc."""
    pv, grr = result.value("PV", "sd"), result.value("GRR", "sd")
    ndc = SheetLine("Distinct categories", "ndc", "", "", result.ndc_exact, "not estimated")
    if result.ndc is not None:
        ndc = replace(
            ndc,
            quantity="Distinct categories, rounded down and at least 1",
            formula=f"{NDC_FACTOR:g} × PV / GRR",
            numbers=f"{NDC_FACTOR:g} × {five(pv)} / {five(grr)}",
            shown=f"{figures(result.ndc_exact, 3)}, so {result.ndc}",
        )
    judged = ("EV", "AV", "GRR") if result.study.tolerance is not None else ()
    return [
        *(_share(result, name, "percent_tv") for name in ("EV", "AV", "GRR", "PV")),
        ndc,
        *(_share(result, name, "percent_tolerance") for name in judged),
    ]


def _share(result: GaugeResult, name: str, measure: str) -> SheetLine:
    """Return a percentage of the total variation or of the tolerance, or why there is none."""
    of_tv = measure == "percent_tv"
    value, reasons = result.value(name, measure), result.reasons
    if math.isnan(value):
        # of the total variation the reason of the measure comes first, else that of the source
        keys = (measure, name) if of_tv else (name, measure)
        why = next((reasons[key] for key in keys if key in reasons), "TV is 0" if of_tv else "")
        formula, numbers, shown = "", "", f"not estimated, {why}"
    else:
        sd, tv = five(result.value(name, "sd")), five(result.value("TV", "sd"))
        formula, numbers = f"100 × {name} / TV", f"100 × {sd} / {tv}"
        if not of_tv:
            formula, numbers = _against_tolerance(result, name)
        shown = percent(value)
    words, whole = ("total variation", "TV") if of_tv else ("the tolerance", "tolerance")
    quantity = f"{NAMES[name].capitalize()}, percent of {words}"
    return SheetLine(quantity, f"{name}, % of {whole}", formula, numbers, value, shown)


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
