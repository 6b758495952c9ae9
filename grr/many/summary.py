"""What a table of many studies comes to, in a few lines."""

from __future__ import annotations

from typing import Any

import pandas as pd

from grr.files.text_and_numbers import FORMULA_SIGNS
from grr.model.blocks import Block, Bullets, Heading, Prose, Table
from grr.model.names import short_names
from grr.model.rounding import counted, percent
from grr.model.text_blocks import as_text

_CLASSES = {
    "good": "good",
    "between": "may be acceptable",
    "over": "not acceptable",
    "": "without a ratio to judge by",
}


def text_summary(found: pd.DataFrame, by: str, *, most: int = 10) -> str:
    """Return how many studies are in which class, the worst, and what could not be analysed."""
    usable = found[found["error"] == ""]
    counts = [
        f"{count} {words}"
        for name, words in _CLASSES.items()
        if (count := int((usable["by_manual"] == name).sum()))
    ]
    total = "1 study" if len(found) == 1 else f"{len(found)} studies"
    failed = len(found) - len(usable)
    if failed:
        counts.append(f"{failed} not analysed")
    blocks: list[Block] = [Prose([f"{total}, by the manual's rule: {', '.join(counts)}."])]
    worst = usable.dropna(subset="GRR_percent_tolerance").nlargest(most, "GRR_percent_tolerance")
    if len(worst):
        head = ["worst", "GRR, % of tolerance", "dominated by", "% of total", "ndc"]
        rows = [
            [
                name,
                percent(row["GRR_percent_tolerance"]),
                row["dominant"],
                percent(row["GRR_percent_tv"]),
                "" if pd.isna(row["ndc"]) else f"{row['ndc']:.0f}",
            ]
            for name, (_, row) in zip(_names(worst[by]), worst.iterrows(), strict=True)
        ]
        blocks.append(Table(head, rows))
    errors = found[found["error"] != ""][:most]
    if failed:
        named = zip(_names(errors[by]), errors["error"], strict=True)
        blocks += [
            Heading(f"{counted(failed, 'error')}; the column error has all:"),
            Bullets([f"{name}: {error}" for name, error in named]),
        ]
    return as_text(blocks)


def csv_text(found: pd.DataFrame) -> str:
    """Return the table as CSV in which no spreadsheet takes a text for a formula."""
    safe = found.copy()
    for name in safe:
        if not pd.api.types.is_numeric_dtype(safe[name]):
            safe[name] = safe[name].map(_harmless)
    return safe.to_csv(index=False, lineterminator="\n")


def _harmless(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in tuple(FORMULA_SIGNS) else cell


def _names(studies: pd.Series[Any]) -> list[str]:
    return short_names(["no study" if pd.isna(name) else str(name) for name in studies], 24)
