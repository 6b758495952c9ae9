import numpy as np
import pytest

from grr.formulas.control_charts import NELSON, RULES, WESTERN_ELECTRIC, first_signal, signals


def at(z, name):
    """The points, from 1, at which a rule is met."""
    return (np.flatnonzero(signals(np.array(z, dtype=float), RULES[name])) + 1).tolist()


@pytest.mark.parametrize(
    ("z", "name", "expected"),
    [
        ([0, 3.1, -3.1, 2.9], "WE 1", [2, 3]),
        ([2.1, 0, 2.1], "WE 2", [3]),
        ([2.1, 0, 0, 2.1], "WE 2", []),
        ([2.1, -2.1, 1.9], "WE 2", []),
        ([-2.1, -2.1, 0], "WE 2", [2]),
        ([1.1, 1.1, 0, 1.1, 1.1], "WE 3", [5]),
        ([1.1, 1.1, 0, 0, 1.1, 1.1], "WE 3", []),
        ([0.1] * 9, "WE 4", [8, 9]),
        ([0.1] * 7 + [-0.1] + [0.1] * 7, "WE 4", []),
        ([0.1] * 9, "Nelson 2", [9]),
        ([1, 2, 3, 4, 5, 6, 7], "Nelson 3", [6, 7]),
        ([6, 5, 4, 3, 2, 1], "Nelson 3", [6]),
        ([1, 2, 3, 3, 4, 5, 6], "Nelson 3", []),
        ([0, 1] * 7, "Nelson 4", [14]),
        ([0, 1] * 6 + [0, 0], "Nelson 4", []),
        ([0.9, -0.9] * 7 + [0.1], "Nelson 7", [15]),
        ([1.1, -1.1] * 4, "Nelson 8", [8]),
        ([1.1, -1.1, 0.9] * 4, "Nelson 8", []),
        ([0.5], "Nelson 3", []),
    ],
)
def test_written_out(z, name, expected):
    assert at(z, name) == expected


def test_names_are_unique_and_tell_their_origin():
    assert len(RULES) == 12
    assert all(rule.name.startswith("WE ") for rule in WESTERN_ELECTRIC)
    assert all(rule.name.startswith("Nelson ") for rule in NELSON)


def test_a_stack_is_its_charts_one_by_one():
    z = np.random.default_rng(1).normal(0.0, 1.3, (6, 40))
    for rule in RULES.values():
        stack = signals(z, rule)
        for row, one in zip(z, stack, strict=True):
            assert signals(row, rule).tolist() == one.tolist()
    first = first_signal(z, NELSON)
    assert first.shape == (6,)
    assert np.isinf(first_signal(np.zeros((2, 5)), NELSON)).all()
    assert first_signal(np.array([0.0, 3.5, 3.5]), NELSON) == 2
