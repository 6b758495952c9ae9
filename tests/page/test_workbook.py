"""The workbook: numbers as numbers, text as text, the same bytes twice."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import time
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hostile_study import FORMULA, SUM, hostile_study
from studies import SHAPES

import grr
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
SHEETS = [
    "Decision",
    "Readings",
    "Sources",
    "Analysis of variance",
    "Calculation",
    "Intervals",
    "Findings",
    "Causes",
    "About",
]


#: A formula of ours: cells, numbers, signs and these functions.
OURS = (
    r"=(?:Readings!\$?[A-Z]+\d+|[A-Z]{1,3}\d+(?::[A-Z]{1,3}\d+)?|[\d.]+|[-+*/^(),]"
    r"|AVERAGE|COUNT|DEVSQ|SUM|MAX|MIN|SQRT|ABS|FDIST)+"
)


def opened(study, path):
    return openpyxl.load_workbook(grr.export_workbook(study, path))


def cells(book):
    return [cell for sheet in book for row in sheet.iter_rows() for cell in row]


def test_readings_are_numbers_shown_with_the_decimals_of_the_gauge(tmp_path):
    study = grr.open_study(DEMO / "bushing_inch")
    book = opened(study, tmp_path / "r.xlsx")
    assert book.sheetnames == SHEETS
    head, *rows = list(book["Readings"].iter_rows())
    names = [cell.value for cell in head]
    at = names.index("reading (in)")
    assert [row[at].value for row in rows] == study.readings["reading"].tolist()
    assert {row[at].number_format for row in rows} == {"0.00000"}
    assert [row[names.index("part")].value for row in rows] == study.readings["part"].tolist()
    assert rows[0][names.index("time")].value.year == 2026


def test_results_are_those_of_the_study(tmp_path):
    study = grr.open_study(DEMO / "dowel_pin")
    book = opened(study, tmp_path / "r.xlsx")
    result = grr.anova(study)
    rows = [[cell.value for cell in row] for row in book["Sources"].iter_rows()]
    grr_row = next(row for row in rows if row[:2] == ["anova", "GRR"])
    assert grr_row[4] == result.value("GRR", "sd")
    assert grr_row[8] == result.value("GRR", "percent_tolerance")
    assert any(row[:2] == ["average range", "GRR"] for row in rows)
    shown = [cell.value for row in book["Decision"].iter_rows() for cell in row]
    assert "USE" in shown
    assert any("EXAMPLE" in str(value) for value in shown)


def test_nothing_that_people_wrote_is_a_formula(tmp_path):
    study = hostile_study(tmp_path / "study")
    book = opened(study, tmp_path / "r.xlsx")
    formulas = [cell for cell in cells(book) if cell.data_type == "f"]
    assert {cell.parent.title for cell in formulas} <= {"Calculation"}
    assert all(re.fullmatch(OURS, cell.value) for cell in formulas)
    texts = [cell for cell in cells(book) if cell.data_type == "s"]
    assert all(cell.quotePrefix for cell in texts)
    values = {cell.value for cell in texts}
    assert {FORMULA, SUM} <= values
    assert "N" * 300 in values
    assert not [value for value in values if "\u202e" in value]
    with zipfile.ZipFile(tmp_path / "r.xlsx") as parts:
        for name in parts.namelist():
            assert "externalLink" not in name


@pytest.mark.parametrize("shape", ["no tolerance", "readings missing", "mean past the limit"])
def test_odd_studies_have_a_workbook_without_broken_numbers(tmp_path, shape):
    book = opened(SHAPES[shape](), tmp_path / "r.xlsx")
    for cell in cells(book):
        assert cell.data_type != "e"
        assert str(cell.value).lower() not in {"nan", "inf"}


def test_methods_stand_under_each_other(tmp_path):
    book = opened(grr.open_study(DEMO / "pins_two_ways"), tmp_path / "r.xlsx")
    column = [row[0].value for row in book["Sources"].iter_rows()]
    assert "measured by stand" in column
    assert "measured by handheld" in column


def test_same_study_gives_the_same_bytes_at_another_time(tmp_path, monkeypatch):
    study = grr.open_study(DEMO / "dowel_pin")
    first = grr.export_workbook(study, tmp_path / "a.xlsx").read_bytes()
    later = time.time() + 7200.0
    monkeypatch.setattr(time, "time", lambda: later)
    second = grr.export_workbook(study, tmp_path / "b.xlsx").read_bytes()
    assert first == second
    with zipfile.ZipFile(tmp_path / "a.xlsx") as parts:
        assert {entry.date_time[0] for entry in parts.infolist()} == {1980}
        assert b"1980-01-01T00:00:00Z" in parts.read("docProps/core.xml")


def test_other_endings_are_refused(tmp_path):
    with pytest.raises(grr.StudyError, match=r"\.xlsx"):
        grr.export_workbook(grr.open_study(DEMO / "dowel_pin"), tmp_path / "r.xls")


def calculated(file, sheet="Calculation"):
    """The lines of a sheet of formulas, in order: name, formula and the value stored with it."""
    formulas, values = (openpyxl.load_workbook(file, data_only=only)[sheet] for only in (0, 1))
    rows = zip(formulas.iter_rows(max_col=2), values.iter_rows(max_col=2), strict=True)
    return [
        (name.value, formula.value, value.value)
        for (name, formula), (_, value) in rows
        if isinstance(value.value, (int, float)) and not str(formula.value).startswith("=Readings")
    ]


def own_study(**options):
    """Six parts by three people, the limits and the step of the digit as no demo has them."""
    rng = np.random.default_rng(11)
    parts = rng.normal(31.75, 0.004, 6)
    people = rng.normal(0.0, options.pop("people_differ", 0.001), 3)
    step = options.get("resolution", 0.0001)
    rows = [
        (f"S{i}", who, trial, step * round((parts[i] + people[j] + rng.normal(0, 0.0006)) / step))
        for trial in (1, 2)
        for j, who in enumerate(["Ines", "Tomas", "Yuki"])
        for i in range(6)
    ]
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])
    return grr.Study(table, **{"tolerance": LIMITS, "resolution": step, "unit": "mm", **options})


LIMITS = grr.Tolerance(lower=31.72, upper=31.78)
STUDIES = {
    "sampled": own_study,
    "all there are": lambda: own_study(operators="fixed"),
    "three of nine": lambda: own_study(operators=9),
    "one limit": lambda: own_study(tolerance=grr.Tolerance(upper=31.79)),
    "one limit and a process mean": lambda: own_study(
        tolerance=grr.Tolerance(lower=31.70), process_mean=31.76
    ),
    "control": lambda: own_study(purpose="control", process_sd=0.005, tolerance=None),
    "a coarse digit": lambda: own_study(resolution=0.004),
    "people alike": lambda: own_study(people_differ=0.0),
    "the manual's example": SHAPES["manual"],
    "one operator": SHAPES["one operator"],
    "dowel_pin": lambda: grr.open_study(DEMO / "dowel_pin"),
    "bushing_inch": lambda: grr.open_study(DEMO / "bushing_inch"),
}


@pytest.mark.parametrize("name", STUDIES)
def test_the_formulas_end_in_the_result(tmp_path, name):
    study = STUDIES[name]()
    lines = calculated(grr.export_workbook(study, tmp_path / "r.xlsx"))
    ends = {(name, n): value for n, (name, _, value) in enumerate(lines)}
    both = [grr.anova(study), grr.average_range(study)]
    for result, pick in zip(both, (min, max), strict=True):
        for source in ("EV", "AV", "GRR", "PV", "TV"):
            places = [key for key in ends if key[0] == f"{source}²"]
            expected = result.value(source, "variance")
            if math.isnan(expected):
                continue
            assert ends[pick(places)] == pytest.approx(expected, rel=1e-12)


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_a_spreadsheet_calculates_the_same(tmp_path):
    expected, files = {}, []
    for number, (name, study) in enumerate(STUDIES.items()):
        file = grr.export_workbook(study(), tmp_path / f"r{number}.xlsx")
        expected[name] = calculated(file)
        files.append(poisoned(file, tmp_path / f"poisoned{number}.xlsx"))
    recalculated(files, tmp_path)
    for file, (study, lines) in zip(files, expected.items(), strict=True):
        assert sum(is_formula(line) for line in lines) > 50
        found = calculated(tmp_path / "again" / file.name)
        assert len(found) == len(lines)
        for (name, _, ours), (_, _, theirs) in zip(lines, found, strict=True):
            # LibreOffice's F distribution has 9 digits, and fewer far out in its tail.
            close = {"rel": 1e-8, "abs": 1e-30} if name[:2] == "p " else {"rel": 1e-9, "abs": 0}
            assert theirs == pytest.approx(ours, **close), (study, name)


def is_formula(line):
    return str(line[1]).startswith("=")


def poisoned(file, target):
    """Write the same workbook with every stored value of a formula spoilt."""
    with zipfile.ZipFile(file) as source, zipfile.ZipFile(target, "w") as spoilt:
        for part in source.namelist():
            content = re.sub(rb"</f><v>[^<]*</v>", b"</f><v>77777</v>", source.read(part))
            spoilt.writestr(part, content)
    assert {line[2] for line in calculated(target) if is_formula(line)} == {77777}
    return target


def recalculated(files, folder):
    """Open workbooks in LibreOffice, which calculates every formula anew, and save them."""
    profile = folder / "profile"
    settings = profile / "user" / "registrymodifications.xcu"
    settings.parent.mkdir(parents=True)
    settings.write_text(
        '<?xml version="1.0" encoding="UTF-8"?><oor:items '
        'xmlns:oor="http://openoffice.org/2001/registry"><item '
        'oor:path="/org.openoffice.Office.Calc/Formula/Load"><prop '
        'oor:name="OOXMLRecalcMode" oor:op="fuse"><value>0</value></prop></item></oor:items>',
        encoding="utf-8",
    )
    subprocess.run(
        [
            *("soffice", f"-env:UserInstallation={profile.as_uri()}", "--headless"),
            *("--convert-to", "xlsx", "--outdir", str(folder / "again"), *map(str, files)),
        ],
        check=True,
        capture_output=True,
        timeout=240,
    )
