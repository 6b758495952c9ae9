"""Headings and what they stand for."""

from __future__ import annotations

import pytest

from grr.model.columns import NAMES, NUMBERED_READING, role_of
from grr.model.plain_text import without_accents


def test_no_word_has_two_roles() -> None:
    roles: dict[str, set[str]] = {}
    for role, words in NAMES.items():
        for word in words:
            roles.setdefault(without_accents(word), set()).add(role)
    assert [word for word, found in roles.items() if len(found) > 1] == []
    assert {role_of(word) for word in NUMBERED_READING} == {"reading"}


@pytest.mark.parametrize(
    ("header", "role"),
    [
        ("Part no.", "part"),
        ("PART_ID", "part"),
        ("Teil-Nr.", "part"),
        ("Teilenummer", "part"),
        ("N° de pièce", "part"),
        ("Número de pieza", "part"),
        ("Numero pezzo", "part"),
        ("Nr części", "part"),
        ("Č. dílu", "part"),
        ("Prüfer", "operator"),
        ("PRUEFER", "operator"),
        ("Opérateur", "operator"),
        ("Wiederholung", "trial"),
        ("Próba", "trial"),
        ("Istmaß [mm]", "reading"),
        ("Měření (µm)", "reading"),
        ("no reading", ""),
        ("Anna", ""),
        ("10.1", ""),
        ("", ""),
    ],
)
def test_role_of_a_heading(header: str, role: str) -> None:
    assert role_of(header) == role
