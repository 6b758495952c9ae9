"""A result is one line in a console and in a list; printed, it is its page."""

from __future__ import annotations

import grr
from grr.model.printed import Printed
from published import manual_readings


def test_a_result_is_one_line_until_it_is_printed() -> None:
    study = grr.Study(manual_readings(), tolerance=grr.Tolerance(-4, 4), operators="fixed")
    result = grr.anova(study)
    results = (result, grr.verdict(result), grr.check(study), grr.guard_band(result))
    for one in (*results, grr.explain(), grr.explain("GRR")):
        assert isinstance(one, Printed)
        assert "\n" not in repr(one)
        assert repr(one).startswith(type(one).__name__ + "(")
        assert len(repr(one)) < 140
        assert str(one).count("\n") > 1
    assert repr(grr.verdict(result)) == f"Verdict({grr.verdict(result).decision})"
    share = result.value("GRR", "percent_tolerance")
    assert f"{share:.3g} % of tolerance" in repr(result)


def test_no_example_is_told_apart_by_the_word_example_alone() -> None:
    study = grr.Study(manual_readings(), example=True, title="Bores")
    assert "Bores" in repr(grr.compare_operators(study))
