"""Write the documents that are made: reference and formulas from docstrings, promises from tables.

Run ``python tests/tools/write_documents.py`` after a change of a public docstring; a test compares.
"""

from __future__ import annotations

import ast
import inspect
import re
from pathlib import Path

import pandas as pd

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
    called = inspect.signature(found)
    parameters = [
        one.replace(annotation=_AsWritten(one.annotation)) for one in called.parameters.values()
    ]
    result = _AsWritten(called.return_annotation)
    return f"grr.{name}{called.replace(parameters=parameters, return_annotation=result)}"


class _AsWritten(str):
    """An annotation that a signature shows as the source has it, without quotes."""

    def __repr__(self) -> str:
        return str(self)


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


COVERAGE = Path(__file__).parents[1] / "coverage"
PROMISES = """# What is promised, and where it was tried

Made from the tables in `tests/coverage` of the source; each names the script that made it, and
the gate of the project runs a short form. Every share is of simulated studies, for GRR in percent
of the tolerance, 6 sd, 95 % confidence.

## The answers

A gauge whose GRR is over 10 % is called USE, and one under 30 % is called DO NOT USE, in at most
about 5 of 100 studies. How often a good gauge is called USE depends on the people above all:

![How often a gauge is called USE, against what it truly takes](operating_curves.svg)

Percent of studies ({people}). Where people are a sample, the others are taken to be like them: no
statistic sees a person who was not there. Shares of GRR's variance in
repeatability/reproducibility/interaction.

{people_table}

## Scatter as it is

The promise is at most 6 % wrong USE also where errors have heavy tails (Student's t with 4
degrees of freedom), parts scatter differently (standard deviations from 0.3 to 1.7 times the
mean), one operator scatters two or four times as much, scatter grows with size, or neighbours in
the order are alike. Not promised: **outliers** (3 % of the readings with five times the scatter:
a study of 90 readings may hold none, and then looks like a better gauge), and **parts that scatter
very differently** (a lognormal factor of 0.5), the less the fewer parts were measured. The verdict
says how many outliers it saw, and how many of a hundred there may be.

Nor are these promised, since nothing in the readings shows them: **one session for each person**
where sessions differ and these people count as all there are (sessions 30 % of GRR's variance:
20 of 100 gauges of 10.5 % are called USE; two sessions each show it), and an **interaction of few
cells** (one in five, 60 % of GRR's variance: 14 of 100). Errors that are skewed, or a mixture (one
in ten at three times the scatter), keep the promise with at most 4 of 100; the interval of GRR then
holds in 87 to 95 of 100 (`tests/coverage/other_truths.md`).

Percent of studies of 10 parts × 3 operators × 3 trials in which a gauge that truly takes 10.5 %
is called USE, and one of 6 %; all of GRR is repeatability, the worst case. The plain bound takes
the degrees of freedom by count.

{scatter_table}

## A coarse digit

Judged is the error of what is read, rounding included. Percent of studies whose upper bound lies
below it (5 is meant), without and with what the verdict counts in from a digit of two standard
deviations on. A guard band counts it from two thirds of one on: wherever in a digit the limit lies,
at most 5.5 of 100 parts on it are accepted where all of GRR is repeatability.

{digit_table}

## Two looks

A study that was planned to be continued with more people has two chances to be wrong; both
together stay at about 5 %. One that was not planned so is held to 99 % at the second look. Percent
of studies that are wrong at either look.

{looks_table}

## Sessions

Where each person measured in two sessions, the day and the fresh zero are a source of their own.
Percent of studies whose 95 % limits of GRR hold the truth, and where the same readings are
analysed without sessions. Shares of repeatability/operators/interaction/sessions.

{sessions_table}

## Earlier studies

Earlier studies of a gauge, by other people, would let far more good gauges be called USE. The
verdict does not use them: where the people at hand differ more than those before them, most of
the wrong ones are called USE too, and a test for that sees it too seldom with three people.
Percent of studies of 10 parts × 3 operators × 3 trials.

{history_table}

## What no study proves

That parts, people and days not in it are like those in it; that a reading was true when it was
taken; that the gauge is still what it was. Check standard, re-check and calibration are for that.
The answer does not replace the drawing, the customer's requirements or competent judgement.
"""


def table_in(name: str, *, columns: dict[int, str | None], rows: slice, which: int = 0) -> str:
    """Return columns and rows of a table in a coverage file, some columns with another name."""
    text = (COVERAGE / name).read_text(encoding="utf-8")
    table = re.findall(r"(?:^\|.*\n)+", text, flags=re.MULTILINE)[which].splitlines()
    head, _, *lines = [[cell.strip() for cell in line.strip("| ").split("|")] for line in table]
    names = [other or head[at] for at, other in columns.items()]
    return as_table([names, *([line[at] for at in columns] for line in lines[rows])])


def as_table(rows: list[list[str]]) -> str:
    """Return rows as a table of Markdown, the first one its head."""
    head, *rest = rows
    lines = [head, ["---"] * len(head), *rest]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def scatter_table() -> str:
    """Return what the bounds hold where scatter is not even."""
    found = pd.read_csv(COVERAGE / "scatter_use.csv").query("design == '10x3x3'")
    columns = {
        "errors": "errors",
        "use_at_10.5_by_count": "USE at 10.5 %, plain bound",
        "use_at_10.5_used_refused": "USE at 10.5 %",
        "use_at_6_used_refused": "USE at 6 %",
    }
    return as_table([list(columns.values()), *found[list(columns)].astype(str).to_numpy().tolist()])


def promises() -> str:
    """Return what is promised, with the tables that show it."""
    people = (COVERAGE / "people.md").read_text(encoding="utf-8")
    (how,) = re.findall(r"\d+ studies a line, \d+ draws, seeded", people)
    return PROMISES.format(
        people=how,
        people_table=table_in(
            "people.md", columns=dict.fromkeys((0, 1, 2, 3, 4, 7)), rows=slice(0, 12)
        ),
        scatter_table=scatter_table(),
        digit_table=table_in(
            "coarse_digit.md", columns=dict.fromkeys(range(5)), rows=slice(0, 20), which=1
        ),
        looks_table=table_in(
            "second_look.md",
            columns={0: None, 1: None, 2: None, 6: "wrong USE", 8: "wrong DO NOT USE"},
            rows=slice(0, 6),
        ),
        history_table=table_in(
            "history.md",
            columns={0: None, 1: None, 2: None, 3: None, 5: None, 6: None, 8: None},
            rows=slice(1, None, 3),
        ),
        sessions_table=table_in(
            "sessions.md",
            columns={0: None, 1: None, 2: None, 3: "limits hold", 7: "without sessions"},
            rows=slice(0, 8),
        ),
    )


#: File → what makes it.
MADE = {"reference.md": reference, "formulas.md": formulas, "promises.md": promises}

if __name__ == "__main__":
    for name, make in MADE.items():
        (DOCS / name).write_text(make(), encoding="utf-8", newline="\n")
        print(DOCS / name)
