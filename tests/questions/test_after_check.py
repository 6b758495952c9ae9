import numpy as np
import pandas as pd
import pytest

import grr
from grr.model.errors import StudyError


def watched(shift=0.0, at=15, recovered=False):
    rng = np.random.default_rng(3)
    times = pd.date_range("2025-01-15", periods=24, freq="30D")
    high = (np.arange(24) >= at) & ((np.arange(24) < 20) | (not recovered))
    reading = 10.0 + rng.normal(0, 0.0001, 24) + shift * high
    table = pd.DataFrame({"time": times.strftime("%Y-%m-%d"), "reading": reading})
    return grr.stability(
        table,
        unit="mm",
        tolerance=grr.Tolerance(9.997, 10.003),
        baseline=12,
        rules=("WE 1",),
    )


def test_an_alarm_sends_back_to_the_last_good_check():
    result = watched(shift=0.001)
    found = grr.after_check(result)
    assert "out of use" in found.headline
    text = " ".join(found.steps)
    assert str(result.last_good.date()) in text
    assert "too large by" in text
    assert "of the tolerance" in text


def test_a_quiet_check_names_the_next_one():
    result = watched()
    text = str(grr.after_check(result))
    assert str(result.next_check) in text and "no alarm" in text


def test_alarms_that_have_gone_are_not_forgotten():
    text = str(grr.after_check(watched(shift=0.002, recovered=True)))
    assert "Earlier checks gave alarms" in " ".join(text.split())


@pytest.mark.parametrize("event", ["dropped", "repaired"])
def test_a_fall_and_a_repair_ask_for_a_new_qualification(event):
    found = grr.after_check(event=event)
    assert "ualif" in str(found) and "<" not in "".join(found.steps)
    assert max(map(len, str(found).splitlines())) <= 80
    assert "procedures go before" in found._repr_html_()


def test_bad_input_is_refused():
    with pytest.raises(StudyError, match="needs a StabilityResult"):
        grr.after_check()
    with pytest.raises(StudyError, match="event is not a word"):
        grr.after_check(event="lost")
