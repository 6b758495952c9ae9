"""Limits from pivots against closed forms, by how often they hold the true value.

The closed forms are written out here from their sources and share no code with the package.
"""

import numpy as np
import pytest
from scipy import stats

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import two_sided_limits, variance_draws
from grr.formulas.pivots import crossed_pivots
from grr.formulas.sources_of_variation import Yardstick

PARTS, OPERATORS, TRIALS = 10, 3, 3
STUDIES = 1_000


def exact_repeatability(ms_error, df, level=0.95):
    """Chi-square interval of a variance (any textbook of statistics)."""
    tail = (1 - level) / 2
    return df * ms_error / stats.chi2.ppf(1 - tail, df), df * ms_error / stats.chi2.ppf(tail, df)


def sum_of_mean_squares(coefficients, mean_squares, dfs, level=0.95):
    """Modified large-sample interval of Σcθ, c > 0.

    Graybill & Wang, Journal of the American Statistical Association 75 (1980), 869-873.
    """
    tail = (1 - level) / 2
    estimate = sum(c * s for c, s in zip(coefficients, mean_squares, strict=True))
    below = above = 0.0
    for c, s, df in zip(coefficients, mean_squares, dfs, strict=True):
        g = 1 - df / stats.chi2.ppf(1 - tail, df)
        h = df / stats.chi2.ppf(tail, df) - 1
        below, above = below + (g * c * s) ** 2, above + (h * c * s) ** 2
    return estimate - np.sqrt(below), estimate + np.sqrt(above)


def difference_of_mean_squares(c1, s1, df1, c2, s2, df2, level=0.95):
    """Interval of c1·θ1 − c2·θ2.

    Ting, Burdick, Graybill, Jeyaratnam & Lu, Journal of Statistical Computation and
    Simulation 35 (1990), 135-143; Burdick & Graybill, Confidence Intervals on Variance
    Components (1992), section 3.3 (formulas from memory).
    """
    tail = (1 - level) / 2
    g1, g2 = (1 - df / stats.chi2.ppf(1 - tail, df) for df in (df1, df2))
    h1, h2 = (df / stats.chi2.ppf(tail, df) - 1 for df in (df1, df2))
    f_high, f_low = stats.f.ppf(1 - tail, df1, df2), stats.f.ppf(tail, df1, df2)
    g12 = ((f_high - 1) ** 2 - g1**2 * f_high**2 - h2**2) / f_high
    h12 = ((1 - f_low) ** 2 - h1**2 * f_low**2 - g2**2) / f_low
    a, b = c1 * s1, c2 * s2
    below = g1**2 * a**2 + h2**2 * b**2 + g12 * a * b
    above = h1**2 * a**2 + g2**2 * b**2 + h12 * a * b
    return (
        np.maximum(a - b - np.sqrt(np.maximum(below, 0.0)), 0.0),
        np.maximum(a - b + np.sqrt(np.maximum(above, 0.0)), 0.0),
    )


def readings(part, operator, interaction, repeatability, seed=12):
    rng = np.random.default_rng(seed)
    return sum(
        np.sqrt(variance) * rng.normal(size=(STUDIES, *shape))
        for variance, shape in (
            (part, (PARTS, 1, 1)),
            (operator, (1, OPERATORS, 1)),
            (interaction, (PARTS, OPERATORS, 1)),
            (repeatability, (PARTS, OPERATORS, TRIALS)),
        )
    )


def limits_by_pivots(stack):
    """Limits of each variance, fifty studies at a time with draws of their own."""
    found = {name: ([], []) for name in ("EV", "GRR", "PV", "INT")}
    for seed, start in enumerate(range(0, STUDIES, 50)):
        pivots = crossed_pivots(crossed_anova(stack[start : start + 50]), draws=2_000, seed=seed)
        for name, ends in found.items():
            for end, values in zip(
                ends, two_sided_limits(variance_draws(pivots, name, Yardstick()), 0.95), strict=True
            ):
                end.append(values)
    return {name: tuple(map(np.concatenate, ends)) for name, ends in found.items()}


def coverage(limits, truth):
    lower, upper = limits
    return float(((lower <= truth) & (truth <= upper)).mean())


@pytest.mark.parametrize(
    "variances", [(20.0, 0.05, 0.02, 1.0), (20.0, 2.0, 0.5, 1.0), (1.0, 0.3, 0.2, 1.0)]
)
def test_pivots_cover_as_the_closed_forms_do(variances):
    part, operator, interaction, repeatability = variances
    stack = readings(*variances)
    anova = crossed_anova(stack)
    limits = limits_by_pivots(stack)
    df_po, df_e = (PARTS - 1) * (OPERATORS - 1), PARTS * OPERATORS * (TRIALS - 1)
    closed = {
        "EV": exact_repeatability(anova.ms_error, df_e),
        "GRR": sum_of_mean_squares(
            (1 / (PARTS * TRIALS), (PARTS - 1) / (PARTS * TRIALS), (TRIALS - 1) / TRIALS),
            (anova.ms_operator, anova.ms_interaction, anova.ms_error),
            (OPERATORS - 1, df_po, df_e),
        ),
        "PV": difference_of_mean_squares(
            1 / (OPERATORS * TRIALS),
            anova.ms_part,
            PARTS - 1,
            1 / (OPERATORS * TRIALS),
            anova.ms_interaction,
            df_po,
        ),
        "INT": difference_of_mean_squares(
            1 / TRIALS, anova.ms_interaction, df_po, 1 / TRIALS, anova.ms_error, df_e
        ),
    }
    truth = {
        "EV": repeatability,
        "GRR": operator + interaction + repeatability,
        "PV": part,
        "INT": interaction,
    }
    for quantity, true in truth.items():
        ours = coverage(limits[quantity], true)
        theirs = coverage(closed[quantity], true)
        assert 0.93 <= ours <= 0.98, quantity
        assert ours == pytest.approx(theirs, abs=0.025), quantity
    widths = {
        quantity: np.median(np.subtract(*limits[quantity][::-1]))
        / np.median(np.subtract(*closed[quantity][::-1]))
        for quantity in truth
    }
    assert widths["EV"] == pytest.approx(1.0, abs=0.04)
    assert widths["PV"] == pytest.approx(1.0, abs=0.1)
