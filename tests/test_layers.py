"""Imports go down only, public names are handed out, and importing stays light."""

from __future__ import annotations

import ast
import importlib
import pkgutil
import shutil
import subprocess
import sys
from collections import Counter
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import grr

PACKAGE = Path(grr.__file__).parent
MODEL, FORMULAS = {"model"}, {"model", "formulas"}
QUESTIONS = {*FORMULAS, "show", "questions"}
PAGES = {*QUESTIONS, "files", "entry", "page"}
MANY = {*PAGES, "many", "cluster"}
#: Each folder or module of the package, and what it may import.
LAYERS = {
    "model": MODEL,
    "formulas": FORMULAS,
    "files": {"model", "files"},
    "show": {*FORMULAS, "show"},
    "questions": QUESTIONS,
    "entry": {*QUESTIONS, "files", "entry"},
    "page": PAGES,
    "many": MANY,
    "cluster": MANY,
    "shipped": {*MANY, "shipped", "lab", "cli"},
    "lab": {*MANY, "shipped", "lab", "cli"},
    "cli": {*MANY, "shipped", "lab", "cli"},
}


def name_of(path: Path) -> str:
    """Return the name under which a module is imported."""
    parts = ("grr", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts).removesuffix(".__init__")


MODULES = {
    name_of(path): ast.parse(path.read_text(encoding="utf-8"))
    for path in sorted(PACKAGE.rglob("*.py"))
    if "_demo_data" not in path.parts
}


def run(script: str, *arguments: str) -> None:
    """Run a script in a fresh Python and pass on what it says when it fails."""
    command = [sys.executable, "-c", script, *arguments]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def for_types_only(node: ast.AST) -> bool:
    """Whether this is ``if TYPE_CHECKING:``, of which nothing is imported when it runs."""
    return (
        isinstance(node, ast.If)
        and isinstance(node.test, ast.Name)
        and node.test.id == "TYPE_CHECKING"
    )


def imported(module: str, *, types: bool = False) -> set[str]:
    """Return the modules of this package that one imports, anywhere in it.

    With ``types`` also those that it needs for its annotations only.
    """
    found = set()
    nodes: list[ast.AST] = [MODULES[module]]
    for node in nodes:
        nodes += [n for n in ast.iter_child_nodes(node) if types or not for_types_only(n)]
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} imports relatively"
            for name in node.names:
                inner = f"{node.module}.{name.name}"
                found.add(inner if inner in MODULES else str(node.module))
    return found & set(MODULES) - {module, "grr"}


@pytest.mark.parametrize("module", sorted(set(MODULES) - {"grr"}))
def test_imports_go_down(module: str) -> None:
    own = module.split(".")[1]
    assert own in LAYERS, f"{own} is in no layer"
    # A figure may know the type of what it draws.
    for other in imported(module, types=own != "show"):
        assert other.split(".")[1] in LAYERS[own], f"{module} may not import {other}"


def test_imports_form_no_circle() -> None:
    graph = {module: imported(module) for module in MODULES}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"a circle of imports: {' imports '.join(reversed(error.args[1]))}")


def test_imports_inside_functions_and_of_submodules_are_seen() -> None:
    assert "grr.show.time_figures" in imported("grr.questions.drift")  # inside a function
    assert "grr.formulas.average_range" in imported("grr.questions.gauge")  # from the package
    assert "grr.model.study" in imported("grr", types=True) - imported("grr")


def test_formulas_know_no_tables_files_or_figures() -> None:
    for path in (PACKAGE / "formulas").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not {n.split(".")[0] for n in names} & {"pandas", "plotly", "openpyxl"}, path


def test_the_list_of_formulas_names_every_file() -> None:
    words = importlib.import_module("grr.formulas").__doc__ or ""
    listed = {name for line in words.splitlines() for name in line.split("  ")[0].split("`")[1::2]}
    assert listed == {path.stem for path in (PACKAGE / "formulas").glob("[a-z]*.py")}


def test_no_module_shares_a_public_functions_name() -> None:
    modules = {path.stem for path in PACKAGE.iterdir()}
    functions = {name for name in grr.__all__ if name.islower()}
    assert not (modules & functions) - {"show", "cluster"}


def test_public_names_survive_the_import_of_every_module() -> None:
    script = (
        "import importlib, pkgutil, grr, sys\n"
        "for m in pkgutil.walk_packages(grr.__path__, 'grr.'):\n"
        "    if not m.name.endswith('__main__'): importlib.import_module(m.name)\n"
        "bad = [n for n in grr.__all__ if n.islower() and n not in ('show', 'cluster')"
        " and not callable(getattr(grr, n))]\n"
        "assert not bad, bad"
    )
    run(script)


def test_every_public_name_is_there() -> None:
    for name in grr.__all__:
        assert getattr(grr, name) is not None
    with pytest.raises(AttributeError, match="nonsense"):
        grr.nonsense  # noqa: B018


def test_import_is_light() -> None:
    script = (
        "import sys, grr\n"
        "heavy = {'plotly', 'statsmodels', 'scipy.stats', 'ipywidgets', 'openpyxl', 'anywidget',"
        " 'jinja2', 'jupyterlab', 'scipy.optimize'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    run(script)


def test_analysis_needs_no_heavy_import() -> None:
    script = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "import grr; from published import manual_readings\n"
        "study = grr.Study(manual_readings(), tolerance=grr.Tolerance(-4, 4))\n"
        "grr.verdict(grr.anova(study)); grr.average_range(study)\n"
        "heavy = {'plotly', 'statsmodels', 'scipy.stats', 'ipywidgets'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    run(script, str(Path(__file__).parent))


def test_modules_can_be_found() -> None:
    names = [module.name for module in pkgutil.walk_packages(grr.__path__, "grr.")]
    assert "grr.formulas.analysis_of_variance" in names
    assert importlib.import_module("grr.formulas.analysis_of_variance").crossed_anova


def test_figures_list_their_public_names_only() -> None:
    assert dir(grr.show) == sorted(grr.show.__all__)
    for name in grr.show.__all__:
        assert callable(getattr(grr.show, name))
    with pytest.raises(AttributeError, match="nonsense"):
        grr.show.nonsense  # noqa: B018


def test_no_two_files_and_no_two_public_classes_share_a_name() -> None:
    files = Counter(name.rsplit(".", maxsplit=1)[-1] for name in MODULES)
    folders = {path.name for path in PACKAGE.iterdir() if path.is_dir()}
    assert [name for name, count in files.items() if count > 1 and name not in folders] == []
    classes = Counter(
        node.name
        for tree in MODULES.values()
        for node in tree.body
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )
    assert [name for name, count in classes.items() if count > 1] == []


def test_dir_shows_the_public_names_and_nothing_else() -> None:
    import grr

    assert set(dir(grr)) == {*grr.__all__, "show", "__doc__", "__version__"}


def test_a_name_of_the_version_before_goes_on_and_says_the_new_one() -> None:
    import grr

    with pytest.warns(DeprecationWarning, match="nearest_limit"):
        assert grr.show.weakest_leg is grr.show.nearest_limit


def test_the_top_of_the_project_holds_what_it_should() -> None:
    top = Path(__file__).parent.parent
    if shutil.which("git") is None or not (top / ".git").exists():
        pytest.skip("this is no clone")
    asked = ["git", "ls-files", "--full-name"]
    listed = subprocess.run(asked, cwd=top, capture_output=True, text=True, check=True).stdout
    names = {name.split("/")[0] for name in listed.splitlines() if not name.startswith(".")}
    files = {"README.md", "DEVELOPERS.md", "pyproject.toml"}
    assert names == {*files, "grr", "notebooks", "tests", "demo_data"}
