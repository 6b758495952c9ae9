"""Every reading of the study: parts down, operators and trials across."""

from __future__ import annotations

import math
from html import escape

import numpy as np

from grr.model import tables
from grr.model.names import short_names, shortened
from grr.model.rounding import listed, reading_decimals, size
from grr.model.study import Cube, Study
from grr.page.page import heading

#: Width of a letter, of the space around a cell, and of the whole table, in px.
LETTER, SPACE, WIDTH = 8.0, 13.0, 740.0
LONGEST_PART, LONGEST_OPERATOR = 18, 24


def readings_html(study: Study) -> str:
    """Return the readings of one method as tables that fit the width of a page."""
    cube = study.cube()
    names = short_names(cube.operators, LONGEST_OPERATOR)
    parts = short_names(cube.parts, LONGEST_PART)
    left = WIDTH - _px(max(map(len, parts)))
    across = max(1, int(left // (_px(_letters(study)) * len(cube.trials))))
    unit = f"in {study.unit}" if study.unit else "without a unit"
    blocks = [
        tables.html_prose(
            f"Readings {unit}; under each operator the trials. A dash is a reading that is missing."
        )
    ]
    for start in range(0, len(names), across):
        chosen = list(range(start, min(start + across, len(names))))
        blocks.append(_table(study, cube, parts, names, chosen))
    return "".join([*blocks, _full_names(study, parts, names), _notes(study)])


def _px(letters: int) -> float:
    return letters * LETTER + SPACE


def _letters(study: Study) -> int:
    """Return how many letters the longest reading has."""
    values = study.readings["reading"].dropna()
    return max(len(size(float(v), study.resolution)) for v in (values.min(), values.max()))


def _table(study: Study, cube: Cube, parts: list[str], names: list[str], chosen: list[int]) -> str:
    trials = len(cube.trials)
    who = "".join(
        f'<th scope="colgroup" colspan="{trials}" class="who next">{escape(names[j])}</th>'
        for j in chosen
    )
    numbers = "".join(
        f'<th scope="col"{_first(index)}>{trial}</th>'
        for _ in chosen
        for index, trial in enumerate(cube.trials)
    )
    rows = []
    for i, part in enumerate(parts):
        values = cube.values[i][chosen]
        if study.design == "nested" and not np.isfinite(values).any():
            continue
        cells = "".join(
            f"<td{_first(index)}>{_shown(float(value), study)}</td>"
            for row in values
            for index, value in enumerate(row)
        )
        rows.append(f'<tr><th scope="row" class="first">{escape(part)}</th>{cells}</tr>')
    caption = f"Readings by {listed([names[j] for j in chosen], 10)}"
    return (
        f'<table class="readings"><caption>{escape(caption)}</caption><thead>'
        f'<tr><th scope="col" rowspan="2" class="first">Part</th>{who}</tr><tr>{numbers}</tr>'
        f"</thead><tbody>{''.join(rows)}</tbody></table>"
    )


def _first(index: int) -> str:
    return ' class="next"' if index == 0 else ""


def _shown(value: float, study: Study) -> str:
    if math.isnan(value):
        return "—"
    if study.resolution is None and reading_decimals(None) < _decimals(value):
        return f"{value:.9g}"
    return size(value, study.resolution)


def _decimals(value: float) -> int:
    """Return the decimals of a reading as it was written, nine figures at most."""
    _, _, after = f"{value:.9g}".partition(".")
    return len(after)


def _full_names(study: Study, parts: list[str], names: list[str]) -> str:
    """Return the names that were too long for the table, whole."""
    both = [("Part", parts, study.parts), ("Operator", names, study.operator_names)]
    rows = [
        [kind, short, whole]
        for kind, shown, full in both
        for short, whole in zip(shown, full, strict=True)
        if short != whole
    ]
    if not rows:
        return ""
    return heading("Names in full") + tables.html_table(
        ["What", "In the table", "In full"], rows, left=3
    )


def _notes(study: Study) -> str:
    table = study.readings
    if "note" not in table:
        return ""
    noted = table[table["note"].fillna("").astype(str) != ""]
    if noted.empty:
        return ""
    rows = [
        [*(shortened(str(n), 40) for n in (row.part, row.operator)), str(row.trial), str(row.note)]
        for row in noted.itertuples()
    ]
    return heading("Notes") + tables.html_table(["Part", "Operator", "Trial", "Note"], rows, left=4)
