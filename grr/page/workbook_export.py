"""`grr.export_workbook`: readings and result tables as an Excel workbook."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import Any

import pandas as pd

from grr.files.allowed_files import target_file
from grr.files.disk import write_bytes
from grr.formulas.second_look import confidence_of
from grr.model.blocks import Block, Bullets, Heading, Prose, Table
from grr.model.choices import NAMES
from grr.model.errors import StudyError
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import reading_decimals
from grr.model.study import Study
from grr.model.text_blocks import as_text
from grr.page.calculation_sheet import calculation_sheet, why_not
from grr.page.conduct import all_facts, readings_fingerprint, versions
from grr.page.filed_results import (
    as_filed,
    fingerprint,
    formulas_of,
    kind_of,
    stated,
    table_of,
    told_of,
)
from grr.page.workbook_cells import Book, Sheet, address, decimals_format, figures_format
from grr.questions.causes import causes_of
from grr.questions.check import RUINED, check
from grr.questions.gauge import (
    GaugeResult,
    anova,
    average_range,
    result_of_record,
    tolerance_text,
)
from grr.questions.verdict import CAUTION, Verdict, verdict

DATE = "yyyy-mm-dd hh:mm:ss"
(NOT_STATED,) = RUINED.paragraphs


def export_workbook(
    subject: Study | Printed | pd.DataFrame, path: str | PathLike[str], *, overwrite: bool = False
) -> Path:
    """Write readings and result tables of a study, or another result, as an Excel workbook.

    Parameters
    ----------
    subject : Study or result
        A gauge result stands for its study; every other result that `grr.report` takes has
        what it says on one sheet, and its table on another.
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

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.export_workbook(study, "pins.xlsx").name
    'pins.xlsx'
    """
    target = target_file(path, ".xlsx", overwrite=overwrite)
    filed = as_filed(subject)
    if not isinstance(filed, Study):
        write_bytes(target, _book_of_result(filed))
        return target
    study = filed
    several = len(study.methods) > 1
    parts = {name: study.for_method(name) for name in study.methods} if several else {"": study}
    results = {name: result_of_record(one) for name, one in parts.items()}
    book = Book()
    _decision(book, study, {name: verdict(result) for name, result in results.items()})
    places = _readings(book, study)
    ruined = {name for name, one in parts.items() if check(one).ruined}
    _sources(book, results, ruined)
    _anova(book, results, ruined)
    _calculations(book, parts, places, ruined)
    _intervals(book, results, ruined)
    _findings(book, study)
    _causes(book, study)
    _about(book, study)
    write_bytes(target, book.content())
    return target


def _book_of_result(result: Printed) -> bytes:
    """Return the workbook of any other result: what it says, its table, what it comes from."""
    book = Book()
    sheet = book.sheet("Result", widths=(44, *[18] * 12))
    kind = kind_of(result)
    sheet.row([str(told_of(result, "title") or kind.title)], bold=True)
    _write(sheet, result.blocks())
    table = table_of(result)
    sheet = book.sheet("Table", widths=[22] * len(table.columns), frozen=True)
    sheet.row([str(column) for column in table.columns], bold=True)
    for row in table.itertuples(index=False, name=None):
        values = [_number(v) if isinstance(v, float) else v for v in map(_plain, row)]
        formats = [DATE if isinstance(v, datetime) else figures_format(v) for v in values]
        sheet.row(values, formats=formats)
    sheet = book.sheet("Formulas", widths=(30, 70, 70), frozen=True)
    _write(sheet, [formulas_of(result)])
    sheet = book.sheet("About", widths=(44, 80))
    about = [*stated(result), ("SHA-256 of the table", fingerprint(result)), *versions().items()]
    for name, value in about:
        if value:
            sheet.row([name, value])
    return book.content()


def _write(sheet: Sheet, blocks: Sequence[Block]) -> None:
    """Write blocks below each other: a line a sentence, a cell a cell."""
    for block in blocks:
        match block:
            case Table():
                sheet.row([])
                sheet.row(block.head, bold=True)
                for row in block.rows:
                    sheet.row(row)
            case Heading():
                sheet.row([])
                sheet.row([block.text], bold=True)
            case Prose(paragraphs=sentences) | Bullets(items=sentences):
                for text in sentences:
                    sheet.row([text])
            case _:
                for line in as_text([block]).splitlines():
                    sheet.row([line])


def _decision(book: Book, study: Study, verdicts: dict[str, Verdict]) -> None:
    sheet = book.sheet("Decision", widths=(26, 100))
    if study.example:
        sheet.row([EXAMPLE], bold=True)
    sheet.row(["Study", study.title])
    sheet.row(["Tolerance", tolerance_text(study)])
    for name, found in verdicts.items():
        if name:
            sheet.row(["Method", name], bold=True)
        sheet.row(["Decision", found.banner], bold=True)
        sheet.row(["By the rule", found.by_manual])
        sheet.row(["How sure that is", found.by_confidence])
        if found.proven_for is not None:
            sheet.row(["Proven for", str(found.proven_for)])
        for title, sentences in (
            ("Why", found.reasons),
            (found.acceptance_title, found.acceptance),
            (found.conditions_title, found.conditions),
            ("What to do next", found.next_steps),
        ):
            for index, sentence in enumerate(sentences):
                sheet.row(["" if index else title, sentence])
    sheet.row(["", CAUTION])


#: Method ("" where there is one only), part and operator → the cells of their readings.
Places = dict[str, dict[tuple[str, str], list[str]]]


def _readings(book: Book, study: Study) -> Places:
    """Write the readings; return where those of each method, part and operator stand."""
    table = study.readings
    kinds = {"reading": decimals_format(reading_decimals(study.resolution)), "time": DATE}
    if study.resolution is None:
        kinds["reading"] = "General"
    columns = [str(column) for column in table.columns]
    sheet = book.sheet("Readings", widths=[24 if c == "time" else 14 for c in columns], frozen=True)
    unit = f" ({study.unit})" if study.unit else ""
    sheet.row([f"{c}{unit}" if c == "reading" else c for c in columns], bold=True)
    formats = [kinds.get(column, "") for column in columns]
    for row in table.itertuples(index=False, name=None):
        sheet.row([_plain(value) for value in row], formats=formats)
    places: Places = {}
    table = table.assign(row=range(1, len(table) + 1)).dropna(subset="reading")
    column = columns.index("reading")
    for one in table.sort_values("trial", kind="stable").to_dict("records"):
        of_method = places.setdefault(one["method"] if len(study.methods) > 1 else "", {})
        of_cell = of_method.setdefault((one["part"], one["operator"]), [])
        of_cell.append(address(one["row"], column, sheet=sheet.title))
    return places


def _calculations(
    book: Book, studies: dict[str, Study], places: Places, ruined: Collection[str]
) -> None:
    """Write one sheet of formulas for each method, or why there is none."""
    for number, (name, study) in enumerate(studies.items(), start=1):
        title = f"Calculation {number}" if len(studies) > 1 else "Calculation"
        sheet = book.sheet(title, widths=(18, 16, 16))
        reason = NOT_STATED if name in ruined else why_not(study)
        if reason:
            sheet.row([f"{name}: {reason}" if name else reason])
        else:
            calculation_sheet(sheet, study, places[name])


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


def _each(
    sheet: Sheet, results: dict[str, GaugeResult], ruined: Collection[str]
) -> Iterator[GaugeResult]:
    """Yield each result under the name of its method; of a ruined one it is said that it is."""
    for name, result in results.items():
        if name:
            sheet.row([f"measured by {name}"], bold=True)
        if name in ruined:
            sheet.row([NOT_STATED])
        else:
            yield result


def _figures(sheet: Sheet, values: Sequence[Any]) -> None:
    """Write a row whose numbers are shown with four figures, an infinite one in words."""
    values = [_number(value) if isinstance(value, float) else value for value in values]
    sheet.row(values, formats=[figures_format(v) if isinstance(v, float) else "" for v in values])


def _sources(book: Book, results: dict[str, GaugeResult], ruined: Collection[str]) -> None:
    sheet = book.sheet("Sources", widths=(16, 10, 22, *[18] * 6, 60), frozen=True)
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
        if name in ruined:
            sheet.row([f"{name}: {NOT_STATED}" if name else NOT_STATED])
        for one in () if name in ruined else _both(result):
            if name:
                sheet.row([f"measured by {name}"], bold=True)
            by = one.method.replace("_", " ")
            for source, values in one.sources.iterrows():
                reason = one.reasons.get(str(source), "")
                if str(source) in one.below_zero:
                    reason = "estimated below zero"
                numbers = [float(values[measure]) for measure in heads]
                _figures(sheet, [by, str(source), NAMES[str(source)], *numbers, reason])
            ndc = [by, "ndc", "distinct categories", _number(one.ndc_exact)]
            sheet.row(ndc, formats=["", "", "", "0.00"])
            for note in one.notes:
                sheet.row(["", "", note])


def _anova(book: Book, results: dict[str, GaugeResult], ruined: Collection[str]) -> None:
    sheet = book.sheet("Analysis of variance", widths=(18, 8, 18, 18, 12, 12, 18), frozen=True)
    head = ["source", "df", "sum of squares", "mean square", "F", "p", "tested against"]
    sheet.row(head, bold=True)
    for result in _each(sheet, results, ruined):
        if result.anova_table is None:
            sheet.row([result.anova_table_reason])
            continue
        for row in result.anova_table.itertuples(name=None):
            _figures(sheet, row)


def _intervals(book: Book, results: dict[str, GaugeResult], ruined: Collection[str]) -> None:
    sheet = book.sheet("Intervals", widths=(12, 22, 16, 16, 16, 60), frozen=True)
    sheet.row(["quantity", "measure", "estimate", "lower", "upper", "reason"], bold=True)
    for result in _each(sheet, results, ruined):
        level = confidence_of(result.study)
        sheet.row([f"two-sided, {100 * level:g} %"])
        try:
            table = result.intervals(level=level).to_frame().reset_index()
        except StudyError as error:
            sheet.row([str(error)])
            continue
        for row in table.itertuples(index=False, name=None):
            _figures(sheet, row)


def _findings(book: Book, study: Study) -> None:
    sheet = book.sheet("Findings", widths=(10, 18, 34, 70, 70), frozen=True)
    sheet.row(["severity", "topic", "place", "what was found", "what to do"], bold=True)
    findings = check(study)
    for one in findings:
        sheet.row([one.severity, one.topic, one.place, one.what, one.todo])
    if not len(findings):
        sheet.row([findings.headline])


def _causes(book: Book, study: Study) -> None:
    sheet = book.sheet("Causes", widths=(18, 16, 10, 9, 14, *[14] * 9, 10, 10, 90), frozen=True)
    table = causes_of(study).to_frame()
    sheet.row([str(column).replace("_", " ") for column in table.columns], bold=True)
    for row in table.itertuples(index=False, name=None):
        _figures(sheet, [_plain(value) for value in row])
    for note in causes_of(study).notes:
        sheet.row([note])


def _about(book: Book, study: Study) -> None:
    sheet = book.sheet("About", widths=(44, 80))
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
        ("Good parts refused at most, %", rules.most_refused_percent),
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
