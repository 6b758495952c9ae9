"""Notebooks link to notebooks that exist, come from their sources and hold no formulas."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest

import grr
from grr.shipped import put_into

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


def shown_by(code: str, names: dict[str, object]) -> object:
    """Run a cell and return what its last line shows."""
    *lines, last = ast.parse(code).body
    exec(compile(ast.Module(lines, []), "cell", "exec"), names)
    if not isinstance(last, ast.Expr):
        exec(compile(ast.Module([last], []), "cell", "exec"), names)
        return None
    return eval(compile(ast.Expression(last.value), "cell", "eval"), names)


def test_an_old_file_leads_from_the_start_page_to_the_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_into(tmp_path)
    monkeypatch.chdir(tmp_path / "notebooks")
    names: dict[str, object] = {}
    *_, form = [shown_by(code, names) for code in cells(Path("0_start_here.ipynb"), "code")]
    form.change(lower="10.006", upper="10.012", operators_are="no, others too")
    form.save()
    assert "Saved" in form.said
    shown_by(cells(Path("3_check.ipynb"), "code")[0], names)
    study = names["study"]
    assert study.taken == 89
    assert study.tolerance == grr.Tolerance(10.006, 10.012)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_no_form_is_stored_that_could_not_be_shown(path: Path) -> None:
    assert "widget-view" not in path.read_text(encoding="utf-8")


def test_operators_of_two_methods_are_refused_in_a_sentence_with_the_line_to_write() -> None:
    nbformat, nbclient = pytest.importorskip("nbformat"), pytest.importorskip("nbclient")
    (path,) = [path for path in NOTEBOOKS if path.stem == "6_which_operator_needs_what"]
    book = nbformat.read(path, as_version=4)
    first = next(cell for cell in book.cells if "len(study.methods) > 1" in cell.source)
    first.source = first.source.replace("len(study.methods) > 1", "False")
    first.source = f"import grr\n{first.source}"
    book.cells = [first]
    folder = {"metadata": {"path": str(path.parent)}}
    nbclient.NotebookClient(book, allow_errors=True, resources=folder).execute()
    (error,) = first.outputs
    assert error.ename == "StudyError"
    (shown,) = error.traceback
    assert shown == error.evalue
    assert 'study = study.for_method("stand")' in shown
