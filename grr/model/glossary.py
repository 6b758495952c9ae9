"""`grr.explain`: one word of the glossary, or all of them."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

import pandas as pd

from grr.model.blocks import Block, Table
from grr.model.errors import StudyError
from grr.model.printed import Printed
from grr.model.terms import TERMS, Explanation


@dataclass(frozen=True, repr=False)
class Glossary(Printed):
    """All terms, each with its meaning, formula and source."""

    entries: tuple[Explanation, ...] = TERMS

    def to_frame(self) -> pd.DataFrame:
        """Return one row a term."""
        return pd.concat([entry.to_frame() for entry in self.entries], ignore_index=True)

    def __len__(self) -> int:
        return len(self.entries)

    def __str__(self) -> str:
        return "\n\n".join(map(str, self.entries))

    def in_short(self) -> str:
        """Return how many terms there are."""
        return f"{len(self)} terms"

    def blocks(self) -> list[Block]:
        """Return the terms as one table; a terminal has them below each other."""
        rows = [[e.term, e.meaning, e.formula, e.source] for e in self.entries]
        return [Table(["Term", "Meaning", "Formula", "Source"], rows, left=4)]


def explain(term: str | None = None) -> Explanation | Glossary:
    """Explain a term: meaning, formula and source; without a term, all of them.

    Parameters
    ----------
    term : str, optional
        Such as "ndc", "EV" or "percent of tolerance".

    Raises
    ------
    StudyError
        The term is not in the glossary; the nearest ones are named.

    Examples
    --------
    >>> print(grr.explain("ndc"))
    ndc
    Number of distinct categories: how many groups of parts the readings can tell
    apart. At least 5 are asked for.
    Formula: 1.41 · PV / GRR, rounded down, never below 1
    Source: AIAG MSA, 4th ed. (2010), chapter II section D and chapter III section B
    """
    if term is None:
        return Glossary()
    names = {name.casefold(): entry for entry in TERMS for name in (entry.term, *entry.also)}
    wanted = str(term).strip().casefold()
    if wanted in names:
        return names[wanted]
    near = difflib.get_close_matches(wanted, names, n=3, cutoff=0.5)
    raise StudyError(
        "The glossary does not have this term",
        f"Try {', '.join(near)}" if near else "Call grr.explain() for the list of terms",
        value=term,
    )
