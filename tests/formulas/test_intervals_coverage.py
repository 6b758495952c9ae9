"""Coverage in short; the long table is tests/coverage/intervals.md, made by the script there.

The share of 400 studies has a standard error of 1.1 at 95 %, hence the wide bound on one share.
"""

from dataclasses import replace

import numpy as np
import pytest
from simulated_studies import ONE_SIDED, Truth, coverage, crossed, lose_cells, nested

from grr.formulas.analysis_of_variance import crossed_anova, nested_anova
from grr.formulas.confidence_limits import percent_tolerance_draws, two_sided_limits
from grr.formulas.pivots import crossed_pivots, nested_pivots
from grr.formulas.unweighted_means import unweighted_means

STUDIES, DRAWS = 400, 1_500
JUDGED = ("GRR", "PV", "percent TV", "one-sided")


def shares(truth, readings, pivots_of):
    found = coverage(truth, readings, pivots_of, chunk=50)
    return {name: found[name] for name in JUDGED}


def assert_covered(found):
    assert all(0.88 <= share <= 1.0 for share in found.values()), found
    assert 0.92 <= np.mean(list(found.values())) <= 0.985, found


@pytest.mark.parametrize("operators", ["random", "fixed"])
@pytest.mark.parametrize(("percent", "reproducibility"), [(8.0, 0.05), (40.0, 0.7)])
def test_crossed(operators, percent, reproducibility):
    truth = Truth(percent, reproducibility)
    rng = np.random.default_rng(31)
    readings = crossed(truth, STUDIES, (10, 3, 3), rng, operators=operators)

    def pivots_of(stack, seed):
        return crossed_pivots(crossed_anova(stack), draws=DRAWS, seed=seed, operators=operators)

    assert_covered(shares(truth, readings, pivots_of))


def test_empty_cells():
    truth, rng = Truth(20.0, 0.3), np.random.default_rng(32)
    readings = lose_cells(crossed(truth, STUDIES, (10, 3, 2), rng), 4, rng)

    def pivots_of(stack, seed):
        return crossed_pivots(unweighted_means(stack), draws=DRAWS, seed=seed)

    assert_covered(shares(truth, readings, pivots_of))


def test_nested():
    truth, rng = Truth(40.0, 0.3, interaction=0.0), np.random.default_rng(33)

    def pivots_of(stack, seed):
        return nested_pivots(nested_anova(stack), draws=DRAWS, seed=seed)

    assert_covered(shares(truth, nested(truth, STUDIES, (3, 10, 2), rng), pivots_of))


def held(limits, true):
    return float(((limits.lower <= true) & (true <= limits.upper)).mean())


def shares_held(readings, true, *draws_of):
    """Share of studies held by each kind of draws, fifty studies at a time."""
    shares = []
    for seed, start in enumerate(range(0, len(readings), 50)):
        anova = crossed_anova(readings[start : start + 50])
        pivots = crossed_pivots(anova, draws=DRAWS, seed=seed)
        shares.append(
            [held(two_sided_limits(draws(anova, pivots), 0.95), true) for draws in draws_of]
        )
    return np.mean(shares, axis=0)


def test_truncating_each_part_of_grr_would_cover_too_seldom():
    truth = Truth(20.0, 0.0)
    readings = crossed(truth, 2_000, (10, 3, 3), np.random.default_rng(34))

    def each_truncated(_, pivots):
        parts = (pivots.operator, pivots.interaction, pivots.repeatability)
        return sum(np.maximum(draws, 0.0) for draws in parts)

    each, once = shares_held(
        readings, truth.variances["GRR"], each_truncated, lambda _, pivots: pivots.grr
    )
    assert each < 0.925 < 0.935 < once


def test_a_mean_taken_as_known_would_cover_too_seldom():
    truth = Truth(20.0, 0.05)
    readings = crossed(truth, 1_000, (10, 3, 3), np.random.default_rng(35))

    def mean_known(anova, pivots):
        mean = np.broadcast_to(anova.mean[:, None], pivots.mean.shape)
        return percent_tolerance_draws(replace(pivots, mean=mean), "GRR", ONE_SIDED)

    known, uncertain = shares_held(
        readings,
        100.0 * 3.0 * np.sqrt(truth.variances["GRR"]) / 4.0,
        mean_known,
        lambda _, pivots: percent_tolerance_draws(pivots, "GRR", ONE_SIDED),
    )
    assert known < 0.9 < 0.93 < uncertain
