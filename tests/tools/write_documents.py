"""Write the two documents that docstrings make: the reference, and the formulas with their sources.

Run ``python tests/tools/write_documents.py`` after a change of a public docstring; a test compares.
"""

from __future__ import annotations

import ast
import inspect
import re
from pathlib import Path

import grr

DOCS = Path(grr.__file__).parent / "docs"
FORMULAS = Path(grr.__file__).parent / "formulas"
#: The public names in the order of the job.
STEPS = {
    "A study": (
        *("Study", "Tolerance", "Rules", "Plan", "open_study", "save_study", "read_readings"),
        *("read_columns", "describe_reading", "code_operators", "StudyError"),
    ),
    "Plan": (
        *("plan_study", "StudyPlan", "continue_study", "run_sheet"),
        *("expected_precision", "ExpectedPrecision"),
        *("compare_designs", "DesignComparison"),
    ),
    "Check and split": (
        *("check", "Findings", "Finding", "anova", "average_range", "GaugeResult"),
        *("worked_sheet", "WorkedSheet"),
    ),
    "Judge": ("verdict", "Verdict", "Decision", "assess", "Assessment", "Cause"),
    "Risk and improvement": (
        *("misclassification", "Misclassification", "guard_band", "GuardBand"),
        *("what_would_help", "Improvement"),
    ),
    "Compare": (
        *("compare_operators", "OperatorComparison", "compare_methods", "MethodComparison"),
        *("drift", "Drift"),
    ),
    "Qualify and watch": (
        *("reference_study", "ReferenceResult", "linearity", "LinearityResult", "stability"),
        *("StabilityResult", "after_check", "UncertaintyBudget", "Contribution"),
        *("MicrometerLines", "qualify", "Qualification"),
    ),
    "File": ("report", "export_workbook", "export_json", "analyse_many"),
    "Words and proof": ("explain", "self_check", "SelfCheck"),
}


def as_markdown(docstring: str) -> str:
    """Return a NumPy docstring as Markdown: headings in bold, entries as items."""
    lines, out, section, code = docstring.splitlines(), list[str](), "", False
    for at, line in enumerate(lines):
        if code != (line.startswith(">>>") or (code and line != "")):
            code = not code
            out.append("```python" if code else "```")
        after = lines[at + 1] if at + 1 < len(lines) else ""
        if re.fullmatch(r"-{3,}", line):
            continue
        if re.fullmatch(r"-{3,}", after):
            section = line
            out += [f"**{line}**", ""]
        elif section in ("Parameters", "Attributes", "Raises", "Returns"):
            entry = bool(line) and not line.startswith(" ")
            out.append(f"- `{line}`" if entry else f"  {line.strip()}" if line.strip() else "")
        else:
            out.append(line)
    out += ["```"] * code
    return "\n".join(re.sub(r"(?<!`)``(?!`)", "`", line) for line in out)


def signature(name: str) -> str:
    """Return how a public function is called; of a class its name."""
    found = getattr(grr, name)
    if inspect.isclass(found):
        return f"grr.{name}"
    text = str(inspect.signature(found)).replace("'", "")
    return f"grr.{name}{text}"


def reference() -> str:
    """Return the reference of the public names."""
    listed = {name for names in STEPS.values() for name in names}
    rest = [n for n in dir(grr) if not n.startswith("_") and n != "show" and n not in listed]
    steps = {**STEPS, "Notebooks and pages": tuple(rest)}
    out = ["# Reference: every public name", "", "Made from the docstrings."]
    for step, names in steps.items():
        out += ["", f"## {step}"]
        for name in names:
            doc = inspect.getdoc(getattr(grr, name)) or ""
            out += ["", f"### {name}", "", f"    {signature(name)}", "", as_markdown(doc)]
    out += ["", "## Figures", "", "Each takes a result and gives a plotly figure.", ""]
    for name in sorted(dir(grr.show)):
        doc = inspect.getdoc(getattr(grr.show, name, None)) or ""
        if not name.startswith("_") and callable(getattr(grr.show, name, None)):
            out.append(f"- `grr.show.{name}`: {doc.splitlines()[0] if doc else ''}")
    return "\n".join(line.rstrip() for line in "\n".join(out).splitlines()) + "\n"


def sources_in(docstring: str) -> list[str]:
    """Return the sentences of a docstring that name its sources."""
    found = re.findall(r"Sources?: (.+?)(?:\n\s*\n|\Z)", docstring, flags=re.DOTALL)
    return [" ".join(text.split()) for text in found]


def formulas() -> str:
    """Return every subject of the formulas, its functions, and their published sources."""
    out = [
        "# Formulas and their sources",
        "",
        "Made from the docstrings of `grr.formulas`: arrays in, arrays out. The report of a study "
        "has the formulas with its own numbers filled in.",
    ]
    for file in sorted(FORMULAS.glob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        about = ast.get_docstring(tree) or ""
        if file.stem == "__init__":
            continue
        out += ["", f"## {file.stem.replace('_', ' ').capitalize()}", "", about.split("\n\n")[0]]
        out += [f"\nSource: {text}" for text in sources_in(about)] + [""]
        for node in tree.body:
            public = isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
            doc = ast.get_docstring(node) if isinstance(node, ast.FunctionDef) else None
            if public and doc:
                first = " ".join(doc.split("\n\n")[0].split())
                out.append(f"- `{file.stem}.{node.name}`: {first}")
                out += [f"  Source: {text}" for text in sources_in(doc)]
    return "\n".join(line.rstrip() for line in out) + "\n"


#: File → what makes it.
MADE = {"reference.md": reference, "formulas.md": formulas}

if __name__ == "__main__":
    for name, make in MADE.items():
        (DOCS / name).write_text(make(), encoding="utf-8", newline="\n")
        print(DOCS / name)
