"""The three-way analysis of variance of two methods, each denominator named."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import effect_tests, method_components, three_factor_anova
from grr.questions.method_readings import MethodReadings


def method_anova(found: MethodReadings) -> tuple[pd.DataFrame | None, pd.DataFrame | None]:
    """Return the table of sums of squares with F tests, and the variance components.

    Parts are random, methods fixed, operators as the study says. F is given where an
    exact denominator exists. None with one operator.

    Returns
    -------
    table : DataFrame or None
        Index part, operator, method, their interactions, error; columns df, sum_sq,
        mean_sq, F, p, tested_against.
    components : DataFrame or None
        Variance and sd of each random source, parts and operators counted as random;
        a variance estimated below zero is shown as it came out, its sd as 0.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, sections 5.4 and 13.3.
    """
    if found.values.shape[1] < 2:
        return None, None
    anova = three_factor_anova(found.values)
    operators = found.studies[found.baseline].operators
    tests = effect_tests(anova, operators=operators)
    rows = {}
    for name, sum_sq in anova.sum_sq.items():
        test = tests.get(name)
        rows[name] = (
            anova.df[name],
            float(sum_sq),
            float(anova.mean_sq[name]),
            math.nan if test is None else float(test.f),
            math.nan if test is None else float(test.p),
            "" if test is None else test.against,
        )
    table = pd.DataFrame.from_dict(
        rows, orient="index", columns=["df", "sum_sq", "mean_sq", "F", "p", "tested_against"]
    )
    table.index.name = "source"
    variances = {name: float(v) for name, v in method_components(anova).items()}
    components = pd.DataFrame({"variance": variances})
    components["sd"] = np.sqrt(components["variance"].clip(lower=0.0))
    components.index.name = "source"
    return table, components
