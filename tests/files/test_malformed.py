"""What people get wrong in a file: refused with its place and a remedy, or read rightly.

The lists below are written by hand: three times some 60 readings, twice 13 trials, 12 labels
and some 60 whole files and calls, and with the settings in ``test_study_file.py`` more than
300 inputs; the property tests at the end add some hundred more at each run.
"""

import math

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.files.folder import new_study_folder, open_study
from grr.files.journal import Journal, JournalRow
from grr.files.table_file import read_readings
from grr.model.errors import StudyError

#: Texts that are no reading. Each is tried in a long table, in a form and in a workbook.
NO_READING = [
    *("abc", "10.0O8", "l0.008", "1O.008", "10.008x", "x10.008", "10.008?", "ca. 10", "~10.008"),
    *("<10.008", ">10.008", "±0.001", "10.008±0.001", "10.008/10.009", "10.008-10.012"),
    *("10.008 10.009", "10.008 mm mm", "10.008 kg", "10.008 °C", "10.008 %", "5 5/8", "1/2", "½"),
    *("10²", "10:08", "12.05.2024", "2024-05-12", "1.2.3", "10..008", "10.0.08", "--10.008"),
    *("+-10.008", "10.008-", "(10.008)", "1e", "1e999", "1e-999", "inf", "-Infinity", "∞"),
    *("0x1F", "1_000", "#DIV/0!", "#N/A", "#REF!", "TRUE", "=A1+B1", "ok", "see note", "dropped"),
    *("10 008", "12,34,567.8", "10.008 ft", "10.008'", "mm", "+", "''", "9" * 70),
]

#: Texts that are no number of a trial.
NO_TRIAL = ["0", "-1", "1.5", "x", "one", "½", "1e3", "99999", "trial", "1-2", "Anna", "1 2", "#1a"]

LONG = [
    ["part", "operator", "trial", "reading"],
    *(
        [str(part), name, str(trial), "10.001"]
        for part in (1, 2)
        for name in "AB"
        for trial in (1, 2)
    ),
]
FORM = [["Part", "A1", "A2", "B1", "B2"], *([str(part), *["10.001"] * 4] for part in (1, 2, 3))]


def spoiled(rows, row, column, text):
    """Return a copy of the rows with one cell changed; row and column count from 1."""
    copy = [list(cells) for cells in rows]
    copy[row - 1][column - 1] = text
    return copy


def as_csv(tmp_path, rows, separator=";"):
    file = tmp_path / "study.csv"
    quoted = [['"' + cell.replace('"', '""') + '"' for cell in row] for row in rows]
    file.write_text("\n".join(separator.join(row) for row in quoted), encoding="utf-8")
    return file


def as_workbook(tmp_path, rows):
    book = openpyxl.Workbook()
    for row, cells in enumerate(rows, start=1):
        for column, text in enumerate(cells, start=1):
            cell = book.active.cell(row, column)
            cell.value = text
            cell.data_type = "s"  # as text, whatever it looks like
    file = tmp_path / "study.xlsx"
    book.save(file)
    return file


def refused(file, row=None, column=None, **options):
    """Read the file, expect a refusal with this place, and return it."""
    with pytest.raises(StudyError) as caught:
        read_readings(file, **options)
    refusal = caught.value
    assert file.name in refusal.file
    assert refusal.problem and refusal.remedy
    if row is not None:
        assert refusal.row == row
    if column is not None:
        assert refusal.column.split()[0] == column
    return refusal


@pytest.mark.parametrize("text", NO_READING)
@pytest.mark.parametrize(
    ("rows", "row", "column", "letter", "save"),
    [(LONG, 3, 4, "D", as_csv), (FORM, 3, 3, "C", as_csv), (FORM, 4, 5, "E", as_workbook)],
    ids=["long", "form", "workbook"],
)
def test_no_reading(tmp_path, text, rows, row, column, letter, save):
    refusal = refused(save(tmp_path, spoiled(rows, row, column, text)), row, letter)
    assert str(refusal.value).strip() != ""


@pytest.mark.parametrize("text", NO_TRIAL)
@pytest.mark.parametrize("save", [as_csv, as_workbook])
def test_no_trial(tmp_path, text, save):
    refused(save(tmp_path, spoiled(LONG, 4, 3, text)), 4, "C")


@pytest.mark.parametrize(
    ("column", "letter", "name"), [(1, "A", "part"), (2, "B", "operator"), (3, "C", "trial")]
)
@pytest.mark.parametrize("blank", ["", "  ", "\t", "\u00a0"])
def test_reading_without_a_label(tmp_path, column, letter, name, blank):
    refusal = refused(as_csv(tmp_path, spoiled(LONG, 5, column, blank)), 5, letter)
    assert f"no {name}" in refusal.problem


#: Whole files that are refused: text, then row, column and words of the message.
FILES = {
    "empty": ("", None, None, "empty"),
    "blank": (" \n\n  \n", None, None, "empty"),
    "separators only": (",,,\n,,,\n", None, None, "no cells with content"),
    "prose": ("These are my readings.\n", 1, None, "Name the columns"),
    "no header": ("1,A,1,10.1\n2,A,1,10.2\n", 1, None, "Name the columns"),
    "spaces between": ("part operator trial reading\n1 A 1 10.1\n", 1, None, "Name the columns"),
    "header only": ("part,operator,trial,reading\n", None, None, "no readings below"),
    "no part column": ("operator,trial,reading\nA,1,10.1\nA,2,10.2\n", 1, None, "part"),
    "no reading column": ("part,operator,trial\n1,A,1\n1,A,2\n", 1, None, "reading"),
    "two reading columns": ("part,value,result\n1,10.1,10.2\n", 1, "C", "Two columns"),
    "two part columns": ("part no,sample,reading\n1,2,10.2\n", 1, "B", "Two columns"),
    "readings side by side": ("part,reading,reading\n1,1.5,2.5\n", 1, "C", "Trial 1, Trial 2"),
    "repeats not numbered": ("part,reading\n1,10.1\n1,10.2\n", None, None, "column trial"),
    "duplicate": (
        "part,operator,trial,reading\n1,A,1,10.1\n2,A,1,10.1\n1,A,1,10.2\n",
        *(4, "D", "also in D2"),
    ),
    "duplicate by method": (
        "part,method,operator,trial,reading\n1,s,A,1,10.1\n1,s,A,1,10.2\n",
        *(3, "E", "claim the same place"),
    ),
    "duplicate in a form": ("Part,A1,A2\n1,10.1,10.2\n1,10.1,10.2\n", 3, "B", "also in B2"),
    "trial twice in a header": ("Part,A1,A1\n1,10.1,10.2\n", 2, "C", "also in B2"),
    "two spellings": ("part,operator,reading\n1,Anna,10.1\n2,anna,10.2\n", 3, None, "two ways"),
    "two spellings by a space": (
        "part,operator,reading\n1,Anna K,10.1\n2,Anna  K,10.2\n",
        *(3, None, "two ways"),
    ),
    "more cells than named": ("part,reading\n1,10.1,7\n", 2, "C", "more cells"),
    "decimal comma between commas": (
        "part,operator,trial,reading\n1,A,1,10,1\n",
        *(2, "E", "semicolons"),
    ),
    "decimal comma that looks like a note": (
        "part,operator,trial,reading,note\n1,A,1,10,008\n2,A,1,10,009\n",
        *(2, "E", "decimal comma"),
    ),
    "decimal comma in a form": ("Part,A1,A2\n1,10,008\n", 2, "C", "decimal comma"),
    "comma or thousands": ("part\treading\n1\t10,008\n2\t10,009\n", 2, "B", "decimal=','"),
    "two decimal signs": (
        "part;reading\n1;10,0081\n2;10,0092\n3;10.0084\n",
        *(4, "B", "decimal comma"),
    ),
    "two units in cells": ("part,reading\n1,10.1 mm\n2,0.4 in\n", 3, "B", "mm and in"),
    "two units in a column": ("part,reading,unit\n1,10.1,mm\n2,0.4,in\n", 3, "B", "mm and in"),
    "header and cell differ": ("part,reading (mm)\n1,10.1\n2,0.4 in\n", 3, "B", "mm and in"),
    "unknown unit in a column": ("part,reading,unit\n1,10.1,feet\n", None, None, "row 2"),
    "unknown unit in a caption": ("Unit: furlong\nPart,A1,A2\n1,1,2\n", None, None, "row 1"),
    "no date": ("part,reading,time\n1,10.1,yesterday\n", 2, "time", "ISO 8601"),
    "day before month": ("part,reading,time\n1,10.1,14.03.2026\n", 2, "time", "ISO 8601"),
    "order in words": ("part,reading,order\n1,10.1,first\n", 2, "order", "not a number"),
    "quotation mark without end": ('part,reading\n"1,10.1\n2,10.2\n', 3, None, "quotation"),
    "quotation mark inside": ('part,reading\n"1"x,10.1\n', 2, None, "quotation"),
    "trials repeat under no operator": (
        "Part,1,2,1,2\n1,1.5,2.5,3.5,4.5\n",
        *(1, "B", "which operator and trial"),
    ),
    "operator over the middle": (
        "Part,,Anna,,,Boris,\n,1,2,3,1,2,3\n1,1.1,1.2,1.3,1.4,1.5,1.6\n",
        *(2, "B", "which operator and trial"),
    ),
    "names and numbers mixed": ("Part,A1,A2,Boris\n1,1.5,2.5,3.5\n", 1, "D", "which operator"),
    "column without a header": ("Part,A1,A2,\n1,10.1,10.2,10.3\n", 2, "D", "no header"),
    "average without its name": ("Part,A1,,A2\n1,10.1,10.15,10.2\n", 2, "C", "no header"),
    "row without a part": ("Part,A1,A2\n1,10.1,10.2\n,10.3,10.4\n", 3, "A", "no part"),
    "row that stands apart": (
        "Part,A1,A2,B1,B2\n1,1,2,3,4\n2,1,2,3,4\n\nK1,0.8862,,,\n",
        *(5, "A", "not clear"),
    ),
    "trials that are no numbers": (
        "Part,Trial,A,B\n1,one,1.5,2.5\n1,two,1.5,2.5\n",
        *(2, "B", "whole number"),
    ),
    "one part, operators across, nothing else": (
        "Trial,A,B\n1,10.1,10.2\n2,10.1,10.2\n",
        *(1, "B", "which operator"),
    ),
    "no part named": (
        "Operator,Trial 1,Trial 2\nA,10.1,10.2\nB,10.1,10.2\n",
        *(2, "B", "Part: 7"),
    ),
    "two blocks without operators": (
        "Part,1,2\n1,1.5,2.5\n2,1.5,2.5\n\nPart,1,2\n1,1.5,2.5\n2,1.5,2.5\n",
        *(6, "B", "Operator: name"),
    ),
    "range or operator R": ("Part,A,B,R\n1,10.1,10.2,0.1\n", 1, "D", "which operator"),
    "range or part R": (
        "Part,A1,A2\nP,10.1,10.2\nQ,10.1,10.2\nR,0.1,0.1\n",
        *(4, "A", "not clear whether R names one part"),
    ),
    "two headers over the same readings": (
        "part,,,,\ntrial,1,2,1,2\noperator,A,A,B,B\n1,10.1,10.2,10.3,10.4\n2,20.1,20.2,20.3,20.4\n",
        *(4, "B", "under which of two headers"),
    ),
    "a web page": ("<html><body><table><tr><td>1</td></tr></table></body></html>", 1, None, "Name"),
    "json": ('{"part": 1, "reading": 10.1}', None, None, ""),
}


@pytest.mark.parametrize("name", FILES)
def test_file_is_refused(tmp_path, name):
    text, row, column, words = FILES[name]
    file = tmp_path / "study.csv"
    file.write_text(text, encoding="utf-8", newline="")
    refusal = refused(file, row, column)
    assert words in str(refusal)


def test_file_that_is_not_there_or_no_file(tmp_path):
    assert "no such" in refused(tmp_path / "nowhere.csv").problem
    assert "folder" in refused(tmp_path).problem
    assert "cannot be read" in refused(tmp_path / ("x" * 5000)).problem


def test_file_too_large(tmp_path):
    file = tmp_path / "study.csv"
    with file.open("wb") as out:
        out.truncate(25_000_000)
    assert "larger than" in refused(file).problem
    file.write_text("part,reading\n" + "1,10.001\n" * 500_000, encoding="utf-8")
    assert "larger than" in refused(file).problem


def test_journal_of_a_study(tmp_path):
    row = JournalRow(part="1", operator="A", trial="1", reading="10.1")
    Journal(tmp_path / "readings.csv").append(row)
    assert "grr.open_study" in refused(tmp_path / "readings.csv").remedy


def test_sheet_of_a_text_file(tmp_path):
    assert "no sheets" in refused(as_csv(tmp_path, LONG), sheet="May").problem


@pytest.mark.parametrize("unit", ["feet", "kg", "mm2"])
def test_unknown_unit_in_the_call(tmp_path, unit):
    with pytest.raises(StudyError, match="unit of length"):
        read_readings(as_csv(tmp_path, LONG), unit=unit)


@pytest.mark.parametrize("decimal", ["", "point", ";"])
def test_unknown_decimal_sign_in_the_call(tmp_path, decimal):
    with pytest.raises(StudyError, match="decimal"):
        read_readings(as_csv(tmp_path, LONG), decimal=decimal)


#: Readings that can be read but make no study, with words of the message.
NO_STUDY = {
    "one part": ("part,reading\n1,10.1\n", "Only one part"),
    "nothing measured": ("part,reading\n1,\n2,\n", "Every reading is missing"),
    "finer than the gauge": ("part,reading\n1,10.1\n2,10.25\n", "finer than the resolution"),
}


@pytest.mark.parametrize("name", NO_STUDY)
def test_readings_that_make_no_study(tmp_path, name):
    text, words = NO_STUDY[name]
    new_study_folder(tmp_path / "pins", unit="mm", resolution=0.1)
    (tmp_path / "pins" / "readings.csv").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match=words) as refusal:
        open_study(tmp_path / "pins")
    assert "pins" in refusal.value.file


def tried(file):
    """Read the file: a table of finite or missing readings, or a refusal that helps."""
    try:
        readings = read_readings(file)
    except StudyError as refusal:
        assert file.name in refusal.file
        assert refusal.remedy
    else:
        assert all(math.isfinite(x) or math.isnan(x) for x in readings["reading"])
        assert not readings.duplicated(["part", "operator", "trial"]).any() or "method" in readings
        assert readings["trial"].min() >= 1


@settings(deadline=None, max_examples=200)
@given(content=st.binary(max_size=200))
def test_any_bytes(tmp_path_factory, content):
    file = tmp_path_factory.getbasetemp() / "bytes.csv"
    file.write_bytes(content)
    tried(file)


WORDS = st.sampled_from(
    [
        *("part", "Part", "Operator", "trial", "Trial 1", "Trial 2", "reading", "Average", "Range"),
        *("A", "B", "A1", "A2", "B1", "1", "2", "3", "10.1", "10,1", "10,008", "0.4 in", "1.5 mm"),
        *("", "", "", "-", "x", "R", "Operator: A", "Unit", "mm", "Part 1", "note", "0", "ok"),
    ]
)


@settings(deadline=None, max_examples=250)
@given(
    rows=st.lists(st.lists(WORDS, min_size=1, max_size=6), min_size=1, max_size=8),
    separator=st.sampled_from(",;\t"),
)
def test_any_table_of_likely_words(tmp_path_factory, rows, separator):
    file = tmp_path_factory.getbasetemp() / "words.csv"
    text = "\n".join(separator.join(f'"{cell}"' for cell in row) for row in rows)
    file.write_text(text, encoding="utf-8")
    tried(file)


@settings(deadline=None, max_examples=120)
@given(
    which=st.sampled_from([LONG, FORM]),
    changes=st.lists(
        st.tuples(st.integers(0, 200), st.text("0123456789.,;\t\n\"'-ABx ", max_size=3)),
        min_size=1,
        max_size=3,
    ),
)
def test_any_slip_of_the_pen(tmp_path_factory, which, changes):
    text = "\n".join(",".join(row) for row in which)
    for at, slip in changes:
        text = text[: at % len(text)] + slip + text[at % len(text) + 1 :]
    file = tmp_path_factory.getbasetemp() / "slip.csv"
    file.write_text(text, encoding="utf-8")
    tried(file)


@settings(deadline=None, max_examples=60)
@given(
    parts=st.integers(1, 12),
    operators=st.sampled_from([["Anna"], ["Anna", "Boris"], ["A", "B", "C"], ["Op 1", "Op 2"]]),
    trials=st.integers(1, 4),
    form=st.sampled_from(["long", "one row", "two rows", "semi", "across"]),
    separator=st.sampled_from(",;\t"),
    data=st.data(),
)
def test_long_table_and_forms_hold_the_same(
    tmp_path_factory, parts, operators, trials, form, separator, data
):
    values = {
        (str(p), o, t): data.draw(st.integers(0, 990_000) | st.none())
        for p in range(1, parts + 1)
        for o in operators
        for t in range(1, trials + 1)
    }
    values["1", operators[0], 1] = 52_501
    cells = {key: "" if x is None else f"{x / 10_000:.4f}" for key, x in values.items()}
    rows = written(form, parts, operators, trials, cells)
    file = tmp_path_factory.getbasetemp() / "form.csv"
    file.write_text("\n".join(separator.join(row) for row in rows), encoding="utf-8")
    table = read_readings(file)
    # a form drops the word for what it labels: "Op 1" is 1
    shown = {} if form == "long" else {name: name.removeprefix("Op ") for name in operators}
    found = {
        (part, operator, trial): reading
        for part, operator, trial, reading in zip(
            table["part"], table["operator"], table["trial"], table["reading"], strict=True
        )
    }
    assert found.keys() == {(p, shown.get(o, o), t) for p, o, t in values}
    for (part, operator, trial), value in values.items():
        reading = found[part, shown.get(operator, operator), trial]
        assert math.isnan(reading) if value is None else reading == value / 10_000


def written(form, parts, operators, trials, cells):
    """Write the cells in one of the forms."""
    numbers = [str(number) for number in range(1, parts + 1)]
    rounds = list(range(1, trials + 1))
    across = [(o, t) for o in operators for t in rounds]
    if form == "long":
        lines = [[p, o, str(t), cells[p, o, t]] for p in numbers for o, t in across]
        return [["part", "operator", "trial", "reading"], *lines]
    lines = [[p, *(cells[p, o, t] for o, t in across)] for p in numbers]
    if form == "one row":
        return [["Part", *(f"{o} trial {t}" for o, t in across)], *lines]
    if form == "two rows":
        names = [o if t == 1 else "" for o, t in across]
        return [["Part", *names], ["", *(str(t) for _, t in across)], *lines]
    if form == "semi":
        lines = [[p, o, *(cells[p, o, t] for t in rounds)] for p in numbers for o in operators]
        return [["Part", "Operator", *(f"Trial {t}" for t in rounds)], *lines]
    lines = [[o, str(t), *(cells[p, o, t] for p in numbers)] for o, t in across]
    return [["Operator", "Trial", *numbers], *lines]
