"""A small share of what `tests/tools/fuzz_readers.py` does at night."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="module")
def tool() -> ModuleType:
    path = Path(__file__).parent / "tools" / "fuzz_readers.py"
    spec = importlib.util.spec_from_file_location("fuzz_readers", path)
    assert spec is not None
    assert spec.loader is not None
    tool = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tool)
    return tool


def test_damaged_files_are_read_or_refused_in_words(
    tool: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert tool.main(["2000", "--keep", str(tmp_path)]) == 0, capsys.readouterr().out


def test_failures_are_kept_when_the_run_is_stopped(
    tool: ModuleType,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The second input fails, the third is the key that stops the run."""

    def one_input(number: int, _seed: int, _contents: object, folder: Path) -> tuple[str, Path]:
        if number == 2:
            raise KeyboardInterrupt
        (folder / "readings.csv").write_text(f"input {number}", encoding="utf-8")
        return "ZeroDivisionError" if number == 1 else "", folder / "readings.csv"

    monkeypatch.setattr(tool, "one_input", one_input)
    assert tool.main(["9", "--seed", "4", "--keep", str(tmp_path)]) == 1
    kept = tmp_path / "seed_4_input_1_readings.csv"
    assert kept.read_text(encoding="utf-8") == "input 1"
    told = kept.with_name(f"{kept.name}.txt").read_text(encoding="utf-8")
    assert "ZeroDivisionError" in told
    assert "--seed 4 --first 1" in told
    assert [path.name for path in tmp_path.glob("*.csv")] == [kept.name]
    assert "2 inputs, seed 4: 1 failures" in capsys.readouterr().out
