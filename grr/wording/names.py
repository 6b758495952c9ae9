"""Names that people gave, made fit for a line of text: cleaned, shortened, told apart."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence


def clean(name: str) -> str:
    """Return a name on one line, without characters that steer the text around it."""
    shown = "".join(
        " " if character.isspace() else character
        for character in name
        if character.isspace() or unicodedata.category(character) not in {"Cc", "Cf", "Cs", "Co"}
    )
    return " ".join(shown.split()) or "?"


def shortened(name: str, most: int) -> str:
    """Return a cleaned name of at most ``most`` characters, its beginning and end kept."""
    shown = clean(name)
    if len(shown) <= most:
        return shown
    tail = (most - 1) // 2
    return f"{shown[: most - 1 - tail]}…{shown[len(shown) - tail :]}"


def short_names(names: Sequence[str], most: int = 14) -> list[str]:
    """Return shortened names that stay different from each other.

    Names that would look alike are numbered in their order.
    """
    short = [shortened(name, most) for name in names]
    counts = {label: short.count(label) for label in short}
    return [
        label if counts[label] == 1 else f"{shortened(label, max(3, most - 4))} #{index}"
        for index, label in enumerate(short, start=1)
    ]
