import numpy as np
import pytest

from grr.formulas.method_comparison import replicated_agreement, single_pair_agreement
from grr.model.errors import StudyError

# Peak flow of 17 subjects by two meters, first readings, litres a minute.
# Source: Bland & Altman, Lancet 1986; i: 307-310.
LARGE = np.array(
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0]
)
MINI = np.array(
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0]
)


def test_the_published_example():
    found = single_pair_agreement(LARGE - MINI, multiple=2.0)
    assert round(float(found.mean), 1) == -2.1
    assert round(float(found.sd), 1) == 38.8
    # Limits −79.7 and 75.5 l/min, with intervals −114.3 to −45.1 and 40.9 to 110.1 (from
    # memory). The paper computes with rounded figures, hence 0.3.
    assert float(found.lower) == pytest.approx(-79.7, abs=0.1)
    assert float(found.upper) == pytest.approx(75.5, abs=0.1)
    assert np.array(found.lower_limits) == pytest.approx([-114.3, -45.1], abs=0.3)
    assert np.array(found.upper_limits) == pytest.approx([40.9, 110.1], abs=0.3)


def test_one_operator_one_trial_is_the_single_pair():
    pairs = LARGE - MINI
    single = single_pair_agreement(pairs)
    found = replicated_agreement(pairs[:, None], np.zeros(2), (1.0, 1.0), (0, 0), draws=20_000)
    assert float(found.sd) == pytest.approx(float(single.sd), rel=1e-12)
    assert float(found.upper) == pytest.approx(float(single.upper), rel=1e-12)
    # Intervals by pivots are not those of the normal approximation of 1986, but near.
    assert np.array(found.upper_limits) == pytest.approx(np.array(single.upper_limits), abs=12.0)


def replicated(studies, *, seed, operator_sd=0.0, operator_offsets=None, parts=10, operators=3):
    """Differences of cell means and repeatabilities; single readings differ with sd √V."""
    rng = np.random.default_rng(seed)
    part, rest, errors, trials = 0.6, 0.3, (0.5, 1.0), 3
    offsets = (
        rng.normal(0, operator_sd, (studies, 1, operators))
        if operator_offsets is None
        else np.asarray(operator_offsets)
    )
    cells = (
        0.4
        + rng.normal(0, part, (studies, parts, 1))
        + offsets
        + rng.normal(0, rest, (studies, parts, operators))
    )
    ms_error = np.empty((studies, 2))
    df = parts * operators * (trials - 1)
    for i, sd in enumerate(errors):
        cells = cells + rng.normal(0, sd / np.sqrt(trials), (studies, parts, operators))
        ms_error[:, i] = sd**2 * rng.chisquare(df, studies) / df
    spread = operator_sd**2 if operator_offsets is None else float(np.var(operator_offsets))
    truth = np.sqrt(part**2 + spread + rest**2 + errors[0] ** 2 + errors[1] ** 2)
    return cells, ms_error, (3.0, 3.0), (df, df), float(truth)


@pytest.mark.parametrize(
    "operators, case",
    [
        ("fixed", {"operator_offsets": (0.5, -0.2, -0.3)}),
        ("fixed", {"operator_offsets": (0.0, 0.0, 0.0)}),
        ("random", {"operator_sd": 0.3}),
    ],
)
def test_replicated_limits_hold_the_truth(operators, case):
    *arrays, truth = replicated(500, seed=3, **case)
    found = replicated_agreement(*arrays, operators=operators, draws=1000)
    # The variance is estimated without bias.
    assert (found.sd**2).mean() == pytest.approx(truth**2, rel=0.04)
    for limit, (low, high) in (
        (0.4 - 1.96 * truth, found.lower_limits),
        (0.4 + 1.96 * truth, found.upper_limits),
    ):
        # 500 studies: standard error 1 %.
        assert 0.92 < ((low <= limit) & (limit <= high)).mean() < 0.99


def test_two_parts_are_refused():
    with pytest.raises(StudyError, match="three parts"):
        single_pair_agreement(np.array([1.0, 2.0]))


def test_three_parts_by_hand_and_a_stack():
    # Mean 1, sd 1; the reach is t(0.975, 2) = 4.3027 times 1·√(3/3).
    found = single_pair_agreement(np.array([[0.0, 1.0, 2.0], [5.0, 7.0, 9.0]]))
    assert found.mean.tolist() == [1.0, 7.0]
    assert found.sd.tolist() == [1.0, 2.0]
    assert found.lower == pytest.approx([1 - 1.96, 7 - 3.92])
    assert found.lower_limits[0] == pytest.approx([-0.96 - 4.3027, 3.08 - 8.6053], abs=1e-4)
    assert found.upper_limits[1] == pytest.approx([2.96 + 4.3027, 10.92 + 8.6053], abs=1e-4)


def test_the_variance_of_a_pair_by_hand():
    # Differences of cell means: parts ±1, operators ±0.5, rest ±0.25. MS_P 2·2·1 = 4, MS_O 2·
    # 2·0.25 = 1, MS_R 4·0.0625 = 0.25, each on 1 df. Part (4 − 0.25)/2, operator as a sample
    # (1 − 0.25)/2, rest 0.25; what averaging took out: half of 0.8 and two thirds of 0.6.
    cells = np.array([[1.0], [-1.0]]) + [0.5, -0.5] + 0.25 * np.array([[1.0, -1], [-1, 1]])
    found = {
        who: replicated_agreement(
            cells, np.array([0.8, 0.6]), (2.0, 3.0), (2, 4), operators=who, draws=200
        )
        for who in ("random", "fixed")
    }
    rest = 1.875 + 0.25 + 0.4 + 0.4
    assert float(found["random"].sd) ** 2 == pytest.approx(rest + 0.375)
    assert float(found["fixed"].sd) ** 2 == pytest.approx(rest + 0.375 / 2)
    with pytest.raises(StudyError, match="operators is not a word known here"):
        replicated_agreement(cells, np.ones(2), (2.0, 2.0), (2, 2), operators="some")


def test_many_operators_leave_little_doubt_of_their_share():
    # Three parts alike, 2,000 operators with sd 0.6, the rest 0.8: one pair has sd 1.
    rng = np.random.default_rng(9)
    cells = rng.normal(0, 0.6, (1, 2000)) + rng.normal(0, 0.8, (3, 2000))
    found = replicated_agreement(
        cells, np.zeros(2), (1.0, 1.0), (0, 0), operators="random", draws=2000
    )
    assert float(found.sd) == pytest.approx(1.0, rel=0.04)
    reach = np.array(found.upper_limits) - float(found.mean)
    assert reach == pytest.approx(1.96 * np.ones(2), rel=0.08)


def test_one_operator_with_replicates_by_hand():
    # differences of means of 2: variance between parts 3.5, plus half of each repeatability
    cells = np.array([1.0, 2.0, 3.0, 6.0])[:, None]
    found = replicated_agreement(cells, np.array([0.4, 0.6]), (2.0, 2.0), (4, 4), draws=1000)
    sd = np.sqrt(np.var([1.0, 2.0, 3.0, 6.0], ddof=1) + 0.5 * 0.4 + 0.5 * 0.6)
    assert float(found.sd) == pytest.approx(sd, rel=1e-12)
    assert float(found.lower) == pytest.approx(3.0 - 1.96 * sd, rel=1e-4)
    assert float(found.upper) == pytest.approx(3.0 + 1.96 * sd, rel=1e-4)


def test_one_operators_limits_hold_the_truth():
    rng = np.random.default_rng(11)
    studies, parts, between, repeat = 600, 12, 1.0, 1.5
    means = rng.normal(0.0, np.hypot(between, repeat), (studies, parts, 1))
    errors = repeat**2 * rng.chisquare(12, (studies, 2)) / 12
    # each method's mean of two readings keeps half of its repeatability: r²/2 twice is r²
    found = replicated_agreement(means, errors, (2.0, 2.0), (12, 12), draws=1000)
    true_upper = 1.96 * np.sqrt(between**2 + 2.0 * repeat**2)
    for limits, true in ((found.upper_limits, true_upper), (found.lower_limits, -true_upper)):
        inside = (limits.lower <= true) & (true <= limits.upper)
        assert inside.mean() == pytest.approx(0.95, abs=0.035)
