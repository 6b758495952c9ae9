"""Every public function says in one sentence what it needs where it is given something else."""

from __future__ import annotations

import inspect
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import grr
from grr.shipped import shipped_folder

#: Public names that are not called by people with things of their own.
RESULTS = {
    *(
        "Assessment",
        "Cause",
        "Decision",
        "DesignComparison",
        "Drift",
        "ExpectedPrecision",
        "Finding",
        "Findings",
        "GaugeFile",
        "GaugeResult",
    ),
    *("GuardBand", "Improvement", "LinearityResult", "MethodComparison", "Misclassification"),
    *("OperatorComparison", "Qualification", "ReferenceResult", "SelfCheck", "StabilityResult"),
    *("StudyPlan", "Verdict", "WorkedSheet", "StudyError"),
}
CALLED = sorted(set(grr.__all__) - RESULTS)
WRONG = {
    "nothing": None,
    "number": 1,
    "negative": -1.5,
    "text": "x",
    "list": [],
    "table": pd.DataFrame(),
    "object": object(),
}
#: What is right by accident: a tolerance may be 1 at the lower end, None is a choice, and so on.
USABLE = {
    *(("explain", "nothing"), ("Tolerance", "number"), ("Tolerance", "negative")),
    *((name, what) for name in ("self_check", "study_form") for what in ("nothing", "text")),
    # A working folder in which nothing is yet: the page says so.
    *((name, "text") for name in ("drop_table", "gauges_page", "qualify_page", "watch_page")),
}


def filled(function: Any, value: object) -> tuple[list[object], dict[str, object]]:
    """Return the arguments of a call that gives everything asked for the same wrong value."""
    parameters = list(inspect.signature(function).parameters.values())
    needed = [p for p in parameters if p.default is p.empty]
    by_name = {p.name: value for p in needed if p.kind is p.KEYWORD_ONLY}
    return [value] * max(1, len(needed) - len(by_name)), by_name


@pytest.mark.parametrize("name", CALLED)
@pytest.mark.parametrize("what", WRONG)
def test_wrong_kinds_of_arguments(name: str, what: str) -> None:
    if (name, what) in USABLE:
        pytest.skip("can be used")
    function = getattr(grr, name)
    arguments, named = filled(function, WRONG[what])
    with pytest.raises(grr.StudyError) as refusal:
        function(*arguments, **named)
    assert refusal.value.problem
    assert refusal.value.remedy


DEMO = shipped_folder("demo_data")


@pytest.fixture(scope="module")
def calls(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[tuple[Any, ...], Any]]:
    """Return a call that works for each function with options worth getting wrong."""
    study = grr.open_study(DEMO / "dowel_pin_mistakes")
    result = grr.anova(study)
    checks = grr.read_columns(DEMO / "micrometer_25" / "checks.csv")
    blocks = grr.read_columns(DEMO / "micrometer_25" / "blocks.csv")
    target = tmp_path_factory.mktemp("written") / "report.html"
    return {
        "after_check": ((grr.stability(checks),), {}),
        "analyse_many": ((study.readings.assign(study="a"),), {}),
        "anova": ((study,), {}),
        "average_range": ((study,), {}),
        "check": ((study,), {}),
        "compare_operators": ((study,), {}),
        "drift": ((study,), {}),
        "guard_band": ((result,), {}),
        "linearity": ((blocks,), {"unit": "mm"}),
        "misclassification": ((result,), {}),
        "plan_study": ((3, 3), {}),
        "qualify": ((study.tolerance,), {"unit": "mm"}),
        "read_columns": ((DEMO / "micrometer_25" / "blocks.csv",), {}),
        "read_readings": ((DEMO / "old_form.xlsx",), {}),
        "reference_study": (([1.0, 1.1, 1.2],), {"reference": 1.1}),
        "report": ((study, target), {}),
        "stability": ((checks,), {}),
        "Study": ((study.readings,), {}),
        "Rules": ((), {}),
        "Plan": ((("1", "2"), ("A",), 2), {}),
        "Contribution": (("a", 0.1), {}),
        "UncertaintyBudget": (([grr.Contribution("a", 0.1)],), {}),
        "MicrometerLines": ((25.0, "mm"), {}),
    }


#: What is right nowhere: text and numbers are right for many options, which then take their time.
OPTIONS = ("list", "object")
#: Those that take long, or that are what they do.
LEFT_OUT = {"report": {"subject", "path", "code_operators", "baseline", "paper", "deviations"}}


@pytest.mark.parametrize("what", OPTIONS)
def test_wrong_kinds_of_options(what: str, calls: dict[str, Any]) -> None:
    for name, (arguments, named) in calls.items():
        function = getattr(grr, name)
        for option in set(inspect.signature(function).parameters) - LEFT_OUT.get(name, set()):
            call = inspect.signature(function).bind(*arguments, **named)
            call.arguments[option] = WRONG[what]
            try:
                function(*call.args, **call.kwargs)
            except grr.StudyError as refusal:
                assert refusal.remedy, (name, option)


@pytest.mark.parametrize("function", [grr.compare_designs, grr.expected_precision])
@pytest.mark.parametrize("wrong", [{"rules": "hard"}, {"seed": "x"}, {"seed": -1}, {"seed": 0.5}])
def test_wrong_kinds_of_options_of_a_simulation(function: Any, wrong: dict[str, Any]) -> None:
    counts = (60,) if function is grr.compare_designs else (5, 3)
    with pytest.raises(grr.StudyError):
        function(*counts, studies=100, **wrong)


@pytest.mark.parametrize("name", ["a\0b", b"bytes", Path("nul\0")])
def test_names_that_no_file_can_have(name: Any) -> None:
    for read in (grr.read_readings, grr.read_columns, grr.open_study, grr.run_sheet):
        with pytest.raises(grr.StudyError, match="file or folder"):
            read(name)


@pytest.mark.parametrize(
    "names", [["X", "x"], ["Ann B", "ann  b"], ["Ann", " Ann "], ["Åsa", "A\u030asa"], ["a", "ａ"]]
)
def test_one_name_in_two_spellings_is_no_plan(names: list[str], tmp_path: Path) -> None:
    for given in ({"operators": names}, {"parts": names}, {"methods": names}):
        plan = {"parts": ["1", "2"], "operators": ["A", "B"], "trials": 2, **given}
        with pytest.raises(grr.StudyError, match=r"two ways|twice"):
            grr.plan_study(**plan)  # type: ignore[arg-type]
        with pytest.raises(grr.StudyError, match=r"two ways|twice"):
            grr.Plan(**plan)  # type: ignore[arg-type]
    text = f"[plan]\nparts = ['1', '2']\ntrials = 2\noperators = {names!r}\n"
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(grr.StudyError, match=r"two ways|different names"):
        grr.run_sheet(tmp_path)


def test_two_columns_of_one_name_are_refused() -> None:
    table = pd.DataFrame({"part": ["1", "2"], "reading": [1.0, 2.0], "Reading ": [3.0, 4.0]})
    with pytest.raises(grr.StudyError, match="named reading"):
        grr.Study(table)
    with pytest.raises(grr.StudyError, match="named reading"):
        grr.analyse_many(table.assign(study="a"))


def test_lists_in_cells_are_refused() -> None:
    table = pd.DataFrame({"part": ["1", "2"], "operator": "A", "reading": [1.0, 2.0], "study": "a"})
    for column in ("part", "operator", "reading", "study"):
        spoilt = table.astype({column: object})
        spoilt.at[1, column] = [1, 2]
        with pytest.raises(grr.StudyError, match="holds a list") as refusal:
            if column == "study":
                grr.analyse_many(spoilt)
            grr.Study(spoilt)
        assert refusal.value.row == 2
        assert refusal.value.column == column
    readings = table.astype({"reading": object})
    readings.at[1, "reading"] = [1, 2]
    assert "holds a list" in grr.analyse_many(readings)["error"].iloc[0]


def test_categories_are_read_as_what_they_say() -> None:
    table = pd.DataFrame({"part": ["1", "2"], "operator": "A", "reading": [1.0, 2.0]})
    study = grr.Study(table.astype("category"))
    pd.testing.assert_frame_equal(study.readings, grr.Study(table).readings)
