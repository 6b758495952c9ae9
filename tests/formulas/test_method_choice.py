import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from grr.formulas.method_comparison import (
    MethodEvidence,
    choice_confidence,
    confidence_over,
    method_choice,
)

SCRIPT = Path(__file__).parents[1] / "coverage" / "method_choice.py"
SIMULATION = runpy.run_path(str(SCRIPT))


def evidence(candidate=0.5, baseline=0.5, within=0.5, beyond=None):
    beyond = 1 - within if beyond is None else beyond
    values = (candidate, 1 - candidate, baseline, 1 - baseline, within, beyond)
    return MethodEvidence(*(np.asarray(v, dtype=float) for v in values))


@pytest.mark.parametrize(
    "found, choice, sure",
    [
        (evidence(0.99, 0.99, 0.97), "candidate", 0.97),
        (evidence(0.99, 0.99, 0.90), "open", 0.90),
        (evidence(0.90, 0.99, 0.99), "open", 0.90),
        # over with 99 %: half of the doubt is kept for the difference, 98 % is left
        (evidence(0.01, 0.99, 0.50), "baseline", 0.98),
        (evidence(0.01, 0.01, 0.50), "neither", 0.98),
        (evidence(0.01, 0.50, 0.50), "open", 0.50),
        (evidence(0.03, 0.99, 0.50), "open", 0.94),
        (evidence(0.99, 0.99, 0.00, 0.999), "baseline", 0.99),
    ],
)
def test_the_rule(found, choice, sure):
    assert method_choice(found, 0.95) == choice
    assert float(choice_confidence(found, choice)) == pytest.approx(sure)


def test_a_stack_is_decided_study_by_study():
    found = evidence(np.array([0.99, 0.01, 0.01]), np.array([0.99, 0.99, 0.0]), 0.99)
    assert method_choice(found).tolist() == ["candidate", "baseline", "neither"]
    assert method_choice(found, 0.999).tolist() == ["open"] * 3


def test_over_a_limit_counts_the_doubt_twice():
    draws = np.arange(1.0, 101.0)
    assert confidence_over(draws, 2.5) == pytest.approx(0.96)
    assert confidence_over(draws, 60.0) == 0.0


def test_the_committed_simulation_holds_the_stated_levels():
    table = pd.read_csv(SCRIPT.with_suffix(".csv")).set_index("setting")
    by_name = {setting.name: setting for setting in SIMULATION["SETTINGS"]}
    assert set(table.index) == set(by_name)
    for name, row in table.iterrows():
        for decision in by_name[name].wrong:
            # 2,000 studies: standard error 0.5 %
            assert row[decision] < 0.06, (name, decision)
    assert table.loc["twice as noisy, 20 and 40 %", "baseline"] > 0.9
    assert table.loc["twice as noisy, 10 and 20 %", "candidate"] > 0.97


@pytest.mark.parametrize("index", [0, 2, 4])
def test_few_wrong_decisions_at_the_limit(index):
    setting = SIMULATION["SETTINGS"][index]
    found = SIMULATION["shares"](setting, studies=300, draws=1000, seed=50)
    # 300 studies: standard error 1.3 % at 5 %
    assert all(found[decision] < 0.09 for decision in setting.wrong)


def test_a_method_twice_as_noisy_is_told_apart():
    settings = {setting.name: setting for setting in SIMULATION["SETTINGS"]}
    found = SIMULATION["shares"](settings["twice as noisy, 20 and 40 %"], studies=200, draws=1000)
    assert found["baseline"] > 0.85


def test_each_decision_has_its_own_confidence():
    found = evidence(0.9, 0.99, 0.97)
    assert float(choice_confidence(found, "candidate")) == pytest.approx(0.9)
    assert float(choice_confidence(found, "baseline")) == 0.0
    assert float(choice_confidence(found, "open")) == pytest.approx(0.9)
