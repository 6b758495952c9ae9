"""Places and gauges: sums of squares against statsmodels, limits against simulation."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from grr.formulas.analysis_of_variance import crossed_anova, interaction_kept
from grr.formulas.further_sources import source_pivots, source_squares, source_test
from grr.model.errors import StudyError

sys.path.insert(0, str(Path(__file__).parents[1] / "coverage"))
from further_sources import readings, row

SHARES = (0.5, 0.2, 0.1, 0.2, 1.0)


@pytest.mark.parametrize(
    "design", [(6, 3, 2, 2, 2, 0), (6, 3, 2, 2, 2, 9), (5, 3, 3, 1, 2, 4), (5, 3, 1, 4, 2, 4)]
)
def test_sums_of_squares_are_statsmodels(design):
    values, codes = readings(design, SHARES, 1, np.random.default_rng(5), fixed=False)
    found = source_squares(values[0], codes)
    terms = {"part": "C(part)", "operator": "C(operator)", "interaction": "C(part):C(operator)"}
    terms |= {"gauge": "C(gauge)", "place": "C(part):C(place)"}
    table = pd.DataFrame(codes | {"y": values[0]})
    if "place" in codes:
        table["place"] = table["place"] % design[2]
    # statsmodels sorts terms by their order: those of two factors come last here as there.
    formula = "y ~ " + " + ".join(terms[name] for name in codes)
    theirs = anova_lm(ols(formula, table).fit(), typ=1)
    for name in (*codes, "error"):
        term = terms.get(name, "Residual")
        assert found.df[name] == round(theirs.df[term]), name
        squares = float(found.mean_sq[name] * found.df[name])
        assert squares == pytest.approx(theirs.sum_sq[term]), name
    if "gauge" in codes and "place" not in codes and not design[5]:
        f, p = source_test(found, "gauge")
        assert (f, p) == pytest.approx((theirs.F["C(gauge)"], theirs["PR(>F)"]["C(gauge)"]))


def test_without_further_sources_it_is_the_crossed_study():
    values, codes = readings((10, 3, 1, 1, 3, 0), SHARES, 5, np.random.default_rng(2), fixed=False)
    found = source_squares(values, codes)
    expected = interaction_kept(crossed_anova(values.reshape(5, 10, 3, 3)))
    variances = found.variances(found.mean_sq)
    assert variances["part"] == pytest.approx(expected.part)
    assert variances["operator"] == pytest.approx(expected.operator)
    assert variances["interaction"] == pytest.approx(expected.interaction)
    assert variances["error"] == pytest.approx(expected.repeatability)


@pytest.mark.parametrize("lost", [0, 15])
def test_components_are_unbiased(lost):
    design = (8, 3, 2, 2, 2, lost)
    values, codes = readings(design, SHARES, 4000, np.random.default_rng(11), fixed=False)
    squares = source_squares(values, codes)
    found = squares.variances(squares.mean_sq)
    truth = dict(
        zip(("error", "operator", "interaction", "gauge", "place"), SHARES, strict=True), part=9.0
    )
    for name, value in truth.items():
        error = np.std(found[name]) / np.sqrt(len(values))
        assert abs(np.mean(found[name]) - value) < 4.0 * error, name


def test_draws_of_grr_are_the_sum_of_its_sources_without_the_parts_own():
    values, codes = readings((6, 3, 2, 2, 2, 0), SHARES, 1, np.random.default_rng(3), fixed=False)
    pivots = source_pivots(source_squares(values[0], codes), all_there_are={}, draws=500)
    inside = pivots.repeatability + pivots.operator + pivots.interaction + pivots.gauge
    assert pivots.grr == pytest.approx(inside)


@pytest.mark.parametrize(
    ("design", "fixed"),
    [
        ((10, 3, 2, 1, 2, 0), False),
        ((10, 3, 2, 1, 2, 12), True),
        ((10, 3, 1, 2, 2, 0), True),
        ((8, 3, 2, 2, 1, 10), True),
    ],
)
def test_limits_hold_the_truth(design, fixed):
    found = row(design, SHARES if design[3] > 1 else (0.6, 0.3, 0.1, 0.0, 1.0), 300, fixed=fixed)
    # Three standard errors of 300 studies under 95 %.
    assert found["GRR"] > 91.2
    assert found["further"] > 91.2
    assert found["upper misses"] < 8.8


def test_places_left_out_make_limits_wrong():
    found = row((10, 3, 2, 1, 2, 0), (0.6, 0.3, 0.1, 0.0, 4.0), 200)
    assert found["GRR"] > 90.0
    assert found["without"] < 10.0


def test_readings_of_which_none_was_repeated_are_refused():
    codes = {"part": np.arange(4) // 2, "place": np.arange(4)}
    with pytest.raises(StudyError, match="measured twice"):
        source_squares(np.arange(4.0), codes)
