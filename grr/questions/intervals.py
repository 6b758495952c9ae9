"""Confidence intervals of everything that a person reads in a result."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import crossed_anova, nested_anova
from grr.formulas.arrays import Array, measured
from grr.formulas.coarse_digit import COARSE, LEAST_APART, as_read
from grr.formulas.coarse_digit import repeatability_before_rounding as before_rounding
from grr.formulas.confidence_limits import quantity_limits
from grr.formulas.further_sources import source_pivots
from grr.formulas.pivots import (
    DRAWS,
    SEED,
    DegreesOfFreedom,
    Pivots,
    crossed_pivots,
    effective_df,
    floored_pivots,
    nested_pivots,
)
from grr.formulas.reml import nested_cube
from grr.formulas.sources_of_variation import Specification
from grr.formulas.unweighted_means import unweighted_means, unweighted_nested
from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.choices import MEASURES, NAMES
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.printed import Printed
from grr.model.rounding import JOIN, figures, length_beside_percent, percent, smallest_whole
from grr.model.study import Study
from grr.model.units import fine_unit
from grr.model.values import number, people_who_measure
from grr.questions.scatter import scatter_of
from grr.questions.sittings import (
    FurtherSources,
    further_sources,
    within_sessions,
)

if TYPE_CHECKING:
    from grr.questions.gauge import GaugeResult

CHOSEN = "the parts were chosen, so their variation says nothing of the process"
FLOORED = "the readings repeat to the last digit, so EV is the gauge's rounding error"
ALIKE = "the readings do not differ at all"


def interval_frame(
    result: GaugeResult,
    *,
    level: float = 0.95,
    draws: int = DRAWS,
    seed: int = SEED,
    even: bool = False,
) -> pd.DataFrame:
    """Return estimate and confidence limits of every quantity and measure.

    The limits are those of the model with interaction, even where the estimate pools it:
    choosing the model by a test and then taking its limits as if it were given covers too
    seldom. They come from the readings, whichever method made the estimate.

    Parameters
    ----------
    result : GaugeResult
    level : float
        Confidence, between 0 and 1.
    draws, seed : int
        The same seed gives the same limits.
    even : bool
        From evenly spread points where the study is crossed, see `grr.formulas.even_draws`.

    Returns
    -------
    DataFrame
        Index (quantity, measure): EV, AV, INT, GRR, PV, TV (SES, GAU and WPV where they are
        sources) × variance, sd, spread (in the unit of the study),
        percent_contribution, percent_tv, percent_tolerance; then
        ("ndc", "value"), not rounded down, and ("ICC", "value"), PV²/TV². Columns
        estimate, lower, upper, and reason: why there are no limits, else "". An upper
        limit may be infinite: the mean may lie past a one-sided limit.

    Raises
    ------
    StudyError
        A level that is not between 0 and 1, or a design that gives no limits.

    Notes
    -----
    Source: see `grr.formulas.pivots`.
    """
    number("level", level, above=0.0, below=1.0)
    limits = quantity_limits(
        pivots_of(result, draws=draws, seed=seed, even=even), specification_of(result), level=level
    )
    keys = [(quantity, measure) for quantity in result.source_names for measure in MEASURES]
    keys += [("ndc", "value"), ("ICC", "value")]
    rows = []
    for key in keys:
        reason = _reason(result, *key)
        lower, upper = limits.get(key, (math.nan, math.nan))
        if not reason and math.isnan(lower):
            reason = ALIKE
        if reason:
            lower = upper = math.nan
        rows.append((_estimate(result, *key), float(lower), float(upper), reason))
    return pd.DataFrame(
        rows,
        index=pd.MultiIndex.from_arrays([*zip(*keys, strict=True)], names=["quantity", "measure"]),
        columns=["estimate", "lower", "upper", "reason"],
    )


def _estimate(result: GaugeResult, quantity: str, measure: str) -> float:
    if quantity == "ndc":
        return result.ndc_exact
    if quantity == "ICC":
        part, grr = (result.value(name, "percent_contribution") for name in ("PV", "GRR"))
        within = "WPV" in result.source_names  # none of what two readings at one place share
        return part / (part + grr) if within else part / 100.0
    return result.value(quantity, measure)


def _reason(result: GaugeResult, quantity: str, measure: str) -> str:
    reasons = result.reasons
    chosen = result.study.parts_from == "chosen" and result.study.process_sd is None
    if quantity in ("ndc", "ICC"):
        return reasons.get("percent_tv", reasons.get("PV", ""))
    if quantity in reasons:
        return reasons[quantity]
    if measure in reasons:
        return reasons[measure]
    if quantity in ("PV", "TV") and chosen:
        return CHOSEN
    if quantity == "EV" and result.floored:
        return FLOORED
    return ""


#: What a person reads first: a source by its spread and percentages.
_SHOWN = ("spread", "percent_tolerance", "percent_tv")
_WORDS = ("spread", "% of tolerance", "% of total")


class IntervalTable(Printed, pd.DataFrame):
    """A DataFrame of estimates and limits (see `grr.questions.intervals`) that prints well."""

    _metadata = ["level", "unit", "uneven", "coarse"]  # noqa: RUF012
    level: float
    unit: str
    uneven: str
    coarse: str

    @property
    def _constructor(self) -> type[pd.DataFrame]:
        """A part of the table is a plain DataFrame."""
        return pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """Return the numbers as a plain DataFrame."""
        return pd.DataFrame(self)

    def blocks(self) -> list[Block]:
        """Return value and limits of each source, and why some have none."""
        opening = f"Value, and in brackets the two-sided {100 * self.level:g} % limits."
        return [Prose([opening]), Table(self._head(), self._rows()), Bullets(self._closing())]

    def _measures(self) -> list[str]:
        given = self["lower"].notna() | (self["reason"] == "")
        return [m for m in _SHOWN if m != "percent_tolerance" or bool(given["GRR", m])]

    def _head(self) -> list[str]:
        fine = fine_unit(self.unit)
        words = {
            "spread": f"spread, {fine}" if fine else "spread",
            "percent_tolerance": "% of tolerance",
            "percent_tv": "% of total",
        }
        return ["Source", *(words[measure] for measure in self._measures())]

    def _rows(self) -> list[list[str]]:
        return [
            [f"{name} {NAMES[name]}", *(self._cell(name, m) for m in self._measures())]
            for name in self._sources()
        ]

    def _sources(self) -> list[str]:
        named = self.index.get_level_values(0).unique()
        return [name for name in NAMES if name in named]

    def _cell(self, quantity: str, measure: str) -> str:
        values = [float(self[name][quantity, measure]) for name in ("estimate", "lower", "upper")]
        if math.isnan(values[0]):
            return "not estimated"
        estimate, lower, upper = (self._written(value, measure) for value in values)
        return estimate if math.isnan(values[1]) else f"{estimate} ({lower} to {upper})"

    def _written(self, value: float, measure: str) -> str:
        if math.isinf(value):
            return "∞"
        if measure.startswith("percent"):
            return percent(value).removesuffix("%").rstrip(JOIN)
        if measure == "spread":
            text = length_beside_percent(value, self.unit, self._whole())
            return text.removesuffix(fine_unit(self.unit)).rstrip(JOIN)
        return figures(value, 3 if measure == "value" else 2)

    def _whole(self) -> float:
        given = self["estimate"]
        known = [
            float(given.get(key, math.nan))
            for key in (("TV", "spread"), ("GRR", "spread"), ("GRR", "percent_tolerance"))
        ]
        return smallest_whole(*known)

    def _closing(self) -> list[str]:
        lines = [
            f"ndc, not rounded down: {self._cell('ndc', 'value')}.",
            f"ICC: {self._cell('ICC', 'value')}.",
            *([self.uneven] if self.uneven else []),
            *([self.coarse] if self.coarse else []),
        ]
        said: dict[str, list[str]] = {}
        for measure in self._measures():
            reasons = {name: str(self["reason"][name, measure]) for name in self._sources()}
            if len(set(reasons.values())) == 1 and reasons["GRR"]:
                said[reasons["GRR"]] = [dict(zip(_SHOWN, _WORDS, strict=True))[measure]]
                continue
            for name, reason in reasons.items():
                if reason and name not in said.setdefault(reason, []):
                    said[reason].append(name)
        return [
            *lines,
            *(f"{', '.join(names)}: no limits, {why}." for why, names in said.items() if names),
        ]


def specification_of(result: GaugeResult) -> Specification:
    """Return what the study's variation is compared with."""
    study = result.study
    tolerance = study.tolerance
    return Specification(
        spread=result.spread,
        lower=None if tolerance is None else tolerance.lower,
        upper=None if tolerance is None else tolerance.upper,
        process_mean=study.process_mean,
        process_sd=study.process_sd,
    )


def pivots_of(
    result: GaugeResult, *, draws: int = DRAWS, seed: int = SEED, even: bool = False
) -> Pivots:
    """Return draws of the study's variances, interaction kept whatever the estimate did.

    The same for both methods of calculation, since the readings are the same. A
    repeatability hidden by rounding is not below the gauge's rounding error here either.

    Raises
    ------
    StudyError
        The readings cannot carry an interval, and why.
    """
    pivots = _unfloored(result, draws, seed, even=even)
    step = result.study.resolution
    if not result.floored or step is None:
        return pivots
    return floored_pivots(pivots, step)


def pivots_as_read(result: GaugeResult, *, below: float = COARSE) -> Pivots:
    """Return the draws whose upper bound of GRR holds for what is read, under a coarse digit too.

    The same as `pivots_of` where the digit is fine; ``below`` as in
    `grr.formulas.coarse_digit.as_read`.
    """
    pivots = pivots_of(result)
    plain = _unfloored(result, DRAWS, SEED)
    read = as_read(plain, result.value("GRR", "sd"), result.study.resolution, below=below)
    return pivots if read is plain else read


def _unfloored(result: GaugeResult, draws: int, seed: int, *, even: bool = False) -> Pivots:
    study, operators = result.study, _operators(result)
    found: Pivots = study.once(
        ("pivots", draws, seed, operators, even),
        lambda: _study_pivots(study, draws, seed, operators, even=even),
    )
    return found


def repeatability_before_rounding(result: GaugeResult, level: float = 0.95) -> Estimate:
    """Return EV before the gauge rounds it, as a standard deviation with limits, or why not."""
    study = result.study
    digit, unit = study.resolution, study.unit
    if digit is None:
        return Estimate(math.nan, unit=unit, why="the gauge's last digit was not stated")
    cells = _repeats(study)
    sizes = np.nanmean(cells, axis=(1, 2))
    if float(sizes.std(ddof=1)) < LEAST_APART * digit:
        return Estimate(
            math.nan, unit=unit, why="the parts differ too little to see behind this digit"
        )
    found = study.once(
        ("before rounding", level), lambda: before_rounding(cells, digit, level=level)
    )
    return Estimate(found.sd, found.lower, found.upper, unit)


def _repeats(study: Study) -> Array:
    """Return the readings as parts × cells × repeats, NaN where there is none."""
    if study.design == "nested":
        nested = nested_readings(study)
        return nested.reshape(-1, 1, nested.shape[-1])
    further = further_sources(study)
    if further is not None and further.squares is not None:
        return _by_cell(further)
    return measured(study.cube().packed)


def _by_cell(further: FurtherSources) -> Array:
    """Return parts × cells × repeats; a cell is what one person read in one way at one place."""
    labels = pd.DataFrame(further.labels)
    beside = [name for name in ("operator", "gauge", "session", "place") if name in labels]
    columns = dict.fromkeys(beside)
    cell = labels.groupby(list(columns)).ngroup() if beside else pd.Series(0, labels.index)
    cell = cell.groupby(labels["part"]).transform(lambda codes: pd.factorize(codes)[0])
    repeat = labels.assign(cell=cell).groupby(["part", "cell"]).cumcount().to_numpy()
    at = (labels["part"].to_numpy(), cell.to_numpy(), repeat)
    cells = np.full(tuple(int(axis.max()) + 1 for axis in at), np.nan)
    cells[at] = further.readings
    return cells


def coarse_sentence(result: GaugeResult, level: float) -> str:
    """Return what EV is before rounding where the digit is coarse; "" where it is fine."""
    digit = result.study.resolution
    if digit is None or not result.value("EV", "sd") < COARSE * digit:
        return ""
    try:
        found = repeatability_before_rounding(result, level)
    except StudyError:
        return ""
    if not found.known:
        return f"EV before rounding: {found.why}."
    return (
        f"The digit is coarse: before rounding EV is {found:i} as a standard deviation; the rest "
        "is rounding."
    )


def _operators(result: GaugeResult) -> str | int:
    """Return how the operators count: by ranges always as a sample, as the estimate takes them."""
    return "random" if result.method == "average_range" else result.study.operators


def _study_pivots(
    study: Study, draws: int, seed: int, operators: str | int, *, even: bool
) -> Pivots:
    df = degrees_of_freedom(study)
    options: dict[str, Any] = {"draws": draws, "seed": seed, "operators": operators}
    options["df_error"] = float(df.used) if df.used < df.counted else None
    if study.design == "nested":
        readings = nested_readings(study)
        if np.isfinite(readings).all():
            return nested_pivots(nested_anova(readings), **options)
        return nested_pivots(unweighted_nested(readings), **options)
    further = further_sources(study)
    if further is not None and further.squares is not None:
        del options["operators"]
        people = people_who_measure(operators, len(study.operator_names))
        everything = {"operator": people, "gauge": study.gauges_used}
        return source_pivots(further.squares, all_there_are=everything, **options)
    cube = study.cube()
    if cube.complete:
        return crossed_pivots(crossed_anova(cube.packed), even=even, **options)
    return crossed_pivots(unweighted_means(measured(cube.packed)), even=even, **options)


def degrees_of_freedom(study: Study) -> DegreesOfFreedom:
    """Return with how many degrees of freedom repeatability is known, see `effective_df`.

    Less than counted where the scatter within the cells looks uneven; every interval and
    every bound of a decision uses them.
    """

    def seen() -> DegreesOfFreedom:
        if study.design != "nested":
            kept = scatter_of(study).kept_by_order
            found = effective_df(within_sessions(study).cube().packed)._replace(kept=kept)
            further = further_sources(study)
            if further is None or further.squares is None:
                return found
            # The further sources took the others.
            share = further.squares.df["error"] / found.counted
            counted, cells, parts, operators = (share * df for df in found[:4])
            return DegreesOfFreedom(counted, cells, parts, operators, kept)
        readings = nested_readings(study)
        # A part belongs to one operator: its readings are one cell.
        return effective_df(readings.reshape(-1, 1, readings.shape[-1]))

    return study.once("degrees_of_freedom", seen)


def uneven_sentence(study: Study) -> str:
    """Return with how many degrees of freedom limits take EV; "" where it is as counted."""
    found = degrees_of_freedom(study)
    if round(float(found.used)) >= found.counted:
        return ""
    why = "the repeats scatter unevenly from cell to cell"
    if found.kept < 1.0:
        why += ", and neighbours in the measuring order are alike"
    return (
        f"The limits count {float(found.used):.0f} of EV's {float(found.counted):.0f} degrees of "
        f"freedom, since {why}."
    )


def nested_readings(study: Study) -> Array:
    """Return the readings of a nested study, operators × parts × trials, NaN where missing."""
    table = study.readings.dropna(subset="reading")
    return nested_cube(
        table["reading"].to_numpy(dtype=np.float64),
        table["part"].to_numpy(str),
        table["operator"].to_numpy(str),
    )
