"""Every term is explained, sourced and found by its short name."""

from __future__ import annotations

import pytest

import grr
from grr.wording.glossary import TERMS


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
