"""The pages beside the steps: which study, who reads apart, which way of holding."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

import grr
from grr.files.folder import save_study
from grr.model.rounding import length, length_and_half
from grr.shipped import put_into

DEMO_DATA = Path(__file__).parents[2] / "demo_data"


def text_of(html: str) -> str:
    return spaced(unescape(re.sub(r"<[^>]+>", " ", html)))


def spaced(words: object) -> str:
    return " ".join(f"{words}".split())


@pytest.fixture
def top(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with a study of one's own by two ways, and one by one way."""
    put_into(tmp_path)
    both = grr.open_study(DEMO_DATA / "rollers_two_ways")
    for name, study in (("both", both), ("one", both.for_method("stand"))):
        own = grr.Study(
            study.readings, tolerance=study.tolerance, unit="mm", resolution=0.0001, title=name
        )
        save_study(own, tmp_path / "studies" / name)
    monkeypatch.setenv("SERVER_SOFTWARE", "voila/0.5.13")
    return tmp_path


def opened(monkeypatch: pytest.MonkeyPatch, query: str) -> None:
    monkeypatch.setenv("QUERY_STRING", query)


def test_without_a_study_a_page_lists_those_that_it_can_answer_for(
    top: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(monkeypatch, "")
    html = grr.methods_page(top)._repr_html_()
    assert "study=studies%2Fboth" in html
    assert "study=studies%2Fone" not in html
    assert html.index("studies%2Fboth") < html.index("demo_data%2F")
    assert "study=studies%2Fone" in grr.operators_page(top)._repr_html_()


def test_two_ways_of_one_s_own_are_answered(top: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened(monkeypatch, "study=studies/both")
    said = text_of(grr.methods_page(top)._repr_html_())
    study = grr.open_study(top / "studies" / "both")
    found = grr.compare_methods(study, baseline="stand", candidate="handheld")
    assert found.headline.upper() in said
    assert spaced(found.price) in said
    for method, result in found.numbers.results.items():
        assert spaced(length(3 * result.value("GRR", "sd"), "mm")) in said
        judged = found.judgements[method].criterion
        assert judged is not None
        assert f"{judged.value:.0f} %" in said


def test_one_way_of_holding_says_what_to_plan(top: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened(monkeypatch, "study=studies/one")
    said = text_of(grr.methods_page(top)._repr_html_())
    assert "in one way" in said
    assert "Plan one" in said


def test_the_operators_of_one_s_own_study_with_each_offset(
    top: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(monkeypatch, "study=studies/both&method=handheld")
    said = text_of(grr.operators_page(top)._repr_html_())
    study = grr.open_study(top / "studies" / "both").for_method("handheld")
    found = grr.compare_operators(study)
    assert spaced(found.headline) in said
    for one in found.conclusions:
        size = one.offset.size  # as in the table of the result
        both = length_and_half(size.value, size.upper - size.value, study.unit)
        assert all(spaced(part) in said for part in both.split(" ± "))
        assert one.operator in said
    assert "method=stand" in grr.operators_page(top)._repr_html_()
