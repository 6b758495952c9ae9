"""The table of cross-checks names tests that exist, and DEVELOPERS.md shows it as it is."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture
def tool() -> ModuleType:
    path = Path(__file__).parent / "tools" / "cross_checks.py"
    spec = importlib.util.spec_from_file_location("cross_checks", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_estimator_has_two_routes_that_exist(tool: ModuleType) -> None:
    assert tool.problems() == []


def test_the_table_for_developers_is_up_to_date(tool: ModuleType) -> None:
    text = tool.DEVELOPERS.read_text(encoding="utf-8")
    assert tool.written(text) == text, "run tests/tools/cross_checks.py --write"


def test_a_test_that_is_gone_is_named(
    tool: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = tmp_path / "routes.csv"
    lines.write_text(
        "estimator,route,test\nA,b,files/test_allowed_files.py::test_nothing\n", encoding="utf-8"
    )
    monkeypatch.setattr(tool, "ROUTES", lines)
    assert tool.problems() == [
        "tests/files/test_allowed_files.py has no test_nothing",
        "A has one route only",
    ]
