"""Which estimator is checked by which independent routes: the table in DEVELOPERS.md.

    python tests/tools/cross_checks.py            # print it
    python tests/tools/cross_checks.py --write    # put it into DEVELOPERS.md

The routes stand in cross_checks.csv, one a line. Every test named must exist, and every estimator
needs two routes.
"""

from __future__ import annotations

import ast
import csv
import sys
from pathlib import Path

TESTS = Path(__file__).parent.parent
ROUTES = Path(__file__).with_suffix(".csv")
DEVELOPERS = TESTS.parent / "DEVELOPERS.md"
BEGIN, END = "<!-- cross-checks -->\n", "<!-- end of cross-checks -->\n"


def routes() -> list[dict[str, str]]:
    """Return estimator, route and test of each line."""
    with ROUTES.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def problems() -> list[str]:
    """Return what is wrong: a test that does not exist, an estimator with one route."""
    found = []
    kinds: dict[str, set[str]] = {}
    for line in routes():
        kinds.setdefault(line["estimator"], set()).add(line["route"])
        name, _, function = line["test"].partition("::")
        path = TESTS / name
        if not path.is_file():
            found.append(f"there is no tests/{name}")
        elif function and function not in _functions(path):
            found.append(f"tests/{name} has no {function}")
    found += [f"{name} has one route only" for name, ways in kinds.items() if len(ways) < 2]
    return found


def table() -> str:
    """Return the table as Markdown."""
    lines = ["| estimator | checked against | by the test |", "|---|---|---|"]
    before = ""
    for line in routes():
        name = line["estimator"] if line["estimator"] != before else ""
        before = line["estimator"]
        lines.append(f"| {name} | {line['route']} | `{line['test']}` |")
    return "\n".join(lines) + "\n"


def written(text: str) -> str:
    """Return the text of DEVELOPERS.md with the table between its marks, or at the end."""
    if BEGIN not in text:
        text += f"\n## What is checked against what\n\n{BEGIN}{END}"
    start, end = text.index(BEGIN) + len(BEGIN), text.index(END)
    return f"{text[:start]}\n{table()}\n{text[end:]}"


def _functions(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}


def main(arguments: list[str]) -> int:
    """Print or write the table; 1 where something is wrong."""
    wrong = problems()
    print("\n".join(wrong) or table())
    if "--write" in arguments and not wrong:
        text = written(DEVELOPERS.read_text(encoding="utf-8"))
        DEVELOPERS.write_text(text, encoding="utf-8", newline="\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
