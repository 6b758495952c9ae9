"""All gauges of a working folder on one page, and a table of many studies dropped on it."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import pandas as pd
import pytest
from studies import invented

import grr
from grr.model.errors import StudyError
from grr.questions.verdict import verdict

DEMO_DATA = Path(__file__).parents[2] / "demo_data"


def text_of(page: object) -> str:
    html = page._repr_html_()  # type: ignore[attr-defined]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def sent(text: str) -> str:
    return base64.b64encode(text.encode()).decode()


@pytest.fixture
def top(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with three studies of two gauges."""
    for name, gauge, limits in (
        ("coarse", "T-1", (9.98, 10.04)),
        ("fine", "T-1", (10.008, 10.0095)),
        ("other", "T-2", (9.98, 10.04)),
    ):
        study = invented(
            10, ("A", "B", "C"), 3, tolerance=grr.Tolerance(*limits), facts={"gauge_number": gauge}
        )
        grr.save_study(replace(study, operators="fixed", title=name), tmp_path / "studies" / name)
    monkeypatch.setenv("SERVER_SOFTWARE", "voila/0.5.13")
    monkeypatch.setenv("QUERY_STRING", "")
    return tmp_path


def test_a_gauge_used_on_too_fine_a_tolerance_comes_first(top: Path) -> None:
    page = grr.gauges_page(top)
    said = text_of(page)
    study = grr.open_study(top / "studies" / "fine")
    proven = verdict(study).proven_for
    assert proven is not None
    assert study.tolerance is not None
    assert study.tolerance.width is not None
    assert study.tolerance.width < proven.limit.value  # the tolerance is finer than proven
    assert "T-1 is used" in said
    assert said.index("T-1", said.index("last study")) < said.index("T-2")
    assert "3 studies, 2 gauges" in said
    assert "study=studies%2Ffine" in page._repr_html_()


def test_an_empty_folder_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SERVER_SOFTWARE", "voila/0.5.13")
    assert "No study" in text_of(grr.gauges_page(tmp_path))


def test_a_table_with_its_limits_is_kept_and_judged_as_the_function_does(
    top: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    readings = pd.read_csv(DEMO_DATA / "all_our_gauges.csv")
    limits = pd.read_csv(DEMO_DATA / "all_our_tolerances.csv")
    text = readings.merge(limits, on="study", how="left").to_csv(index=False)
    name = grr.drop_table(top).take("Our gauges.csv", sent(text))
    assert (top / "tables" / name).read_text(encoding="utf-8") == text
    found = grr.analyse_many(readings, tolerances=limits, operators="fixed", intervals=True)
    worst = found.sort_values("GRR_percent_tolerance", ascending=False).iloc[0]
    monkeypatch.setenv("QUERY_STRING", f"table={name}")
    said = text_of(grr.gauges_page(top))
    assert f"{len(found)} studies" in said
    first = said[said.index("answer") :]
    assert first.split()[1:3] == str(worst["study"]).split()
    assert f"{worst['GRR_percent_tolerance']:.0f} %" in first
    monkeypatch.setenv("QUERY_STRING", f"table={name}&operators=random")
    assert "a sample" in text_of(grr.gauges_page(top))


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("a.csv", "study,part,reading\n", "operator|rows|readings"),
        ("a.pdf", "x", "no table"),
        ("a.csv", " ", "empty"),
        (
            "a.csv",
            "study,part,operator,trial,reading,lower,upper\ns,1,A,1,1.0,0,2\ns,1,A,2,1.0,0,3\n",
            "two tolerances",
        ),
    ],
)
def test_a_table_that_cannot_be_used_is_not_kept(
    top: Path, name: str, text: str, words: str
) -> None:
    with pytest.raises(StudyError, match=words):
        grr.drop_table(top).take(name, sent(text))
    assert not list((top / "tables").glob("*"))


def test_another_table_of_the_same_name_is_kept_beside_the_first(top: Path) -> None:
    head = "study,part,operator,trial,reading\n"
    rows = [f"s,{p},{o},{t},{p + 0.1 * t}\n" for p in (1, 2) for o in "AB" for t in (1, 2)]
    drop = grr.drop_table(top)
    first = drop.take("../../t.csv", sent(head + "".join(rows)))
    again = drop.take("t.csv", sent(head + "".join(rows)))
    second = drop.take("t.csv", sent(head + "".join(rows[::-1])))
    assert (first, again, second) == ("t.csv", "t.csv", "t_2.csv")
    assert len(list((top / "tables").iterdir())) == 2


def test_a_study_of_two_ways_has_a_row_for_each(top: Path) -> None:
    two = grr.open_study(DEMO_DATA / "pins_two_ways")
    grr.save_study(replace(two, title="two ways"), top / "studies" / "two")
    said = text_of(grr.gauges_page(top))
    rows = [f"{method}" for method in two.methods]
    assert all(method in said for method in rows)
    assert "4 studies, 4 gauges" in said
    proven = [verdict(two.for_method(method)).proven_for for method in two.methods]
    assert all(one is not None for one in proven)
