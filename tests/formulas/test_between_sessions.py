"""Sessions nested in operators: sums of squares, components and limits."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from grr.formulas.further_sources import source_pivots, source_squares, source_test
from grr.formulas.mixed_model import fit_sources

sys.path.insert(0, str(Path(__file__).parents[1] / "coverage"))
from sessions import readings, row, sources_of

SHARES = (0.3, 0.15, 0.05, 0.5)


def study(design=(10, 3, 4, 2), seed=4, shares=SHARES):
    values, *codes = readings(design, shares, 1, np.random.default_rng(seed))
    return values[0], codes


def components(values, *codes):
    squares = source_squares(values, sources_of(*codes))
    return squares.variances(squares.mean_sq)


@pytest.mark.parametrize("design", [(10, 3, 4, 2), (6, 4, 6, 3), (8, 2, 2, 2), (7, 1, 4, 2)])
def test_sums_of_squares_are_statsmodels(design):
    values, (part, operator, session) = study(design)
    found = source_squares(values, sources_of(part, operator, session))
    table = pd.DataFrame({"y": values, "p": part, "o": operator, "s": session % design[3]})
    terms = "C(p)*C(o) + C(o):C(s)" if design[1] > 1 else "C(p) + C(s)"
    theirs = anova_lm(ols(f"y ~ {terms}", table).fit(), typ=1)
    session_term = "C(o):C(s)" if design[1] > 1 else "C(s)"
    named = {"part": "C(p)", "session": session_term, "error": "Residual"}
    if design[1] > 1:
        named |= {"operator": "C(o)", "interaction": "C(p):C(o)"}
    assert set(found.mean_sq) == set(named)
    for name, term in named.items():
        squares = float(found.mean_sq[name] * found.df[name])
        assert squares == pytest.approx(theirs.sum_sq[term]), name
        assert found.df[name] == round(theirs.df[term]), name
    f, p = source_test(found, "session")
    assert (f, p) == pytest.approx((theirs.F[session_term], theirs["PR(>F)"][session_term]))


@pytest.mark.parametrize("design", [(10, 3, 4, 2), (6, 4, 6, 3)])
def test_expected_mean_squares_are_those_of_the_textbook(design):
    # Searle, Casella & McCulloch, chapter 4; Montgomery, section 14.3 (see the file's head).
    values, codes = study(design)
    p, o, r, m = design
    n = r // m
    expected = {
        "part": {"part": o * r, "interaction": r, "error": 1},
        "operator": {"operator": p * r, "session": p * n, "interaction": r, "error": 1},
        "session": {"session": p * n, "error": 1},
        "interaction": {"interaction": r, "error": 1},
        "error": {"error": 1},
    }
    found = source_squares(values, sources_of(*codes))
    names = list(found.mean_sq)
    for row_, name in zip(found.expected, names, strict=True):
        of = dict(zip(names, row_, strict=True))
        assert of == pytest.approx({other: expected[name].get(other, 0) for other in names})


def test_moments_are_restricted_likelihood_where_balanced_and_all_are_positive():
    # Searle, Casella & McCulloch, Variance Components (1992), section 3.8.
    values, (part, operator, session) = study(seed=3)
    found = components(values, part, operator, session)
    fit = fit_sources(
        values,
        {"part": part, "operator": operator, "both": part * 3 + operator, "session": session},
    )
    assert min(fit.variances.values()) > 0.0
    expected = [*fit.variances.values(), fit.error]
    of = [found[name] for name in ("part", "operator", "interaction", "session", "error")]
    assert [float(value) for value in of] == pytest.approx(expected, rel=1e-5)


def test_components_are_unbiased():
    values, *codes = readings((10, 3, 4, 2), SHARES, 4000, np.random.default_rng(11))
    found = components(values, *codes)
    of = [found[name] for name in ("error", "operator", "interaction", "session")]
    for value, truth in zip(of, SHARES, strict=True):
        error = np.std(value) / np.sqrt(len(value))
        assert abs(np.mean(value) - truth) < 4.0 * error


def test_unequal_sessions_are_unbiased_and_lost_readings_nearly():
    values, *codes = readings((10, 3, 3, 2), SHARES, 4000, np.random.default_rng(12))
    for lost, near in (([], 0.0), ([4, 17, 44, 71], 0.01)):
        kept = np.ones(values.shape[1], dtype=bool)
        kept[lost] = False
        found = components(values[:, kept], *(code[kept] for code in codes))
        of = [found[name] for name in ("error", "operator", "interaction", "session")]
        for value, truth in zip(of, SHARES, strict=True):
            error = np.std(value) / np.sqrt(len(value))
            assert abs(np.mean(value) - truth) < 4.0 * error + near


def test_grr_draws_are_the_sum_of_the_sources():
    values, codes = study()
    pivots = source_pivots(source_squares(values, sources_of(*codes)), all_there_are={}, draws=1000)
    total = pivots.repeatability + pivots.operator + pivots.interaction + pivots.session
    assert pivots.grr == pytest.approx(total)


@pytest.mark.parametrize("design", [(10, 3, 3, 2), (10, 1, 4, 2)])
def test_limits_hold_the_truth(design):
    shares = SHARES if design[1] > 1 else (0.5, 0.0, 0.0, 0.5)
    found = row(design, shares, 1000)
    # Three standard errors of 1000 studies under 95 %.
    assert found["GRR"] > 92.9
    assert found["SES"] > 92.9
    assert found["upper misses"] < 7.1


@pytest.mark.parametrize(
    ("shares", "fixed"), [((0.5, 0.2, 0.1, 0.2), False), ((0.3, 0.1, 0.0, 0.6), True)]
)
def test_sessions_that_all_share_hold_the_truth(shares, fixed):
    found = row((10, 3, 3, 2), shares, 600, fixed=fixed, shared=True)
    assert found["GRR"] > 89.9, "three standard errors of 600 studies under the 93 % of the table"
    assert found["SES"] > 89.9
    assert found["upper misses"] < 7.7


def test_fixed_operators_hold_the_truth_where_sessions_differ():
    found = row((10, 3, 4, 2), (0.3, 0.1, 0.0, 0.6), 1000, fixed=True)
    assert found["GRR"] > 92.9
    assert found["without"] < 60.0, "the same readings, sessions left out"
