"""Forms filled in by hand: labels down the side and across the top, one or more blocks.

A form is read by these rules, and refused where they leave a reading without its place:

1. A header is a row that names part, operator or trial over a column of labels (`_label_columns`),
   or stands over part labels and names operators and trials (`_header_without_corner`).
2. Over the readings stand one row of names, or two rows, one of names and one of trials, or a
   title and what it is the title of (`_heading`). Names say for themselves what they are: trials
   are numbered, parts are "Part 1", operators have a trial behind them or none (`_read_names`).
3. A header with more numbers than words below it heads a block, down to the next (`_blocks`).
4. Lines above a block may state its operator, trial, method or unit (`_captions`).
5. In a block a row is left as a summary or a remark by its label, and read where it has numbers;
   one that stands apart below a gap and is not filled is refused (`_read_block`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from grr.files.readers.grid import (
    Found,
    Grid,
    Layout,
    address,
    column_letter,
    counts_readings,
    label_text,
    looks_empty,
    looks_numeric,
    shown,
    trial_label,
)
from grr.files.readers.words import (
    is_beside,
    is_summary,
    is_summary_letter,
    may_be_summary,
    operator_and_trial,
    plain_label,
    trial_number,
)
from grr.model.columns import role_of, unit_in, without_unit
from grr.model.units import SPELLINGS

LABELS = ("part", "operator", "trial")

#: One row of a header: column → text.
Level = dict[int, str]


#: What a caption may state for the readings below it.
STATED = (*LABELS, "method", "unit")


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


@dataclass(frozen=True)
class FormHeading:
    """The one or two rows over the readings.

    Parameters
    ----------
    rows : range
    lowest, upper : dict
        Column → text; where two rows make the heading, one holds names and one trials.
    trials : bool
        Whether the trials stand in the lowest of two rows, not in the upper one.
    title : str
        What a title over the row says of it: part or trial; "" where it says nothing.
    """

    rows: range
    lowest: Level
    upper: Level = field(default_factory=dict)
    trials: bool = False
    title: str = ""


@dataclass(frozen=True)
class Block:
    """A header, the rows below it and the columns that belong to it (ends excluded)."""

    header: Header
    rows: range
    columns: range


def wide_layout(grid: Grid) -> Layout | None:
    """Return where the readings of a form stand; None where there is no such form.

    Raises
    ------
    StudyError
        There is one, and a row or a header of it cannot be used.
    """
    blocks = _blocks(grid)
    if not blocks:
        return None
    headings = {row for b in blocks for row in range(b.header.top, b.header.bottom + 1)}
    layout = Layout(_form(blocks))
    for block in blocks:
        _read_block(grid, block, headings, layout)
    used = headings.union(*(block.rows for block in blocks))
    for row in range(len(grid.cells)):
        if row in used or grid.blank_row(row):
            continue
        if unit := _captions(grid, row).get("unit"):
            layout.units.append((unit, f"row {row + 1}"))
        elif row not in layout.captions:
            layout.ignored_rows[row] = grid.row_text(row)
    return layout


def _form(blocks: list[Block]) -> str:
    first = blocks[0].header
    down = " and ".join(key for keys in first.down.values() for key in keys.split("/"))
    across = " and ".join(next(iter(first.across.values()), {"readings": ""}))
    count = "" if len(blocks) == 1 else f", {len(blocks)} blocks"
    return f"a form with {down} down and {across} across{count}"


def _blocks(grid: Grid) -> list[Block]:
    """Return the blocks whose headers have readings below them."""
    rows = range(len(grid.cells))
    headers = [header for row in rows for header in _headers_at(grid, row)]
    if not any(_serves(grid, header, headers) for header in headers):
        unnamed = [_header_without_corner(grid, row) for row in rows]
        headers = [header for header in unnamed if header is not None][:1]
    serving = [header for header in headers if _serves(grid, header, headers)]
    most = max((len(header.across) for header in serving), default=0)
    chosen = [header for header in serving if 2 * len(header.across) >= most]
    blocks = []
    for header in chosen:
        beside = [other for other in chosen if other.top == header.top]
        left = min(header.down) if min(header.down) > min(min(o.down) for o in beside) else 0
        right = [min(o.down) for o in beside if min(o.down) > min(header.down)]
        rows = range(header.bottom + 1, _end(grid, header, chosen))
        blocks.append(Block(header, rows, range(left, min(right, default=grid.width))))
    return blocks


def _end(grid: Grid, header: Header, headers: list[Header]) -> int:
    below = [other.top for other in headers if other.top > header.bottom]
    return min(below, default=len(grid.cells))


def _serves(grid: Grid, header: Header, headers: list[Header]) -> bool:
    """Whether readings stand below the header; a form's head has words there."""
    columns = [*header.across, *header.unread]
    cells = [
        grid.at(row, at)
        for row in range(header.bottom + 1, _end(grid, header, headers))
        for at in columns
    ]
    words = [cell for cell in cells if not looks_empty(cell) and not looks_numeric(cell)]
    return sum(map(looks_numeric, cells)) > len(words)


def _read_block(grid: Grid, block: Block, headings: set[int], layout: Layout) -> None:
    header = block.header
    _refuse_unread_header(grid, header)
    _refuse_readings_without_header(grid, block, layout)
    layout.units += [(unit, f"the header in row {header.bottom + 1}") for unit in header.units]
    layout.ignored_columns += [
        f"column {column_letter(at)} ({text})" for at, text in header.ignored.items()
    ]
    constant = _stated_above(grid, block, headings, layout)
    above: dict[str, str] = {}
    gap = False
    for row in block.rows:
        cells = [grid.at(row, at) for at in header.across]
        labels = [grid.text(row, at) for at in header.down]
        numbers = sum(map(looks_numeric, cells))
        if not any(labels) and all(map(looks_empty, cells)):
            gap = True
        elif units := _only_units(labels, cells):
            layout.units += [(unit, f"row {row + 1}") for unit in units]
        elif reason := _no_readings(grid, row, block, gap=gap):
            layout.ignored_rows[row] = reason
        elif gap and 2 * numbers <= len(cells) and numbers:
            raise grid.refusal(
                "The row stands apart below the form and it is not clear whether it holds readings",
                "Close the gap above it if it does; otherwise delete it or move it to another "
                "sheet",
                row,
                min(header.down),
            )
        else:
            down = _labels_of_row(grid, header, row, above)
            for at, across in header.across.items():
                found = {**constant, **down, **across}
                layout.found.append(_complete(grid, row, at, found, layout))


def _only_units(labels: list[str], cells: list[Any]) -> list[str]:
    """Return the units of a row that holds nothing else, below the header of a form."""
    texts = [text for text in map(shown, cells) if text]
    units = [text for text in texts if text.lower() in SPELLINGS]
    return units if not any(labels) and len(units) == len(texts) else []


def _refuse_unread_header(grid: Grid, header: Header) -> None:
    for at, text in header.unread.items():
        raise grid.refusal(
            "The header does not say which operator and trial, or which part, the column is for",
            "Write it like Anna 1, Anna 2, Boris 1, Boris 2, or put the operators in one row and "
            "the trials 1, 2, 3 in the row below; empty the header of a column without readings",
            header.bottom,
            at,
            text,
        )


def _stated_above(grid: Grid, block: Block, headings: set[int], layout: Layout) -> dict[str, Any]:
    """Return what captions above a block state for all its readings."""
    header = block.header
    named = {key for keys in header.down.values() for key in keys.split("/")} | {"unit"}
    named |= {key for labels in header.across.values() for key in labels}
    stated: dict[str, Any] = {}
    for row in range(header.top):
        if row in headings:
            continue
        found = _captions(grid, row, block.columns.start, block.columns.stop)
        found = {key: text for key, text in found.items() if key not in named}
        stated |= found
        if found:
            layout.captions[row] = grid.row_text(row)
            layout.ignored_rows.pop(row, None)
    if "trial" in stated:
        stated["trial"] = trial_number(stated["trial"])
    return {key: value for key, value in stated.items() if value is not None}


def _refuse_readings_without_header(grid: Grid, block: Block, layout: Layout) -> None:
    header = block.header
    named = {*header.down, *header.across, *header.ignored}
    for at in block.columns:
        filled = [row for row in block.rows if grid.text(row, at) != ""]
        if at in named or at < min(header.down) or not filled:
            continue
        if at - 1 in named:
            raise grid.refusal(
                "The column has entries but no header",
                "Name the operator and the trial above it, or Average or Range, or Remarks",
                filled[0],
                at,
            )
        layout.ignored_columns.append(f"column {column_letter(at)}, beside the form")


def _no_readings(grid: Grid, row: int, block: Block, *, gap: bool) -> str:
    """Return why a row of a block holds no readings; "" where it does or should."""
    labels = [grid.text(row, at) for at in block.header.down]
    for at, key in block.header.down.items():
        label = grid.text(row, at)
        others = [grid.text(r, at) for r in block.rows] if may_be_summary(label) else []
        if is_summary(label) or (key == "trial" and may_be_summary(label)):
            return grid.row_text(row)
        if is_summary_letter(label, others):
            return grid.row_text(row)
        if may_be_summary(label):
            raise grid.refusal(
                f"It is not clear whether {label} names one {key} or stands for ranges or averages",
                f"Write {key.capitalize()} {label}, or Range, or Average",
                row,
                at,
            )
    cells = [grid.at(row, at) for at in block.header.across]
    if any(map(looks_numeric, cells)):
        return ""
    first = next(filter(None, labels), "")
    words = [str(cell) for cell in cells if not looks_empty(cell)]
    if words and gap:
        return grid.row_text(row)
    own = {key for keys in block.header.down.values() for key in keys.split("/")}
    stated = _captions(grid, row, block.columns.start, block.columns.stop).keys() - own
    if stated or (not words and (":" in first or len(first.split()) > 3)):
        return grid.row_text(row)
    return ""


def _labels_of_row(grid: Grid, header: Header, row: int, above: dict[str, str]) -> dict[str, Any]:
    """Return the labels of a row; outer ones may be written once for several rows."""
    labels: dict[str, Any] = {}
    *_, innermost = header.down
    for at, keys in header.down.items():
        text = label_text(grid, row, at, keys.partition("/")[0])
        if keys == "operator":
            text = re.sub(r"^[0-9]+\.\s*(?![0-9])", "", text)  # the line number of a printed form
        if at != innermost and len(header.down) > 1:
            text = above[keys] = text or above.get(keys, "")
        if text == "":
            raise grid.refusal(
                f"The row has readings but no {keys}", f"Enter the {keys} in this row", row, at
            )
        if keys == "operator/trial":
            pair = operator_and_trial(text)
            if pair is None:
                raise grid.refusal(
                    "The label does not name operator and trial", "Write it like A1", row, at
                )
            labels |= {"operator": pair[0], "trial": pair[1]}
        elif keys == "trial":
            labels["trial"] = trial_label(grid, row, at)
        else:
            labels[keys] = plain_label(text, keys)
    return labels


def _complete(grid: Grid, row: int, at: int, labels: dict[str, Any], layout: Layout) -> Found:
    if "part" not in labels:
        raise grid.refusal(
            "The form does not say which part was measured",
            "Name the parts in a column or row headed Part, or write “Part: 7” above the block",
            row,
            at,
        )
    for key, one, assumption in (
        ("operator", "1", "no operator is named: taken as one operator, called 1"),
        ("trial", 1, "no trial is named: taken as the first trial"),
    ):
        if key not in labels:
            labels = {**labels, key: one}
            if assumption not in layout.assumed:
                layout.assumed.append(assumption)
    return Found(row, at, labels, f"cell {address(row, at)}")


def _headers_at(grid: Grid, row: int) -> list[Header]:
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


def _header_without_corner(grid: Grid, row: int) -> Header | None:
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
        keys = [role_of(piece) for piece in text.split("/")]
        if (row, at) in grid.stated:
            keys = [grid.stated[row, at]]
        elif groups and at - 1 in groups[-1] and counts_readings(grid, row, at):
            keys = ["trial"]
        if text.endswith(":") or not set(keys) <= set(LABELS) or len(set(keys)) != len(keys):
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
    heading = _pivoted(grid, row, down, columns)
    if heading:
        down = {min(down): "part"}
    needed = set(LABELS) - {key for keys in down.values() for key in keys.split("/")}
    heading = heading or _heading(grid, row, down, columns, needed)
    rows, lowest, upper = heading.rows, heading.lowest, heading.upper
    shown = {
        at: next((text for r in reversed(rows) if (text := grid.text(r, at))), "") for at in lowest
    }
    ignored = {
        at: text
        for at, text in shown.items()
        if _is_ignored(text, lowest) or is_summary(upper.get(at, ""))
    }
    kept = [at for at, text in lowest.items() if text != "" and at not in ignored]
    across = _read(heading, kept, needed)
    across = {at: labels for at, labels in across.items() if not may_be_summary(lowest[at])}
    unread = {at: lowest[at] for at in kept if at not in across}
    units = {unit_in(grid.text(r, at)) for r in rows for at in lowest} - {""}
    return Header(rows[0], rows[-1], down, across, ignored, unread, tuple(sorted(units)))


def _pivoted(grid: Grid, row: int, down: dict[int, str], columns: range) -> FormHeading | None:
    """Return operators over trials, or the reverse, where two rows begin with these words."""
    at = min(down)
    keys = [role_of(grid.text(row, at)), role_of(grid.text(row + 1, at))]
    if len(down) > 1 or set(keys) != {"operator", "trial"}:
        return None
    upper, lowest = (_carried(_level(grid, r, columns)) for r in (row, row + 1))
    corner = role_of(grid.text(row + 2, at)) == "part"
    bottom = row + 2 if corner and not any(_level(grid, row + 2, columns).values()) else row + 1
    return FormHeading(range(row, bottom + 1), lowest, upper, trials=keys[1] == "trial")


def _heading(
    grid: Grid, row: int, down: dict[int, str], columns: range, needed: set[str]
) -> FormHeading:
    """Return the one or two rows over the readings: with the row below, above, or alone."""
    above, here, below = (
        {at: text for at, text in _level(grid, r, columns).items() if at not in down}
        for r in (row - 1, row, row + 1)
    )
    if all(grid.text(row + 1, at) == "" for at in down):
        heading = _two_rows(range(row, row + 2), here, below, needed)
        if heading:
            return heading
    corner = [grid.text(row - 1, at) for at in down]
    captions = any(text.endswith(":") for text in above.values())
    if not captions and all(text == "" or role_of(text) for text in corner):
        heading = _two_rows(range(row - 1, row + 1), above, here, needed)
        if heading:
            return heading
    return FormHeading(range(row, row + 1), here)


def _two_rows(rows: range, upper: Level, lowest: Level, needed: set[str]) -> FormHeading | None:
    """Return the heading that two rows make; None where they are not one."""
    readings = (looks_numeric(one) and trial_number(one) is None for one in lowest.values())
    if not any(upper.values()) or not any(lowest.values()) or any(readings):
        return None
    title = _title(upper)
    if title:
        return FormHeading(rows, lowest, title=title if title in ("part", "trial") else "")
    if len(needed) == 2 and "trial" in needed:
        if _numbered(lowest):
            return FormHeading(rows, lowest, _carried(upper), trials=True)
        if _numbered(upper) and not any(map(looks_numeric, lowest.values())):
            return FormHeading(rows, lowest, _carried(upper))
    return None


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
    return role_of(names.pop()) if len(names) == 1 else ""


def _numbered(level: Level) -> bool:
    """Whether a row numbers trials: besides numbers only summaries and blank cells."""
    texts = [text for text in level.values() if text and not _is_ignored(text, level)]
    return bool(texts) and all(trial_number(without_unit(text)) is not None for text in texts)


def _is_ignored(text: str, level: Level) -> bool:
    """Whether a column holds no readings: averages, ranges, remarks."""
    return is_summary(text) or is_beside(text) or is_summary_letter(text, level.values())


def _read(heading: FormHeading, kept: list[int], needed: set[str]) -> dict[int, dict[str, Any]]:
    """Return what each column stands for; a column that cannot be read is left out."""
    names, numbers = heading.lowest, heading.upper
    if heading.trials:
        names, numbers = numbers, names
    names = {at: without_unit(names[at]) for at in kept}
    read: dict[int, dict[str, Any]]
    if heading.title in needed:
        of_title = trial_number if heading.title == "trial" else partial(plain_label, key="part")
        read = {at: {heading.title: of_title(name)} for at, name in names.items()}
    elif numbers:
        read = _read_names(names, needed - {"trial"})
        for at, labels in read.items():
            trial = {"trial": trial_number(without_unit(numbers[at]))}
            read[at] = {**labels, **trial} if heading.trials else {**trial, **labels}
    else:
        read = _read_names(names, needed)
    return {at: labels for at, labels in read.items() if not {None, "", 0} & set(labels.values())}


def _read_names(names: Level, needed: set[str]) -> dict[int, dict[str, Any]]:
    """Read headers that say for themselves what they stand for; Reading is no name."""
    names = {at: name for at, name in names.items() if role_of(name) == ""}
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
        if "operator" in needed
        and ("trial" not in needed or (trial_number(name) is None and not looks_numeric(name)))
    }


def _captions(grid: Grid, row: int, first: int = 0, end: int | None = None) -> dict[str, str]:
    """Return what a row states: "Operator: Anna" in one cell, or Operator and Anna in two.

    Only the columns from ``first`` to before ``end`` are looked at.
    """
    filled = [at for at in grid.filled(row) if at >= first and (end is None or at < end)]
    stated = {}
    for position, at in enumerate(filled):
        text = grid.text(row, at)
        name, colon, value = (piece.strip() for piece in text.partition(":"))
        key = role_of(name)
        if key in STATED and colon and value:
            stated[key] = value
        elif key in STATED and not value and position + 1 < len(filled):
            stated[key] = grid.text(row, filled[position + 1])
        elif len(filled) == 1:
            word = role_of(text.partition(" ")[0])
            if word in STATED and plain_label(text, word) != text:
                stated[word] = plain_label(text, word)
    return stated
