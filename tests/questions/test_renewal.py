"""What renews a verdict: the shortest check that notices a doubled scatter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from studies import SHAPES, invented

import grr
from grr.questions.renewal import recheck
from grr.shipped import shipped_folder


def test_the_check_of_the_demo_study_is_the_shortest_sure_enough():
    study = grr.open_study(shipped_folder("demo_data") / "dowel_pin")
    found = recheck(study)
    assert (found.people, found.parts, found.readings) == (3, 4, 24)
    assert found.chance == pytest.approx(0.92, abs=0.01)
    cells = study.readings.groupby(["part", "operator"])["reading"]
    sd = np.sqrt(cells.var(ddof=1).mean())
    assert found.limit.value == pytest.approx(sd * np.sqrt(1.9174), rel=1e-4)  # F(0.95; 12, 60)
    assert "24 readings (each person: 4 parts, twice)" in str(found)


def test_there_is_none_without_repeats_that_scatter():
    assert recheck(SHAPES["one trial"]()) is None
    assert recheck(SHAPES["all repeats equal"]()) is None


def test_a_study_of_few_repeats_says_how_little_its_check_notices():
    small, large = recheck(invented(2, 2, 2)), recheck(invented(10, 3, 3))
    assert small.chance < 0.9 <= large.chance
    assert small.parts <= 2
    scaled = invented(10, 3, 3)
    table = scaled.readings
    table["reading"] *= 10.0
    assert recheck(replace(scaled, readings=table)).limit.value == pytest.approx(
        10.0 * large.limit.value
    )
