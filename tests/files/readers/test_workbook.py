"""Excel workbooks: merged headers, several sheets, formulas, and what is refused unread."""

import io
import re
import zipfile
from datetime import datetime

import openpyxl
import pytest

from grr.files.table_file import read_columns, read_readings
from grr.model.errors import StudyError

LONG = [("part", "operator", "trial", "reading"), (1, "A", 1, 10.1), (2, "A", 1, 10.2)]


def saved(tmp_path, *sheets, name="study.xlsx", change=None):
    """Save sheets given as rows, or as (title, rows), and return the path."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for number, sheet in enumerate(sheets, start=1):
        title, rows = sheet if isinstance(sheet, tuple) else (f"Sheet{number}", sheet)
        page = book.create_sheet(title)
        for row in rows:
            page.append(row)
    if change:
        change(book)
    file = tmp_path / name
    book.save(file)
    return file


def altered(file, part, alter):
    """Rewrite one part of a workbook's archive."""
    source = zipfile.ZipFile(io.BytesIO(file.read_bytes()))
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            target.writestr(name, alter(content) if name == part else content)
    return file


def test_long_table(tmp_path):
    readings = read_readings(saved(tmp_path, LONG))
    assert readings["reading"].tolist() == [10.1, 10.2]
    assert readings["part"].tolist() == ["1", "2"]
    assert readings.attrs["taken"]["sheet"] == "Sheet1"
    assert readings.attrs["taken"]["cells"] == "D2:D3"


def test_merged_headers_and_averages(tmp_path):
    rows = [
        ["Gauge study of the pins"],
        ["Part", "Anna", None, "Average", "Boris", None, "Average"],
        [None, 1, 2, None, 1, 2, None],
        [1, 10.1, 10.2, "=AVERAGE(B4:C4)", 10.3, 10.4, "=AVERAGE(E4:F4)"],
        [2, 20.1, 20.2, "=AVERAGE(B5:C5)", 20.3, None, "=AVERAGE(E5:F5)"],
        ["Range", "=MAX(B4:B5)-MIN(B4:B5)"],
    ]

    def merge(book):
        for span in ("A1:G1", "A2:A3", "B2:C2", "D2:D3", "E2:F2", "G2:G3"):
            book.active.merge_cells(span)

    readings = read_readings(saved(tmp_path, rows, change=merge))
    assert readings.groupby("operator")["reading"].sum().round(9).to_dict() == {
        "Anna": 60.6,
        "Boris": 41.0,
    }
    taken = readings.attrs["taken"]
    assert (taken["file"], taken["sheet"], taken["cells"]) == ("study.xlsx", "Sheet1", "B4:F5")
    assert taken["missing"] == ("part 2, operator Boris, trial 2 in F5",)
    assert "column D (Average)" in taken["ignored"]
    assert any(left.startswith("row 6 (Range") for left in taken["ignored"])


def test_operators_merged_down_the_side(tmp_path):
    rows = [["Operator", "Trial", 1, 2], ["A", 1, 10.1, 20.1], [None, 2, 10.2, 20.2]]
    readings = read_readings(
        saved(tmp_path, rows, change=lambda book: book.active.merge_cells("A2:A3"))
    )
    assert readings["operator"].tolist() == ["A"] * 4
    assert readings["part"].tolist() == ["1", "2", "1", "2"]


def test_unit_of_the_cell_format(tmp_path):
    def formatted(book):
        for row in book.active.iter_rows(min_row=2, min_col=4):
            row[0].number_format = '0.0000" mm"'

    readings = read_readings(saved(tmp_path, LONG, change=formatted))
    assert readings.attrs["unit"] == "mm"
    assert readings["reading"].tolist() == [10.1, 10.2]


def test_reading_that_may_not_count_is_refused_with_its_place(tmp_path):
    def merge(book):
        book.active.merge_cells("D2:D3")

    def strike(book):
        book.active["D3"].font = openpyxl.styles.Font(strike=True)

    def hide(book):
        book.active.row_dimensions[3].hidden = True

    for change, words in (
        (merge, "merged cells: it is not clear whether it was measured once or twice"),
        (strike, "struck through: it is not clear whether it counts"),
        (hide, "hidden or filtered out: it is not clear whether its reading counts"),
    ):
        with pytest.raises(StudyError, match=words) as refusal:
            read_readings(saved(tmp_path, LONG, change=change))
        assert refusal.value.row == 3
        assert refusal.value.column == "D (reading)"


def test_hidden_rows_struck_words_and_merged_headings_do_no_harm(tmp_path):
    def change(book):
        page = book.active
        page.merge_cells("A1:D1")
        page.row_dimensions[1].hidden = True
        page["B3"].font = openpyxl.styles.Font(strike=True)

    readings = read_readings(saved(tmp_path, [["Pins of May"], *LONG], change=change))
    assert readings["reading"].tolist() == [10.1, 10.2]


def test_only_sheet_with_readings_is_taken(tmp_path):
    file = saved(tmp_path, ("Notes", [["Measured in May"]]), ("Pins", LONG), ("Empty", []))
    assert read_readings(file).attrs["taken"]["sheet"] == "Pins"


def test_two_sheets_with_readings_want_a_name(tmp_path):
    file = saved(tmp_path, ("May", LONG), ("June", LONG))
    with pytest.raises(StudyError, match="sheet='May'"):
        read_readings(file)
    assert read_readings(file, sheet="June").attrs["taken"]["sheet"] == "June"
    with pytest.raises(StudyError, match="May, June"):
        read_readings(file, sheet="July")


def test_sheet_with_a_mistake_still_counts_as_one_with_readings(tmp_path):
    wrong = [*LONG, (3, "A", 1, "10.1O")]
    with pytest.raises(StudyError, match="Several sheets"):
        read_readings(saved(tmp_path, ("Old", LONG), ("New", wrong)))


def test_hidden_sheets_are_not_taken(tmp_path):
    def hide(book):
        book["Old"].sheet_state = "hidden"

    file = saved(tmp_path, ("Old", LONG), ("New", LONG), change=hide)
    assert read_readings(file).attrs["taken"]["sheet"] == "New"


@pytest.mark.parametrize(
    ("cell", "problem"),
    [
        ("=1/10", "formula without a stored result"),
        ("#DIV/0!", "shows an error"),
        (True, "not a number"),
        (datetime(2026, 5, 10), "holds a date"),
        ("10.1O", "something other than a unit"),
    ],
)
def test_cell_that_holds_no_number_is_refused_with_its_place(tmp_path, cell, problem):
    with pytest.raises(StudyError, match=problem) as refusal:
        read_readings(saved(tmp_path, [*LONG, (3, "A", 1, cell)]))
    assert refusal.value.row == 4
    assert refusal.value.column == "D (reading)"
    assert refusal.value.file == "study.xlsx, sheet Sheet1"


def test_part_that_became_a_date_is_refused(tmp_path):
    with pytest.raises(StudyError, match="date") as refusal:
        read_readings(saved(tmp_path, [*LONG, (datetime(2026, 1, 2), "A", 1, 10.1)]))
    assert refusal.value.row == 4


def test_stored_results_of_formulas_are_read(tmp_path):
    file = saved(tmp_path, [*LONG, (3, "A", 1, "=5+5.3")])

    def with_result(sheet):
        assert sheet.count(b"<v />") == 1 or sheet.count(b"<v></v>") == 1
        return re.sub(rb"<v ?/>|<v></v>", b"<v>10.3</v>", sheet)

    readings = read_readings(altered(file, "xl/worksheets/sheet1.xml", with_result))
    assert readings["reading"].tolist() == [10.1, 10.2, 10.3]


def test_archive_that_unpacks_to_more_than_a_study_is_refused(tmp_path):
    file = saved(tmp_path, LONG)
    bomb = altered(file, "xl/worksheets/sheet1.xml", lambda sheet: sheet + b" " * 40_000_000)
    assert bomb.stat().st_size < 100_000
    with pytest.raises(StudyError, match="larger"):
        read_readings(bomb)


def test_sheet_spread_too_wide_is_refused(tmp_path):
    file = saved(tmp_path, LONG, change=lambda book: book.active.cell(1_000_000, 16_000, "x"))
    with pytest.raises(StudyError, match="larger"):
        read_readings(file)


def test_merged_cells_without_end_are_refused(tmp_path):
    file = saved(tmp_path, LONG, change=lambda book: book.active.merge_cells("A5:B6"))
    wide = altered(
        file, "xl/worksheets/sheet1.xml", lambda sheet: sheet.replace(b"A5:B6", b"A5:XFD1048576")
    )
    with pytest.raises(StudyError, match="merged"):
        read_readings(wide)


def test_entities_that_multiply_are_refused(tmp_path):
    laughs = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + b"".join(
        b'<!ENTITY %c "&%c;&%c;&%c;&%c;&%c;&%c;&%c;&%c;">' % ((c, *[c - 1] * 8))
        for c in range(ord("b"), ord("m"))
    )
    laughs += b"]><worksheet>&l;</worksheet>"
    file = altered(saved(tmp_path, LONG), "xl/worksheets/sheet1.xml", lambda _: laughs)
    with pytest.raises(StudyError, match="damaged"):
        read_readings(file)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "protected with a password"),
        (b"PK\x03\x04" + bytes(600), "damaged"),
        (b"%PDF-1.7\n\x00\x81\x8d\xff", "neither text nor"),
    ],
)
def test_other_files_are_refused_with_the_way_out(tmp_path, content, problem):
    file = tmp_path / "study.xlsx"
    file.write_bytes(content)
    with pytest.raises(StudyError, match=problem):
        read_readings(file)


def test_zip_that_is_no_workbook_is_refused(tmp_path):
    file = tmp_path / "study.ods"
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("content.xml", "<x/>")
    with pytest.raises(StudyError, match=r"\.xlsx"):
        read_readings(file)


def test_cut_workbook_is_refused(tmp_path):
    file = saved(tmp_path, LONG)
    content = file.read_bytes()
    for length in range(5, len(content), 501):
        file.write_bytes(content[:length])
        with pytest.raises(StudyError, match="damaged"):
            read_readings(file)


def test_workbook_with_flipped_bytes_is_read_or_refused(tmp_path):
    file = saved(tmp_path, LONG)
    content = file.read_bytes()
    for at in range(0, len(content), 53):
        file.write_bytes(content[:at] + bytes([content[at] ^ 0x55]) + content[at + 1 :])
        try:
            assert read_readings(file)["reading"].tolist() == [10.1, 10.2]
        except StudyError as refusal:
            assert refusal.remedy


#: What a sheet may claim of itself; what it holds are the rows of LONG.
LIES = [
    *(b"A1:XFD1048576", b"A1:A1", b"Z9:A1", b"", b"A1", b"not a range", b"A1:D99999999999"),
    *(b"A1:AAAAAA3", b"$A$1:$D$3", b"A1:D3 F1:G3"),
]


@pytest.mark.parametrize("dimension", LIES)
def test_what_a_sheet_claims_to_span_changes_nothing(tmp_path, dimension):
    file = altered(
        saved(tmp_path, LONG),
        "xl/worksheets/sheet1.xml",
        lambda sheet: re.sub(rb'<dimension ref="[^"]*"', b'<dimension ref="%s"' % dimension, sheet),
    )
    for read in (read_readings, read_columns):
        assert read(file)["reading"].tolist() == [10.1, 10.2]


@pytest.mark.parametrize("cell", [b"XFD1048576", b"ZZZ1", b"AAAAAAAA3", b"A99999999", b"D0", b"3D"])
def test_a_cell_far_out_is_refused_before_memory_goes(tmp_path, cell):
    resource = pytest.importorskip("resource", reason="memory is not told on this system")
    file = altered(
        saved(tmp_path, LONG),
        "xl/worksheets/sheet1.xml",
        lambda sheet: sheet.replace(b'r="D3"', b'r="%s"' % cell),
    )
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(StudyError):
        read_readings(file)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 200_000  # kB


def test_a_million_columns_are_refused(tmp_path):
    def widened(sheet):
        more = b"".join(b'<c r="%s1"><v>1</v></c>' % name for name in (b"E", b"XFD", b"CRXP"))
        return sheet.replace(b"</row>", more + b"</row>", 1)

    with pytest.raises(StudyError):
        read_readings(altered(saved(tmp_path, LONG), "xl/worksheets/sheet1.xml", widened))


@pytest.mark.parametrize("what", ["file:///etc/passwd", "http://127.0.0.1:9/x", "../secret.txt"])
def test_external_entities_are_not_fetched(tmp_path, what):
    (tmp_path / "secret.txt").write_text("10.9", encoding="utf-8")
    entity = b'<!DOCTYPE x [<!ENTITY e SYSTEM "%s">]>' % what.encode()

    def with_entity(sheet):
        head, mark, rest = sheet.partition(b"<worksheet")
        return head + entity + mark + rest.replace(b"<v>10.1</v>", b"<v>&e;</v>")

    with pytest.raises(StudyError):
        read_readings(altered(saved(tmp_path, LONG), "xl/worksheets/sheet1.xml", with_entity))


def test_a_zip_in_the_zip_is_left_alone(tmp_path):
    file = saved(tmp_path, LONG)
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 30_000_000)
    with zipfile.ZipFile(file, "a") as archive:
        archive.writestr("xl/embeddings/inner.xlsx", inner.getvalue())
        archive.writestr("xl/../../../outside.txt", "x")
    assert read_readings(file)["reading"].tolist() == [10.1, 10.2]
    assert not (tmp_path.parent / "outside.txt").exists()


def test_sizes_that_the_archive_lies_about_are_refused(tmp_path):
    """The directory says a few bytes, the part unpacks to 40 MB."""
    file = saved(tmp_path, LONG)
    bomb = altered(file, "xl/worksheets/sheet1.xml", lambda sheet: sheet + b" " * 40_000_000)
    content = bomb.read_bytes()
    with zipfile.ZipFile(bomb) as archive:
        size = archive.getinfo("xl/worksheets/sheet1.xml").file_size
    lied = content.replace(size.to_bytes(4, "little"), (900).to_bytes(4, "little"))
    assert lied != content
    bomb.write_bytes(lied)
    with pytest.raises(StudyError):
        read_readings(bomb)


def test_a_style_that_is_not_there_is_damage(tmp_path):
    file = altered(
        saved(tmp_path, LONG),
        "xl/styles.xml",
        lambda styles: styles.replace(b'numFmtId="0"', b'numFmtId="900"'),
    )
    with pytest.raises(StudyError, match="damaged"):
        read_readings(file)
