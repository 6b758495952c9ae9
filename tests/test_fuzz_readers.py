"""A small share of what `tests/tools/fuzz_readers.py` does at night."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest


def test_damaged_files_are_read_or_refused_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    path = Path(__file__).parent / "tools" / "fuzz_readers.py"
    spec = importlib.util.spec_from_file_location("fuzz_readers", path)
    assert spec is not None
    assert spec.loader is not None
    tool = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tool)
    assert tool.main(["2000"]) == 0, capsys.readouterr().out
