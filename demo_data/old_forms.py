"""Forms as people kept them for years, for the reader of old spreadsheets."""

from __future__ import annotations

import io
import os
import re
import zipfile
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from dowel_pins import GOOD_HANDS
from simulate import measured, spread_evenly

TRIALS = (1, 2, 3)


def old_forms(target: Path) -> None:
    """Write a workbook with a block an operator, and two text forms with decimal commas."""
    rng = np.random.default_rng(20190514)
    sizes = rng.permutation(spread_evenly(10.009, 0.0015, 10))
    pins = {str(number): float(size) for number, size in enumerate(sizes, start=1)}
    readings = measured(
        rng,
        pins,
        GOOD_HANDS,
        trials=3,
        resolution=0.0001,
        per_micrometre=0.001,
        begin=datetime(2019, 5, 14, 7, 30),
    )
    values = {(r.part, r.operator, r.trial): r.value for r in readings}
    _write_workbook(target / "old_form.xlsx", values)
    _write_parts_down(target / "old_form_parts_down.csv", values)
    _write_parts_across(target / "old_form_parts_across.csv", values)


def _labels(values: dict[tuple[str, str, int], float]) -> tuple[list[str], list[str]]:
    return (
        list(dict.fromkeys(sorted((part for part, _, _ in values), key=int))),
        list(dict.fromkeys(operator for _, operator, _ in values)),
    )


def _write_workbook(path: Path, values: dict[tuple[str, str, int], float]) -> None:
    # With lxml openpyxl writes other bytes: the same ones come whether it is there or not.
    os.environ["OPENPYXL_LXML"] = "False"
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Font

    parts, operators = _labels(values)
    book = Workbook()
    sheet = book.active
    sheet.title = "Gauge study 2019"
    sheet.append(["GAUGE STUDY (example with invented readings)"])
    sheet.merge_cells("A1:G1")
    sheet["A1"].font = Font(bold=True, size=14)
    sheet["A1"].alignment = Alignment(horizontal="center")
    sheet.append(["Part name:", "Dowel pin 10 m5", None, "Gauge no.:", "demo micrometer 2"])
    sheet.append(["Tolerance:", "10.006 - 10.012", None, "Date:", datetime(2019, 5, 14)])
    sheet.append(["Unit:", "mm"])
    for number, operator in enumerate(operators):
        sheet.append([])
        sheet.append([f"Operator: {operator}"])
        row = sheet.max_row + 1
        sheet.append(["Pin", "Trial", None, None, "Average", "Range", "Remarks"])
        sheet.append([None, *TRIALS])
        for span in ("A{0}:A{1}", "E{0}:E{1}", "F{0}:F{1}", "G{0}:G{1}", "B{0}:D{0}"):
            sheet.merge_cells(span.format(row, row + 1))
        sheet.cell(row, 1).value = "Part"
        block = []
        for part in parts:
            numbers: list[Any] = [values[part, operator, trial] for trial in TRIALS]
            remark = None
            if (number, part) == (1, "6"):
                numbers[2], remark = None, "dropped, not measured again"
            kept = [x for x in numbers if x is not None]
            block.append(kept)
            mean, extent = round(sum(kept) / len(kept), 5), round(max(kept) - min(kept), 4)
            sheet.append([int(part), *numbers, mean, extent, remark])
        mean = round(sum(map(sum, block)) / sum(map(len, block)), 5)
        extent = round(sum(max(kept) - min(kept) for kept in block) / len(block), 5)
        sheet.append(["Average", None, None, None, mean, extent])
    sheet.append([])
    sheet.append(["R-bar", 0.00011])
    sheet.append(["EV", 0.00037])
    sheet.append(["Signed:", "(invented)"])
    book.create_sheet("Notes").append(["Copied from the paper form."])
    book.properties.creator = "invented"
    _save_without_the_clock(book, path)


def _save_without_the_clock(book: Any, path: Path) -> None:
    """Save so that the same workbook always gives the same bytes."""
    book.properties.created = datetime(2019, 5, 14)
    saved = io.BytesIO()
    book.save(saved)
    with zipfile.ZipFile(saved) as source, zipfile.ZipFile(path, "w") as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                modified = rb"(<dcterms:modified[^>]*>)[^<]*"
                content = re.sub(modified, rb"\g<1>2019-05-14T00:00:00Z", content)
            part = zipfile.ZipInfo(name, (2019, 5, 14, 0, 0, 0))
            part.compress_type = zipfile.ZIP_DEFLATED
            target.writestr(part, content)


def _comma(value: float) -> str:
    return f"{value:.4f}".replace(".", ",")


def _write_parts_down(path: Path, values: dict[tuple[str, str, int], float]) -> None:
    """Two header rows, averages between, semicolons, decimal commas, Windows encoding."""
    parts, operators = _labels(values)
    lines = [["Gauge study (example with invented readings), last digit 0,1 µm"], []]
    lines.append(["", *(cell for name in operators for cell in (name, "", "", "Average"))])
    lines.append(["Part", *(cell for _ in operators for cell in ("1", "2", "3", ""))])
    for part in parts:
        line = [part]
        for operator in operators:
            numbers = [values[part, operator, trial] for trial in TRIALS]
            line += [*map(_comma, numbers), _comma(sum(numbers) / 3)]
        lines.append(line)
    text = "\r\n".join(";".join(line) for line in lines) + "\r\n"
    path.write_bytes(text.encode("cp1252"))


def _write_parts_across(path: Path, values: dict[tuple[str, str, int], float]) -> None:
    """Operators and trials down, parts across, average and range rows; tabs, UTF-16."""
    parts, operators = _labels(values)
    lines = [["Gauge study (example with invented readings)"], []]
    lines.append(["Operator", "Trial", *(f"Part {part}" for part in parts), "Average"])
    for operator in operators:
        rows = [[values[part, operator, trial] for part in parts] for trial in TRIALS]
        for trial, row in zip(TRIALS, rows, strict=True):
            name = operator if trial == 1 else ""
            lines.append([name, str(trial), *map(_comma, row), _comma(sum(row) / len(row))])
        columns = list(zip(*rows, strict=True))
        lines.append(["", "Average", *(_comma(sum(column) / 3) for column in columns), ""])
        lines.append(["", "R", *(_comma(max(c) - min(c)) for c in columns), ""])
    text = "\r\n".join("\t".join(line) for line in lines) + "\r\n"
    path.write_bytes(text.encode("utf-16"))
