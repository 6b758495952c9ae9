"""Lines beside a form that say what holds for all of it: "Operator: Anna", "Unit | mm"."""

from __future__ import annotations

from grr.files.readers.grid import Grid
from grr.files.readers.words import meaning, plain_label

#: What a caption may state for the readings below it.
STATED = ("part", "operator", "trial", "method", "unit")


def captions(grid: Grid, row: int, first: int = 0, end: int | None = None) -> dict[str, str]:
    """Return what a row states: "Operator: Anna" in one cell, or Operator and Anna in two.

    Only the columns from ``first`` to before ``end`` are looked at.
    """
    filled = [at for at in grid.filled(row) if at >= first and (end is None or at < end)]
    stated = {}
    for position, at in enumerate(filled):
        text = grid.text(row, at)
        name, colon, value = (piece.strip() for piece in text.partition(":"))
        key = meaning(name)
        if key in STATED and colon and value:
            stated[key] = value
        elif key in STATED and not value and position + 1 < len(filled):
            stated[key] = grid.text(row, filled[position + 1])
        elif len(filled) == 1:
            word = meaning(text.partition(" ")[0])
            if word in STATED and plain_label(text, word) != text:
                stated[word] = plain_label(text, word)
    return stated
