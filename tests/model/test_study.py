"""A study refuses what cannot be used, says where, and never lets itself be changed."""

from __future__ import annotations

import copy
import dataclasses
import pickle

import numpy as np
import pandas as pd
import pytest

import grr
from published import manual_readings


def changed(row: int, column: str, value: object) -> pd.DataFrame:
    readings = manual_readings().astype({column: object})
    readings.loc[row, column] = value
    return readings


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (manual_readings().drop(columns="reading"), "no column reading"),
        (manual_readings().drop(columns=["part", "reading"]), "no column part and no column"),
        (manual_readings().iloc[:0], "no readings"),
        ("readings.csv", "not a table"),
        (changed(4, "reading", "abc"), "row 5, column reading, value 'abc'"),
        (changed(4, "reading", np.inf), "infinite (row 5"),
        (changed(4, "reading", True), "not a number (row 5"),
        (changed(4, "part", None), "A reading has no part (row 5"),
        (changed(4, "operator", "  "), "A reading has no operator (row 5"),
        (changed(4, "trial", "two"), "whole number from 1 (row 5, column trial, value 'two')"),
        (changed(4, "trial", 0), "whole number from 1"),
        (changed(4, "trial", 1), "same place: part 2, operator A, trial 1 (row 5)"),
        (manual_readings().query("part == 1"), "Only one part"),
        (manual_readings().drop(columns="trial"), "no column trial"),
        (manual_readings().assign(reading=np.nan), "Every reading is missing"),
        (manual_readings().assign(time="yesterday"), "ISO 8601"),
    ],
)
def test_refused_readings(readings: object, says: str) -> None:
    with pytest.raises(grr.StudyError) as caught:
        grr.Study(readings)
    assert says in str(caught.value)
    assert caught.value.remedy


@pytest.mark.parametrize(
    "names",
    [
        ("Sample No.", "Appraiser", "Repeat", "Measured value"),
        ("Teil", "Prüfer", "Wiederholung", "Messwert"),
        ("pièce", "opérateur", "essai", "mesure"),
        ("part_id", "operator name", "trial no", "value"),
    ],
)
def test_columns_under_the_words_of_the_trade(names: tuple[str, ...]) -> None:
    own = manual_readings()[["part", "operator", "trial", "reading"]]
    named = grr.Study(own.set_axis(list(names), axis=1))
    pd.testing.assert_frame_equal(named.readings, grr.Study(own).readings)


def test_own_name_of_a_column_goes_before_a_word_for_it() -> None:
    own = manual_readings()
    more = own.assign(appraiser="X", value=0.0, **{"Reading (in)": 1.0})
    pd.testing.assert_frame_equal(grr.Study(more).readings, grr.Study(own).readings)


def test_two_words_for_one_column_are_refused() -> None:
    table = manual_readings().rename(columns={"operator": "appraiser"}).assign(inspector="X")
    with pytest.raises(grr.StudyError, match="operator: appraiser"):
        grr.Study(table)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"unit": "kg"}, "not a unit of length"),
        ({"purpose": "sell"}, "purpose is not a word known"),
        ({"operators": "some"}, "operators is not a word known"),
        ({"resolution": 0.1}, "finer than the resolution of 0.1"),
        ({"resolution": -1}, "more than 0"),
        ({"process_sd": 0}, "more than 0"),
        ({"process_sd": "wide"}, "not a finite number"),
        ({"tolerance": (1, 2)}, "not a Tolerance"),
    ],
)
def test_refused_options(options: dict[str, object], says: str) -> None:
    with pytest.raises(grr.StudyError, match=says):
        grr.Study(manual_readings(), **options)


@pytest.mark.parametrize(
    ("lower", "upper", "says"),
    [
        (2, 1, "not below"),
        (1, 1, "not below"),
        (None, None, "no limit"),
        (float("nan"), 1, "not a finite"),
        (0, float("inf"), "not a finite"),
        ("x", 1, "not a finite"),
        (True, 2, "not a finite"),
    ],
)
def test_refused_tolerances(lower: object, upper: object, says: str) -> None:
    with pytest.raises(grr.StudyError, match=says):
        grr.Tolerance(lower, upper)


def test_tolerance_about_a_nominal() -> None:
    # ISO 286-1, shaft 10 m5 (from memory): +6 to +12 µm.
    tolerance = grr.Tolerance.about(10.0, 0.006, 0.012)
    assert (tolerance.lower, tolerance.upper) == (10.006, 10.012)
    assert grr.Tolerance.about(10.0, None, 0.01).lower is None
    assert grr.Tolerance(upper=1.0).width is None


def test_a_study_cannot_be_changed() -> None:
    readings = manual_readings()
    study = grr.Study(readings, facts={"gauge_number": "M-1"})
    readings.loc[0, "reading"] = 99.0
    handed_out = study.readings
    handed_out.loc[0, "reading"] = 99.0
    assert study.readings.loc[0, "reading"] == 0.29
    with pytest.raises(dataclasses.FrozenInstanceError):
        study.title = "other"
    with pytest.raises(TypeError):
        study.facts["gauge_number"] = "M-2"
    longer = dataclasses.replace(study, title="Pins")
    assert longer.title == "Pins"
    assert str(longer) == "Pins: 10 parts, 3 operators, 90 readings"


def test_missing_readings_stay() -> None:
    study = grr.Study(changed(7, "reading", None))
    assert len(study.readings) == 90
    assert study.taken == 89
    assert not study.balanced
    assert np.isnan(study.cube().values).sum() == 1


def test_row_order_and_names_of_columns_do_not_matter() -> None:
    study = grr.Study(manual_readings())
    shuffled = manual_readings().sample(frac=1, random_state=3)
    shuffled.columns = [name.upper() for name in shuffled.columns]
    assert np.array_equal(grr.Study(shuffled).cube().values, study.cube().values)


def test_parts_are_counted_not_spelt() -> None:
    assert grr.Study(manual_readings()).parts == tuple(str(i) for i in range(1, 11))
    assert grr.Study(manual_readings().astype({"part": float})).parts[0] == "1"


def test_operator_and_trial_may_be_left_out() -> None:
    readings = manual_readings().query("operator == 'A'").drop(columns="operator")
    assert grr.Study(readings).operator_names == ("1",)
    once = readings.query("trial == 1").drop(columns="trial")
    assert grr.Study(once).trials == 1


def test_methods_are_kept_apart() -> None:
    both = pd.concat(
        [manual_readings().assign(method="stand"), manual_readings().assign(method="handheld")]
    )
    study = grr.Study(both)
    assert study.methods == ("stand", "handheld")
    assert len(study.for_method("stand").readings) == 90
    with pytest.raises(grr.StudyError, match="one method"):
        study.cube()
    with pytest.raises(grr.StudyError, match="not a word known"):
        study.for_method("robot")


def test_dates_are_no_readings() -> None:
    readings = manual_readings()
    dates = pd.date_range("2026-01-01", periods=len(readings), freq="D")
    with pytest.raises(grr.StudyError, match="not a number"):
        grr.Study(readings.assign(reading=dates))


@pytest.mark.parametrize("function", ["anova", "average_range", "check", "verdict"])
def test_what_is_no_study_is_refused_kindly(function: str) -> None:
    with pytest.raises(grr.StudyError, match="needs a"):
        getattr(grr, function)(manual_readings())


def test_an_answer_is_worked_out_once(manual_study: grr.Study) -> None:
    asked: list[int] = []

    def work_out() -> int:
        asked.append(1)
        return 7

    assert [manual_study.once("seven", work_out) for _ in range(3)] == [7, 7, 7]
    assert len(asked) == 1
    assert dataclasses.replace(manual_study, title="another").once("seven", lambda: 8) == 8


def test_a_refusal_is_no_answer(manual_study: grr.Study) -> None:
    def refuse() -> int:
        raise grr.StudyError("No", "Try again")

    with pytest.raises(grr.StudyError):
        manual_study.once("refused", refuse)
    assert manual_study.once("refused", lambda: 1) == 1


def test_a_study_can_be_copied_and_pickled(manual_study: grr.Study) -> None:
    manual_study.once("kept", lambda: 1)
    for other in (pickle.loads(pickle.dumps(manual_study)), copy.deepcopy(manual_study)):
        pd.testing.assert_frame_equal(other.readings, manual_study.readings)
        assert other.tolerance == manual_study.tolerance
        assert other.once("kept", lambda: 2) == 2  # answers stay behind


def test_facts_are_checked() -> None:
    with pytest.raises(grr.StudyError, match="calibration_due"):
        grr.Study(manual_readings(), facts={"calibration_due": "next spring"})
    study = grr.Study(manual_readings(), facts={"calibration_due": "2027-03-31", "our bench": 4})
    assert study.facts["calibration_due"].year == 2027
    assert study.facts["our bench"] == 4


@pytest.mark.parametrize("two_levels", [True, False])
def test_wide_tables_are_the_same_study(two_levels: bool) -> None:
    long = manual_readings()
    if two_levels:
        wide = long.pivot_table(index="part", columns=["operator", "trial"], values="reading")
    else:
        wide = long.pivot_table(index=["part", "operator"], columns="trial", values="reading")
        wide = wide.reset_index().rename(columns={"operator": "Appraiser"})
    keys = ["part", "operator", "trial"]
    expected = grr.Study(long).readings.sort_values(keys)
    found = grr.Study.from_wide(wide, unit="mm").readings.sort_values(keys)
    assert found["reading"].to_numpy() == pytest.approx(expected["reading"].to_numpy(), abs=0)
    assert found[keys].to_numpy().tolist() == expected[keys].to_numpy().tolist()


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("a file", "not a table"),
        (pd.DataFrame({"1": [1.0], "2": [2.0]}), "no column part"),
        (pd.DataFrame({"part": [1, 2]}), "no columns of readings"),
        (pd.DataFrame({"part": [1, 2], "1": ["x", 2.0], "2": [1.0, 2.0]}), "value 'x'"),
        (
            pd.DataFrame(
                [[1, "A", 1.0], [2, "A", 1.1]],
                columns=pd.MultiIndex.from_tuples([("part", ""), ("operator", ""), ("A", "1")]),
            ),
            "Keep them in one of the two places",
        ),
    ],
)
def test_what_is_no_wide_table_is_refused(table: object, says: str) -> None:
    with pytest.raises(grr.StudyError, match=says):
        grr.Study.from_wide(table)  # type: ignore[arg-type]
