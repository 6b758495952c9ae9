"""The pages say what the study says, in the frame of that study, and nothing of another."""

from __future__ import annotations

import itertools
import random
import re
import shutil
from html import unescape
from pathlib import Path
from typing import Literal
from urllib.parse import parse_qs, urlencode, urlsplit

import pandas as pd
import pytest

import grr
from grr.entry.collecting import Collecting
from grr.entry.corrections import add_note
from grr.entry.job import open_job
from grr.entry.table_grid import TableRoles, file_table, look_at_table
from grr.files.chosen import folder_name, planned_folder, study_of_the_page
from grr.files.folder import new_study_folder, save_study
from grr.files.study_file import read_settings
from grr.model.choices import FIX_FIRST
from grr.model.names import brief
from grr.model.rounding import limits_text
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance
from grr.page import screens
from grr.page.frame import frame_html, page_address, progress_of, show_frame
from grr.page.label import study_label
from grr.questions.renewal import recheck
from grr.questions.verdict import verdict
from published import manual_readings

DEMO_DATA = Path(__file__).parents[2] / "demo_data"


def on_page(monkeypatch: pytest.MonkeyPatch, query: str = "") -> None:
    """Let the code run as for a page with this address."""
    monkeypatch.setenv("SERVER_SOFTWARE", "voila/0.5.13")
    monkeypatch.setenv("QUERY_STRING", query)


def text_of(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


@pytest.fixture
def study(tmp_path: Path) -> grr.Study:
    """The readings that the manual prints, in a folder of a working folder."""
    folder = tmp_path / "studies" / "mine"
    given = grr.Study(
        manual_readings(), tolerance=Tolerance(-4.0, 4.0), unit="mm", title="Mine", resolution=0.01
    )
    save_study(given, folder)
    return grr.open_study(folder)


def test_the_answer_says_the_decision_the_share_and_one_pair_of_limits(
    study: grr.Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_page(monkeypatch)
    html = grr.answer_page(study)._repr_html_()
    said = text_of(html)
    decided = verdict(study)
    assert decided.criterion is not None
    assert str(decided.decision) in said
    # The manual's example: GRR 0.30237 by analysis of variance, of a tolerance of 8.
    assert round(decided.criterion.value) == round(600 * 0.30237 / 8)
    assert f"{decided.criterion.value:.0f} %" in said
    # Beside the sentence that tells to accept only within them, one pair of limits.
    assert len(re.findall("Accept(?! only)|Good for tolerances", said)) == 1
    assert decided.acceptance_limits is not None
    assert len(re.findall(r"-3\.25 (?:to|–) 3\.25", said)) == 1


def test_the_limits_to_use_meanwhile_are_those_of_the_verdict(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    on_page(monkeypatch)
    study = grr.open_study(DEMO_DATA / "dowel_pin_handheld")
    decided = verdict(study)
    assert decided.decision.name == "DO_NOT_USE" and decided.acceptance_limits is not None
    assert (decided.acceptance_limits.lower, decided.acceptance_limits.upper) == pytest.approx(
        (10.0067, 10.0113), abs=1e-4
    )
    said = text_of(grr.answer_page(study)._repr_html_())
    refused = re.escape(f"{decided.price.upper:.2g}")
    assert re.search(rf"10\.0067 . 10\.0113 mm\. .*{refused}.%", said)


@pytest.mark.parametrize(
    ("times", "sd", "who", "decision", "said", "over"),
    [
        (2.6, 2.6, "random", "NOT_DECIDED", "30 % ", True),
        (2.2, 3.4, "fixed", "NOT_DECIDED", " 2.3 % ", False),
        (2.4, 3.4, "fixed", "DO_NOT_USE", " at least 2.", False),
        (3.6, 2.6, "fixed", "DO_NOT_USE", "at most 30 %", True),
    ],
)
def test_the_sentence_says_what_was_decided_by(
    times: float,
    sd: float,
    who: Literal["random", "fixed"],
    decision: str,
    said: str,
    over: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    on_page(monkeypatch)
    table = manual_readings()
    table["reading"] *= times
    given = {"tolerance": Tolerance(-8.0, 8.0), "unit": "mm", "process_mean": 0.0}
    study = grr.Study(table, process_sd=sd, operators=who, **given)
    decided = verdict(study)
    assert decided.decision.name == decision and decided.criterion is not None
    assert (decided.criterion.upper > decided.criterion.limit) == over
    assert said in text_of(grr.answer_page(study)._repr_html_())


def test_a_notebook_shows_the_blocks_and_no_frame(study: grr.Study) -> None:
    shown = grr.answer_page(study)
    assert "<footer" not in shown._repr_html_()
    assert str(shown) == str(verdict(study))


def test_readings_to_mend_decide_nothing_and_are_ringed(monkeypatch: pytest.MonkeyPatch) -> None:
    on_page(monkeypatch)
    study = grr.open_study(DEMO_DATA / "dowel_pin_mistakes")
    pages = (grr.answer_page, grr.check_page, grr.file_page)
    answer, checked, filed = (page(study)._repr_html_() for page in pages)
    for html in (answer, checked, filed):
        assert FIX_FIRST in text_of(html)
    assert "%" not in text_of(answer).partition("Measuring takes")[2].partition("Biggest")[0]
    assert checked.count('fill="#fce6d8"') >= 1  # a ring around the reading that is named


def test_nothing_to_fix_is_said_with_what_was_looked_for(
    study: grr.Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_page(monkeypatch)
    said = text_of(grr.check_page(study)._repr_html_())
    assert "90 readings" in said
    assert "parts exchanged" in said
    assert "No slips" not in said  # the manual's own readings have a range beyond its limit


def test_the_report_is_written_into_the_studys_folder_when_its_button_is_pressed(
    study: grr.Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert study.folder is not None
    on_page(monkeypatch, "step=file&study=studies/mine")
    assert "write=html" in grr.file_page(study)._repr_html_()
    assert not (study.folder / "report.html").exists()
    on_page(monkeypatch, "step=file&study=studies/mine&write=html")
    assert grr.file_page(study).values["written"]
    assert "Mine" in (study.folder / "report.html").read_text(encoding="utf-8")


def test_an_example_is_never_written_to(monkeypatch: pytest.MonkeyPatch) -> None:
    on_page(monkeypatch, "write=html")
    study = grr.open_study(DEMO_DATA / "dowel_pin")
    assert not grr.file_page(study).values["written"]
    assert not (DEMO_DATA / "dowel_pin" / "report.html").exists()


def test_the_start_page_lists_ones_own_studies_first_and_names_the_next_step(
    study: grr.Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_page(monkeypatch)
    plan = Plan(("1", "2"), ("Wanda", "Ilse"), 2)
    new_study_folder(
        tmp_path / "studies" / "open", title="Open", tolerance=Tolerance(1, 2), plan=plan
    )
    (tmp_path / "studies" / "broken").mkdir()
    (tmp_path / "studies" / "broken" / "study.toml").write_text("title = ", encoding="utf-8")
    html = grr.start_page(tmp_path)._repr_html_()
    assert html.index("Open") < html.index("Mine")
    assert "studies%2Fopen" in html
    assert str(verdict(study).decision) in html
    assert "cannot be used" in html
    assert "step=measure" in html
    monkeypatch.setattr(screens, "PATIENCE", -1.0)  # long lists do not wait for every decision
    late = grr.start_page(tmp_path)._repr_html_()
    assert str(verdict(study).decision) not in late
    assert f"{study.taken} readings" in late


def test_progress_tells_what_is_done(study: grr.Study, tmp_path: Path) -> None:
    nothing = progress_of(tmp_path / "studies" / "not there")
    assert (nothing.done, nothing.next_step, nothing.title) == ((), "plan", "not there")
    assert study.folder is not None
    read = progress_of(study.folder)
    assert read.done == ("plan", "measure", "check")
    assert (read.state, read.next_step) == ("90 readings", "answer")


def test_the_frame_names_the_study_and_escapes_it(tmp_path: Path) -> None:
    folder = tmp_path / "studies" / "odd"
    new_study_folder(folder, title="<b>Pin</b> & $5$", tolerance=Tolerance(1.0, 2.0), unit="mm")
    html = frame_html("plan", "1_plan.ipynb", folder)
    assert "&lt;b&gt;Pin&lt;/b&gt; &amp; $5$" in html
    assert "<b>Pin" not in html
    assert html.count('aria-current="step"') == 1


def test_an_address_names_a_folder_of_the_working_folder_or_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for query, found in {
        "study=studies/mine": "studies/mine",
        "study=demo_data%2Fdowel_pin": "demo_data/dowel_pin",
        "study=studies/../x": "",
        "study=studies/..": "",
        "study=/etc": "",
        "study=studies\\..\\x": "",
        "study=C:/x": "",
        "": "",
    }.items():
        on_page(monkeypatch, query)
        assert study_of_the_page() == found
    monkeypatch.delenv("SERVER_SOFTWARE")
    monkeypatch.setenv("QUERY_STRING", "study=studies/mine")
    assert study_of_the_page() == ""


def test_a_new_study_goes_into_a_folder_that_every_system_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert folder_name("Collar 15 js6") == "Collar_15_js6"
    assert folder_name("../../etc") == "etc"
    assert folder_name("con") == "study_con"
    assert folder_name("com1.txt") == "study_com1.txt"
    assert folder_name(" ?* ") == "study_"
    assert len(folder_name("x" * 300)) == 60
    on_page(monkeypatch, "new=Collar 15 js6")
    assert planned_folder(tmp_path) == tmp_path / "studies" / "Collar_15_js6"
    on_page(monkeypatch, "study=demo_data/dowel_pin")
    with pytest.raises(grr.StudyError, match="its plan"):
        planned_folder(DEMO_DATA.parent)


def test_addresses_and_short_sentences() -> None:
    assert page_address("file", "studies/a b", write="pdf") == (
        "4_judge.ipynb?step=file&study=studies%2Fa+b&write=pdf"
    )
    assert brief("One thing. Another.") == "One thing."
    assert brief("then that " * 20).endswith("then that …")
    assert brief(f"First this, {'then that ' * 20}") == "First this."


def test_a_study_of_two_ways_is_answered_way_by_way(monkeypatch: pytest.MonkeyPatch) -> None:
    on_page(monkeypatch)
    study = grr.open_study(DEMO_DATA / "pins_two_ways")
    said = text_of(grr.answer_page(study)._repr_html_())
    for method in study.methods:
        assert str(verdict(study.for_method(method)).decision) in said
        assert method in said.lower()
    with pytest.raises(grr.StudyError, match="compares ways"):
        grr.improve_page(study)
    checked = grr.check_page(study)._repr_html_()
    drawn = re.findall(r"<(?:circle|rect|path)[^>]*", checked.partition('class="picture')[2])
    marks = [one for one in drawn if 'stroke-width="2"' in one]
    assert len(marks) == study.for_method(study.methods[1]).taken  # open, of the second way
    assert f"open: {study.methods[1]}" in text_of(checked)


def test_within_part_variation_stands_beside_the_biggest_cause(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    on_page(monkeypatch)
    chance = random.Random(6)
    rows = [
        (part, who, 1 + 2 * at + again, where, 8.0 + part / 100 + taper + chance.gauss(0.0, 0.002))
        for part in range(1, 7)
        for at, (where, taper) in enumerate({"rim": 0.006 * (part % 3), "foot": 0.0}.items())
        for who in ("Ida", "Ulf")
        for again in (0, 1)
    ]
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "place", "reading"])
    study = grr.Study(table, tolerance=Tolerance(8.0, 8.07), unit="mm", operators="fixed")
    takes = verdict(study).result.value("WPV", "percent_tolerance")
    said = text_of(grr.answer_page(study)._repr_html_())
    found = re.search(r"Within-part variation \(WPV\), .*?: ([\d.]+) % of the tolerance", said)
    assert found is not None
    assert float(found[1]) == pytest.approx(takes, rel=0.01)


def test_the_way_that_is_recommended_is_planned_alone(
    bores: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = bores.parent / "two"
    shutil.copytree(DEMO_DATA / "pins_two_ways", folder)
    toml = (folder / "study.toml").read_text(encoding="utf-8")
    toml = toml.replace("example = true\n", "")
    (folder / "study.toml").write_text(
        re.sub('title = ".*"', 'title = "Two"', toml), encoding="utf-8"
    )
    on_page(monkeypatch, "study=studies/two")
    monkeypatch.chdir(bores.parent)
    foot = grr.answer_page(grr.open_study(folder)).foot
    assert foot is not None and foot.primary is not None
    assert "step=file" in foot.primary.address
    (folder / "report.html").touch()
    foot = grr.answer_page(grr.open_study(folder)).foot  # filed: what is done from now on
    assert foot is not None and foot.primary is not None
    asked = parse_qs(urlsplit(foot.primary.address).query)
    assert (asked["new"], asked["like"]) == (["Two, stand"], ["studies/two"])
    on_page(monkeypatch, urlencode(asked, doseq=True))
    form = grr.study_form(planned_folder())
    form.save()
    assert "studies/Two_stand" in form.said, form.said
    plan = read_settings(bores.parent / "Two_stand").plan
    assert plan is not None
    assert plan.methods == ("stand",)
    assert grr.study_form(bores.parent / "Two_stand").contradictions() == []


def test_a_study_that_cannot_be_read_leaves_the_way_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "studies" / "broken").mkdir(parents=True)
    (tmp_path / "studies" / "broken" / "study.toml").write_text("title = ", encoding="utf-8")
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    on_page(monkeypatch, "study=studies/broken")
    shown: list[str] = []
    monkeypatch.setattr("IPython.display.display", lambda html: shown.append(html.data))
    with pytest.raises(grr.StudyError, match=r"study\.toml"):
        show_frame("answer", "4_judge.ipynb")
    (html,) = shown
    assert 'class="back" href="0_start_here.ipynb"' in html
    assert not (tmp_path / "chosen_study.txt").exists()


def test_the_study_of_the_page_is_the_one_that_its_notebook_opens(
    study: grr.Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    on_page(monkeypatch, "study=studies/mine")
    monkeypatch.setattr("IPython.display.display", lambda html: None)
    show_frame("answer", "4_judge.ipynb")
    monkeypatch.delenv("SERVER_SOFTWARE")
    assert grr.chosen_study().title == study.title


def test_every_drawing_has_its_finding_as_its_name_or_is_an_ornament(
    study: grr.Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_page(monkeypatch)
    for page in (grr.check_page, grr.answer_page, grr.improve_page, grr.file_page):
        for drawing in re.findall(r"<svg[^>]*>", page(study)._repr_html_()):
            assert re.search(r'role="img" aria-label="[^"]+"|aria-hidden="true"', drawing)


@pytest.fixture
def bores(tmp_path: Path) -> Path:
    """A study that was planned and filled in from a table, one reading of it far off."""
    folder = tmp_path / "studies" / "bores"
    parts, people = tuple(map(str, range(1, 11))), ("Ida", "Ulf", "Ove")
    new_study_folder(
        folder,
        title="Bores",
        unit="mm",
        resolution=0.001,
        tolerance=Tolerance(8.2, 8.25),
        operators_are="fixed",
        plan=Plan(parts, people, 2, seed=5),
    )
    lines, chance = ["part,operator,trial,reading"], random.Random(8)
    for trial, who, part in itertools.product((1, 2), people, parts):
        value = 8.201 + 0.0045 * int(part) + chance.gauss(0.0, 0.0005)
        far = 0.012 if (part, who, trial) == ("4", "Ulf", 2) else 0.0
        lines.append(f"{part},{who},{trial},{value + far:.3f}")
    content = "\n".join(lines).encode()
    work = Collecting(open_job(folder))
    work.ownership.take()
    seen = look_at_table(work, "", content, TableRoles(pasted=True))
    file_table(work, "", content, TableRoles(tuple(seen["roles"]), seen["heads"], pasted=True))
    work.ownership.release()
    return folder


def test_the_check_leads_to_the_one_reading_until_somebody_notes_why_it_stays(
    bores: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_page(monkeypatch, "study=studies/bores")
    shown = grr.check_page(grr.open_study(bores))
    assert shown.foot is not None and shown.foot.primary is not None
    assert shown.foot.primary.address == page_address(
        "measure", "studies/bores", part="4", operator="Ulf", trial="2"
    )
    work = Collecting(open_job(bores))
    work.ownership.take()
    record = work.record
    row = next(r for r in record.standing if (r.part, r.operator, r.trial) == ("4", "Ulf", "2"))
    add_note(work, row.id, "kept: measured twice more, it is so")
    work.ownership.release()
    noted = grr.check_page(grr.open_study(bores))
    assert noted.values["headline"] != shown.values["headline"]
    assert noted.foot is not None and noted.foot.primary is not None
    assert "step=measure" not in noted.foot.primary.address


def test_a_report_written_before_a_change_is_to_be_written_again(
    bores: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_page(monkeypatch, "study=studies/bores&write=html")
    study = grr.open_study(bores)
    written = grr.file_page(study)
    assert written.values["written"] and not written.values["stale"]
    assert study.record is not None
    assert study.record.seal in text_of(written._repr_html_())
    on_page(monkeypatch, "study=studies/bores")
    work = Collecting(open_job(bores))
    work.ownership.take()
    add_note(work, work.record.standing[0].id, "burr")
    work.ownership.release()
    after = grr.file_page(grr.open_study(bores))
    assert after.values["stale"] and not after.values["written"]
    assert after.values["seal"] != written.values["seal"]


def test_the_label_of_a_study_says_gauge_limits_people_and_seal(bores: Path) -> None:
    study = grr.open_study(bores)
    lines = dict(study_label(study).lines)
    assert lines["limits"] == limits_text(study.tolerance, study.resolution, study.unit)
    assert lines["by"] == "Ida, Ove, Ulf"
    assert study.record is not None
    assert lines["seal"] == study.record.seal


def test_a_recheck_is_planned_short_and_under_a_name_of_its_own(
    bores: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_page(monkeypatch, "study=studies/bores")
    monkeypatch.chdir(bores.parent)

    def planned() -> dict[str, list[str]]:
        foot = grr.improve_page(grr.open_study(bores)).foot
        assert foot is not None and foot.primary is not None
        again = next(b for b in (foot.primary, *foot.quiet) if "re-check" in b.words)
        return parse_qs(urlsplit(again.address).query)

    asked, check = planned(), recheck(grr.open_study(bores))
    assert check is not None
    assert (asked["new"], asked["like"]) == (["Bores, re-check"], ["studies/bores"])
    assert (asked["parts"], asked["trials"]) == ([str(check.parts)], ["2"])
    on_page(monkeypatch, urlencode(asked, doseq=True))
    form = grr.study_form(planned_folder())
    assert form.answers["operators"] == "Ida, Ulf, Ove"
    form.save()
    assert "studies/Bores_re-check" in form.said, form.said
    plan = read_settings(bores.parent / "Bores_re-check").plan
    assert plan is not None
    assert len(plan.parts) == check.parts and set(plan.parts) <= set(grr.open_study(bores).parts)
    assert planned()["new"] == ["Bores, re-check 2"]
