"""No module of the package turns text into code, objects or shell commands."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import grr

PACKAGE = Path(grr.__file__).parent
#: Calls by the last part of their name.
CALLS = {"eval", "exec", "compile", "__import__", "system", "popen", "literal_eval", "read_pickle"}
#: Calls by their whole name: harmless ones end alike (`re.compile`, DataFrame.eval is not).
HARMLESS = {"re.compile", "platform.system"}
MODULES = {"pickle", "dill", "shelve", "marshal", "yaml", "jsonpickle", "joblib", "cloudpickle"}


def faults(source: str) -> list[str]:
    """Return what in a source could run text that a person wrote."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [a.name for a in node.names if a.name.partition(".")[0] in MODULES]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or "", *(alias.name for alias in node.names)]
            found += [name for name in names if name.partition(".")[0] in MODULES]
        elif isinstance(node, ast.Call):
            name = ast.unparse(node.func)
            if name.rpartition(".")[2] in CALLS and name not in HARMLESS:
                found.append(name)
            for option in node.keywords:
                shell = option.arg == "shell" and ast.unparse(option.value) != "False"
                if shell or option.arg == "allow_pickle":
                    found.append(f"{name}({option.arg})")
    return found


@pytest.mark.parametrize(
    "source",
    [
        *("eval(text)", "exec(text)", "builtins.eval(text)", "table.eval(text)", "import pickle"),
        *("from yaml import load", "subprocess.run(text, shell=True)", "os.system(text)"),
        *("import pickle as p", "np.load(path, allow_pickle=True)", "pd.read_pickle(path)"),
    ],
)
def test_a_fault_would_be_seen(source: str) -> None:
    assert faults(source)


def test_harmless_calls_are_let_through() -> None:
    assert not faults("import re, json\nre.compile('a')\njson.loads(x)\nplatform.system()")


def test_no_text_becomes_code() -> None:
    files = sorted(PACKAGE.rglob("*.py"))
    folders = {file.relative_to(PACKAGE).parts[0] for file in files}
    assert {"model", "formulas", "files", "questions", "show", "page", "entry"} <= folders
    found = {str(file.relative_to(PACKAGE)): faults(file.read_text("utf-8")) for file in files}
    assert {name: what for name, what in found.items() if what} == {}
