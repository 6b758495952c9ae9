"""A study that cannot be analysed gives its error, and never stops the others."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

import grr

WIDE = grr.Tolerance(9, 11)


def good(study: object = "good", seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    part, operator, trial = np.indices((5, 3, 2)).reshape(3, -1)
    return pd.DataFrame(
        {
            "study": study,
            "part": (part + 1).astype(str),
            "operator": np.array(list("ABC"))[operator],
            "trial": trial + 1,
            "reading": 10 + 0.01 * part + 0.001 * rng.normal(size=len(part)),
        }
    ).astype({"reading": object, "trial": object})


def set_cell(column: str, value: object) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def change(table: pd.DataFrame) -> pd.DataFrame:
        table = table.astype({column: object})
        table.loc[table.index[3], column] = value
        return table

    return change


SPOILT = {
    "two readings claim one place": lambda t: pd.concat([t, t.iloc[[0]]]),
    "a word for a reading": set_cell("reading", "10,1a"),
    "an infinite reading": set_cell("reading", np.inf),
    "a reading whose square is infinite": set_cell("reading", 1e308),
    "a yes for a reading": set_cell("reading", True),
    "no part": set_cell("part", "  "),
    "no operator": set_cell("operator", None),
    "half a trial": set_cell("trial", 1.5),
    "no trial": set_cell("trial", None),
    "one part": lambda t: t[t["part"] == "1"],
    "nothing repeated": lambda t: t[(t["trial"] == 1) & (t["operator"] == "A")],
    "all missing": lambda t: t.assign(reading=np.nan),
    "nested": lambda t: t.assign(part=t["operator"] + t["part"]),
    "two methods": lambda t: t.assign(method=["stand", "hand"] * 15),
    "a method for some": lambda t: t.assign(method=["stand", None] * 15),
}


@pytest.mark.parametrize("what", SPOILT)
def test_error_rows(what: str) -> None:
    bad = SPOILT[what](good("bad", seed=2))
    others = [good("first"), good("last", seed=3)]
    table = pd.concat([others[0], bad, others[1]], ignore_index=True)
    found = grr.analyse_many(table, tolerances=WIDE)
    assert found["study"].to_list() == ["first", "bad", "last"]
    readings = table[table["study"] == "bad"].drop(columns="study")
    with pytest.raises(grr.StudyError) as error:
        grr.anova(grr.Study(readings, tolerance=WIDE))
    assert found["error"].to_list() == ["", str(error.value), ""]
    assert found.at[1, "readings"] == len(bad)
    assert np.isnan(found.at[1, "GRR_sd"])
    rest = grr.analyse_many(pd.concat(others), tolerances=WIDE)
    assert (rest["GRR_sd"] > 0).all()
    good_rows = found.loc[[0, 2]].reset_index(drop=True)
    pd.testing.assert_frame_equal(good_rows, rest, check_dtype=False)


def test_one_method_throughout_is_no_error() -> None:
    table = pd.concat([good("a").assign(method="stand"), good("b")])
    assert grr.analyse_many(table)["error"].to_list() == ["", ""]


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ({"lower": 11.0, "upper": 9.0}, "lower limit is not below"),
        ({"upper": np.inf}, "not a finite number"),
        ({"resolution": -1.0}, "resolution"),
        ({"process_sd": 0.0}, "process_sd"),
        ({"process_mean": np.inf}, "process_mean"),
        ({"resolution": 1.0}, "finer than the resolution"),
    ],
)
def test_a_specification_that_cannot_be_used_spoils_its_own_study(
    line: dict[str, float], message: str
) -> None:
    table = pd.concat([good("a"), good("b", seed=2)])
    found = grr.analyse_many(table, tolerances=pd.DataFrame(line, index=["b"]))
    assert found["error"].iloc[0] == ""
    assert message in found["error"].iloc[1]


def test_readings_that_name_no_study_are_counted() -> None:
    table = pd.concat([good("a"), good(None), good(" ")], ignore_index=True)
    found = grr.analyse_many(table)
    assert found["study"].to_list()[0] == "a"
    assert len(found) == 2
    assert "60 readings" in found["error"].iloc[1]
    assert found["error"].iloc[0] == ""


def test_repeats_need_a_column_trial() -> None:
    found = grr.analyse_many(good().drop(columns="trial"))
    assert "column trial" in found["error"].iloc[0]


def test_planted_slips_decide_nothing_where_checks_are_asked_for() -> None:
    table = good("slip").astype({"reading": float})
    table.loc[4, "reading"] /= 10
    given = {"tolerances": grr.Tolerance(9.9, 10.2), "intervals": True}
    found = grr.analyse_many(table, checks=True, **given)
    assert found["decision"].to_list() == ["NOT DECIDED YET"]
    assert found["checked"].to_list() == [True]
    assert "to mend" in found["flags"].iloc[0]
    unchecked = grr.analyse_many(table, **given)
    assert unchecked["decision"].to_list() != ["NOT DECIDED YET"]
    assert unchecked["checked"].to_list() == [False]


@pytest.mark.parametrize(
    ("readings", "message"),
    [
        (3, "not a table"),
        (pd.DataFrame({"study": [1], "part": [1]}), "no column reading"),
        (pd.DataFrame({"part": [1], "reading": [1.0]}), "no column study"),
        (pd.DataFrame({"study": [], "part": [], "reading": []}), "no readings"),
    ],
)
def test_what_is_no_table_of_readings(readings: object, message: str) -> None:
    with pytest.raises(grr.StudyError, match=message):
        grr.analyse_many(readings)


@pytest.mark.parametrize(
    ("tolerances", "message"),
    [
        ("narrow", "no such file"),
        ({"good": (1, 2)}, "not a Tolerance"),
        (7, "no form known"),
        (pd.DataFrame({"low": [1]}, index=["good"]), "not known here"),
        (pd.DataFrame({"lower": [1, 1]}, index=["good", "good "]), "named twice"),
        (pd.DataFrame({"lower": ["x"]}, index=["good"]), "not a number"),
        ({"elsewhere": grr.Tolerance(1, 2)}, "none of the studies"),
    ],
)
def test_tolerances_that_cannot_be_used(tolerances: object, message: str) -> None:
    with pytest.raises(grr.StudyError, match=message):
        grr.analyse_many(good(), tolerances=tolerances)


@pytest.mark.parametrize(
    "option",
    [
        {"purpose": "fun"},
        {"operators": "all"},
        {"parts_from": "shelf"},
        {"level": 1.5},
        {"rules": "hard"},
    ],
)
def test_options_that_are_not_known(option: dict[str, object]) -> None:
    with pytest.raises(grr.StudyError):
        grr.analyse_many(good(), **option)


def test_more_operators_than_will_ever_measure_stop_that_study_only() -> None:
    of_two = good("two").query("operator != 'C'")
    table = pd.concat([good("three"), of_two])
    found = grr.analyse_many(table, tolerances=WIDE, operators=2, intervals=True)
    found = found.set_index("study")
    assert "to measure" in found.at["three", "error"]
    assert found.at["two", "error"] == "" and found.at["two", "operators"] == 2
    everyone = grr.analyse_many(of_two, tolerances=WIDE, operators="fixed", intervals=True)
    pd.testing.assert_frame_equal(
        found.loc[["two"]].reset_index().convert_dtypes(), everyone.convert_dtypes()
    )


@pytest.mark.parametrize("operators", [0, True, 2.5, "some"])
def test_a_number_of_people_that_cannot_be_is_refused(operators: object) -> None:
    with pytest.raises(grr.StudyError):
        grr.analyse_many(good(), operators=operators)  # type: ignore[arg-type]
