"""The lower tail of the interaction's F: its value, and how often chance reaches it."""

from __future__ import annotations

import numpy as np
import pytest

from grr.formulas.analysis_of_variance import crossed_anova, interaction_too_small


def stack(studies: int, scatters=(1.0, 1.0, 1.0), shape=(10, 3, 3)) -> np.ndarray:
    rng = np.random.default_rng(4)
    sizes = rng.normal(0, 20, (studies, shape[0], 1, 1))
    return sizes + rng.normal(0, 1, (studies, *shape)) * np.array(scatters)[:, None]


def test_f_is_that_of_the_analysis_of_variance() -> None:
    readings = stack(5)
    f, p = interaction_too_small(readings)
    table = crossed_anova(readings)
    assert f == pytest.approx(table.ms_interaction / table.ms_error)
    assert p.shape == (5,)


@pytest.mark.parametrize("scatters", [(1.0, 1.0, 1.0), (1.0, 2.0, 0.5)])
def test_chance_reaches_it_as_often_as_it_says(scatters: tuple[float, ...]) -> None:
    _, p = interaction_too_small(stack(20_000, scatters))
    assert (p < 0.001).mean() < 0.0018
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.015)


def test_a_shift_between_trials_makes_it_tiny() -> None:
    readings = stack(200)
    readings[..., 1:] += 4.0
    assert (interaction_too_small(readings)[1] < 0.001).mean() > 0.9
