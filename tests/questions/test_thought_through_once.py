"""A study is thought through once: what was asked before is not worked out again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import date
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

import grr
from published import manual_readings

#: The work behind each question: module and function.
WORK = [
    ("check", "_check"),
    ("gauge", "_anova"),
    ("verdict", "_verdict"),
    ("operators", "_compared"),
    ("risk", "circumstances"),  # of the risks and of the guard band, once each
    ("risk", "predicted_guard"),
    ("improving", "_improvement"),
]


@pytest.fixture
def study() -> grr.Study:
    return grr.Study(manual_readings(), tolerance=grr.Tolerance(-4, 4), unit="mm")


@pytest.fixture
def counts(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each piece of work was done."""
    counted: Counter[str] = Counter()

    def counting(name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        def done(*arguments: Any, **options: Any) -> Any:
            counted[name] += 1
            return work(*arguments, **options)

        return done

    for place, name in WORK:
        module = import_module(f"grr.questions.{place}")
        monkeypatch.setattr(module, name, counting(name, getattr(module, name)))
    return counted


def test_one_pass_works_everything_out_once(
    study: grr.Study, counts: Counter[str], tmp_path: Path
) -> None:
    grr.check(study)
    result = grr.anova(study)
    grr.verdict(result)
    grr.misclassification(result)
    grr.guard_band(result)
    grr.what_would_help(result)
    grr.compare_operators(study)
    grr.report(study, tmp_path / "report.html", date=date(2026, 1, 2))
    once = dict.fromkeys((name for _, name in WORK), 1) | {"circumstances": 2}
    assert counts == once
    grr.export_json(study, tmp_path / "study.json")  # holds the result by ranges as well
    by_ranges = {"_verdict": 2, "predicted_guard": 2, "circumstances": 4}
    assert counts == once | by_ranges


def test_other_options_are_another_question(study: grr.Study, counts: Counter[str]) -> None:
    result = grr.anova(study)
    usual = grr.misclassification(result)
    assert grr.misclassification(result) is usual
    moved = grr.misclassification(result, bias=1.0)
    narrow = grr.misclassification(result, level=0.5)
    kept = grr.misclassification(grr.anova(study, interaction="keep"))
    assert counts["circumstances"] == 4
    assert moved.value("accepted") < usual.value("accepted")
    assert narrow.table["upper"]["bad"] < usual.table["upper"]["bad"]
    assert kept.circumstances.grr_sd != usual.circumstances.grr_sd
    assert grr.guard_band(result, rule="expanded").width != grr.guard_band(result).width
    level = grr.what_would_help(result, level=0.5).table["upper"]
    assert (level <= grr.what_would_help(result).table["upper"]).all()


def test_an_option_that_cannot_be_used_is_refused_after_an_equal_one(study: grr.Study) -> None:
    result = grr.anova(study)
    grr.misclassification(result, bias=1.0)
    for wrong in (True, [1.0]):
        with pytest.raises(grr.StudyError):
            grr.misclassification(result, bias=wrong)  # type: ignore[arg-type]


def test_what_is_handed_out_changes_nothing(study: grr.Study) -> None:
    result = grr.anova(study)
    for found in (grr.misclassification(result), grr.what_would_help(result)):
        before = found.to_frame()
        for mine in (found.table, found.to_frame()):
            mine["upper"] = 0.5
        assert found.to_frame().equals(before)
    with pytest.raises(TypeError):
        grr.what_would_help(result).smallest[30.0] = None  # type: ignore[index]


def test_drift_is_looked_for_once(monkeypatch: pytest.MonkeyPatch) -> None:
    readings = manual_readings().assign(order=range(1, 91))
    study = grr.Study(readings, tolerance=grr.Tolerance(-4, 4), unit="mm")
    found = grr.drift(study)
    assert grr.drift(study) is found
    assert grr.drift(study, allowed=0.4) is found  # the same 5 % of the tolerance
    assert grr.drift(study, allowed=0.3) is not found
    assert grr.drift(study, level=0.9) is not found
    assert grr.drift(study, warmed_mm=50.0) is not found
