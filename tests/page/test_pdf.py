"""The report on paper: printed twice on A4, and looked at as text."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pikepdf
import pytest
from html_page import DAY, Page

import grr
from grr.model.blocks import Table
from grr.page import pdf
from grr.page.conduct import readings_fingerprint
from grr.page.front import FrontPage
from grr.page.report import Part, Report
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
STUDY = "dowel_pin_handheld"
A4 = (595, 842)


@dataclass
class Printed:
    """Both prints as bytes, the text of each page, and the page of HTML behind them."""

    first: bytes
    second: bytes
    pages: list[str]
    html: Page


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> Printed:
    if pdf.find_browser() is None:
        pytest.skip("no Chromium, Chrome or Edge is installed")
    if shutil.which("pdftotext") is None:
        pytest.skip("there is no pdftotext to read a PDF with")
    folder = tmp_path_factory.mktemp("pdf")
    study = grr.open_study(DEMO / STUDY)
    options = {"date": DAY, "prepared_by": "A. Person", "approved_by": "B. Person"}
    files = [grr.report(study, folder / f"{n}.pdf", **options) for n in (1, 2)]
    html = grr.report(study, folder / "r.html", **options).read_text(encoding="utf-8")
    return Printed(*(f.read_bytes() for f in files), pages_of(files[0]), Page(html))


def pages_of(file: Path) -> list[str]:
    """The text of every page of a PDF."""
    found = subprocess.run(
        ["pdftotext", "-layout", str(file), "-"], capture_output=True, check=True
    )
    return found.stdout.decode("utf-8").split("\f")[:-1]


def text_of(folder: Path, page: str) -> list[str]:
    """The text of every page on which a page of HTML is printed."""
    pdf.print_pdf(page, folder / "p.pdf", DAY.isoformat(), {})
    return pages_of(folder / "p.pdf")


def test_two_prints_are_the_same_bytes(printed):
    assert printed.first == printed.second
    assert len(printed.first) < 2_000_000
    with pikepdf.open(io.BytesIO(printed.first)) as document:
        assert str(document.docinfo["/CreationDate"]) == "D:20261125000000+00'00'"
        assert str(document.docinfo["/Title"]) == grr.open_study(DEMO / STUDY).title
        assert str(document.Root["/Lang"]) == "en"
        assert bool(document.Root["/MarkInfo"]["/Marked"])


def test_the_data_comes_with_it(printed, tmp_path):
    with pikepdf.open(io.BytesIO(printed.first)) as document:
        files = {name: one.get_file().read_bytes() for name, one in document.attachments.items()}
    assert set(files) == {"readings.csv", "study.toml", "result.json"}
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    study, attached = grr.open_study(DEMO / STUDY), grr.open_study(tmp_path)
    assert readings_fingerprint(attached) == readings_fingerprint(study)
    assert grr.verdict(attached).decision == grr.verdict(study).decision
    found = json.loads(files["result.json"])
    assert found["results"][0]["verdict"]["decision"] == "DO NOT USE FOR THIS TOLERANCE"


def test_coded_operators_are_coded_in_what_is_attached(printed, tmp_path):
    study = grr.open_study(DEMO / STUDY)
    file = grr.report(study, tmp_path / "r.pdf", date=DAY, code_operators=True)
    with pikepdf.open(file) as document:
        for one in document.attachments.values():
            text = one.get_file().read_bytes().decode("utf-8")
            assert "Operator 1" in text
            assert not any(name in text for name in study.operator_names)


def test_paper_is_a4_and_pages_are_numbered(printed):
    box = re.search(rb"/MediaBox \[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", printed.first)
    assert tuple(round(float(side)) for side in box.groups()) == A4
    count = len(printed.pages)
    assert 6 <= count <= 10
    for number, page in enumerate(printed.pages, start=1):
        assert re.search(rf"\b{number}\s*/\s*{count}\b", page)
        assert "report of 2026-11-25" in page


def test_first_page_holds_the_whole_decision(printed):
    first, second = printed.pages[:2]
    for text in (
        "DO NOT USE FOR THIS TOLERANCE",
        "clear of doubt",
        "What ends this verdict",
        "What to do next",
        "A. Person",
        "Signed",
        "This study does not replace the drawing",
    ):
        assert text in first
    assert re.search(r"1\s+Why ", second)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_first_page_of_two_methods_is_one_sheet_too(printed, tmp_path, paper):
    study = grr.open_study(DEMO / "pins_two_ways")
    signed = {"prepared_by": "A", "approved_by": "B"}
    file = grr.report(study, tmp_path / "r.pdf", date=DAY, paper=paper, **signed)
    first, second = pages_of(file)[:2]
    assert re.search(r"\d+ findings", first)
    assert "the drawing" in first
    assert re.search(r"1\s+Is the data", second)


def test_no_table_is_cut_by_the_end_of_a_page(printed):
    pages = [set(re.findall(r"\S+", page)) for page in printed.pages]
    tables = [table for table in printed.html.cells if table]
    assert len(tables) >= 10
    for table in tables:
        words = {word for cell in table for word in re.findall(r"\S+", cell)}
        # A word that is broken over two lines is no whole word on the page.
        most = max(len(words & page) / len(words) for page in pages)
        assert most > 0.96, " ".join(table)[:200]


def test_no_part_begins_at_the_end_of_a_page(printed):
    for page in printed.pages:
        lines = [line.strip() for line in page.splitlines() if line.strip()]
        content = [line for line in lines if not line.startswith("report of 2026-11-25")]
        assert not re.match(r"\d+\s+[A-Z]", content[-1]), content[-1]


def test_parts_follow_each_other_on_a_page(printed):
    begun = [
        len(re.findall(r"(?m)^\s{0,3}\d+\s+[A-Z][a-z ,]+\??$", page)) for page in printed.pages
    ]
    assert sum(begun) == 10
    assert max(begun[1:]) > 1


def test_many_tables_stay_whole_wherever_the_page_ends(printed, tmp_path):
    tables = [
        Table([f"t{n}head", "x"], [[f"t{n}r{row}", "1"] for row in range(8)], caption=f"t{n}c")
        for n in range(40)
    ]
    cover = FrontPage("", "Tables", "", [], "")
    made = Report("Tables", "foot", cover, [Part("tables", "Tables", tables)], "A4")
    text = text_of(tmp_path, made.html(on_paper=True))
    assert len(text) > 3
    for n in range(40):
        names = {f"t{n}c", f"t{n}head", *(f"t{n}r{row}" for row in range(8))}
        assert any(names <= set(page.split()) for page in text), n


def test_everything_is_unfolded_on_paper(printed):
    text = " ".join(printed.pages)
    assert "UCL_R" in text
    assert "MS pooled error" in text


def test_without_a_browser_the_message_says_what_to_do(monkeypatch, tmp_path):
    monkeypatch.setattr(pdf, "find_browser", lambda: None)
    study = grr.open_study(DEMO / STUDY)
    with pytest.raises(grr.StudyError, match=r"Install.*\.html"):
        grr.report(study, tmp_path / "r.pdf")
    assert not list(tmp_path.iterdir())


def test_a_browser_that_prints_nothing_is_named(monkeypatch, tmp_path):
    nothing = tmp_path / "false"
    monkeypatch.setattr(pdf, "find_browser", lambda: str(nothing))
    with pytest.raises(grr.StudyError, match="false"):
        grr.report(grr.open_study(DEMO / STUDY), tmp_path / "r.pdf")


@pytest.mark.parametrize(
    ("platform", "where"),
    [
        ("win32", r"Microsoft\Edge\Application\msedge.exe"),
        ("darwin", "Google Chrome.app/Contents/MacOS/Google Chrome"),
    ],
)
def test_browsers_are_looked_for_where_each_system_keeps_them(monkeypatch, platform, where):
    monkeypatch.setattr(pdf.shutil, "which", lambda name: None)
    monkeypatch.setattr(pdf.sys, "platform", platform)
    monkeypatch.setenv("PROGRAMFILES(X86)", "C:")
    monkeypatch.setattr(Path, "exists", lambda self: str(self).endswith(where))
    found = pdf.find_browser()
    assert found is not None
    assert found.endswith(where)


@pytest.mark.parametrize("begun", [5, 118, 4711])
def test_where_the_browser_begins_to_number_elements_changes_no_byte(begun: int) -> None:
    def tagged(first: int) -> bytes:
        held = pikepdf.new()
        names = [f"node{number:08d}" for number in (first, first + 3, first + 4)]
        cells = [pikepdf.Dictionary(S=pikepdf.Name.TH, ID=pikepdf.String(n)) for n in names]
        cells[2].A = pikepdf.Dictionary(Headers=[pikepdf.String(n) for n in names[:2]])
        kept = [held.make_indirect(cell) for cell in cells]
        tree = [one for pair in zip(names, kept, strict=True) for one in pair]
        held.Root.StructTreeRoot = pikepdf.Dictionary(
            K=kept, IDTree=pikepdf.Dictionary(Names=[*tree])
        )
        out = io.BytesIO()
        held.save(out)
        return pdf._completed(out.getvalue(), "2026-03-31", {})

    assert tagged(begun) == tagged(1)
    with pikepdf.open(io.BytesIO(tagged(begun))) as read:
        names = read.Root.StructTreeRoot.IDTree.Names
        assert [str(one) for one in names[::2]] == [f"node{number:08d}" for number in range(3)]
        assert [str(one) for one in names[5].A.Headers] == [str(one) for one in names[:3:2]]
        assert str(names[5].ID) == str(names[4])
