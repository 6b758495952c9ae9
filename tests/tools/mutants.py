"""Mutation test of ``grr/formulas``: a copy of the checkout made ready for mutmut, and the table.

    python tests/tools/mutants.py prepare FOLDER [TESTS ...]     # TESTS: tests/formulas if left out
    cd FOLDER && OPENBLAS_NUM_THREADS=1 mutmut run --max-children 2
    python tests/tools/mutants.py table FOLDER                   # mutants, killed, survived by file
    python tests/tools/mutants.py survivors FOLDER               # the changed line of each survivor
    python tests/tools/mutants.py constants FOLDER               # numbers outside functions

mutmut 3 changes functions one by one and chooses the changed one while the tests run. The copy
differs from the checkout where that would hide mutants or count what is no formula:

- a cache is taken off, since a value kept from before would be handed out for the changed one;
- a property is written as a method and ``property(method)``, since mutmut leaves decorated
  functions alone;
- the wording of a StudyError is not changed: whether it is raised is.

mutmut 3 changes functions only. ``constants FOLDER`` adds 1 to each number that a module or class
defines outside of them, one by one, and runs the test files that name the module.
"""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

CHECKOUT = Path(__file__).parents[2]
SETTINGS = """
[tool.mutmut]
source_paths = ["grr"]
only_mutate = ["grr/formulas/*.py"]
do_not_mutate = ["grr/formulas/published.py"]
also_copy = ["demo_data", "notebooks", "README.md"]
pytest_add_cli_args = {plugins}
pytest_add_cli_args_test_selection = {tests}
timeout_multiplier = 4.0
timeout_constant = 3.0
track_dependencies = false
"""
#: Plugins that a run without them does not miss; the last two collect garbage for half a second.
WITHOUT = (
    "nbval",
    "cacheprovider",
    "timeout",
    "benchmark",
    "unraisableexception",
    "threadexception",
)
#: The same examples each time, and none remembered from one mutant to the next.
PROFILE = """
from hypothesis import settings

settings.register_profile("mutants", derandomize=True, database=None)
settings.load_profile("mutants")
"""
KILLED = (1, 3)
NO_TESTS = (5, 33)


def prepare(folder: Path, tests: list[str]) -> None:
    """Make ``folder`` a clone of the checkout in which mutmut can run."""
    subprocess.run(["git", "clone", "-q", str(CHECKOUT), str(folder)], check=True)
    for path in sorted((folder / "grr").rglob("*.py")):
        source = without_caches(path.read_text(encoding="utf-8"))
        if path.parent.name == "formulas":
            source = with_wording_kept(with_plain_properties(source))
        path.write_text(source, encoding="utf-8", newline="\n")
    project = folder / "pyproject.toml"
    text = project.read_text(encoding="utf-8")
    for word in ("--nbval --nbval-current-env ", " --benchmark-skip", "timeout = 300\n"):
        text = text.replace(word, "")
    plugins = [word for name in WITHOUT for word in ("-p", f"no:{name}")]
    text += SETTINGS.format(plugins=json.dumps(plugins), tests=json.dumps(tests))
    project.write_text(text, encoding="utf-8", newline="\n")
    conftest = folder / "tests" / "conftest.py"
    with conftest.open("a", encoding="utf-8", newline="\n") as file:
        file.write(PROFILE)


def without_caches(source: str) -> str:
    """Return the source with every ``@lru_cache(...)`` and ``@cache`` taken off."""
    return re.sub(r"^[ ]*@(lru_cache|cache)\b.*\n", "", source, flags=re.MULTILINE)


def with_plain_properties(source: str) -> str:
    """Return the source with each property written as a method and ``property(method)``."""
    lines = source.split("\n")
    found = [
        node
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FunctionDef)
        and any(isinstance(d, ast.Name) and d.id == "property" for d in node.decorator_list)
    ]
    for node in sorted(found, key=lambda node: node.lineno, reverse=True):
        indent = " " * node.col_offset
        lines.insert(
            node.end_lineno or node.lineno, f"{indent}{node.name} = property(of_{node.name})"
        )
        lines[node.lineno - 1] = lines[node.lineno - 1].replace("def ", "def of_", 1)
        del lines[node.decorator_list[0].lineno - 1]
    return "\n".join(lines)


def with_wording_kept(source: str) -> str:
    """Return the source with a pragma round each statement that words a StudyError."""
    lines = source.split("\n")
    found = [
        node
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Raise | ast.Return)
        and any(isinstance(part, ast.Name) and part.id == "StudyError" for part in ast.walk(node))
    ]
    for node in sorted(found, key=lambda node: node.lineno, reverse=True):
        indent = " " * node.col_offset
        lines.insert(node.end_lineno or node.lineno, f"{indent}# pragma: no mutate end")
        lines.insert(node.lineno - 1, f"{indent}# pragma: no mutate start")
    return "\n".join(lines)


def results(folder: Path) -> dict[str, dict[str, int | None]]:
    """Return, by name of the file, the exit code of the tests for each mutant."""
    found = {}
    for meta in sorted((folder / "mutants" / "grr" / "formulas").glob("*.py.meta")):
        codes = json.loads(meta.read_text(encoding="utf-8"))["exit_code_by_key"]
        if codes:
            found[meta.name.removesuffix(".meta")] = codes
    return found


def verdict(code: int | None) -> str:
    """Return in a word what became of a mutant."""
    if code is None:
        return "not tried"
    if code == 0:
        return "survived"
    if code in KILLED:
        return "killed"
    return "no test" if code in NO_TESTS else "ended late"


def table(folder: Path) -> str:
    """Return the numbers by file as a Markdown table; what ended late counts as killed."""
    rows = [
        "| file | mutants | killed | survived | no test | not tried |",
        "|---|---|---|---|---|---|",
    ]
    total: Counter[str] = Counter()
    for name, codes in results(folder).items():
        count = Counter(verdict(code) for code in codes.values())
        total += count
        rows.append(_row(f"`{name}`", count))
    rows.append(_row("all", total))
    return "\n".join(rows)


def _row(name: str, count: Counter[str]) -> str:
    numbers = (
        count.total(),
        count["killed"] + count["ended late"],
        count["survived"],
        count["no test"],
        count["not tried"],
    )
    return f"| {name} | " + " | ".join(str(number) for number in numbers) + " |"


def survivors(folder: Path) -> list[tuple[str, str, str]]:
    """Return name, line before and line after of each mutant that no test noticed."""
    found = []
    for name, codes in results(folder).items():
        alive = [key for key, code in codes.items() if verdict(code) in ("survived", "no test")]
        if alive:
            source = (folder / "mutants" / "grr" / "formulas" / name).read_text(encoding="utf-8")
            texts = _functions(source)
            for key in alive:
                function = key.rpartition(".")[2]
                before = texts[re.sub(r"__mutmut_\d+$", "__mutmut_orig", function)]
                found.append((key, *_difference(before, texts[function])))
    return found


def _functions(source: str) -> dict[str, list[str]]:
    lines = source.split("\n")
    return {
        node.name: [
            lines[node.lineno - 1].replace(f"def {node.name}(", "def name("),
            *lines[node.lineno : node.end_lineno],
        ]
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FunctionDef)
    }


def _difference(before: list[str], after: list[str]) -> tuple[str, str]:
    shared = 0
    while shared < min(len(before), len(after)) and before[shared] == after[shared]:
        shared += 1
    end = 0
    while end < min(len(before), len(after)) - shared and before[-1 - end] == after[-1 - end]:
        end += 1
    old, new = before[shared : len(before) - end], after[shared : len(after) - end]
    return " ".join(line.strip() for line in old), " ".join(line.strip() for line in new)


def constants(folder: Path) -> None:
    """Change each number outside functions by itself, and print what the tests say."""
    for path in sorted((folder / "grr" / "formulas").glob("*.py")):
        if path.name == "published.py":  # data sets, no formulas
            continue
        source = path.read_text(encoding="utf-8")
        tests = [
            str(test)
            for test in sorted((folder / "tests" / "formulas").glob("test_*.py"))
            if re.search(rf"\b{path.stem}\b", test.read_text(encoding="utf-8"))
        ]
        for node in _numbers_outside_functions(ast.parse(source)):
            lines = source.split("\n")
            line = lines[node.lineno - 1].encode()
            changed = line[: node.col_offset] + repr(node.value + 1).encode()
            lines[node.lineno - 1] = (changed + line[node.end_col_offset :]).decode()
            path.write_text("\n".join(lines), encoding="utf-8", newline="\n")
            run = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:nbval", "-p", "no:timeout"]
            code = subprocess.run(
                [*run, "-p", "no:cacheprovider", *(tests or ["tests/formulas"])],
                cwd=folder,
                check=False,
                capture_output=True,
            ).returncode
            print(verdict(code), path.name, node.lineno, lines[node.lineno - 1].strip(), flush=True)
        path.write_text(source, encoding="utf-8", newline="\n")


def _numbers_outside_functions(module: ast.Module) -> list[ast.Constant]:
    bodies = [module.body, *(node.body for node in module.body if isinstance(node, ast.ClassDef))]
    return [
        part
        for body in bodies
        for statement in body
        if isinstance(statement, ast.Assign | ast.AnnAssign) and statement.value is not None
        for part in ast.walk(statement.value)
        if isinstance(part, ast.Constant) and type(part.value) in (int, float)
    ]


if __name__ == "__main__":
    what, where, *rest = sys.argv[1:]
    if what == "prepare":
        prepare(Path(where).resolve(), rest or ["tests/formulas"])
    elif what == "table":
        print(table(Path(where)))
    elif what == "constants":
        constants(Path(where).resolve())
    else:
        for name, before, after in survivors(Path(where)):
            print(f"{name}\n    - {before}\n    + {after}")
