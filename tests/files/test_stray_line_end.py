"""A carriage return within a line of a record is a broken line, not a traceback."""

from __future__ import annotations

from pathlib import Path

from grr.files.chained_file import read_lines


def test_a_carriage_return_within_a_line(tmp_path: Path) -> None:
    path = tmp_path / "record.csv"
    path.write_bytes(b"a,b,hash\n1,2\r3,x\n")
    (line,) = read_lines(path, ["a", "b"])
    assert line.cells is None
