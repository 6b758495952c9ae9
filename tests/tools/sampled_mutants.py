"""Mutants of what keeps data and what decides: a sample of each file, tried on its own tests.

    python tests/tools/sampled_mutants.py FOLDER COUNT [MODULE ...]    # all of SAMPLED if left out

FOLDER becomes a clone of the checkout, as it was last committed; each mutant is written into it,
tried, and taken out again. A mutant has one thing changed: a statement left out, a comparison
turned or moved to its limit, ``and`` for ``or``, a condition turned round, ``max`` for ``min``, a
number made larger, a refusal not raised. (mutmut, for the formulas, leaves out no statements.)
The same sample is drawn each time. Needs Linux or macOS: each mutant runs in a forked process,
so that numpy and pandas are imported once.
"""

from __future__ import annotations

import ast
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

CHECKOUT = Path(__file__).parents[2]
SECONDS = 90.0

_FILES, _ENTRY, _QUESTIONS = "tests/files/test_", "tests/entry/test_", "tests/questions/test_"
#: Module → the tests that are to notice its mutants; the quickest first.
SAMPLED = {
    "files/disk": [f"{_FILES}disk.py", f"{_FILES}events.py"],
    "files/chained_file": [
        f"{_FILES}journal.py",
        f"{_FILES}cut_off.py",
        f"{_FILES}events.py",
    ],
    "files/journal": [f"{_FILES}journal.py", f"{_ENTRY}messages.py"],
    "files/events": [f"{_FILES}events.py", f"{_ENTRY}sessions.py"],
    "files/verify": [f"{_FILES}verify.py", f"{_FILES}journal.py"],
    "files/contradictions": [f"{_FILES}contradictions.py", f"{_FILES}tampering.py"],
    "files/seal": [f"{_FILES}seal.py"],
    "files/copies": [f"{_FILES}copies.py"],
    "files/folder": [f"{_FILES}folder.py", f"{_FILES}verify.py"],
    "files/study_file": [f"{_FILES}study_file.py", f"{_FILES}verify.py"],
    "files/allowed_files": [f"{_FILES}allowed_files.py"],
    "files/text_and_numbers": [f"{_FILES}text_and_numbers.py"],
    "files/table_file": [f"{_FILES}table_file.py", f"{_FILES}encodings.py", "tests/files/readers"],
    "files/chosen": [f"{_FILES}chosen.py", f"{_ENTRY}choosing.py"],
    "entry/collecting": [f"{_ENTRY}taking.py", f"{_ENTRY}sessions.py", f"{_ENTRY}messages.py"],
    "entry/corrections": [f"{_ENTRY}corrections.py"],
    "entry/entered_numbers": [f"{_ENTRY}entered_numbers.py", f"{_ENTRY}taking.py"],
    "entry/job": [f"{_ENTRY}job.py", f"{_ENTRY}taking.py", f"{_ENTRY}sessions.py"],
    "entry/messages": [f"{_ENTRY}messages.py", f"{_ENTRY}corrections.py"],
    "entry/ownership": [f"{_ENTRY}ownership.py"],
    "entry/sessions": [f"{_ENTRY}sessions.py", f"{_ENTRY}corrections.py"],
    "entry/taking": [f"{_ENTRY}taking.py", f"{_ENTRY}messages.py", f"{_ENTRY}entered_numbers.py"],
    "entry/upload": [f"{_ENTRY}upload.py"],
    "formulas/data_checks": ["tests/formulas/test_data_checks.py", f"{_QUESTIONS}check.py"],
    "formulas/average_range": ["tests/formulas/test_average_range.py"],
    "questions/check": [f"{_QUESTIONS}check.py"],
    "questions/verdict": [f"{_QUESTIONS}verdict.py"],
}
#: Comparison → what takes its place.
OTHER = {
    ast.Lt: "<=",
    ast.LtE: "<",
    ast.Gt: ">=",
    ast.GtE: ">",
    ast.Eq: "!=",
    ast.NotEq: "==",
    ast.In: "not in",
    ast.NotIn: "in",
    ast.Is: "is not",
    ast.IsNot: "is",
}


def mutants(source: str) -> list[tuple[int, str, str]]:
    """Return line, the part changed and what it becomes, and the whole changed source."""
    lines = source.split("\n")
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line.encode()) + 1)
    content = source.encode()
    found = []
    for node, new in _changes(ast.parse(source)):
        start = starts[node.lineno - 1] + node.col_offset
        end = starts[node.end_lineno - 1] + node.end_col_offset
        changed = (content[:start] + new.encode() + content[end:]).decode()
        old = " ".join(content[start:end].decode().split())
        found.append((node.lineno, f"{old} → {new}", changed))
    return found


def _changes(module: ast.Module) -> Iterator[tuple[ast.expr | ast.stmt, str]]:
    nodes: list[ast.AST] = [module]
    for node in nodes:
        if isinstance(node, ast.Raise):
            yield node, "pass"
            continue  # its words are left alone
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "StudyError":
            continue
        nodes += [
            child
            for field, child in _children(node)
            if field not in ("annotation", "returns", "decorator_list")
        ]
        yield from _changes_of(node)


def _children(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    for field, value in ast.iter_fields(node):
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield field, child


def _changes_of(node: ast.AST) -> Iterator[tuple[ast.expr | ast.stmt, str]]:
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call | ast.YieldFrom):
        yield node, "pass"
    if isinstance(node, ast.Compare) and type(node.ops[0]) in OTHER:
        rest = [f"{_written(op)} {ast.unparse(right)}" for op, right in _pairs(node)[1:]]
        first = f"{ast.unparse(node.left)} {OTHER[type(node.ops[0])]}"
        yield node, f"({' '.join([first, ast.unparse(node.comparators[0]), *rest])})"
    if isinstance(node, ast.BoolOp):
        word = " or " if isinstance(node.op, ast.And) else " and "
        yield node, f"({word.join(f'({ast.unparse(value)})' for value in node.values)})"
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node, ast.unparse(node.operand)
    if isinstance(node, ast.If | ast.IfExp) and isinstance(
        node.test, ast.Name | ast.Attribute | ast.Call
    ):
        yield node.test, f"(not {ast.unparse(node.test)})"
    if isinstance(node, ast.Name) and node.id in ("max", "min"):
        yield node, "min" if node.id == "max" else "max"
    if isinstance(node, ast.Constant) and type(node.value) is int:
        yield node, str(node.value + 1)
    if isinstance(node, ast.Constant) and type(node.value) is float:
        yield node, repr(node.value * 1.2 or 0.2)


def _pairs(node: ast.Compare) -> list[tuple[ast.cmpop, ast.expr]]:
    return list(zip(node.ops, node.comparators, strict=True))


def _written(op: ast.cmpop) -> str:
    return ast.unparse(ast.Compare(ast.Name("a"), [op], [ast.Name("b")]))[2:-2]


def tried(folder: Path, tests: list[str]) -> str:
    """Return what became of the mutant that stands in the folder."""
    child = os.fork()
    if child == 0:
        os.setpgrp()
        os.chdir(folder)
        sys.path.insert(0, str(folder))
        os.environ["PYTHONPATH"] = str(folder)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        import pytest

        left_out = [word for name in ("nbval", "cacheprovider") for word in ("-p", f"no:{name}")]
        options = ["-x", "-q", *left_out, "-o", "addopts=--import-mode=importlib --benchmark-skip"]
        os._exit(pytest.main([*options, *tests]))
    ends = time.monotonic() + SECONDS
    while time.monotonic() < ends:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "survived" if status == 0 else "killed"
        time.sleep(0.02)
    os.killpg(child, 9)
    os.waitpid(child, 0)
    return "ended late"


def sample(folder: Path, module: str, size: int) -> None:
    """Try so many of the mutants of one module, and print what became of each."""
    path = folder / "grr" / f"{module}.py"
    source = path.read_text(encoding="utf-8")
    began = time.monotonic()
    sys.dont_write_bytecode = False
    if tried(folder, SAMPLED[module]) != "survived":
        print(f"{module}: not tried, its tests fail without a mutant or take too long", flush=True)
        return
    print(f"{module}: the tests take {time.monotonic() - began:.0f} s", flush=True)
    # What a mutant leaves compiled would be taken for the next one of the same second.
    sys.dont_write_bytecode = True
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
        compiled.unlink()
    every = mutants(source)
    picked = sorted(random.Random(module).sample(range(len(every)), min(size, len(every))))
    count = {"killed": 0, "ended late": 0, "survived": 0}
    try:
        for at in picked:
            line, change, changed = every[at]
            path.write_text(changed, encoding="utf-8", newline="\n")
            end = tried(folder, SAMPLED[module])
            count[end] += 1
            if end != "killed":
                print(f"    {end}: line {line}: {change}", flush=True)
    finally:
        path.write_text(source, encoding="utf-8", newline="\n")
    print(f"| `{module}.py` | {len(every)} | {len(picked)} | {count}", flush=True)


if __name__ == "__main__":
    where = Path(sys.argv[1]).resolve()
    if not where.exists():
        subprocess.run(["git", "clone", "-q", str(CHECKOUT), str(where)], check=True)
    import numpy as np  # noqa: F401 - once, for every forked process
    import pandas as pd  # noqa: F401
    import scipy.stats  # noqa: F401

    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    for name in sys.argv[3:] or SAMPLED:
        sample(where, name, int(sys.argv[2]))
