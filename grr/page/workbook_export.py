"""`grr.export_workbook`: readings and result tables as an Excel workbook."""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Sequence
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from grr.files.allowed_files import target_file
from grr.files.disk import write_bytes
from grr.model.choices import NAMES
from grr.model.errors import StudyError
from grr.model.rounding import decimals_for, reading_decimals
from grr.model.study import Study
from grr.model.values import needs
from grr.page.conduct import all_facts, readings_fingerprint, versions
from grr.questions.check import check
from grr.questions.gauge import (
    EXAMPLE,
    GaugeResult,
    anova,
    average_range,
    result_of_record,
    tolerance_text,
)
from grr.questions.verdict import CAUTION, Verdict, verdict

if TYPE_CHECKING:
    from openpyxl import Workbook


DATE = "yyyy-mm-dd hh:mm:ss"
#: The longest text that a cell holds, by the file format (ECMA-376).
LONGEST = 32_767
#: What cannot stand in such a file: controls, halves of characters, and marks of direction.
_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff"
                    "\u200e\u200f\u202a-\u202e\u2066-\u2069]")  # fmt: skip
#: Every file in the workbook gets this time, and so does the workbook itself.
_TIME = (1980, 1, 1, 0, 0, 0)
_STAMP = b"1980-01-01T00:00:00Z"


def export_workbook(study: Study, path: str | PathLike[str], *, overwrite: bool = False) -> Path:
    """Write readings and result tables of a study as an Excel workbook.

    Parameters
    ----------
    study : Study
    path : str or path
        Ends in .xlsx.
    overwrite : bool
        Whether a file that grr did not make may be replaced.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    StudyError
        Another ending, a study that cannot be analysed, or a place that cannot be written
        or holds a file that grr did not make.

    Notes
    -----
    Numbers are numbers with all their digits, shown with the gauge's decimals. What people
    wrote is text in every cell, whatever it begins with, so that no spreadsheet takes it
    for a formula. The same study gives the same bytes.
    """
    from openpyxl import Workbook

    target = target_file(path, ".xlsx", overwrite=overwrite)
    needs(study, Study)
    parts = {
        name: study.for_method(name) if len(study.methods) > 1 else study
        for name in (study.methods if len(study.methods) > 1 else ("",))
    }
    results = {name: result_of_record(one) for name, one in parts.items()}
    book = Workbook()
    assert book.active is not None
    book.remove(book.active)
    book.properties.creator = book.properties.lastModifiedBy = "grr"
    _decision(book, study, {name: verdict(result) for name, result in results.items()})
    _readings(book, study)
    _sources(book, results)
    _anova(book, results)
    _intervals(book, results)
    _findings(book, study)
    _about(book, study)
    write_bytes(target, same_bytes(book))
    return target


def _decision(book: Workbook, study: Study, verdicts: dict[str, Verdict]) -> None:
    sheet = Sheet(book, "Decision", widths=(26, 100))
    if study.example:
        sheet.row([EXAMPLE], bold=True)
    sheet.row(["Study", study.title])
    sheet.row(["Tolerance", tolerance_text(study)])
    for name, found in verdicts.items():
        if name:
            sheet.row(["Method", name], bold=True)
        sheet.row(["Decision", found.decision], bold=True)
        sheet.row(["By the rule", found.by_manual])
        sheet.row(["How sure that is", found.by_confidence])
        for title, sentences in (
            ("Why", found.reasons),
            (found.conditions_title, found.conditions),
            ("What to do next", found.next_steps),
        ):
            for index, sentence in enumerate(sentences):
                sheet.row(["" if index else title, sentence])
    sheet.row(["", CAUTION])


def _readings(book: Workbook, study: Study) -> None:
    table = study.readings
    kinds = {"reading": decimals_format(reading_decimals(study.resolution)), "time": DATE}
    if study.resolution is None:
        kinds["reading"] = "General"
    columns = [str(column) for column in table.columns]
    sheet = Sheet(
        book, "Readings", widths=[24 if c == "time" else 14 for c in columns], frozen=True
    )
    unit = f" ({study.unit})" if study.unit else ""
    sheet.row([f"{c}{unit}" if c == "reading" else c for c in columns], bold=True)
    formats = [kinds.get(column, "") for column in columns]
    for row in table.itertuples(index=False, name=None):
        sheet.row([_plain(value) for value in row], formats=formats)


def _plain(value: Any) -> Any:
    """Return a value as a cell holds it: None where missing, times without their zone."""
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return None
    if isinstance(value, pd.Timestamp):
        return value.tz_localize(None).floor("ms").to_pydatetime()
    return value.item() if hasattr(value, "item") else value


def _both(result: GaugeResult) -> list[GaugeResult]:
    """Return the result of record, then that of the other method of calculation."""
    other = anova if result.method == "average_range" else average_range
    try:
        return [result, other(result.study)]
    except StudyError:
        return [result]


def _sources(book: Workbook, results: dict[str, GaugeResult]) -> None:
    sheet = Sheet(book, "Sources", widths=(16, 10, 22, *[18] * 6, 60), frozen=True)
    unit = next(iter(results.values())).study.unit
    heads = {
        "variance": f"variance ({unit}²)" if unit else "variance",
        "sd": f"sd ({unit})" if unit else "sd",
        "spread": f"spread ({unit})" if unit else "spread",
        "percent_contribution": "% of variance",
        "percent_tv": "% of total",
        "percent_tolerance": "% of tolerance",
    }
    sheet.row(["calculated by", "source", "in words", *heads.values(), "note"], bold=True)
    for name, result in results.items():
        for one in _both(result):
            if name:
                sheet.row([f"measured by {name}"], bold=True)
            for source, values in one.sources.iterrows():
                numbers = [_number(float(values[measure])) for measure in heads]
                reason = one.reasons.get(str(source), "")
                if str(source) in one.below_zero:
                    reason = "estimated below zero"
                sheet.row(
                    [
                        one.method.replace("_", " "),
                        str(source),
                        NAMES[str(source)],
                        *numbers,
                        reason,
                    ],
                    formats=["", "", "", *map(figures_format, numbers), ""],
                )
            sheet.row(
                [
                    one.method.replace("_", " "),
                    "ndc",
                    "distinct categories",
                    _number(one.ndc_exact),
                ],
                formats=["", "", "", "0.00"],
            )
            for note in one.notes:
                sheet.row(["", "", note])


def _anova(book: Workbook, results: dict[str, GaugeResult]) -> None:
    sheet = Sheet(book, "Analysis of variance", widths=(18, 8, 18, 18, 12, 12, 18), frozen=True)
    head = ["source", "df", "sum of squares", "mean square", "F", "p", "tested against"]
    sheet.row(head, bold=True)
    for name, result in results.items():
        if name:
            sheet.row([f"measured by {name}"], bold=True)
        if result.anova_table is None:
            sheet.row([result.anova_table_reason])
            continue
        for row in result.anova_table.itertuples(name=None):
            values = [_number(v) if isinstance(v, float) else v for v in row]
            sheet.row(
                values,
                formats=[figures_format(v) if isinstance(v, float) else "" for v in values],
            )


def _intervals(book: Workbook, results: dict[str, GaugeResult]) -> None:
    sheet = Sheet(book, "Intervals", widths=(12, 22, 16, 16, 16, 60), frozen=True)
    sheet.row(["quantity", "measure", "estimate", "lower", "upper", "reason"], bold=True)
    for name, result in results.items():
        if name:
            sheet.row([f"measured by {name}"], bold=True)
        level = result.study.rules.confidence
        sheet.row([f"two-sided, {100 * level:g} %"])
        try:
            table = result.intervals(level=level).to_frame().reset_index()
        except StudyError as error:
            sheet.row([str(error)])
            continue
        for quantity, measure, *numbers, reason in table.itertuples(index=False, name=None):
            shown = [_number(value) for value in numbers]
            sheet.row(
                [quantity, measure, *shown, reason],
                formats=["", "", *map(figures_format, shown), ""],
            )


def _findings(book: Workbook, study: Study) -> None:
    sheet = Sheet(book, "Findings", widths=(10, 18, 34, 70, 70), frozen=True)
    sheet.row(["severity", "topic", "place", "what was found", "what to do"], bold=True)
    findings = check(study)
    for one in findings:
        sheet.row([one.severity, one.topic, one.place, one.what, one.todo])
    if not len(findings):
        sheet.row([findings.headline])


def _about(book: Workbook, study: Study) -> None:
    sheet = Sheet(book, "About", widths=(44, 80))
    rules = study.rules
    entries: Sequence[tuple[str, Any]] = [
        ("Unit", study.unit),
        ("Resolution", study.resolution),
        ("Purpose", study.purpose),
        ("Operators are", study.operators),
        ("Parts from", study.parts_from),
        ("Method of record", rules.method_of_record.replace("_", " ")),
        ("Spread, standard deviations", rules.spread),
        ("Good under, %", rules.good_percent),
        ("Limit, %", rules.limit_percent),
        ("Fewest categories", rules.least_ndc),
        ("Confidence", rules.confidence),
        ("SHA-256 of the readings", readings_fingerprint(study)),
        *versions().items(),
        *all_facts(study),
    ]
    for name, value in entries:
        if value not in (None, ""):
            sheet.row([name, value])


def _number(value: float) -> float | str | None:
    if math.isnan(value):
        return None
    return "unbounded" if math.isinf(value) else float(value)


# Cells: text that stays text, numbers with their decimals, the same bytes
# -----------------------------------------------------------------------


class Sheet:
    """A sheet that grows row by row."""

    def __init__(
        self, book: Workbook, title: str, *, widths: Sequence[float], frozen: bool = False
    ) -> None:
        from openpyxl.utils import get_column_letter

        self._sheet = book.create_sheet(title)
        self._row = 0
        for index, width in enumerate(widths, start=1):
            self._sheet.column_dimensions[get_column_letter(index)].width = width
        if frozen:
            self._sheet.freeze_panes = "A2"

    def row(
        self, values: Sequence[Any], *, bold: bool = False, formats: Sequence[str] = ()
    ) -> None:
        """Write one row; ``formats`` holds a number format for each cell, or ""."""
        from openpyxl.styles import Alignment, Font

        self._row += 1
        for column, value in enumerate(values, start=1):
            if value is None:
                continue
            cell = self._sheet.cell(self._row, column)
            if isinstance(value, bool) or not isinstance(value, (int, float, datetime)):
                cell.value = text(str(value))
                # A text that begins with "=" stays a text, also when somebody edits it.
                cell.data_type = "s"
                cell.quotePrefix = True
                cell.alignment = Alignment(vertical="top", wrap_text=len(str(value)) > 30)
            else:
                cell.value = value
                cell.alignment = Alignment(vertical="top")
            if bold:
                cell.font = Font(bold=True)
            if formats and formats[column - 1]:
                cell.number_format = formats[column - 1]


def text(value: str) -> str:
    """Return a text that a cell can hold and that reads in the order in which it is written."""
    return shortened_end(_UNFIT.sub(" ", value), LONGEST)


def shortened_end(value: str, most: int) -> str:
    """Return a text cut at so many characters."""
    return value if len(value) <= most else f"{value[: most - 1]}…"


def decimals_format(decimals: int) -> str:
    """Return the number format that shows so many decimals."""
    return f"0.{'0' * decimals}" if decimals else "0"


def figures_format(value: object) -> str:
    """Return the number format that shows four significant figures of a number."""
    if not isinstance(value, float) or value == 0.0:
        return "General"
    decimals = decimals_for(value, 4)
    return decimals_format(decimals) if decimals <= 10 and abs(value) < 1e9 else "0.000E+00"


def same_bytes(book: Workbook) -> bytes:
    """Return the workbook as a file without the time at which it was written."""
    written, fixed = io.BytesIO(), io.BytesIO()
    book.save(written)
    with (
        zipfile.ZipFile(written) as source,
        zipfile.ZipFile(fixed, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", _STAMP, content)
            entry = zipfile.ZipInfo(name, _TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            target.writestr(entry, content)
    return fixed.getvalue()
