import math

import numpy as np
import pytest

from grr.formulas.control_charts import (
    NELSON,
    RULES,
    WESTERN_ELECTRIC,
    chance_of_false_alarm,
    false_alarms,
    signals,
    simulated_run_lengths,
)
from grr.model.errors import StudyError

#: Mean run lengths with nothing wrong: Champ & Woodall, Technometrics 29 (1987), 393-399,
#: table 1 (from memory; rule 1 alone is 1/(2Φ(−3))).
PUBLISHED = {
    (1,): 370.40,
    (1, 2): 225.44,
    (1, 3): 166.05,
    (1, 4): 152.73,
    (1, 2, 3): 132.89,
    (1, 2, 4): 122.05,
    (1, 3, 4): 105.78,
    (1, 2, 3, 4): 91.75,
}


@pytest.mark.parametrize(("numbers", "published"), PUBLISHED.items())
def test_western_electric_sets_are_the_published_ones(numbers, published):
    rules = tuple(WESTERN_ELECTRIC[i - 1] for i in numbers)
    assert false_alarms(rules).run_length == pytest.approx(published, abs=0.006)


@pytest.mark.parametrize("numbers", [(1,), (1, 2, 3, 4)])
def test_simulation_agrees_within_five_percent(numbers):
    rules = tuple(WESTERN_ELECTRIC[i - 1] for i in numbers)
    lengths = simulated_run_lengths(rules, studies=4000, seed=2)
    assert lengths.mean() == pytest.approx(PUBLISHED[numbers], rel=0.05)


@pytest.mark.parametrize(
    ("name", "chance"),
    [
        ("Nelson 7", math.erf(1 / math.sqrt(2))),
        ("Nelson 8", math.erfc(1 / math.sqrt(2))),
    ],
)
def test_runs_are_the_coin_tossers(name, chance):
    # a run of n of probability p each comes after (p⁻ⁿ − 1)/(1 − p) tosses on average
    rule = RULES[name]
    expected = (chance**-rule.window - 1) / (1 - chance)
    assert false_alarms((rule,)).run_length == pytest.approx(expected)
    # nine alike, heads or tails: 2⁹ − 1
    assert false_alarms((RULES["Nelson 2"],)).run_length == pytest.approx(511.0)


@pytest.mark.parametrize(
    ("name", "chance"),
    [
        # any six points in one order or the other: 2/6!
        ("Nelson 3", 2 / math.factorial(6)),
        # any fourteen points zigzag: 2·E(14)/14!, the Euler zigzag number E(14) = 199360981
        ("Nelson 4", 2 * 199360981 / math.factorial(14)),
    ],
)
def test_the_chance_of_one_pattern(name, chance):
    rule = RULES[name]
    z = np.random.default_rng(8).standard_normal((1_000_000, rule.window))
    assert signals(z, rule)[:, -1].mean() == pytest.approx(chance, rel=0.05)


def test_all_of_nelsons_rules_alarm_more_often_than_a_part_of_them():
    whole = false_alarms(NELSON)
    part = false_alarms(tuple(rule for rule in NELSON if rule.kind == "beyond"))
    assert whole.standard_error > 0.0 and part.standard_error == 0.0
    assert whole.run_length + 5 * whole.standard_error < part.run_length


def test_a_short_baseline_raises_the_chance():
    rule = WESTERN_ELECTRIC[:1]
    known = 1 - (1 - 1 / 370.4) ** 12
    long = chance_of_false_alarm(rule, baseline=400, points=12)
    short = chance_of_false_alarm(rule, baseline=8, points=12)
    assert long == pytest.approx(known, abs=0.01)
    assert short > 3 * known


def test_no_rule_is_refused():
    with pytest.raises(StudyError, match="No run rule"):
        false_alarms(())


def test_simulated_charts_go_on_where_the_last_points_left_off():
    # Nine on one side come after 2⁹ − 1 points on average; 8,000 charts: standard error 1.1 %.
    # Counting nine points twice in each 200 would add 7 %.
    lengths = simulated_run_lengths((RULES["Nelson 2"],), studies=8000, seed=3)
    assert lengths.mean() == pytest.approx(511.0, rel=0.035)
    # The very first point alarms in 2Φ(−3) = 0.27 % of charts.
    first = simulated_run_lengths((WESTERN_ELECTRIC[0],), studies=20_000, seed=3) == 1
    assert first.mean() == pytest.approx(0.0027, abs=0.0011)


def test_the_same_seed_gives_the_same_numbers():
    rules = (RULES["Nelson 3"],)
    assert false_alarms(rules, studies=50) == false_alarms(rules, studies=50)
    assert false_alarms(rules, studies=50) != false_alarms(rules, studies=50, seed=2)
    settings = {"baseline": 10, "points": 9, "studies": 200}
    again = chance_of_false_alarm.__wrapped__
    assert again(rules, **settings) == again(rules, **settings)
