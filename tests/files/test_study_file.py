import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.files.study_file import read_settings, settings_text, write_settings
from grr.model.errors import StudyError
from grr.model.facts import DEVIATION, FACTS
from grr.model.rules import Plan, Rules
from grr.model.settings import Settings
from grr.model.tolerance import Tolerance


def read(tmp_path, text):
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    return read_settings(tmp_path)


FULL = Settings(
    title="Pins",
    unit="mm",
    resolution=0.0001,
    tolerance=Tolerance(10.006, 10.012),
    purpose="control",
    operators_are="fixed",
    parts_from="chosen",
    process_sd=0.001,
    process_mean=10.009,
    rules=Rules(spread=5.15, confidence=0.9, least_ndc=4),
    plan=Plan(("1", "2"), ("Anna", "Boris"), 3, ("stand", "handheld"), 17),
    facts={
        "characteristic": "diameter",
        "calibration_due": date(2027, 3, 31),
        "soak_minutes": 60,
        "place_marked": True,
        "colour of the box": "blue",
    },
    example=True,
    id="abc",
)


def test_settings_come_back_as_they_were(tmp_path):
    write_settings(tmp_path, FULL)
    assert read_settings(tmp_path) == FULL
    assert [path.name for path in tmp_path.iterdir()] == ["study.toml"]


def test_empty_file_means_the_defaults(tmp_path):
    found = read(tmp_path, "")
    assert found == Settings(id=found.id)


def test_questions_not_answered_yet_are_listed_as_comments():
    text = settings_text(FULL)
    assert "# gauge_number = Number of the gauge" in text
    assert "# [tolerance]" in settings_text(Settings())
    assert "# resolution = the last digit" in settings_text(Settings())
    assert "# soak_minutes" not in text
    tomllib.loads(text)


def test_a_comment_for_a_fact_lists_its_choices_where_it_has_any():
    for fact in (one for one in FACTS if one.key != "characteristic"):
        (line,) = (
            line
            for line in settings_text(Settings()).splitlines()
            if line.startswith(f"# {fact.key} = ")
        )
        end = " or ".join(f'"{choice}"' for choice in fact.choices) or fact.question
        assert line.endswith(end)


def test_tolerance_as_nominal_size_with_deviations(tmp_path):
    text = "[tolerance]\nnominal = 10.0\nlower_deviation = 0.006\nupper_deviation = 0.012\n"
    found = read(tmp_path, text)
    assert found.tolerance == Tolerance(10.006, 10.012)
    assert found.facts["nominal"] == 10.0
    one_sided = read(tmp_path, "[tolerance]\nnominal = 10.0\nupper_deviation = -0.1\n")
    assert one_sided.tolerance == Tolerance(None, 9.9)


def test_limits_are_moved_by_the_setting_master_where_the_gauge_shows_deviations(tmp_path):
    found = read(
        tmp_path,
        "process_mean = 10.009\n[tolerance]\nlower = 10.006\nupper = 10.012\n"
        f'[facts]\nreadings_are = "{DEVIATION}"\nsetting_master_size = 10.0003\n',
    )
    assert found.tolerance == Tolerance(10.006, 10.012)
    assert found.shown_tolerance == Tolerance(0.0057, 0.0117)


WRONG = {
    "titel = 'Pins'": ("titel", "Did you mean title"),
    "title = 7": ("title", "in quotation marks"),
    "unit = 'feet'": ("unit", "Use mm"),
    "resolution = '0.0001'": ("resolution", "without quotation marks"),
    "resolution = 0": ("resolution", "Correct the value"),
    "resolution = -0.1": ("resolution", "Correct the value"),
    "resolution = nan": ("resolution", "Give a number"),
    "resolution = inf": ("resolution", "Give a number"),
    "resolution = true": ("resolution", "decimal point"),
    "resolution = 2026-01-01": ("resolution", "decimal point"),
    f"process_mean = 1{'0' * 400}": ("process_mean", "Correct the number"),
    "process_sd = 0": ("process_sd", "Correct the value"),
    "process_mean = 'ten'": ("process_mean", "decimal point"),
    "purpose = 'sell'": ("purpose", "Use one of: accept, control"),
    "purpose = ['accept']": ("purpose", "in quotation marks"),
    "operators_are = 'some'": ("operators_are", "random, fixed"),
    "parts_from = 'shelf'": ("parts_from", "process, chosen"),
    "design = 'free'": ("design", "crossed, nested"),
    "example = 'yes'": ("example", "true or false"),
    "tolerance = 3": ("tolerance", "Write a line [tolerance]"),
    "readings = 'elsewhere.csv'": ("readings", "[facts]"),
    "[tolerance]\nlower = 10.012\nupper = 10.006": ("tolerance", "Exchange the limits"),
    "[tolerance]\nlower = inf": ("tolerance", "no limit on that side"),
    "[tolerance]\nlower = '10.006'": ("tolerance.lower", "without quotation marks"),
    "[tolerance]\nlow = 10.006": ("tolerance.low", "Did you mean lower"),
    "[tolerance]\nlower_deviation = 0.1": ("tolerance", "nominal with"),
    "[tolerance]\nnominal = 10\nlower = 9\nupper_deviation = 1": ("tolerance", "Give lower"),
    "[plan]\nparts = ['1']\noperators = ['A']": ("plan.trials", "Add trials"),
    "[plan]\nparts = ['1', '1']\noperators = ['A']\ntrials = 1": ("plan.parts", "different"),
    "[plan]\nparts = 10\noperators = ['A']\ntrials = 1": ("plan.parts", "Write it like"),
    "[plan]\nparts = []\noperators = ['A']\ntrials = 1": ("plan.parts", "Write it like"),
    "[plan]\nparts = ['1']\noperators = ['A']\ntrials = 0": ("plan.trials", "whole number"),
    "[plan]\nparts = ['1']\noperators = ['A']\ntrials = 2.5": ("plan.trials", "whole number"),
    "[plan]\nparts = ['1']\noperators = [' ']\ntrials = 2": ("plan.operators", "Write it like"),
    "[plan]\nseed = -1\nparts = ['1']\noperators = ['A']\ntrials = 2": ("plan.seed", "whole"),
    "[rules]\nspread = 0": ("rules", "more than 0"),
    "[rules]\nspred = 6": ("rules.spred", "Did you mean spread"),
    "[rules]\nconfidence = 95": ("rules", "less than 1"),
    "[rules]\nleast_ndc = 5.5": ("rules.least_ndc", "whole number"),
    "[rules]\nmethod_of_record = 'guess'": ("rules.method_of_record", "anova, average_range"),
    "[facts]\nsoak_minutes = 'long'": ("soak_minutes", "Give a number in min"),
    "[facts]\ncalibration_due = 'soon'": ("calibration_due", "2027-03-31"),
    "[facts]\nholding = 'tight'": ("holding", "stand"),
    f"process_mean = 1.0\n[facts]\nreadings_are = '{DEVIATION}'": (
        *("setting_master_size", "Give setting_master_size"),
    ),
}


@pytest.mark.parametrize("text", WRONG)
def test_wrong_value_is_refused_by_file_and_key(tmp_path, text):
    with pytest.raises(StudyError) as refusal:
        read(tmp_path, text)
    key, hint = WRONG[text]
    assert refusal.value.file == str(tmp_path / "study.toml")
    assert refusal.value.column == key
    assert hint in str(refusal.value)


@pytest.mark.parametrize(
    ("text", "row"),
    [
        ("title = 'Pins'\nresolution = 0,0001", 2),
        ("title = Pins", 1),
        ("title = 'Pins'\ntitle = 'Pins'", 2),
        ("[tolerance", 1),
    ],
)
def test_line_that_is_no_toml_is_refused_by_its_number(tmp_path, text, row):
    with pytest.raises(StudyError, match="understood") as refusal:
        read(tmp_path, text)
    assert refusal.value.row == row


def test_file_that_is_missing_or_no_text_is_refused(tmp_path):
    with pytest.raises(StudyError, match="no study folder"):
        read_settings(tmp_path)
    with pytest.raises(StudyError, match="no study folder"):
        read_settings(tmp_path / "nowhere")
    (tmp_path / "study.toml").write_bytes(b"title = '\xff'")
    with pytest.raises(StudyError, match="UTF-8"):
        read_settings(tmp_path)


def test_what_is_no_folder_with_a_file_in_it_is_refused(tmp_path):
    file = tmp_path / "readings.csv"
    file.write_text("part,operator,reading\n", encoding="utf-8")
    with pytest.raises(StudyError, match="This is a file") as refusal:
        read_settings(file)
    assert refusal.value.file == str(file)
    (tmp_path / "study.toml").mkdir()
    with pytest.raises(StudyError, match="This is a folder"):
        read_settings(tmp_path)
    with pytest.raises(StudyError, match="cannot be read"):
        read_settings("a\0b")


def test_file_that_may_not_be_read_is_refused(tmp_path, monkeypatch):
    def refused(*_, **__):
        raise OSError(5, "Input/output error")

    (tmp_path / "study.toml").write_text("title = 'Pins'", encoding="utf-8")
    monkeypatch.setattr(Path, "read_text", refused)
    with pytest.raises(StudyError, match="cannot be read") as refusal:
        read_settings(tmp_path)
    assert "Input/output error" in str(refusal.value)


def test_file_larger_than_settings_can_be_is_refused(tmp_path):
    with pytest.raises(StudyError, match="1 MB"):
        read(tmp_path, "# much\n" * 150_000)


@settings(deadline=None, max_examples=150)
@given(
    key=st.sampled_from(
        [
            *("title", "unit", "resolution", "purpose", "example", "process_sd", "design"),
            *("tolerance.lower", "plan.parts", "plan.trials", "rules.spread", "rules.confidence"),
            *("facts.holding", "facts.soak_minutes", "facts.calibration_due", "facts.other"),
        ]
    ),
    value=st.one_of(
        st.text(max_size=8).map(repr),
        st.integers().map(str),
        st.floats().map(str),
        st.sampled_from(["true", "[]", "['a', 1]", "{}", "{a = 1}", "2026-01-01", "12:00:00"]),
    ),
)
def test_any_value_is_understood_or_refused(tmp_path_factory, key, value):
    folder = tmp_path_factory.mktemp("study")
    try:
        read(folder, f"{key} = {value}\n")
    except StudyError as refusal:
        assert refusal.file and refusal.remedy
