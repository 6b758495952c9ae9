"""Two looks at one study: how sure each must be, and the sums of squares of a second stage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import upper_bound
from grr.formulas.pivots import crossed_pivots
from grr.formulas.reml import reml
from grr.formulas.second_look import combined_error, second_confidence
from grr.formulas.unweighted_means import unweighted_means

#: Operators at the first and the second look → equal confidence at both, and the confidence at
#: the second after 97.5 % at the first, in percent: found before by another program, from the
#: same two chi-square variables.
FOUND_BEFORE = {
    (2, 3): (97.23, 97.0),
    (2, 4): (97.36, 97.2),
    (3, 4): (96.95, 96.5),
    (3, 5): (97.19, 96.9),
    (3, 6): (97.29, 97.1),
    (4, 6): (97.02, 96.6),
    (4, 8): (97.23, 97.0),
    (5, 8): (97.04, 96.7),
    (5, 10): (97.18, 96.9),
    (6, 9): (96.97, 96.5),
}


@pytest.mark.parametrize("looks", FOUND_BEFORE, ids=str)
def test_the_boundaries_are_those_found_before(looks):
    equal, second = FOUND_BEFORE[looks]
    assert combined_error(equal / 100, equal / 100, *looks) == pytest.approx(0.05, abs=1e-3)
    assert 100 * second_confidence(0.975, *looks) == pytest.approx(second, abs=0.1)
    assert 100 * second_confidence(0.99, *looks) == pytest.approx(95.7, abs=0.2)
    # 95 % at both looks, and an unplanned second look at 99 %.
    assert 0.077 < combined_error(0.95, 0.95, *looks) < 0.098
    assert 0.050 < combined_error(0.95, 0.99, *looks) < 0.058


@pytest.mark.parametrize("looks", [(2, 3), (3, 6), (5, 8)], ids=str)
def test_the_combined_error_is_that_of_drawn_chi_squares(looks):
    studied, together = looks
    rng = np.random.default_rng(7)
    x = rng.chisquare(studied - 1, 1_000_000)
    y = rng.chisquare(together - studied, 1_000_000)
    wrong = (x < chi2.ppf(0.025, studied - 1)) | (x + y < chi2.ppf(0.03, together - 1))
    assert combined_error(0.975, 0.97, *looks) == pytest.approx(wrong.mean(), abs=1e-3)


def test_a_second_look_never_errs_less_than_the_first():
    assert combined_error(0.95, 0.999999, 3, 6) == pytest.approx(0.05, abs=1e-4)
    confidences = [second_confidence(first, 3, 6) for first in (0.96, 0.975, 0.99)]
    assert confidences == sorted(confidences, reverse=True)


# A second stage: three more people on five of ten parts


def staged(studies: int, av: float, inter: float, ev: float, seed: int) -> np.ndarray:
    """Return readings of 10 parts × 6 operators × 3 trials; three measured only five parts."""
    rng = np.random.default_rng(seed)
    cube = 5.0 * rng.standard_normal((studies, 10, 1, 1))
    cube = cube + np.sqrt(av) * rng.standard_normal((studies, 1, 6, 1))
    cube = cube + np.sqrt(inter) * rng.standard_normal((studies, 10, 6, 1))
    cube = cube + np.sqrt(ev) * rng.standard_normal((studies, 10, 6, 3))
    cube[:, 1::2, 3:] = np.nan
    return cube


def test_sums_of_squares_are_those_of_the_two_full_tables():
    cube = staged(4, 0.5, 0.2, 0.3, 1)
    found = unweighted_means(cube)
    common, others = crossed_anova(cube[:, ::2]), crossed_anova(cube[:, 1::2, :3])
    assert found.ss_operator == pytest.approx(common.ss_operator)
    assert found.ss_interaction == pytest.approx(common.ss_interaction + others.ss_interaction)
    assert found.ss_error == pytest.approx(common.ss_error + others.ss_error)
    assert found.df_interaction == 4 * 5 + 4 * 2
    assert np.all(found.df_error == 45 * 2)
    assert found.parts_per_operator == found.parts_per_difference == 5
    # Wherever the parts stand, and whoever came later.
    order = np.random.default_rng(2).permutation(10)
    mixed = unweighted_means(cube[:, order][:, :, [3, 0, 5, 1, 4, 2]])
    assert mixed.ss_operator == pytest.approx(found.ss_operator)
    assert mixed.ss_interaction == pytest.approx(found.ss_interaction)


def test_mean_squares_expect_the_true_variances_and_are_chi_square():
    av, inter, ev = 0.5, 0.2, 0.3
    found = unweighted_means(staged(4000, av, inter, ev, 3))
    cell = ev + 3 * inter
    for squares, df, expected in (
        (found.ss_operator, 5, cell + 3 * 5 * av),
        (found.ss_interaction, 28, cell),
        (found.ss_error, 90, ev),
    ):
        ratio = squares / expected
        error = np.sqrt(2.0 / df / 4000)  # of the mean of 4000 chi-squares over their df
        assert np.mean(ratio) / df == pytest.approx(1.0, abs=4 * error)
        assert np.var(ratio) == pytest.approx(2 * df, rel=0.12)
    correlation = np.corrcoef([found.ss_operator, found.ss_interaction, found.ss_error])
    assert np.all(np.abs(correlation[np.triu_indices(3, 1)]) < 4 / np.sqrt(4000))


def test_variances_agree_with_restricted_maximum_likelihood():
    """REML is checked against lme4 in `test_reml`; on average both give the same variances."""
    cube = staged(60, 0.5, 0.2, 0.3, 5)
    means = unweighted_means(cube)
    interaction = means.ss_interaction / 28
    by_squares = np.stack(
        [(means.ss_operator / 5 - interaction) / 15, (interaction - means.ss_error / 90) / 3]
    )
    fits = [reml(one) for one in cube]
    by_reml = np.array([[fit.components.operator, fit.components.interaction] for fit in fits]).T
    assert np.corrcoef(by_squares[0], by_reml[0])[0, 1] > 0.95
    assert np.corrcoef(by_squares[1], by_reml[1])[0, 1] > 0.95
    assert by_squares.mean(axis=1) == pytest.approx(by_reml.mean(axis=1), rel=0.1)


def test_a_study_with_lost_readings_is_not_taken_for_staged():
    cube = staged(1, 0.5, 0.2, 0.3, 6)[0]
    cube[0, 0, 0] = np.nan
    assert unweighted_means(cube).df_interaction == 30
    cube = staged(1, 0.5, 0.2, 0.3, 6)[0]
    cube[2, 5] = np.nan
    assert unweighted_means(cube).parts_per_operator != 5


@pytest.mark.parametrize("split", [(0.25, 0.70, 0.05), (0.05, 0.95, 0.0)], ids=["AV70", "AV95"])
def test_two_planned_looks_seldom_call_a_gauge_better_than_it_is(split):
    """A short form of ``tests/coverage/second_look.py``: the true GRR lies just above."""
    ev, av, inter = split
    studies, wrong = 1000, 0
    for chunk in range(studies // 100):
        cube = staged(100, av, inter, ev, 100 + chunk)
        first = crossed_pivots(crossed_anova(cube[:, :, :3]), draws=4000).grr
        second = crossed_pivots(unweighted_means(cube), draws=4000).grr
        early = upper_bound(first, 0.975) < 1.0
        late = upper_bound(second, second_confidence(0.975, 3, 6)) < 1.0
        wrong += int((early | late).sum())
    assert wrong / studies <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / studies)
