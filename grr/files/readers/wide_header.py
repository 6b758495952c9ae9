"""The header of a form: which columns hold labels, and what each other column stands for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from grr.files.readers.grid import Grid
from grr.files.readers.layout import looks_numeric
from grr.files.readers.words import (
    is_beside,
    is_summary,
    is_summary_letter,
    may_be_summary,
    meaning,
    operator_and_trial,
    plain_label,
    trial_number,
    unit_in,
    without_unit,
)

KEYS = ("part", "operator", "trial")

#: One row of a header: column → text.
Level = dict[int, str]


@dataclass(frozen=True)
class Header:
    """The header of one block of a form.

    Parameters
    ----------
    top, bottom : int
        The first and the last row of the header.
    down : dict
        Column → what it holds for each row: part, operator, trial, or "operator/trial"
        for labels such as A1.
    across : dict
        Column → what its readings have in common, such as operator and trial.
    ignored : dict
        Column → its header, for averages, ranges and remarks.
    unread : dict
        Column → its header, where that could not be read.
    units : tuple of str
        The units that the header states.
    """

    top: int
    bottom: int
    down: dict[int, str]
    across: dict[int, dict[str, Any]]
    ignored: Level
    unread: Level
    units: tuple[str, ...] = ()


def headers_at(grid: Grid, row: int) -> list[Header]:
    """Return the headers of the blocks whose labels are named in this row, left to right."""
    blocks = _label_columns(grid, row)
    if not blocks:
        return []
    starts = [min(down) for down in blocks]
    ends = [*starts[1:], grid.width]
    return [
        _header(grid, row, down, range(min(down) + 1, end))
        for down, end in zip(blocks, ends, strict=True)
        if not all(grid.text(row + 1, at) == grid.text(row, at) != "" for at in down)
    ]


def header_without_corner(grid: Grid, row: int) -> Header | None:
    """Return a header that stands over part labels without naming them."""
    first = next(grid.filled(row), None)
    if not first:
        return None
    header = _header(grid, row, {first - 1: "part"}, range(first, grid.width))
    read = [{"operator", "trial"} <= labels.keys() for labels in header.across.values()]
    return header if len(read) > 1 and all(read) and not header.unread else None


def _label_columns(grid: Grid, row: int) -> list[dict[int, str]]:
    """Return the columns whose labels the row names; one group for each form side by side."""
    groups: list[dict[int, str]] = []
    for at in grid.filled(row):
        text = grid.text(row, at)
        keys = [meaning(piece) for piece in text.split("/")]
        if text.endswith(":") or not set(keys) <= set(KEYS) or len(set(keys)) != len(keys):
            continue
        if groups and _stands_over_numbers(grid, row, at, groups[-1]):
            continue
        last = at == max(grid.filled(row))
        if not groups or (at - 1 not in groups[-1] and not last):
            groups.append({})
        if len(keys) == 2 and grid.text(row, at + 1) in ("", text):
            groups[-1] |= {at: keys[0], at + 1: keys[1]}
        elif at not in groups[-1]:
            groups[-1][at] = "/".join(sorted(keys))
    return groups


def _stands_over_numbers(grid: Grid, row: int, at: int, down: dict[int, str]) -> bool:
    """Whether a word is the title of numbers below it, as "Part" over 1 to 10."""
    numbered = trial_number(grid.text(row + 1, at)) is not None
    return numbered and all(
        grid.text(row + 1, label) in ("", grid.text(row, label)) for label in down
    )


def _header(grid: Grid, row: int, down: dict[int, str], columns: range) -> Header:
    needed = set(KEYS) - {key for keys in down.values() for key in keys.split("/")}
    pivoted = _pivoted(grid, row, down)
    if pivoted:
        named = {key: _carried(_level(grid, row + i, columns)) for i, key in enumerate(pivoted)}
        levels = {"": named["operator"], "trial": named["trial"]}
        corner = meaning(grid.text(row + 2, min(down))) == "part"
        bottom = row + 2 if corner and not any(_level(grid, row + 2, columns).values()) else row + 1
        rows, down, needed = range(row, bottom + 1), {min(down): "part"}, {"operator", "trial"}
    else:
        rows, levels = _levels(grid, row, down, columns, needed)
    *upper, lowest = levels.values()
    shown = {
        at: next((text for r in reversed(rows) if (text := grid.text(r, at))), "") for at in lowest
    }
    ignored = {
        at: text
        for at, text in shown.items()
        if _is_ignored(text, lowest) or any(is_summary(level[at]) for level in upper)
    }
    kept = [at for at, text in lowest.items() if text != "" and at not in ignored]
    across = _read(
        {key: {at: without_unit(level[at]) for at in kept} for key, level in levels.items()}, needed
    )
    across = {at: labels for at, labels in across.items() if not may_be_summary(lowest[at])}
    unread = {at: lowest[at] for at in kept if at not in across}
    units = {unit_in(grid.text(r, at)) for r in rows for at in lowest} - {""}
    return Header(rows[0], rows[-1], down, across, ignored, unread, tuple(sorted(units)))


def _pivoted(grid: Grid, row: int, down: dict[int, str]) -> list[str]:
    """Return operator and trial, in their order, where two rows begin with these words."""
    at = min(down)
    keys = [meaning(grid.text(row, at)), meaning(grid.text(row + 1, at))]
    return keys if len(down) == 1 and set(keys) == {"operator", "trial"} else []


def _levels(
    grid: Grid, row: int, down: dict[int, str], columns: Sequence[int], needed: set[str]
) -> tuple[range, dict[str, Level]]:
    """Return the rows of a header and its levels, the lowest last; "" where unnamed."""
    columns = [at for at in columns if at not in down]
    above, here, below = (_level(grid, r, columns) for r in (row - 1, row, row + 1))
    if all(grid.text(row + 1, at) == "" for at in down):
        levels = _two_levels(here, below, needed)
        if levels:
            return range(row, row + 2), levels
    corner = [grid.text(row - 1, at) for at in down]
    captions = any(text.endswith(":") for text in above.values())
    if not captions and all(text == "" or meaning(text) for text in corner):
        levels = _two_levels(above, here, needed)
        if levels:
            return range(row - 1, row + 1), levels
    return range(row, row + 1), {"": here}


def _two_levels(upper: Level, lower: Level, needed: set[str]) -> dict[str, Level]:
    """Return the levels that two rows make; none where they are not one header."""
    if not any(upper.values()) or not any(lower.values()) or _has_readings(lower):
        return {}
    title = _title(upper)
    if title:
        return {title if title in needed and title != "operator" else "": lower}
    if len(needed) == 2 and "trial" in needed:
        if _numbered(lower):
            return {"": _carried(upper), "trial": lower}
        if _numbered(upper) and not any(map(looks_numeric, lower.values())):
            return {"trial": _carried(upper), "": lower}
    return {}


def _has_readings(level: Level) -> bool:
    return any(looks_numeric(text) and trial_number(text) is None for text in level.values())


def _level(grid: Grid, row: int, columns: Sequence[int]) -> Level:
    return {at: grid.text(row, at) for at in columns}


def _carried(level: Level) -> Level:
    """Return the texts carried on over the blank cells to their right."""
    texts, last = {}, ""
    for at, text in level.items():
        last = text or last
        texts[at] = last
    return texts


def _title(level: Level) -> str:
    """Return what a row says about all that stands below it: part, trial, reading ..."""
    names = {without_unit(text) for text in level.values() if text and not _is_ignored(text, level)}
    return meaning(names.pop()) if len(names) == 1 else ""


def _numbered(level: Level) -> bool:
    """Whether a row numbers trials: besides numbers only summaries and blank cells."""
    texts = [text for text in level.values() if text and not _is_ignored(text, level)]
    return bool(texts) and all(trial_number(without_unit(text)) is not None for text in texts)


def _is_ignored(text: str, level: Level) -> bool:
    """Whether a column holds no readings: averages, ranges, remarks."""
    return is_summary(text) or is_beside(text) or is_summary_letter(text, level.values())


def _read(levels: dict[str, Level], needed: set[str]) -> dict[int, dict[str, Any]]:
    """Return what each column stands for; a column that cannot be read is left out."""
    read: dict[int, dict[str, Any]] = {at: {} for level in levels.values() for at in level}
    for key, level in levels.items():
        if key == "":
            for at, labels in _read_names(level, needed - levels.keys()).items():
                read[at] |= labels
        else:
            for at, text in level.items():
                read[at][key] = trial_number(text) if key == "trial" else plain_label(text, key)
    wanted = max((len(labels) for labels in read.values()), default=0)
    return {
        at: labels
        for at, labels in read.items()
        if labels and len(labels) == wanted and not {None, "", 0} & set(labels.values())
    }


def _read_names(names: Level, needed: set[str]) -> dict[int, dict[str, Any]]:
    """Read headers that say for themselves what they stand for; Reading is no name."""
    names = {at: name for at, name in names.items() if meaning(name) == ""}
    trials = {at: trial_number(name) for at, name in names.items()}
    all_trials = None not in trials.values()
    worded = all_trials and not any(name.isdecimal() for name in names.values())
    distinct = len(set(trials.values())) == len(trials)
    if needed == {"trial"} or ("trial" in needed and distinct and worded):
        return {at: {"trial": number} for at, number in trials.items()}
    if needed == {"operator", "trial"} and distinct and all_trials:
        return {at: {"trial": number} for at, number in trials.items()}
    if "part" in needed:
        parts = {at: plain_label(name, "part") for at, name in names.items()}
        if "operator" in needed and all(parts[at] == name for at, name in names.items()):
            return {}  # parts or operators: it does not say
        return {at: {"part": part} for at, part in parts.items()}
    pairs = {at: operator_and_trial(name) for at, name in names.items()}
    if "trial" in needed and any(pairs.values()):
        return {at: {"operator": pair[0], "trial": pair[1]} for at, pair in pairs.items() if pair}
    return {
        at: {"operator": plain_label(name, "operator")}
        for at, name in names.items()
        if "operator" in needed and ("trial" not in needed or _names_a_person(name))
    }


def _names_a_person(name: str) -> bool:
    return trial_number(name) is None and not looks_numeric(name)
