"""The table of sources of variation: EV, AV, INT, GRR, PV and TV."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.formulas.sources_of_variation import part_and_total, percent, percent_of_limits
from grr.model.study import Study

SOURCES = ("EV", "AV", "INT", "GRR", "PV", "TV")
#: What each source is called in words.
NAMES = {
    "EV": "repeatability",
    "AV": "reproducibility",
    "INT": "interaction",
    "GRR": "measuring system",
    "PV": "part variation",
    "TV": "total variation",
}
MEASURES = (
    "variance",
    "sd",
    "spread",
    "percent_contribution",
    "percent_tv",
    "percent_tolerance",
)


@dataclass(frozen=True)
class Sources:
    """The table of sources, and why some of its cells are empty.

    Attributes
    ----------
    table : DataFrame
        Index `SOURCES`, columns `MEASURES`; NaN where not estimated.
    reasons : dict
        Source (a whole row) or measure (a whole column) → why it is not estimated.
    """

    table: pd.DataFrame
    reasons: dict[str, str]


def build_sources(
    variances: Mapping[str, float],
    study: Study,
    *,
    mean: float,
    spread: float,
    reasons: Mapping[str, str],
) -> Sources:
    """Return the table of sources from the variances EV, AV, INT, GRR and PV.

    Parameters
    ----------
    variances : mapping
        Variances in the unit of the study squared; NaN where not estimated, negative
        ones count as 0.
    study : Study
        Gives the tolerance, and the process sd that replaces the study's own total.
    mean : float
        Mean of the readings; the process mean replaces it where given.
    spread : float
        How many standard deviations make the spread.
    reasons : mapping
        Why a source is not estimated.
    """
    why = dict(reasons)
    grr = variances["GRR"]
    part, total = (
        float(v) for v in part_and_total(variances["PV"], grr, _or_nan(study.process_sd))
    )
    if study.process_sd is not None and math.isnan(part):
        why["PV"] = "the given process sd is smaller than the spread of the measuring system alone"
    values = np.array(
        [variances["EV"], variances["AV"], variances["INT"], grr, part, total], dtype=np.float64
    )
    values = np.where(np.isnan(values), np.nan, np.maximum(values, 0.0))
    sd = np.sqrt(values)
    contribution, of_total = percent(values, total), percent(sd, math.sqrt(total))
    if study.parts_from == "chosen" and study.process_sd is None:
        contribution = of_total = np.full(len(values), np.nan)
        why["percent_tv"] = why["percent_contribution"] = (
            "the parts were chosen and do not represent the process; give its standard deviation"
        )
    of_tolerance, reason = tolerance_percent(sd, study, mean=mean, spread=spread)
    if reason:
        why["percent_tolerance"] = reason
    table = pd.DataFrame(
        np.column_stack([values, sd, spread * sd, contribution, of_total, of_tolerance]),
        index=pd.Index(SOURCES, name="source"),
        columns=list(MEASURES),
    )
    return Sources(table, why)


def tolerance_percent(sd: Array, study: Study, *, mean: float, spread: float) -> tuple[Array, str]:
    """Return the percent of tolerance of each sd, and why where there is none."""
    tolerance = study.tolerance
    if tolerance is None:
        return np.full(np.shape(sd), np.nan), "no tolerance was given"
    centre = mean if study.process_mean is None else study.process_mean
    lower, upper = _or_nan(tolerance.lower), _or_nan(tolerance.upper)
    found = percent_of_limits(sd, centre, lower, upper, spread=spread)
    past = not tolerance.two_sided and (centre >= upper or centre <= lower)
    reason = "the mean lies at or past the only limit, so there is no distance to share"
    return found, reason if past else ""


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value
