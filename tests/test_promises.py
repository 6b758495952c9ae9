"""What README promises of files names a test, and that test exists."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]
README = (TOP / "README.md").read_text(encoding="utf-8")


def promises() -> list[tuple[str, str]]:
    """Return each promise with the cell that names its tests."""
    section = README.partition("## What is promised of files")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| (.+?) \| (.+) \|$", section, re.MULTILINE)
    return [row for row in rows if row[0] != "promise"]


def named(text: str) -> list[Path]:
    """Return the files of tests that a text names; a name alone lies beside the one before it."""
    found: list[Path] = []
    for name in re.findall(r"`((?:tests/)?[\w/]*test_\w+\.py)`", text):
        beside = found[-1].parent if found else TOP
        found.append(TOP / name if name.startswith("tests/") else beside / name)
    return found


def test_there_are_promises() -> None:
    assert len(promises()) >= 7


@pytest.mark.parametrize(("promise", "tests"), promises())
def test_a_promise_names_tests_that_exist(promise: str, tests: str) -> None:
    files = named(tests)
    assert files, promise
    assert len(files) == tests.count("`") // 2, f"something else than a test is named: {tests}"
    for file in files:
        tree = ast.parse(file.read_text(encoding="utf-8"))
        names = [node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
        assert any(name.startswith("test_") for name in names), file


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_a_page_names_exists(page: str) -> None:
    text = (TOP / page).read_text(encoding="utf-8")
    missing = [
        name
        for name in re.findall(r"`((?:tests|grr|demo_data|notebooks)/[\w./]+\.\w+)`", text)
        if not (TOP / name).is_file()
    ]
    assert missing == []
