"""Every result can be copied, and sent to another process and back."""

from __future__ import annotations

import copy
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import grr

DEMO = Path(__file__).parents[2] / "demo_data"
BOTH = grr.open_study(DEMO / "pins_two_ways")
ONE = BOTH.for_method("stand")

RESULTS: dict[str, Callable[[], Any]] = {
    "anova": lambda: grr.anova(ONE),
    "average_range": lambda: grr.average_range(ONE),
    "intervals": lambda: grr.anova(ONE).intervals(),
    "verdict": lambda: grr.verdict(ONE),
    "check": lambda: grr.check(ONE),
    "assess": lambda: grr.assess(ONE),
    "compare_operators": lambda: grr.compare_operators(ONE),
    "compare_methods": lambda: grr.compare_methods(BOTH, baseline="handheld", candidate="stand"),
    "drift": lambda: grr.drift(BOTH),
    "misclassification": lambda: grr.misclassification(grr.anova(ONE)),
    "guard_band": lambda: grr.guard_band(grr.anova(ONE)),
    "what_would_help": lambda: grr.what_would_help(grr.anova(ONE)),
    "worked_sheet": lambda: grr.worked_sheet(ONE),
    "expected_precision": lambda: grr.expected_precision(parts=5, operators=4, trials=2),
    "explain": lambda: grr.explain("EV"),
    "Tolerance": lambda: grr.Tolerance(lower=1.0, upper=2.0),
}


@pytest.mark.parametrize("name", RESULTS)
def test_a_result_can_be_copied_and_sent(name: str) -> None:
    result = RESULTS[name]()
    sent = pickle.loads(pickle.dumps(result))
    assert type(sent) is type(result)
    assert str(sent) == str(result)
    if name != "intervals":  # a table: its copy is a plain DataFrame, as a part of it is
        assert str(copy.deepcopy(result)) == str(result)
