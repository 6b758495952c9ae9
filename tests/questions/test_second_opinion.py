"""statsmodels finds the same sums of squares, and is loaded only when it is asked."""

from __future__ import annotations

import subprocess
import sys

import pytest
from studies import SHAPES, invented

import grr
from grr.questions.second_opinion import second_opinion


@pytest.mark.parametrize(
    "shape", ["manual", "one operator", "one trial", "two of each", "hostile names", "inch"]
)
def test_both_find_the_same(shape: str) -> None:
    found = second_opinion(grr.anova(SHAPES[shape]()))
    assert found.same
    assert found.largest_difference < 1e-9
    assert "the same" in str(found)


def test_the_manuals_sums_of_squares(manual_study: grr.Study) -> None:
    # AIAG MSA, 4th ed., chapter III section B: part 88.3619, operator 3.1673, error 2.7589.
    theirs = second_opinion(grr.anova(manual_study)).to_frame()["other_sum_sq"]
    assert theirs["part"] == pytest.approx(88.3619, abs=5e-5)
    assert theirs["operator"] == pytest.approx(3.1673, abs=5e-5)
    assert theirs["error"] == pytest.approx(2.7589, abs=5e-5)


def test_another_table_is_told(manual_study: grr.Study) -> None:
    found = second_opinion(grr.anova(manual_study))
    table = found.table
    table.loc["error", "other_sum_sq"] *= 1.001
    other = type(found)(found.unit, found.program, 2.9e-5, table)
    assert not other.same
    assert "NOT the same" in str(other)


def test_without_the_table_there_is_none() -> None:
    with pytest.raises(grr.StudyError, match="crossed"):
        second_opinion(grr.anova(SHAPES["readings missing"]()))
    with pytest.raises(grr.StudyError, match="too many"):
        second_opinion(grr.anova(invented(200, 8, 2)))


def test_verdict_and_result_never_load_statsmodels() -> None:
    script = (
        "import sys, grr\n"
        "from grr.shipped import shipped_folder\n"
        "study = grr.open_study(shipped_folder('demo_data') / 'dowel_pin')\n"
        "print(grr.verdict(grr.anova(study)))\n"
        "assert 'statsmodels' not in sys.modules"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
