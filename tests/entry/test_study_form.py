"""The form writes what was answered, refuses what cannot be used, and logs changes."""

from __future__ import annotations

from pathlib import Path

import pytest

import grr
from grr.files.study_file import read_settings
from grr.shipped import shipped_folder
from published import manual_readings


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "demo_data").mkdir()
    return tmp_path / "studies" / "pins"


def fill(form: object, **answers: object) -> None:
    for key, answer in answers.items():
        form.fields[key].control.value = answer


def test_a_new_study_is_made_and_chosen(folder: Path) -> None:
    form = grr.study_form(folder)
    assert repr(form) == "Run this cell to see the form for the facts of the study."
    fill(form, title="Pins", lower="10.006", upper="10.012 mm", operators="Ilse, Jan, Mia")
    fill(form, trials="2")
    assert "out of date" in form.status.value
    form.button.click()
    assert "Saved" in form.status.value
    settings = read_settings(folder)
    assert settings.tolerance == grr.Tolerance(10.006, 10.012)
    assert settings.plan is not None
    assert settings.plan.operators == ("Ilse", "Jan", "Mia")
    assert settings.plan.readings == 30  # others will measure too: 5 parts
    assert "studies planned like this" in form.status.value
    assert grr.chosen_folder(folder.parent.parent) == folder


def test_every_new_study_has_an_order_of_its_own(folder: Path) -> None:
    seeds = set()
    for name in ("one", "two", "three"):
        form = grr.study_form(folder.parent / name)
        fill(form, operators="A, B, C")
        form.button.click()
        plan = read_settings(folder.parent / name).plan
        assert plan is not None
        seeds.add(plan.seed)
    assert len(seeds) == 3


def test_nominal_with_deviations(folder: Path) -> None:
    form = grr.study_form(folder)
    fill(form, given_as="nominal size with deviations", nominal="10", operators="A, B, C")
    fill(form, lower_deviation="+0.006", upper_deviation="+0.012")
    form.button.click()
    assert read_settings(folder).tolerance == grr.Tolerance(10.006, 10.012)


def test_what_cannot_be_used_is_named_and_nothing_is_written(folder: Path) -> None:
    form = grr.study_form(folder)
    fill(form, lower="ten", operators="A")
    form.button.click()
    assert "Lower limit" in form.status.value
    assert not folder.exists()
    fill(form, lower="10.012", upper="10.006")
    form.button.click()
    assert "not below the upper limit" in form.status.value
    fill(form, lower="10.000", trials="2.5")
    form.button.click()
    assert "number of trials" in form.status.value


def test_a_form_shows_what_is_known_and_keeps_the_study_id(folder: Path) -> None:
    first = grr.study_form(folder)
    fill(first, title="Pins", operators="A, B, C", gauge_number="M-7", place_marked="yes")
    first.button.click()
    before = read_settings(folder)
    second = grr.study_form(folder)
    assert second.fields["gauge_number"].control.value == "M-7"
    assert second.fields["place_marked"].control.value == "yes"
    fill(second, title="Pins, lot 7")
    second.button.click()
    after = read_settings(folder)
    assert (after.title, after.id, after.plan) == ("Pins, lot 7", before.id, before.plan)


def test_readings_of_an_old_file_become_the_chosen_study(folder: Path) -> None:
    readings = grr.read_readings(shipped_folder("demo_data") / "old_form.xlsx")
    form = grr.study_form(folder, readings)
    assert not {"parts", "operators", "trials", "methods"} & set(form.fields)
    assert form.fields["title"].control.value == "old_form"
    assert form.fields["resolution"].control.value == ""
    fill(form, title="Pins of 2019", lower="10.006", upper="10.012")
    form.button.click()
    assert "Saved" in form.status.value
    study = grr.chosen_study(folder.parent.parent)
    assert study.taken == 89
    assert (study.title, study.unit, study.plan) == ("Pins of 2019", "mm", None)
    assert study.tolerance == grr.Tolerance(10.006, 10.012)


def test_readings_never_replace_those_of_a_study(folder: Path) -> None:
    grr.save_study(grr.Study(manual_readings(), title="First"), folder)
    before = (folder / "readings.csv").read_bytes()
    form = grr.study_form(folder, manual_readings().assign(reading=1.0))
    assert "readings stay" in form.status.value
    fill(form, title="Second")
    form.who.control.value, form.why.control.value = "A. Person", "a better name"
    form.button.click()
    assert read_settings(folder).title == "Second"
    assert (folder / "readings.csv").read_bytes() == before


def test_readings_that_are_no_table_or_no_study_are_refused(folder: Path) -> None:
    with pytest.raises(grr.StudyError, match="readings"):
        grr.study_form(folder, "old_form.xlsx")  # type: ignore[arg-type]
    form = grr.study_form(folder, manual_readings().assign(reading="stuck"))
    form.button.click()
    assert "not a number" in form.status.value
    assert not folder.exists()


def test_a_change_after_the_first_reading_needs_name_and_reason(folder: Path) -> None:
    study = grr.Study(manual_readings(), title="Old", unit="mm")
    grr.save_study(study, folder)
    form = grr.study_form(folder)
    fill(form, title="New")
    form.button.click()
    assert "needs a name and a reason" in form.status.value
    assert read_settings(folder).title == "Old"
    form.who.control.value, form.why.control.value = "Ilse", "typing error"
    form.button.click()
    assert read_settings(folder).title == "New"
    assert "typing error" in (folder / "events.csv").read_text(encoding="utf-8")


def test_two_people_are_no_sample_until_it_is_said_how_many_there_are(folder: Path) -> None:
    form = grr.study_form(folder)
    fill(form, title="Pins", lower="10.006", upper="10.012", operators="Ilse, Jan", trials="2")
    form.button.click()
    assert "say how many will ever measure" in form.status.value
    fill(form, operators_are="some of a known number of people", people="3")
    form.button.click()
    assert "Saved" in form.status.value
    assert read_settings(folder).operators_are == 3


def test_three_people_in_one_name_are_refused(folder: Path) -> None:
    form = grr.study_form(folder)
    fill(form, lower="10.006", upper="10.012", operators="Ravi; Lena; Tom")
    form.button.click()
    assert "seems to hold several names" in form.status.value
    assert not folder.exists()
