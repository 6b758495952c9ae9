"""Forms filled in by hand: labels down the side and across the top, one or more blocks."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from grr.files.readers.captions import captions
from grr.files.readers.grid import Grid, address, column_letter, shown
from grr.files.readers.layout import Found, Layout, looks_empty, looks_numeric
from grr.files.readers.long_form import label_text, trial_label
from grr.files.readers.wide_header import Header, header_without_corner, headers_at
from grr.files.readers.words import (
    is_summary,
    is_summary_letter,
    may_be_summary,
    operator_and_trial,
    plain_label,
    trial_number,
)
from grr.model.errors import StudyError
from grr.model.units import SPELLINGS


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
        if unit := captions(grid, row).get("unit"):
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
    headers = [header for row in rows for header in headers_at(grid, row)]
    if not any(_serves(grid, header, headers) for header in headers):
        unnamed = [header_without_corner(grid, row) for row in rows]
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
            raise _unclear(grid, row, min(header.down))
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
        found = captions(grid, row, block.columns.start, block.columns.stop)
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
    stated = captions(grid, row, block.columns.start, block.columns.stop).keys() - own
    if stated or (not words and (":" in first or len(first.split()) > 3)):
        return grid.row_text(row)
    return ""


def _unclear(grid: Grid, row: int, column: int) -> StudyError:
    return grid.refusal(
        "The row stands apart below the form and it is not clear whether it holds readings",
        "Close the gap above it if it does; otherwise delete it or move it to another sheet",
        row,
        column,
    )


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
