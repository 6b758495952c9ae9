"""What was read is always said: no row is dropped, no letter guessed, without a word about it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import openpyxl
import pytest

import grr
from grr.cli import main
from grr.files.folder import save_study
from grr.files.table_file import read_readings
from grr.files.verify import seal_now, verify_folder
from grr.model.errors import StudyError

SCATTER = (3, -2, 0, 1, -1, 2, 0, -3, 1, -1, 2, 0, -2, 1, 3, -1, 0, -2, 1, 2)
PLACES = [(part, name, trial) for part in "12345" for name in ("Anna", "Boris") for trial in (1, 2)]
ROWS = [
    f"{part};{operator};{trial};{10 + 0.01 * int(part) + 0.0001 * scatter:.4f}"
    for (part, operator, trial), scatter in zip(PLACES, SCATTER, strict=True)
]
HEAD = "part;operator;trial;reading (mm)"


def written(folder: Path, *more: str, head: str = HEAD, rows: list[str] = ROWS) -> Path:
    file = folder / "old.csv"
    file.write_bytes("\n".join([head, *rows, *more, ""]).encode("utf-8"))
    return file


def study_of(file: Path) -> grr.Study:
    table = read_readings(file)
    return grr.Study(table, tolerance=grr.Tolerance(9.9, 10.1), unit="mm", resolution=0.0001)


def plain_folder(folder: Path, *more: str) -> Path:
    """A study folder with somebody's own table."""
    study = folder / "study"
    study.mkdir()
    text = 'unit = "mm"\nresolution = 0.0001\n[tolerance]\nlower = 9.9\nupper = 10.1\n'
    (study / "study.toml").write_text(text, encoding="utf-8")
    written(folder, *more).rename(study / "readings.csv")
    return study


@pytest.mark.parametrize("row", ["3;Anna", "3;Anna;;", "3;;2;", "3;Boris;;-", "6;Anna;;"])
def test_a_row_that_looks_like_data_is_not_dropped_silently(row: str, tmp_path: Path) -> None:
    file = written(tmp_path, row)
    table = read_readings(file)
    (unused,) = table.attrs["taken"]["unused"]
    assert unused.startswith(f"row 22: {row[0]} | ")
    assert "not used (1)" in grr.describe_reading(table)
    (finding,) = grr.check(study_of(file)).about("what was read")[:1]
    assert finding.severity == "look"
    assert unused in finding.what


@pytest.mark.parametrize(
    "row", ["", "Remark;;;", "measured by;Anna;;", "Average;;;10.003", "Ø;;;10.003", ";;;"]
)
def test_a_remark_is_no_data(row: str, tmp_path: Path) -> None:
    assert read_readings(written(tmp_path, row)).attrs["taken"]["unused"] == ()


def test_a_sign_alone_is_a_mean_and_a_diameter_is_a_part(tmp_path: Path) -> None:
    file = tmp_path / "wide.csv"
    head, rows = "Part;Anna 1;Anna 2\n", "Ø 10;10,1;10,2\nØ 12;12,1;12,2\nØ;11,1;11,2\n"
    file.write_text(head + rows, encoding="utf-8")
    table = read_readings(file)
    assert sorted(set(table["part"])) == ["Ø 10", "Ø 12"]
    (left_out,) = table.attrs["taken"]["ignored"]
    assert "Ø | 11" in left_out


def test_such_a_row_blocks_use_until_somebody_says_why(tmp_path: Path) -> None:
    whole = plain_folder(tmp_path)
    assert not grr.check(grr.open_study(whole)).must_mend
    file = whole / "readings.csv"
    file.write_bytes(file.read_bytes() + b"3;Anna;;\n")
    study = grr.open_study(whole)
    assert grr.check(study).must_mend
    assert grr.verdict(grr.anova(study)).decision == "NOT DECIDED YET"
    assert main(["analyse", str(whole)]) == 5
    assert main(["record", str(whole), "--by", "Eva", "--reason", " "]) == 2
    assert grr.check(grr.open_study(whole)).must_mend
    assert main(["record", str(whole), "--by", "Eva", "--reason", "dropped part"]) == 0
    explained = grr.open_study(whole)
    assert not grr.check(explained).must_mend
    assert explained.record is not None
    assert explained.record.not_used == {"row 22: 3 | Anna": "dropped part"}
    told = grr.check(explained).about("what was read")[0]
    assert told.severity == "know"
    assert "row 22: 3 | Anna (dropped part)" in told.what
    file.write_bytes(file.read_bytes() + b"4;Boris;;\n")  # another one is not explained
    assert grr.check(grr.open_study(whole)).must_mend


def test_saved_as_a_study_it_still_blocks(tmp_path: Path) -> None:
    file = written(tmp_path, "3;Anna;;")
    folder = tmp_path / "saved"
    save_study(study_of(file), folder)
    assert grr.check(grr.open_study(folder)).must_mend
    assert main(["record", str(folder), "--by", "Eva", "--reason", "dropped part"]) == 0
    assert not grr.check(grr.open_study(folder)).must_mend


def test_the_file_of_imported_readings_is_kept_and_sealed(tmp_path: Path) -> None:
    file, folder = written(tmp_path), tmp_path / "saved"
    sha256 = hashlib.sha256(file.read_bytes()).hexdigest()
    save_study(study_of(file), folder)
    kept = folder / f"imported-{sha256[:12]}.csv"
    assert kept.read_bytes() == file.read_bytes()
    printed = seal_now(folder)
    assert verify_folder(folder, seal=printed).unaltered
    kept.write_bytes(kept.read_bytes() + b"\n")
    found = verify_folder(folder, seal=printed)
    assert not found.unaltered
    assert "imported as old.csv" in str(found)
    assert grr.check(grr.open_study(folder)).must_mend


def test_a_source_that_is_gone_or_changed_is_put_on_record_by_its_hash(tmp_path: Path) -> None:
    for number, change in enumerate((Path.unlink, lambda path: path.write_bytes(b"x"))):
        file, folder = written(tmp_path), tmp_path / f"saved {number}"
        sha256 = hashlib.sha256(file.read_bytes()).hexdigest()
        study = study_of(file)
        change(file)
        save_study(study, folder)
        assert list(folder.glob("imported-*")) == []
        record = grr.open_study(folder).record
        assert record is not None
        assert record.events["value"].tolist() == [sha256]
        assert record.contradictions == ()


def test_what_was_left_out_stands_in_the_check(tmp_path: Path) -> None:
    head = f"{HEAD};colour"
    file = written(tmp_path, "Average;;;10.003", head=head, rows=[f"{row};red" for row in ROWS])
    (finding,) = grr.check(study_of(file)).about("what was read")
    assert finding.severity == "know"
    assert "20 readings" in finding.what
    assert "column E (colour)" in finding.what
    assert "Average | 10.003" in finding.what


def sheet(folder: Path, change: object = None) -> Path:
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    page.append(["part", "operator", "trial", "reading", "remark"])
    for row in ROWS:
        part, operator, trial, reading = row.split(";")
        page.append([part, operator, int(trial), float(reading), "x"])
    if callable(change):
        change(book, page)
    book.save(folder / "old.xlsx")
    return folder / "old.xlsx"


def test_a_hidden_sheet_is_named(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook, page: object) -> None:
        book.create_sheet("second try").sheet_state = "hidden"

    table = read_readings(sheet(tmp_path, change))
    assert "sheet second try (hidden)" in table.attrs["taken"]["ignored"]


def test_readings_in_a_hidden_column_are_asked_about(tmp_path: Path) -> None:
    def hide(letter: str) -> object:
        def change(book: object, page: openpyxl.worksheet.worksheet.Worksheet) -> None:
            page.column_dimensions[letter].hidden = True

        return change

    with pytest.raises(StudyError, match="hidden"):
        read_readings(sheet(tmp_path, hide("D")))
    assert len(read_readings(sheet(tmp_path, hide("E")))) == 20


NAMES = {
    "cp1250": ["Małgorzata", "Łukasz"],
    "cp1251": ["Анна", "Ян и Яна"],
    "koi8-r": ["Борис"],
    "cp1253": ["Γιώργος"],
    "shift_jis": ["田中", "鈴木", "タナカ", "ﾀﾅｶﾊﾅ"],
    "euc_jp": ["田中"],
    "euc_kr": ["김민준"],
    "gbk": ["王伟"],
    "big5": ["王小明"],
    "cp437": ["Jürgen", "José"],
    "cp850": ["Jürgen", "Bär"],
}


@pytest.mark.parametrize(
    ("encoding", "name"), [(encoding, name) for encoding in NAMES for name in NAMES[encoding]]
)
def test_letters_of_another_part_of_the_world_are_refused(
    encoding: str, name: str, tmp_path: Path
) -> None:
    file = tmp_path / "old.csv"
    rows = [row.replace("Anna", name) for row in ROWS]
    file.write_bytes("\n".join([HEAD, *rows, ""]).encode(encoding))
    with pytest.raises(StudyError, match="CSV UTF-8") as refusal:
        read_readings(file)
    assert "Western European" in str(refusal.value)


WESTERN = ["Åke", "François", "Zoë ß", "Bär", "Crème brûlée", "O’Brien", "«Ana»", "„Bär“"]
WESTERN += ["¿Quién?", "Nº 2", "Größe…", "Øystein", "Ana–Zoë", "A — Ö", "Straße", "Æsir"]
WESTERN += ["2×Ø5", "R²", "n°5", "1ª"]


@pytest.mark.parametrize("name", WESTERN)
def test_western_european_letters_are_read_and_the_guess_is_shown(
    name: str, tmp_path: Path
) -> None:
    file = tmp_path / "old.csv"
    rows = [row.replace("Anna", name) for row in ROWS]
    file.write_bytes("\n".join([HEAD, *rows, ""]).encode("cp1252"))
    table = read_readings(file)
    written_in_utf8 = read_readings(written(tmp_path, rows=rows))
    assert table["operator"].tolist() == written_in_utf8["operator"].tolist()


def test_a_guess_that_may_be_wrong_shows_the_words(tmp_path: Path) -> None:
    """Czech letters in cp1250 are other letters in cp1252: nobody can tell, a person sees it."""
    file = tmp_path / "old.csv"
    rows = [row.replace("Anna", "Jiří").replace("Boris", "Michał") for row in ROWS]
    file.write_bytes("\n".join([HEAD, *rows, ""]).encode("cp1250"))
    (finding,) = grr.check(study_of(file)).about("what was read")
    assert finding.severity == "look"
    assert "“Jiøí”, “Micha³”" in finding.what
    assert "cp1252" in finding.what


def test_only_a_unit_outside_ascii_raises_no_doubt(tmp_path: Path) -> None:
    file = tmp_path / "old.csv"
    file.write_bytes("\n".join([HEAD.replace("mm", "µm"), *ROWS, ""]).encode("cp1252"))
    table = read_readings(file)
    assert table.attrs["unit"] == "µm"
    assert table.attrs["taken"]["assumed"] == ()


#: One name with a letter that looks the same: Cyrillic, Greek, and capitals.
LOOK_ALIKE = ["\u0410nna", "\u0391nna", "ANNA"]


@pytest.mark.parametrize("name", LOOK_ALIKE)
def test_a_name_that_only_looks_the_same_is_refused_in_a_file(name: str, tmp_path: Path) -> None:
    rows = [ROWS[0].replace("Anna", name), *ROWS[1:]]
    with pytest.raises(StudyError, match="two ways") as refused:
        read_readings(written(tmp_path, rows=rows))
    assert refused.value.row is not None


@pytest.mark.parametrize("name", [*LOOK_ALIKE, "An\u200bna"])
def test_a_name_that_only_looks_the_same_must_be_mended_in_a_table(
    name: str, tmp_path: Path
) -> None:
    table = read_readings(written(tmp_path))
    assert not grr.check(grr.Study(table)).about("names alike")
    table.loc[0, "operator"] = name
    (finding,) = grr.check(grr.Study(table)).about("names alike")
    assert finding.severity == "mend"
    assert finding.place in ("operator Anna", f"operator {name}")
