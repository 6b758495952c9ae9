"""The numbers behind a comparison of two methods, labelled."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import cells_of
from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import sd_ratio_interval, two_sided_limits
from grr.formulas.method_comparison import (
    Agreement,
    MethodDifference,
    grr_variance_draws,
    method_difference,
    replicated_agreement,
    single_pair_agreement,
)
from grr.model.errors import StudyError
from grr.model.study import Study
from grr.model.values import one_of
from grr.questions.gauge import GaugeResult, anova
from grr.questions.method_anova import method_anova
from grr.questions.method_readings import MethodReadings, method_readings
from grr.questions.sittings import seconds_per_reading, sittings

#: Draws behind the intervals of ratio and agreement; limits repeat to about a percent.
_DRAWS = 20_000


@dataclass(frozen=True)
class Ratio:
    """A ratio of standard deviations, candidate over baseline, with its interval."""

    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True)
class _Cells:
    """Cell means and scatter of both methods; the last axis is baseline, candidate."""

    means: Array
    within: Array
    trials: tuple[float, float]
    df: tuple[int, int]
    operators: str


@dataclass(frozen=True)
class MethodNumbers:
    """What a study says about two methods; lengths in the unit of the study.

    Attributes
    ----------
    study : Study
        With the operators as they are counted here.
    baseline, candidate : str
    results : dict
        Method → `grr.anova` of its readings.
    ev_ratio, grr_ratio : Ratio or None
        Candidate over baseline; None where the design cannot give it.
    difference : MethodDifference
        Candidate minus baseline.
    by_operator : DataFrame
        One row an operator: difference, lower, upper.
    by_part : DataFrame
        One row a part: the mean by either method, and difference.
    agreement : Agreement
        Limits for the difference of two single readings.
    anova_table, components : DataFrame or None
        Three-way analysis of variance (see `grr.questions.method_anova`); None with one
        operator.
    seconds : dict
        Method → seconds from one reading to the next; empty without times.
    level : float
    """

    study: Study
    baseline: str
    candidate: str
    results: dict[str, GaugeResult]
    ev_ratio: Ratio | None
    grr_ratio: Ratio | None
    difference: MethodDifference
    by_operator: pd.DataFrame
    by_part: pd.DataFrame
    agreement: Agreement
    anova_table: pd.DataFrame | None
    components: pd.DataFrame | None
    seconds: dict[str, float]
    level: float

    @property
    def methods(self) -> tuple[str, str]:
        """Baseline and candidate."""
        return self.baseline, self.candidate


def method_numbers(
    study: Study,
    *,
    baseline: str | None,
    candidate: str | None,
    operators: str = "fixed",
    level: float = 0.95,
) -> MethodNumbers:
    """Compare two methods of a study.

    Raises
    ------
    StudyError
        See `method_readings`; fewer than three parts; fewer than three operators where
        they are a sample; nothing repeated by either method.
    """
    study = replace(study, operators=one_of("operators", operators, ("fixed", "random")))
    found = method_readings(study, baseline, candidate)
    cells, origin = _cells(found, operators)
    differences = cells.means[..., 1] - cells.means[..., 0]
    difference = method_difference(differences, operators=operators)
    results = {name: anova(found.studies[name]) for name in (found.baseline, found.candidate)}
    ev_ratio = _ev_ratio(cells, level)
    grr_ratio = ev_ratio
    if differences.shape[1] > 1:
        sds = [result.value("GRR", "sd") for result in results.values()]
        grr_ratio = _grr_ratio(cells, sds[0], sds[1], level)
    table, components = method_anova(found)
    return MethodNumbers(
        study=study,
        baseline=found.baseline,
        candidate=found.candidate,
        results=results,
        ev_ratio=ev_ratio,
        grr_ratio=grr_ratio,
        difference=difference,
        by_operator=_by_operator(difference, study, level),
        by_part=_by_part(cells.means, origin, found),
        agreement=_agreement(cells, differences, level),
        anova_table=table,
        components=components,
        seconds=_seconds(study),
        level=level,
    )


def _cells(found: MethodReadings, operators: str) -> tuple[_Cells, float]:
    cells = cells_of(found.values, cell_axes=3)
    trials = 1.0 / (1.0 / cells.counts).mean(axis=(0, 1))
    df = (cells.counts - 1).sum(axis=(0, 1))
    return (
        _Cells(
            means=cells.means,
            within=cells.within.sum(axis=(0, 1)),
            trials=(float(trials[0]), float(trials[1])),
            df=(int(df[0]), int(df[1])),
            operators=operators,
        ),
        float(cells.origin.flat[0]),
    )


def _ev_ratio(cells: _Cells, level: float) -> Ratio | None:
    if min(cells.df) < 1 or not (cells.within > 0.0).all():
        return None
    below, above = (float(ss) / n for ss, n in zip(cells.within, cells.df, strict=True))
    ratio = math.sqrt(above / below)
    low, high = sd_ratio_interval(ratio, cells.df[1], cells.df[0], level=level)
    return Ratio(ratio, float(low), float(high))


def _grr_ratio(cells: _Cells, below: float, above: float, level: float) -> Ratio | None:
    scatters = min(cells.df) >= 1 and bool((cells.within > 0.0).all())
    if not (below > 0.0 and above > 0.0 and scatters):
        return None
    draws = grr_variance_draws(
        cells.means,
        cells.within,
        cells.trials,
        cells.df,
        operators=cells.operators,
        draws=_DRAWS,
    )
    low, high = two_sided_limits(np.sqrt(draws[1] / draws[0]), level)
    return Ratio(above / below, float(low), float(high))


def _agreement(cells: _Cells, differences: Array, level: float) -> Agreement:
    if differences.shape[1] == 1 and max(cells.df) == 0:
        return single_pair_agreement(differences[:, 0], level=level)
    return replicated_agreement(
        differences,
        cells.within / np.maximum(cells.df, 1),
        cells.trials,
        cells.df,
        operators=cells.operators,
        level=level,
        draws=_DRAWS,
    )


def _by_operator(difference: MethodDifference, study: Study, level: float) -> pd.DataFrame:
    low, high = difference.limits_by_operator(level)
    return pd.DataFrame(
        {"difference": difference.by_operator, "lower": low, "upper": high},
        index=pd.Index(study.operator_names, name="operator"),
    )


def _by_part(means: Array, origin: float, found: MethodReadings) -> pd.DataFrame:
    by_method = means.mean(axis=1)
    return pd.DataFrame(
        {
            found.baseline: by_method[:, 0] + origin,
            found.candidate: by_method[:, 1] + origin,
            "difference": by_method[:, 1] - by_method[:, 0],
        },
        index=pd.Index(found.studies[found.baseline].parts, name="part"),
    )


def _seconds(study: Study) -> dict[str, float]:
    try:
        return seconds_per_reading(sittings(study))
    except StudyError:
        return {}
