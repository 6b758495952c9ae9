"""The numbers behind a comparison of operators, labelled."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import Cells, cells_of, harmonic_count
from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import sd_interval, sd_ratio_interval
from grr.formulas.operator_comparison import (
    InteractionCells,
    bartlett,
    cochran_c,
    cochran_limit,
    from_others_limits,
    h_ceiling,
    h_limit,
    h_statistic,
    interaction_cells,
    k_limit,
    k_statistic,
    largest_against_rest,
    operator_means,
    tukey_p,
    tukey_pairs,
)
from grr.model.errors import StudyError
from grr.model.study import Cube, Study
from grr.questions.drift import DriftNumbers
from grr.questions.drift_series import BumpFound
from grr.questions.operator_trends import operator_trends
from grr.questions.trial_changes import TrialChange, trial_changes

#: Consistency statistics are flagged at this level (ISO 5725-2: an outlier).
CONSISTENCY_LEVEL = 0.99


@dataclass(frozen=True)
class OperatorNumbers:
    """What a study says about its operators; lengths in the unit of the study.

    Attributes
    ----------
    study : Study
    table : DataFrame
        One row an operator: mean; from_others, from_others_lower, from_others_upper (its
        mean minus that of the others); sd, sd_lower, sd_upper (repeatability);
        scatter_ratio (its sd over that of the others pooled), scatter_ratio_lower,
        scatter_ratio_upper, scatter_p; interaction_share, interaction_p; trend columns
        (see `operator_trends`). NaN where not estimated.
    pairs : DataFrame
        first, second, difference, lower, upper, p: Tukey's, family-wise.
    scatter_tests : DataFrame
        Bartlett and Cochran: statistic, limit, p. Empty where nothing was repeated.
    cells : DataFrame
        One row a part and operator: mean, sd, h, k, residual (what is left of the mean
        once part and operator are taken off), residual_limit, residual_p.
    h_limit, h_ceiling, k_limit : float
        Limits of |h| and k at 99 %, and what |h| cannot exceed; k's is NaN where numbers
        of readings differ.
    level : float
        Confidence of intervals and, family-wise, of tests.
    drift : DriftNumbers or None
        What `grr.drift` says of these readings; None where no order is known.
    changes : list of TrialChange
        Between trials, where no drift explains them.
    """

    study: Study
    table: pd.DataFrame
    pairs: pd.DataFrame
    scatter_tests: pd.DataFrame
    cells: pd.DataFrame
    h_limit: float
    h_ceiling: float
    k_limit: float
    level: float
    drift: DriftNumbers | None
    changes: list[TrialChange]

    def value(self, operator: str, column: str) -> float:
        """Return one cell of the table; NaN where not estimated."""
        return float(self.table.at[operator, column])  # type: ignore[arg-type]

    @property
    def drifters(self) -> list[str]:
        """Whose readings drift, by `grr.drift`."""
        return [] if self.drift is None else self.drift.drifters(next(iter(self.drift.methods)))

    @property
    def bumps(self) -> list[BumpFound]:
        """The bumps within sessions, by `grr.drift`."""
        return [] if self.drift is None else self.drift.bumps

    def scatter_test(self, test: str, column: str) -> float:
        """Return one cell of the tests of equal scatter."""
        return float(self.scatter_tests.at[test, column])  # type: ignore[arg-type]

    def differences_of(self, operator: str) -> dict[str, tuple[float, float]]:
        """Return other operator → how much higher this one reads, and its p value."""
        found = {}
        for first, second, difference, p in self.pairs[
            ["first", "second", "difference", "p"]
        ].itertuples(index=False, name=None):
            if operator == first:
                found[second] = (difference, p)
            elif operator == second:
                found[first] = (-difference, p)
        return found


def operator_numbers(study: Study, *, level: float = 0.95) -> OperatorNumbers:
    """Compare the operators of a study by one method.

    Raises
    ------
    StudyError
        Two methods, one operator, fewer than three parts, or a part that someone did not
        measure.
    """
    cube = _cube(study)
    cells = cells_of(cube.values, cell_axes=2)
    means = operator_means(cells.means)
    low, high = from_others_limits(means, level=level)
    names = pd.Index(study.operator_names, name="operator")
    origin = float(cells.origin.flat[0])
    table = pd.DataFrame(
        {
            "mean": means.means + origin,
            "from_others": means.from_others,
            "from_others_lower": low,
            "from_others_upper": high,
        },
        index=names,
    )
    pairs = tukey_pairs(means.means, means.error_of_mean, means.df, level=level)
    p = tukey_p(pairs.difference, means.error_of_mean, means.operators, means.df)
    scatter, tests = _scatter(cells, names, level)
    residuals = _residuals(cells, level)
    interaction = pd.DataFrame(
        {
            "interaction_share": np.nan if residuals is None else residuals.share,
            "interaction_p": np.nan if residuals is None else residuals.operator_p,
        },
        index=names,
    )
    trends, drift = operator_trends(study, level=level)
    counts = cells.counts
    equal = bool((counts == counts.flat[0]).all()) and int(counts.flat[0]) > 1
    return OperatorNumbers(
        study=study,
        table=pd.concat([table, scatter, interaction, trends], axis=1),
        pairs=pd.DataFrame(
            {
                "first": [names[i] for i in pairs.first],
                "second": [names[i] for i in pairs.second],
                "difference": pairs.difference,
                "lower": pairs.lower,
                "upper": pairs.upper,
                "p": p,
            }
        ),
        scatter_tests=tests,
        cells=_cell_table(study, cells, residuals, origin),
        h_limit=h_limit(len(names), CONSISTENCY_LEVEL),
        h_ceiling=h_ceiling(len(names)),
        k_limit=k_limit(len(names), int(counts.flat[0]), CONSISTENCY_LEVEL) if equal else math.nan,
        level=level,
        drift=drift,
        changes=(
            trial_changes(study)
            if drift is None
            else [change for of in drift.changes.values() for change in of]
        ),
    )


def _cube(study: Study) -> Cube:
    if len(study.methods) > 1:
        raise StudyError(
            "The study holds readings by more than one method",
            f'Compare the operators by one of them: study.for_method("{study.methods[0]}")',
            value=", ".join(study.methods),
        )
    if study.design == "nested":
        raise StudyError(
            "In a nested study no two operators measured the same part, so they cannot be compared",
            "Let every operator measure the same parts",
        )
    cube = study.cube()
    empty = ~np.isfinite(cube.values).any(axis=-1)
    if empty.any():
        part, operator = (int(i) for i in np.argwhere(empty)[0])
        raise StudyError(
            f"Operator {cube.operators[operator]} did not measure part {cube.parts[part]}, and "
            "operators are compared on the same parts",
            "Take that reading, or leave the part out of the readings",
        )
    return cube


def _scatter(cells: Cells, names: pd.Index[str], level: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return each operator's repeatability, and the tests of whether they differ."""
    df = (cells.counts - 1).sum(axis=0).astype(np.float64)
    columns = ["sd", "sd_lower", "sd_upper", "scatter_ratio"]
    columns += ["scatter_ratio_lower", "scatter_ratio_upper", "scatter_p"]
    if (df < 1).any():
        return (
            pd.DataFrame(np.nan, index=names, columns=columns),
            pd.DataFrame(columns=["statistic", "limit", "p"], dtype=np.float64),
        )
    variances = cells.within.sum(axis=0) / df
    sd = np.sqrt(variances)
    lower, upper = np.array([sd_interval(s, d, level=level) for s, d in zip(sd, df, strict=True)]).T
    ratio, p = largest_against_rest(variances, df)
    ratio_low, ratio_high = sd_ratio_interval(np.sqrt(ratio), df, df.sum() - df, level=level)
    statistic, bartlett_p = bartlett(variances, df)
    equal = bool((df == df[0]).all())
    tests = pd.DataFrame(
        {
            "statistic": [float(statistic), float(cochran_c(variances))],
            "limit": [
                math.nan,
                cochran_limit(len(names), float(df[0]), level) if equal else math.nan,
            ],
            "p": [float(bartlett_p), min(1.0, len(names) * float(p.min()))],
        },
        index=pd.Index(["Bartlett", "Cochran"], name="test"),
    )
    values = (sd, lower, upper, np.sqrt(ratio), ratio_low, ratio_high, p)
    return pd.DataFrame(dict(zip(columns, values, strict=True)), index=names), tests


def _residuals(cells: Cells, level: float) -> InteractionCells | None:
    df = (cells.counts - 1).sum(axis=0).astype(np.float64)
    if (df < 1).any() or float(cells.within.sum()) <= 0.0:
        return None
    trials = harmonic_count(cells, cell_axes=2)
    return interaction_cells(cells.means, trials, cells.within.sum(axis=0) / df, df, level=level)


def _cell_table(
    study: Study, cells: Cells, residuals: InteractionCells | None, origin: float
) -> pd.DataFrame:
    df = (cells.counts - 1).astype(np.float64)
    variances = np.where(df > 0, cells.within / np.maximum(df, 1), np.nan)
    nothing: Array = np.full(cells.means.shape, np.nan)
    columns = {
        "mean": cells.means + origin,
        "sd": np.sqrt(variances),
        "h": h_statistic(cells.means),
        "k": k_statistic(variances, df),
        "residual": nothing if residuals is None else residuals.residual,
        "residual_limit": nothing
        if residuals is None
        else np.broadcast_to(residuals.limit, nothing.shape),
        "residual_p": nothing if residuals is None else residuals.p,
    }
    index = pd.MultiIndex.from_product(
        [study.parts, study.operator_names], names=["part", "operator"]
    )
    return pd.DataFrame({name: values.ravel() for name, values in columns.items()}, index=index)
