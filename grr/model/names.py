"""Names that people gave, made fit for a line of text: cleaned, shortened, told apart."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

#: Kinds of characters that do not print: controls, direction marks, halves, private ones.
_UNPRINTED = {"Cc", "Cf", "Cs", "Co"}
#: Joiners that belong to the spelling of some scripts and to composed pictures.
_JOINERS = "\u200c\u200d"
#: Longest name in a sentence or a headline.
LONGEST_NAME = 30


def clean(name: str) -> str:
    """Return a name on one line, without characters that steer the text around it."""
    spaced = (" " if character.isspace() else character for character in name)
    kept = (c for c in spaced if c in _JOINERS or unicodedata.category(c) not in _UNPRINTED)
    return " ".join("".join(kept).split()) or "?"


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
    numbered = [
        label if counts[label] == 1 else f"{shortened(label, max(3, most - 4))} #{index}"
        for index, label in enumerate(short, start=1)
    ]
    if len(set(numbered)) < len(numbered):
        return [f"#{index} {label}" for index, label in enumerate(short, start=1)]
    return numbered


def brief(text: str, most: int = 90) -> str:
    """Return the first sentence; of a long one what stands before a comma or a colon."""
    first = text.partition(". ")[0].rstrip(".")
    if len(first) > most:
        ends = [at for at, letter in enumerate(first[:most]) if letter in ",;:"]
        if not ends:
            return f"{first[:most].rpartition(' ')[0]} …"
        first = first[: ends[-1]]
    return f"{first}."


def begun(text: str) -> str:
    """Return a text as it begins a sentence."""
    return f"{text[0].upper()}{text[1:]}" if text else text
