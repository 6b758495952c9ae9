"""Every result besides a study takes one way into report, PDF, workbook and JSON."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import json
import math
from pathlib import Path
from typing import Any

import jsonschema
import openpyxl
import pandas as pd
import pikepdf
import pytest
from hostile_study import FORMULA, IMAGE, SCRIPT
from html_page import DAY, Page

import grr
from grr.page import filed_results, pdf
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
SCHEMA = Path(filed_results.__file__).with_name("filed.schema.json")
VALIDATOR = jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text(encoding="utf-8")))
KINDS = (
    *("reference", "linearity", "stability", "budget", "qualification", "many studies"),
    *("operators", "methods", "drift"),
)
every = pytest.mark.parametrize("kind", KINDS)


def made(title: str, gauge: str, study_name: str) -> dict[str, Any]:
    """Return one result of each kind, with names that somebody typed."""
    tolerance = grr.Tolerance(10.006, 10.012)
    told = {"unit": "mm", "resolution": 0.0001, "title": title}
    files = DEMO / "micrometer_25"
    reference = grr.reference_study(
        grr.read_columns(files / "reference.csv"),
        tolerance=tolerance,
        reference=10.0,
        expanded_uncertainty=0.000055,
        **told,
    )
    linearity = grr.linearity(grr.read_columns(files / "blocks.csv"), bias_limit=0.0006, **told)
    checks = grr.read_columns(files / "checks.csv")
    parts = grr.open_study(DEMO / "dowel_pin")
    line = grr.MicrometerLines(length=10.0, unit="mm")
    budget = grr.UncertaintyBudget(
        [line.calibration(expanded=0.0004, k=2), *line.from_study(grr.anova(parts))],
        unit="mm",
        title=title,
    )
    table = parts.readings[["part", "operator", "trial", "reading"]]
    short = table.head(3)
    limits = pd.DataFrame({"study": [study_name], "lower": [10.006], "upper": [10.012]})
    both = pd.concat([table.assign(study=study_name), short.assign(study="too few")])
    return {
        "reference": reference,
        "linearity": linearity,
        "stability": grr.stability(checks, baseline=15, tolerance=tolerance, **told),
        "budget": budget,
        "qualification": grr.qualify(
            tolerance,
            unit="mm",
            gauge=gauge,
            characteristic=study_name,
            reference=reference,
            study=grr.anova(parts),
            budget=budget,
        ),
        "many studies": grr.analyse_many(both, tolerances=limits),
        "operators": grr.compare_operators(renamed(parts, title)),
        "methods": grr.compare_methods(
            renamed(grr.open_study(DEMO / "pins_two_ways"), title),
            baseline="handheld",
            candidate="stand",
        ),
        "drift": grr.drift(renamed(parts, title)),
    }


def renamed(study: grr.Study, title: str) -> grr.Study:
    """Return a study with another title."""
    return dataclasses.replace(study, title=title)


@pytest.fixture(scope="module")
def results() -> dict[str, Any]:
    return made("Micrometer of line 4", "M-0417", "pin")


@pytest.fixture(scope="module")
def hostile() -> dict[str, Any]:
    return made(SCRIPT, IMAGE, FORMULA)


@every
def test_report_answers_says_who_and_shows_the_sources(results, kind, tmp_path):
    result = results[kind]
    page = Page(grr.report(result, tmp_path / "r.html", date=DAY).read_text(encoding="utf-8"))
    assert page.open == []
    filed = filed_results.as_filed(result)
    answer = filed_results.kind_of(filed).figure(filed).layout.meta["answer"]
    answer = " ".join(answer.split())
    front = page.shown[: page.shown.index("In this report")]
    assert answer in front
    for label in ("Prepared", "Approved", "Signed", "2026-11-25"):
        assert label in front
    for text in ("Formulas and their sources", filed_results.fingerprint(filed)):
        assert text in page.shown
    for row in filed_results.formulas_of(filed).rows:
        assert row[-1] in page.shown
    if kind == "reference":
        assert "0.0000275 mm" in front
    if kind == "operators":
        assert "e-1" not in page.shown
    if kind == "qualification":
        assert result.decision in front
        assert "M-0417" in front or "demo micrometer 3" in front
    else:
        assert 'class="empty"' in page.text


@every
def test_json_keeps_to_the_schema_and_has_the_numbers(results, kind, tmp_path):
    text = grr.export_json(results[kind], tmp_path / "r.json").read_text(encoding="utf-8")
    content = json.loads(text, parse_constant=pytest.fail)
    VALIDATOR.validate(content)
    assert content["kind"] == kind
    assert list(VALIDATOR.iter_errors({**content, "version": 2}))
    if kind == "reference":
        assert content["values"]["by_sd"]["sd"] == pytest.approx(results[kind].sd, rel=1e-15)
        assert len(content["values"]["readings"]) == 50
    if kind in ("operators", "methods", "drift"):
        assert content["example"]
        assert content["title"] == "Micrometer of line 4"
        assert content["values"]["numbers"]["study"]["seal"] == content["seal"]
    if kind == "stability":
        assert content["values"]["drift"]["value"] == results[kind].drift.value
    if kind == "many studies":
        good = content["table"][0]["GRR_percent_tolerance"]
        assert good is None or good == results[kind]["GRR_percent_tolerance"][0]


@every
def test_workbook_holds_what_it_says_and_its_table(results, kind, tmp_path):
    book = openpyxl.load_workbook(grr.export_workbook(results[kind], tmp_path / "r.xlsx"))
    assert book.sheetnames == ["Result", "Table", "Formulas", "About"]
    table = filed_results.table_of(filed_results.as_filed(results[kind]))
    rows = list(book["Table"].iter_rows(min_row=2, values_only=True))
    assert len(rows) == len(table)
    numbers = table.select_dtypes("number").columns
    for number, column in enumerate(table.columns):
        if column in numbers:
            for row, value in zip(rows, table[column], strict=True):
                if pd.notna(value) and math.isfinite(value):
                    assert row[number] == pytest.approx(value, rel=1e-15)  # 16 digits


@every
def test_same_bytes_for_the_same_result_and_date(results, kind, tmp_path):
    for ending, write in (
        ("html", lambda path: grr.report(results[kind], path, date=DAY)),
        ("xlsx", lambda path: grr.export_workbook(results[kind], path)),
        ("json", lambda path: grr.export_json(results[kind], path)),
    ):
        one, two = (write(tmp_path / f"{n}.{ending}").read_bytes() for n in (1, 2))
        assert one == two


@every
def test_hostile_names_stay_text(hostile, kind, tmp_path):
    page = Page(grr.report(hostile[kind], tmp_path / "r.html", date=DAY).read_text("utf-8"))
    assert page.open == []
    assert not {tag for tag, _ in page.elements} & {"script", "img", "iframe"}
    book = openpyxl.load_workbook(grr.export_workbook(hostile[kind], tmp_path / "r.xlsx"))
    for sheet in book:
        assert not [cell for row in sheet.iter_rows() for cell in row if cell.data_type == "f"]
    VALIDATOR.validate(json.loads(grr.export_json(hostile[kind], tmp_path / "r.json").read_text()))


@pytest.mark.parametrize("kind", ["qualification", "many studies"])
def test_pdf_has_the_table_and_the_result_attached(results, kind, tmp_path):
    if pdf.find_browser() is None:
        pytest.skip("no Chromium, Chrome or Edge is installed")
    one, two = (grr.report(results[kind], tmp_path / f"{n}.pdf", date=DAY) for n in (1, 2))
    assert one.read_bytes() == two.read_bytes()
    with pikepdf.open(one) as document:
        files = {name: f.get_file().read_bytes() for name, f in document.attachments.items()}
    assert set(files) == {"table.csv", "result.json"}
    stated = json.loads(files["result.json"])["fingerprint_sha256"]
    assert hashlib.sha256(files["table.csv"]).hexdigest() == stated
    assert len(pd.read_csv(io.BytesIO(files["table.csv"]))) == len(
        filed_results.table_of(filed_results.as_filed(results[kind]))
    )


def test_a_gauge_result_stands_for_its_study(tmp_path):
    study = grr.open_study(DEMO / "dowel_pin")
    pages = [
        grr.report(one, tmp_path / f"{n}.html", date=DAY).read_bytes()
        for n, one in enumerate((study, grr.anova(study)))
    ]
    assert pages[0] == pages[1]


def test_what_cannot_be_filed_is_refused(results, tmp_path):
    for wrong in (None, 3, pd.DataFrame({"a": [1]}), "text", results["many studies"].head(0)):
        for write, name in (
            (grr.report, "r.html"),
            (grr.export_workbook, "r.xlsx"),
            (grr.export_json, "r.json"),
        ):
            with pytest.raises(grr.StudyError, match="study or a result"):
                write(wrong, tmp_path / name)
    with pytest.raises(grr.StudyError, match="operators of a study"):
        grr.report(results["budget"], tmp_path / "r.html", code_operators=True)
    with pytest.raises(grr.StudyError, match="baseline"):
        grr.report(results["budget"], tmp_path / "r.html", baseline="stand")
