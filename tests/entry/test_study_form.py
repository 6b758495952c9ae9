"""The form writes what was answered, refuses what cannot be used, and logs changes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import grr
from grr.entry.study_form import ALL, OTHERS, FieldProblem, StudyForm, contradictions, study_form
from grr.files.folder import new_study_folder
from grr.files.study_file import read_settings
from grr.model.rules import Plan
from grr.page.error_cards import card
from grr.shipped import shipped_folder
from published import manual_readings


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "demo_data").mkdir()
    return tmp_path / "studies" / "pins"


#: What a new study needs besides its people.
NEEDED = {
    "title": "Pins",
    "lower": "10.006",
    "upper": "10.012",
    "resolution": "0.0001",
    "operators_are": ALL,
}


def fill(form: StudyForm, **answers: object) -> None:
    form.change(**answers)


def wrong(**answers: str) -> dict[str, FieldProblem]:
    """Return what contradicts in a form that is right but for these answers."""
    right = {
        "people": "",
        "unit": "mm",
        "given_as": "limits",
        "purpose": "accept parts against the tolerance",
    }
    right |= {"operators": "Ravi, Lena, Tom", "parts": "10", "trials": "3", **NEEDED}
    return {one.key: one for one in contradictions(right | answers, planned=True)}


def test_a_new_study_is_made_and_chosen(folder: Path) -> None:
    form = grr.study_form(folder)
    assert repr(form) == "Run this cell to see the form for the facts of the study."
    others = NEEDED | {"upper": "10.012 mm", "operators_are": OTHERS}
    fill(form, **others, operators="Ilse, Jan, Mia", trials="2")
    assert "not saved" in form.said
    form.save()
    assert "Saved" in form.said
    settings = read_settings(folder)
    assert settings.tolerance == grr.Tolerance(10.006, 10.012)
    assert settings.plan is not None
    assert settings.plan.operators == ("Ilse", "Jan", "Mia")
    assert settings.plan.readings == 30  # others will measure too: 5 parts
    told = form.chance()  # beside the answer itself, and said once
    assert (told["readings"], told["others"] < told["all"]) == (30, True)
    assert grr.chosen_folder(folder.parent.parent) == folder


def test_every_new_study_has_an_order_of_its_own(folder: Path) -> None:
    seeds = set()
    for name in ("one", "two", "three"):
        form = grr.study_form(folder.parent / name)
        fill(form, **NEEDED, operators="A, B, C")
        form.save()
        plan = read_settings(folder.parent / name).plan
        assert plan is not None
        seeds.add(plan.seed)
    assert len(seeds) == 3


def test_nominal_with_deviations(folder: Path) -> None:
    form = grr.study_form(folder)
    given = {"lower": "", "upper": "", "given_as": "nominal size with deviations"}
    fill(form, **NEEDED | given, nominal="10", operators="A, B, C")
    fill(form, lower_deviation="+0.006", upper_deviation="+0.012")
    form.save()
    assert read_settings(folder).tolerance == grr.Tolerance(10.006, 10.012)


def test_a_length_with_its_unit_is_turned_into_the_unit_of_the_study(folder: Path) -> None:
    form = grr.study_form(folder)
    given = {"lower": "0.472 in", "upper": "12010 µm", "resolution": "0,5 µm"}
    fill(form, **NEEDED | given, operators="A, B, C", room_temperature="21 °C")
    form.save()
    settings = read_settings(folder)
    assert settings.tolerance == grr.Tolerance(11.9888, 12.01)
    assert settings.resolution == 0.0005
    assert settings.facts["room_temperature"] == 21
    assert list(wrong(trials="3 mm")) == ["trials"]


def test_what_cannot_be_used_is_named_and_nothing_is_written(folder: Path) -> None:
    form = grr.study_form(folder)
    fill(form, **NEEDED | {"lower": "ten"}, operators="A, B, C")
    form.save()
    assert "Lower limit" in form.said
    assert not folder.exists()
    fill(form, lower="10.012", upper="10.006")
    form.save()
    assert "above upper" in form.said
    fill(form, lower="10.000", trials="2.5")
    form.save()
    assert "whole number" in form.said
    assert not folder.exists()


def test_nothing_filled_in_is_not_saved_and_each_field_is_named(folder: Path) -> None:
    form = grr.study_form(folder)
    form.save()
    assert not folder.exists()
    needed = {one.key for one in form.contradictions()}
    assert needed == {"title", "lower", "resolution", "operators", "operators_are"}


@pytest.mark.parametrize(
    ("answers", "key", "words", "mended"),
    [
        (
            {"lower": "10.012", "upper": "10.006"},
            "lower",
            "above upper",
            {"lower": "10.006", "upper": "10.012"},
        ),
        ({"lower": "19.980", "upper": "19993"}, "upper", "point missing", {"upper": "19.993"}),
        ({"lower": "19980", "upper": "19.993"}, "lower", "point missing", {"lower": "19.98"}),
        ({"lower": "10.012"}, "lower", "the same", {}),
        ({"resolution": "1"}, "resolution", "whole tolerance, 0.006 mm", {"resolution": "0.0001"}),
        ({"resolution": "0"}, "resolution", "above zero", {}),
        (
            {"operators": "Ravi; Lena; Tom"},
            "operators",
            "One person, or three",
            {"operators": "Ravi, Lena, Tom"},
        ),
        ({"operators": "Ravi, ravi, Tom"}, "operators", "twice", {}),
        ({"parts": "1"}, "parts", "two parts", {}),
        ({"sessions": "4"}, "sessions", "every part", {}),
        ({"parts": "ten"}, "parts", "number", {}),
        ({"trials": "0"}, "trials", "one reading", {}),
        ({"operators_are": ""}, "operators_are", "Needs an answer", {}),
        ({"operators_are": OTHERS, "people": "3"}, "people", "More than the 3", {}),
        ({"operators_are": OTHERS, "operators": "Ravi, Lena"}, "people", "Two cannot", {}),
        ({"operators_are": ALL, "people": "7"}, "people", "only these 3", {"people": ""}),
        ({"methods": "stand"}, "methods", "nothing to compare", {}),
    ],
)
def test_a_contradiction_stands_at_its_field_with_what_mends_it(
    answers: dict[str, str], key: str, words: str, mended: dict[str, str]
) -> None:
    found = wrong(**answers)
    assert list(found) == [key]
    assert words in found[key].words
    assert not found[key].asks
    assert dict(found[key].answers) == mended
    if mended:
        assert wrong(**answers | mended) == {}


@pytest.mark.parametrize(
    ("answers", "key"),
    [
        ({"resolution": "0.001"}, "resolution"),
        ({"lower": "1", "upper": "8", "resolution": "0.1"}, "upper"),
        ({"trials": "1"}, "trials"),
        ({"parts": "1000"}, "parts"),
    ],
)
def test_what_may_be_meant_is_asked_and_saved_after_a_yes(
    folder: Path, answers: dict[str, str], key: str
) -> None:
    found = wrong(**answers)
    assert list(found) == [key]
    assert found[key].asks
    form = grr.study_form(folder)
    fill(form, operators="Ravi, Lena, Tom", **NEEDED | answers)
    form.save()
    assert not folder.exists()
    form.confirmed.add(found[key].words)
    form.save()
    assert "Saved" in form.said


def test_what_is_right_contradicts_nothing() -> None:
    assert wrong() == {}
    assert wrong(lower="", upper="0.02", resolution="0.001") == {}
    assert wrong(operators_are=OTHERS, people="8") == {}
    assert wrong(lower="-0.010", upper="0.020", resolution="0.001") == {}


def test_the_chance_of_both_answers_is_told_for_this_design(folder: Path) -> None:
    form = grr.study_form(folder)
    assert "Waits for" in form.chance()["why"]
    fill(form, operators="Ravi, Lena, Tom")
    told = form.chance()
    assert told["others"] < told["all"] <= 20
    assert told["readings"] == 30  # the usual design where others will measure too
    fill(form, parts="10", trials="3")
    told = form.chance()
    assert told["readings"] == 90
    assert told["others"] < told["all"]
    fill(form, operators_are=ALL)
    assert form.chance()["all"] == told["all"]
    fill(form, operators="Ravi, Lena", operators_are="")
    assert "Two people" in form.chance()["why"]


def test_a_form_shows_what_is_known_and_keeps_the_study_id(folder: Path) -> None:
    first = grr.study_form(folder)
    fill(first, **NEEDED, operators="A, B, C", gauge_number="M-7", place_marked="yes")
    first.save()
    before = read_settings(folder)
    second = grr.study_form(folder)
    assert second.answers["gauge_number"] == "M-7"
    assert second.answers["place_marked"] == "yes"
    fill(second, title="Pins, lot 7")
    second.save()
    after = read_settings(folder)
    assert (after.title, after.id, after.plan) == ("Pins, lot 7", before.id, before.plan)


def test_readings_of_an_old_file_become_the_chosen_study(folder: Path) -> None:
    readings = grr.read_readings(shipped_folder("demo_data") / "old_form.xlsx")
    form = grr.study_form(folder, readings)
    assert not {"parts", "operators", "trials", "methods"} & set(form.answers)
    assert form.answers["title"] == "old_form"
    assert form.answers["resolution"] == ""
    fill(form, title="Pins of 2019", lower="10.006", upper="10.012", operators_are=OTHERS)
    form.save()
    assert "Saved" in form.said
    study = grr.chosen_study(folder.parent.parent)
    assert study.taken == 89
    assert (study.title, study.unit, study.plan) == ("Pins of 2019", "mm", None)
    assert study.tolerance == grr.Tolerance(10.006, 10.012)


def test_readings_never_replace_those_of_a_study(folder: Path) -> None:
    grr.save_study(grr.Study(manual_readings(), title="First"), folder)
    before = (folder / "readings.csv").read_bytes()
    form = grr.study_form(folder, manual_readings().assign(reading=1.0))
    assert "readings stay" in form.said
    fill(form, title="Second")
    form.who, form.why = "A. Person", "a better name"
    form.save()
    assert read_settings(folder).title == "Second"
    assert (folder / "readings.csv").read_bytes() == before


def test_readings_that_are_no_table_or_no_study_are_refused(folder: Path) -> None:
    with pytest.raises(grr.StudyError, match="readings"):
        grr.study_form(folder, "old_form.xlsx")  # type: ignore[arg-type]
    form = grr.study_form(folder, manual_readings().assign(reading="stuck"))
    fill(form, operators_are=OTHERS)
    form.save()
    assert "not a number" in form.said
    assert not folder.exists()


def test_a_change_after_the_first_reading_needs_name_and_reason(folder: Path) -> None:
    study = grr.Study(manual_readings(), title="Old", unit="mm")
    grr.save_study(study, folder)
    form = grr.study_form(folder)
    fill(form, title="New")
    form.save()
    assert "a reason" in form.said
    assert read_settings(folder).title == "Old"
    form.who, form.why = "Ilse", "typing error"
    form.save()
    assert read_settings(folder).title == "New"
    assert "typing error" in (folder / "events.csv").read_text(encoding="utf-8")


def test_why_a_row_was_not_used_is_put_on_record(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "old.csv"
    rows = "".join(
        f"{part},{who},{trial},{10 + part / 1000 + trial / 10000}\n"
        for part in range(1, 6)
        for who in ("Ann", "Ben")
        for trial in (1, 2)
    )
    file.write_text(f"part,operator,trial,reading\n{rows}6,Ann,,\n", encoding="utf-8")
    tolerance = grr.Tolerance(10.0, 10.02)
    grr.save_study(grr.Study(grr.read_readings(file), tolerance=tolerance, unit="mm"), folder)

    def not_used() -> list[str]:
        found = grr.check(grr.open_study(folder)).about("what was read")
        return [one.severity for one in found if "not used" in one.what.casefold()]

    form = grr.study_form(folder)
    form.save()
    assert not_used() == ["mend"]
    form.who, form.why = "Ilse", "the part was dropped"
    form.save()
    assert form.good, form.said
    assert not_used() == ["know"]
    assert "the part was dropped" in (folder / "events.csv").read_text(encoding="utf-8")


def test_two_people_are_no_sample_until_it_is_said_how_many_there_are(folder: Path) -> None:
    form = grr.study_form(folder)
    fill(form, **NEEDED | {"operators_are": OTHERS}, operators="Ilse, Jan", trials="2")
    form.save()
    assert "How many" in form.said
    fill(form, people="3")
    form.save()
    assert "Saved" in form.said
    assert read_settings(folder).operators_are == 3


def test_the_answer_to_who_will_measure_is_kept(folder: Path) -> None:
    for name, answer, kept in (("all", ALL, "fixed"), ("some", OTHERS, "random")):
        form = grr.study_form(folder.parent / name)
        fill(form, **NEEDED | {"operators_are": answer}, operators="Ilse, Jan, Mia")
        form.save()
        assert read_settings(folder.parent / name).operators_are == kept
        assert grr.study_form(folder.parent / name).answers["operators_are"] == answer


def test_three_people_in_one_name_are_refused(folder: Path) -> None:
    form = grr.study_form(folder)
    fill(form, **NEEDED, operators="Ravi; Lena; Tom")
    form.save()
    assert "One person" in form.said
    assert not folder.exists()


def test_two_looks_and_a_second_stage_survive_the_form(tmp_path: Path) -> None:
    plan = grr.Plan(("1", "2", "3"), ("Ada", "Ben", "Cy"), 2)
    plan = replace(plan, looks=2, further_operators=("Dana",), further_parts=("1", "2"))
    how = {"title": "Pins", "unit": "mm", "resolution": 0.01, "tolerance": grr.Tolerance(1, 2)}
    new_study_folder(tmp_path / "pins", plan=plan, **how)
    form = study_form(tmp_path / "pins")
    assert form.answers["looks"] == "yes"
    form.change(title="Other pins", operators_are=OTHERS)
    form.save()
    assert read_settings(tmp_path / "pins").plan == plan, form.said
    form.change(looks="no")
    form.save()
    assert read_settings(tmp_path / "pins").plan == replace(plan, looks=1), form.said


def test_a_plan_that_ranges_could_not_judge_is_refused_at_once(folder: Path) -> None:
    named = {"parts": ("1", "2", "3"), "operators": ("Ilse", "Jan", "Mia")}
    several = Plan(**named, trials=2, places=("top", "middle"))
    by_ranges = grr.Rules(method_of_record="average_range")
    tolerance = grr.Tolerance(10.006, 10.012)
    settings = {"unit": "mm", "resolution": 0.0001, "operators_are": "fixed"}
    settings |= {"title": "Pins", "tolerance": tolerance, "rules": by_ranges}
    new_study_folder(folder, **settings, plan=several)
    with pytest.raises(grr.StudyError, match="By average and range") as refused:
        grr.study_form(folder)
    assert refused.value.column == "method_of_record"
    assert "no study with places on the parts" in card(refused.value)
    plain = folder.with_name("plain")
    new_study_folder(plain, **settings, plan=replace(several, places=()))
    form = grr.study_form(plain)
    fill(form, gauges="1, 2", gauges_are="yes, only these")
    form.save()
    assert form.said == str(refused.value)
    assert read_settings(plain).plan.gauges == ()
