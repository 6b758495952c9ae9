"""Many studies from files and folders, at the command line and in a picture."""

from __future__ import annotations

import builtins
import shutil
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest

import grr
from grr.cli import main
from grr.many.summary import csv_text, text_summary
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
GAUGES, TOLERANCES = DEMO / "all_our_gauges.csv", DEMO / "all_our_tolerances.csv"


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    rng = np.random.default_rng(5)
    study, part, operator, trial = np.indices((3, 5, 2, 2)).reshape(4, -1)
    sizes = 10 + 0.01 * part + 0.001 * rng.normal(size=len(part))
    return pd.DataFrame(
        {
            "study": np.array(["007", "8", "µ ä"])[study],
            "part": np.array(["01", "1", "NA", "2.0", "e5"])[part],
            "operator": np.array(["A", "B"])[operator],
            "trial": trial + 1,
            "reading": sizes.round(4),
        }
    )


@pytest.mark.parametrize("kind", ["csv", "semicolons", "tabs", "xlsx", "parquet", "parquet folder"])
def test_a_file_gives_what_its_table_gives(kind: str, table: pd.DataFrame, tmp_path: Path) -> None:
    path = tmp_path / "mäny studies.csv"
    if kind == "csv":
        table.to_csv(path, index=False)
    elif kind == "semicolons":
        table.to_csv(path, index=False, sep=";", decimal=",", encoding="utf-8-sig")
    elif kind == "tabs":
        table.to_csv(path, index=False, sep="\t")
    elif kind == "xlsx":
        path = path.with_suffix(".xlsx")
        table.to_excel(path, index=False)
    elif kind == "parquet":
        pytest.importorskip("pyarrow")
        path = path.with_suffix(".parquet")
        table.to_parquet(path)
    else:
        pytest.importorskip("pyarrow")
        path = tmp_path / "folder"
        path.mkdir()
        table[:20].to_parquet(path / "a.parquet")
        table[20:].to_parquet(path / "b.parquet")
    found = grr.analyse_many(path, tolerances=grr.Tolerance(9.9, 10.2))
    expected = grr.analyse_many(table, tolerances=grr.Tolerance(9.9, 10.2))
    pd.testing.assert_frame_equal(found, expected, check_dtype=False)
    assert (found["error"] == "").all()
    assert found["parts"].to_list() == [5, 5, 5]


def test_a_word_among_decimal_commas_spoils_one_study(table: pd.DataFrame, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    spoilt = table.astype({"reading": str})
    spoilt["reading"] = spoilt["reading"].str.replace(".", ",")
    spoilt.loc[25, "reading"] = "stuck"
    spoilt.to_csv(path, index=False, sep=";")
    found = grr.analyse_many(path)
    assert found["error"].map(bool).to_list() == [False, True, False]
    assert "'stuck'" in found["error"][1]


def test_study_folders_keep_their_own_rules(tmp_path: Path) -> None:
    top = tmp_path / "plant"
    for name in ("dowel_pin", "dowel_pin_handheld", "bushing_inch"):
        shutil.copytree(DEMO / name, top / "hall 2" / name)
    (top / "empty").mkdir()
    (top / "empty" / "study.toml").write_text("", encoding="utf-8")
    found = grr.analyse_many(top, checks=True).set_index("study")
    assert found["decision"].to_dict() == {
        "empty": "",
        "hall 2/bushing_inch": "NOT DECIDED YET",
        "hall 2/dowel_pin": "USE",
        "hall 2/dowel_pin_handheld": "DO NOT USE FOR THIS TOLERANCE",
    }
    assert found.at["empty", "error"]
    alone = grr.anova(grr.open_study(DEMO / "bushing_inch"))
    ours = found.at["hall 2/bushing_inch", "GRR_percent_tolerance"]
    assert ours == alone.value("GRR", "percent_tolerance")
    with pytest.raises(grr.StudyError, match="tolerances"):
        grr.analyse_many(top, tolerances=grr.Tolerance(1, 2))


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("none.csv", None, "no such file"),
        ("none.dat", None, "no such file"),
        ("a.dat", b"x", "no kind known"),
        ("latin.csv", "study;part;reading\nä;1;2\n".encode("latin-1"), "UTF-8"),
        ("ragged.csv", b"study,part,reading\n1,2,3\n1,2,3,4,5\n", "cannot be read"),
        ("empty.csv", b"", "cannot be read"),
        ("not.parquet", b"PAR1", "cannot be read"),
        ("not.xlsx", b"PK\x03\x04", "damaged"),
        ("head.csv", b"study,part,reading\n", "no readings"),
    ],
)
def test_files_that_cannot_be_read(
    name: str, content: bytes | None, message: str, tmp_path: Path
) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    if path.suffix == ".parquet":
        pytest.importorskip("pyarrow")
    with pytest.raises(grr.StudyError, match=message):
        grr.analyse_many(path)


def test_an_empty_folder_and_two_sheets(table: pd.DataFrame, tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    with pytest.raises(grr.StudyError, match="Parquet"):
        grr.analyse_many(tmp_path)
    path = tmp_path / "two.xlsx"
    with pd.ExcelWriter(path) as book:
        table.to_excel(book, sheet_name="one", index=False)
        table.to_excel(book, sheet_name="two", index=False)
    with pytest.raises(grr.StudyError, match="Several sheets"):
        grr.analyse_many(path)


def test_without_pyarrow_parquet_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def refuse(name: str, *arguments: Any, **options: Any) -> Any:
        if name == "pyarrow":
            raise ImportError(name)
        return real(name, *arguments, **options)

    monkeypatch.setattr(builtins, "__import__", refuse)
    (tmp_path / "a.parquet").write_bytes(b"")
    with pytest.raises(grr.StudyError, match="needs pyarrow"):
        grr.analyse_many(tmp_path / "a.parquet")


def test_the_command_writes_a_row_a_study(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output = tmp_path / "results.csv"
    command = ["analyse-many", str(GAUGES), "--tolerances", str(TOLERANCES), "-o", str(output)]
    assert main(command) == 2
    printed = capsys.readouterr().out
    assert "40 studies" in printed
    assert "caliper 05: " in printed
    assert max(map(len, printed.replace(str(output), "").splitlines())) <= 80
    written = pd.read_csv(output)
    found = grr.analyse_many(GAUGES, tolerances=TOLERANCES)
    np.testing.assert_allclose(written["GRR_sd"], found["GRR_sd"], rtol=1e-12)
    assert (found["error"] != "").sum() == 1
    assert (found["estimator"].str.startswith("reml")).sum() == 1
    assert main([*command, "--operators", "14", "--force"]) == 2
    of_fourteen = pd.read_csv(output)["GRR_sd"]
    assert (of_fourteen.dropna() <= written["GRR_sd"].dropna() * (1 + 1e-9)).all()
    assert of_fourteen.lt(written["GRR_sd"] * 0.999).any()


def test_no_formula_reaches_a_spreadsheet() -> None:
    found = pd.DataFrame({"study": ["=1+1", "ok"], "GRR_sd": [-1.0, 2.0]})
    assert csv_text(found) == "study,GRR_sd\n'=1+1,-1.0\nok,2.0\n"


def test_a_summary_without_tolerances(table: pd.DataFrame) -> None:
    text = text_summary(grr.analyse_many(table), "study")
    assert text.startswith("3 studies") and ": 3 without" in text


def test_the_picture_shows_the_worst_on_top() -> None:
    found = grr.analyse_many(GAUGES, tolerances=TOLERANCES)
    figure = grr.show.worst_gauges(found, most=5, example=True)
    bars = np.array([trace.x for trace in figure.data])
    assert bars.shape == (3, 5)
    expected = found["GRR_percent_tolerance"].nlargest(5)[::-1]
    np.testing.assert_allclose(bars.sum(axis=0), expected, rtol=1e-8)
    top = found.loc[expected.index[-1]]
    assert top["study"] in figure.layout.title.subtitle.text
    share = (
        top["EV_sd"] ** 2 / (top[["EV_sd", "AV_sd", "INT_sd"]].astype(float).fillna(0.0) ** 2).sum()
    )
    assert bars[0, -1] == pytest.approx(top["GRR_percent_tolerance"] * share)
    with pytest.raises(grr.StudyError, match="no table"):
        grr.show.worst_gauges(found, by="gauge")
    with pytest.raises(grr.StudyError, match="percent of tolerance"):
        grr.show.worst_gauges(grr.analyse_many(GAUGES))


def test_parquet_whose_description_is_damaged(table: pd.DataFrame, tmp_path: Path) -> None:
    pa = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "many.parquet"
    for description in (b'{"columns": [{}], "index_columns": ["x"]}', b"[]", b"{", b"\xff"):
        damaged = pa.Table.from_pandas(table).replace_schema_metadata({b"pandas": description})
        parquet.write_table(damaged, path)
        try:
            assert len(grr.analyse_many(path)) == table["study"].nunique()
        except grr.StudyError as refusal:
            assert "be read" in refusal.problem


def test_a_large_table_is_read_in_pieces(
    table: pd.DataFrame, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "many.csv"
    table.assign(part="0" + table["part"].astype(str)).to_csv(path, index=False)
    whole = grr.analyse_many(path)
    monkeypatch.setattr("grr.many.table._PIECE", 7)
    pd.testing.assert_frame_equal(grr.analyse_many(path), whole)


@pytest.mark.parametrize("blank", ["", ",,,,", ";;;;"])
def test_the_row_of_a_mistake_is_that_of_the_file(
    table: pd.DataFrame, tmp_path: Path, blank: str
) -> None:
    path = tmp_path / "many.csv"
    columns = ["study", "part", "operator", "trial", "reading"]
    lines = table[columns].to_csv(index=False, lineterminator="\n").split("\n")
    if ";" in blank:
        lines = [line.replace(",", ";").replace(".", ",") for line in lines]
    cells = lines[20].split(";" if ";" in blank else ",")
    lines[20] = lines[20].replace(cells[4], "1O.1")
    lines.insert(9, blank)
    path.write_text("\n".join([*lines, blank, ""]), encoding="utf-8")
    found = grr.analyse_many(path)
    assert [error.count("row 22,") for error in found["error"] if error] == [1]
    assert list(found["study"]) == list(table["study"].unique())


def test_two_columns_of_one_name_in_a_workbook(table: pd.DataFrame, tmp_path: Path) -> None:
    path = tmp_path / "many.xlsx"
    pd.concat([table, table["reading"]], axis=1).to_excel(path, index=False)
    with pytest.raises(grr.StudyError, match="named reading"):
        grr.analyse_many(path)


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_columns_under_the_words_of_the_trade(
    table: pd.DataFrame, tmp_path: Path, suffix: str
) -> None:
    named = table.rename(
        columns={"part": "Teil", "operator": "Appraiser", "trial": "repeat", "reading": "Value"}
    )
    path = tmp_path / f"many.{suffix}"
    if suffix == "csv":
        named.to_csv(path, index=False)
    else:
        named.to_excel(path, index=False)
    pd.testing.assert_frame_equal(grr.analyse_many(path), grr.analyse_many(table))
    pd.testing.assert_frame_equal(grr.analyse_many(named), grr.analyse_many(table))


def test_merged_readings_in_a_workbook_are_refused(table: pd.DataFrame, tmp_path: Path) -> None:
    path = tmp_path / "many.xlsx"
    table.to_excel(path, index=False)
    book = openpyxl.load_workbook(path)
    book.active.merge_cells("A2:A5")  # the study, written once
    book.active.merge_cells("E4:E5")
    book.save(path)
    with pytest.raises(grr.StudyError, match="merged cells") as refusal:
        grr.analyse_many(path)
    assert refusal.value.row == 5


def _open_document(table: pd.DataFrame, path: Path) -> None:
    """Write a table as the smallest workbook in the open format (OASIS OpenDocument 1.2)."""
    names = "urn:oasis:names:tc:opendocument:xmlns"
    rows = [list(table.columns), *table.astype(object).to_numpy().tolist()]

    def cell(value: object) -> str:
        number = isinstance(value, int | float)
        kind = f'"float" office:value="{value}"' if number else '"string"'
        text = f"<text:p>{value}</text:p>"
        return f"<table:table-cell office:value-type={kind}>{text}</table:table-cell>"

    body = "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>" for row in rows)
    content = (
        f'<office:document-content xmlns:office="{names}:office:1.0" '
        f'xmlns:table="{names}:table:1.0" xmlns:text="{names}:text:1.0">'
        f'<office:body><office:spreadsheet><table:table table:name="S">{body}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content)
        listed = '<m:file-entry m:full-path="content.xml" m:media-type="text/xml"/>'
        manifest = f'<m:manifest xmlns:m="{names}:manifest:1.0">{listed}</m:manifest>'
        archive.writestr("META-INF/manifest.xml", manifest)


def test_a_workbook_in_the_open_format_says_what_the_text_says(tmp_path: Path) -> None:
    table = pd.read_csv(GAUGES).head(180)
    table["study"] = "no. " + table["study"].astype(str)
    table.to_csv(tmp_path / "table.csv", index=False)
    _open_document(table, tmp_path / "table.ods")
    text, workbook = (grr.analyse_many(tmp_path / f"table.{kind}") for kind in ("csv", "ods"))
    assert len(text) > 1
    pd.testing.assert_frame_equal(text, workbook)
