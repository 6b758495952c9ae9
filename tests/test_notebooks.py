"""Notebooks link to notebooks that exist, come from their sources and hold no formulas."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]
NOTEBOOKS = sorted((TOP / "notebooks").glob("*.ipynb"))
SOURCES = TOP / "tests" / "notebook_sources"


def cells(path: Path, kind: str) -> list[str]:
    book = json.loads(path.read_text(encoding="utf-8"))
    return ["".join(cell["source"]) for cell in book["cells"] if cell["cell_type"] == kind]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_links_lead_somewhere(path: Path) -> None:
    for text in cells(path, "markdown"):
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            assert (path.parent / target).exists(), f"{path.name} links to {target}"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_comes_from_its_source(path: Path) -> None:
    jupytext = pytest.importorskip("jupytext")
    source = jupytext.read(SOURCES / f"{path.stem}.py")
    assert cells(path, "code") == [c.source for c in source.cells if c.cell_type == "code"]
    assert cells(path, "markdown") == [c.source for c in source.cells if c.cell_type == "markdown"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_cells_define_nothing_and_use_public_names_only(path: Path) -> None:
    for code in cells(path, "code"):
        for node in ast.walk(ast.parse(code)):
            assert not isinstance(node, (ast.FunctionDef, ast.ClassDef, ast.Lambda)), code
            if isinstance(node, ast.Import):
                assert all(name.name in {"grr", "pandas"} for name in node.names), code
            if isinstance(node, ast.ImportFrom):
                assert node.module == "grr", code
            if isinstance(node, ast.Attribute):
                assert not node.attr.startswith("_"), code


def test_every_source_has_its_notebook() -> None:
    made = {path.stem for path in NOTEBOOKS}
    sources = {path.stem for path in SOURCES.glob("*.py")} - {"make_notebooks"}
    assert made == sources
