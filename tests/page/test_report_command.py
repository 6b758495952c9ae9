"""``grr report``: what it writes, and what it says when it cannot."""

from __future__ import annotations

import json

from grr.cli import main
from grr.shipped import shipped_folder

STUDY = str(shipped_folder("demo_data") / "dowel_pin")


def test_report_workbook_and_json_are_written_in_one_go(tmp_path, capsys):
    files = {name: tmp_path / f"r.{name}" for name in ("html", "xlsx", "json")}
    status = main(
        [
            *("report", STUDY, "-o", str(files["html"]), "--date", "2026-11-25"),
            *("--prepared-by", "A. Person", "--revision", "7", "--code-operators"),
            *("--xlsx", str(files["xlsx"]), "--json", str(files["json"])),
        ]
    )
    assert status == 0
    assert capsys.readouterr().out.count("Written: ") == 3
    text = files["html"].read_text(encoding="utf-8")
    assert "2026-11-25" in text
    assert "A. Person" in text
    assert "Ilka" not in text
    assert files["xlsx"].read_bytes()[:2] == b"PK"
    assert json.loads(files["json"].read_text(encoding="utf-8"))["format"] == "grr result"


def test_what_cannot_be_used_is_said_in_one_sentence(tmp_path, capsys):
    for arguments, words in (
        (["--date", "yesterday", "-o", str(tmp_path / "r.html")], "Write it like"),
        (["-o", str(tmp_path / "r.doc")], ".html or .pdf"),
        (["-o", str(tmp_path / "nowhere" / "r.html")], "does not exist"),
    ):
        assert main(["report", STUDY, *arguments]) == 2
        message = capsys.readouterr().err
        assert words in message
        assert len(message.strip().splitlines()) == 1
