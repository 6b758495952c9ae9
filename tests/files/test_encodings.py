"""Text in any encoding: read as it is meant, or refused in one sentence; never garbled."""

from __future__ import annotations

from pathlib import Path

import pytest

import grr
from grr.model.errors import StudyError

ENCODINGS = [
    *("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "latin-1"),
    "utf-16-be with its mark",
]
LINE_ENDS = ["\n", "\r\n", "\r"]

LONG = "study,part,operator,trial,reading\n" + "".join(
    f"{study},0{part},{operator},{trial},{10 + part / 100 + trial / 1000:.4f}\n"
    for study in ("Ø1", "b")
    for part in (1, 2, 3)
    for operator in ("Åke", "Bär")
    for trial in (1, 2)
)


def encoded(text: str, encoding: str, line_end: str) -> bytes:
    text = text.replace("\n", line_end)
    if encoding.endswith("mark"):
        return b"\xfe\xff" + text.encode("utf-16-be")
    return text.encode(encoding)


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("line_end", LINE_ENDS)
def test_columns(tmp_path: Path, encoding: str, line_end: str) -> None:
    file = tmp_path / "blocks.csv"
    text = "reference (µm),reading,note\n10,10.001,ä\n20,20.001,\n"
    file.write_bytes(encoded(text, encoding, line_end))
    table = grr.read_columns(file)
    assert table["reading"].tolist() == [10.001, 20.001]
    assert table.attrs["unit"] == "µm"


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("line_end", LINE_ENDS)
def test_many_studies(tmp_path: Path, encoding: str, line_end: str) -> None:
    file = tmp_path / "many.csv"
    file.write_bytes(encoded(LONG, encoding, line_end))
    if encoding in ("utf-8", "utf-8-sig"):
        found = grr.analyse_many(file)
        assert found["study"].tolist() == ["Ø1", "b"]
        assert found["parts"].tolist() == [3, 3]
        assert found["error"].tolist() == ["", ""]
    else:
        with pytest.raises(StudyError, match="UTF-8"):
            grr.analyse_many(file)


@pytest.mark.parametrize("line_end", LINE_ENDS)
def test_parts_keep_their_zeros_whatever_ends_a_line(tmp_path: Path, line_end: str) -> None:
    file = tmp_path / "many.csv"
    text = LONG + LONG.partition("\n")[2].replace(",0", ",")
    file.write_bytes(encoded(text, "utf-8", line_end))
    assert grr.analyse_many(file)["parts"].tolist() == [6, 6]  # 01 is not 1


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("line_end", LINE_ENDS)
def test_settings(tmp_path: Path, encoding: str, line_end: str) -> None:
    text = 'title = "Größe µ"\nunit = "µm"\n[tolerance]\nlower = 1.0\nupper = 20000\n'
    (tmp_path / "study.toml").write_bytes(encoded(text, encoding, line_end))
    readings = LONG.replace("Ø1,", "").replace("study,", "")
    (tmp_path / "readings.csv").write_text(readings.partition("\nb,")[0], encoding="utf-8")
    if encoding in ("utf-8", "utf-8-sig"):
        study = grr.open_study(tmp_path)
        assert (study.title, study.unit) == ("Größe µ", "µm")
    else:
        with pytest.raises(StudyError, match="UTF-8"):
            grr.open_study(tmp_path)


@pytest.mark.parametrize("row", [1, 2, 20, 300, 499])
def test_a_zero_byte_is_refused_with_its_row(tmp_path: Path, row: int) -> None:
    """It would pass for a part of a name, or end the text."""
    lines = ["study,part,operator,trial,reading", *(f"a,{part},A,1,10.1" for part in range(500))]
    for place in (0, 3, len(lines[row - 1])):
        spoilt = list(lines)
        spoilt[row - 1] = f"{spoilt[row - 1][:place]}\0{spoilt[row - 1][place:]}"
        file = tmp_path / "many.csv"
        file.write_bytes("\n".join(spoilt).encode())
        for read in (grr.read_readings, grr.read_columns, grr.analyse_many):
            with pytest.raises(StudyError, match="zero byte") as refusal:
                read(file)
            assert refusal.value.row == row


@pytest.mark.parametrize("encoding", ["utf-16", "cp1252", "utf-8"])
def test_a_journal_saved_anew_by_a_spreadsheet_says_what_to_do(
    tmp_path: Path, encoding: str
) -> None:
    from grr.files.folder import new_study_folder
    from grr.files.journal import Journal, JournalRow

    new_study_folder(tmp_path, unit="mm")
    Journal(tmp_path / "readings.csv").append_all(
        [JournalRow(part=part, operator="Åke", trial="1", reading="1.5") for part in "123"]
    )
    text = (tmp_path / "readings.csv").read_text(encoding="utf-8-sig").replace(",", "\t")
    (tmp_path / "readings.csv").write_bytes(text.encode(encoding))
    with pytest.raises(StudyError, match="restore"):
        grr.open_study(tmp_path)
