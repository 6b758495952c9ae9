"""Names for places in a study."""

from __future__ import annotations

from grr.study import Cube


def place(cube: Cube, part: int, operator: int, trial: int | None = None) -> str:
    """Return "part 7, operator Ilse, trial 2"."""
    where = f"part {cube.parts[part]}, operator {cube.operators[operator]}"
    return where if trial is None else f"{where}, trial {cube.trials[trial]}"
