"""Every term is explained, sourced and found by its short name."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path

import pytest
from scipy.stats import norm

import grr
from grr.model.glossary import TERMS


@pytest.mark.parametrize("name", ["ndc", "EV", "grr", " Percent of tolerance ", "Cgk", "P/T"])
def test_terms_are_found(name: str) -> None:
    found = grr.explain(name)
    assert found.source
    assert found.term in str(found)
    assert max(map(len, str(found).splitlines())) <= 80


def test_every_term_has_meaning_and_source() -> None:
    for entry in TERMS:
        assert entry.meaning.endswith(".")
        assert entry.source
        assert entry._repr_html_().startswith("<h4")
    everything = grr.explain()
    assert len(everything) == len(everything.to_frame()) == len(TERMS)
    assert everything._repr_html_().count("<tr>") == len(TERMS) + 1


def test_names_are_not_given_twice() -> None:
    names = [name.casefold() for entry in TERMS for name in {entry.term, *entry.also}]
    assert len(names) == len(set(names))


def test_an_unknown_term_names_its_neighbours() -> None:
    with pytest.raises(grr.StudyError, match="repeatability"):
        grr.explain("repetability")
    with pytest.raises(grr.StudyError, match=r"grr.explain\(\)"):
        grr.explain("zzz")


#: What is in capitals without being an abbreviation: decisions, publishers, numerals.
NO_ABBREVIATIONS = {
    *("CAN", "DECIDED", "DO", "ENOUGH", "EXAMPLE", "FOR", "GOOD", "HANDHELD", "IS", "LIKE", "LOOK"),
    *("DATA", "EITHER", "FIRST", "FIX", "LIMITS", "QUICKER", "THE", "WILL", "WITH"),
    *("NEEDED", "NOT", "ONLY", "STAND", "TELL", "THIS", "TOLERANCE", "USE", "YET"),
    *("AIAG", "ANSI", "ASTM", "GUM", "ISO", "JCGM", "MSA", "NCSL", "SIAM", "VIM"),
    *("II", "III", "IV"),
}


def printed_in_notebooks() -> set[str]:
    """Return the abbreviations in the stored outputs of the notebooks."""
    found: set[str] = set()
    for file in (Path(__file__).parents[2] / "notebooks").glob("*.ipynb"):
        for cell in json.loads(file.read_text(encoding="utf-8"))["cells"]:
            for output in cell.get("outputs", []):
                data = output.get("data", {})
                text = "".join(data.get("text/plain", "")) + "".join(data.get("text/html", ""))
                plain = unescape(re.sub(r"<style.*?</style>|<[^>]*>", " ", text, flags=re.DOTALL))
                plain = re.sub(r"\b[0-9A-Z]{6}(?:-[0-9A-Z]{6}){2}\b", " ", plain)  # a seal
                found |= set(
                    re.findall(r"\bGR&R\b|\b[A-Z]{2,}(?:_[A-Z]+)?\b|\bC[a-z]k?\b|\bndc\b", plain)
                )
    return found


def test_every_abbreviation_that_a_notebook_prints_is_explained() -> None:
    printed = printed_in_notebooks()
    assert {"EV", "GRR", "ndc", "ICC", "Cg", "MPE"} <= printed
    for name in sorted(printed - NO_ABBREVIATIONS):
        assert grr.explain(name).meaning, name


@pytest.mark.parametrize(
    "name",
    ["finding", "doubt", "session", "method of record", "sd", "ppm", "d2", "UCL_R", "REML", "F"],
)
def test_words_of_tables_figures_and_reports_are_explained(name: str) -> None:
    assert grr.explain(name).meaning


@pytest.mark.parametrize(
    ("word", "term"),
    [
        ("appraiser", "operator"),
        ("gage", "gauge"),
        ("trial", "trial"),
        ("Gage R&R", "GRR"),
        ("%GRR", "%GRR"),
        ("MSA", "measurement systems analysis (MSA)"),
        ("TUR", "test uncertainty ratio (TUR)"),
        ("uncertainty ratio", "test uncertainty ratio (TUR)"),
        ("equipment variation", "repeatability (EV)"),
    ],
)
def test_the_words_that_people_look_for_are_known(word: str, term: str) -> None:
    assert grr.explain(word).term == term


@pytest.mark.parametrize("decision", [*grr.Decision, "FIX THE DATA FIRST"])
def test_every_decision_is_explained(decision: str) -> None:
    assert grr.explain(decision).term == decision


def test_the_bounds_explained_are_those_that_decide() -> None:
    """The thresholds and the confidence in the glossary are those of the rules by default."""
    rules = grr.Rules()
    for decision, bound in (("USE", rules.good_percent), ("USE LIKE THIS", rules.limit_percent)):
        assert f"at most {bound:g} %" in grr.explain(decision).formula
        assert f"{100 * rules.confidence:g} %" in grr.explain(decision).formula
    careful = f"{100 * 0.5 * (1 + rules.confidence):g} %"
    assert careful in grr.explain("DO NOT USE").formula
    assert f"{rules.most_refused_percent:g} %" in grr.explain("USE WITH LIMITS").formula


def test_guard_band_has_the_number_of_the_report() -> None:
    assert norm.ppf(0.95) == pytest.approx(1.645, abs=5e-4)
    assert "1.645 · u" in grr.explain("guard band").formula
