"""Names for places in a study."""

from __future__ import annotations

from grr.model.rounding import listed
from grr.model.study import Cube, Study


def place(cube: Cube, part: int, operator: int, trial: int | None = None) -> str:
    """Return "part 7, operator Ilse, trial 2"."""
    where = f"part {cube.parts[part]}, operator {cube.operators[operator]}"
    return where if trial is None else f"{where}, trial {cube.trials[trial]}"


def these_operators(study: Study, names: tuple[str, ...]) -> str:
    """Return "operator Ilse", "operators Ilse and Jan", or "every operator"."""
    if len(names) == 1:
        return f"operator {names[0]}"
    return "every operator" if names == study.operator_names else f"operators {listed(names)}"
