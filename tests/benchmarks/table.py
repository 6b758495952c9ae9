"""The table of speeds in DEVELOPERS.md.

    python tests/benchmarks/table.py            # print it
    python tests/benchmarks/table.py --write    # put it into DEVELOPERS.md
    python tests/benchmarks/table.py verdict    # only the rows that name it

Times are the processor's (all threads, children too), so that a busy machine disturbs them little;
each stands beside a fixed piece of work timed in the same run. Every row is measured in processes
of its own, and the median of several is told.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import psutil
from conftest import told

ROOT = Path(__file__).parent.parent.parent
DEVELOPERS = ROOT / "DEVELOPERS.md"
BEGIN, END = "<!-- speeds -->\n", "<!-- end of speeds -->\n"
PINS = "demo_data/dowel_pin"
TWO_WAYS = "demo_data/pins_two_ways"
INTO_A_FILE = ("-o", "FOLDER/report.html", "--force")

#: The command, by the Python that runs this.
GRR = "import sys; from grr.cli import main; sys.exit(main(sys.argv[1:]))"

#: Studies of 10 × 3 × 3 that differ, as a snippet: times and order, so that every question answers.
STUDIES = f"""
import time, numpy as np, grr
pins = grr.open_study({PINS!r})
def study(number):
    readings = pins.readings
    noise = np.random.default_rng(number).normal(0, 2e-4, len(readings))
    readings["reading"] = (readings["reading"] + noise).round(4)
    return grr.Study(readings, tolerance=pins.tolerance, resolution=pins.resolution)
def everything(study):
    found = grr.assess(study)
    for name in dir(type(found)):
        getattr(found, name)
    str(found)
"""


#: Many studies of 10 × 3 × 3, as a snippet.
PLANT = """
import sys, time
sys.path[:0] = ["tests/benchmarks", "tests"]
import grr
from test_many import TOLERANCE, cubes, long_table, sum_by_study
grr.analyse_many(long_table(cubes(3)), tolerances=TOLERANCE, intervals=True)
"""


@dataclass(frozen=True)
class Row:
    """A row: what is timed, in how many seconds, beside which seconds, and the goal."""

    what: str
    seconds: Callable[[], float]
    goal: str
    beside: Callable[[], float] | None = None


def of_command(*words: str, runs: int = 3) -> float:
    """Return the processor's seconds of a command, the median of several runs after one."""
    times = []
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(runs + 1):
            process = psutil.Popen(
                [sys.executable, *(word.replace("FOLDER", folder) for word in words)],
                cwd=ROOT,
                stdout=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": str(ROOT / "tests")},
            )
            times.append(_spent(process))
    return float(np.median(times[1:]))


def _spent(process: psutil.Popen) -> float:
    """Return what a process and the children that it waited for took."""
    spent = 0.0
    while True:
        try:
            used = process.cpu_times()
            spent = used.user + used.system
            spent += getattr(used, "children_user", 0.0) + getattr(used, "children_system", 0.0)
        except psutil.Error:
            return spent
        try:
            process.wait(0.01)
        except psutil.TimeoutExpired:
            continue
        return spent


def of_snippet(before: str, timed: str, runs: int = 3) -> float:
    """Return the processor's seconds of a line of Python, the median over fresh processes.

    ``before`` runs first and is not counted.
    """
    code = f"{before}\nstart = time.process_time()\n{timed}\nprint(time.process_time() - start)"
    times = [
        float(
            subprocess.run(
                [sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True, text=True
            ).stdout.split()[-1]
        )
        for _ in range(runs)
    ]
    return float(np.median(times))


def first(work: str, before: str = "") -> Callable[[], float]:
    """Return the timer of the first answer in a process, what it loads included."""
    return lambda: of_snippet(f"{STUDIES}\ns = study(0)\n{before}", work)


def further(work: str) -> Callable[[], float]:
    """Return the timer of an answer in a process that has answered before; never the same study."""
    many = f"for s in studies: {work}"
    before = f"{STUDIES}\nstudies = [study(n) for n in range(12)]\n{many}\n"
    before += "studies = [study(n) for n in range(20, 30)]"
    return lambda: of_snippet(before, many, 1) / 10


def plant(studies: int, before: str = "", of: int = 10_000, **options: bool) -> Callable[[], float]:
    """Return the timer of `grr.analyse_many`, scaled from some studies to all of them."""
    made = f"{PLANT}\ntable = long_table(cubes({studies}))\n{before}"
    asked = f"grr.analyse_many(table, tolerances=TOLERANCE, **{options})"
    return lambda: of_snippet(made, asked) * of / studies


def plain_sum(before: str = "") -> Callable[[], float]:
    """Return the timer of pandas' sum by study over the same table."""
    made = f"{PLANT}\ntable = long_table(cubes(10_000))\n{before}\nsum_by_study(table)"
    return lambda: of_snippet(made, "sum_by_study(table)")


NUMBERED = "table['study'] = table['study'].str[1:].astype(int)"
ONE_LOST = "table = table[table.index % 90 != 37]"


@cache
def loading() -> float:
    """Return what importing pandas and scipy.special takes: no command can be faster."""
    return of_command("-c", "import pandas, scipy.special")


def command(*words: str) -> Callable[[], float]:
    """Return the timer of a ``grr`` command."""
    return lambda: of_command("-c", GRR, *words)


ROWS = [
    Row("one study, `grr.anova`", further("grr.anova(s)"), ""),
    Row("`grr.verdict`, first in a process", first("grr.verdict(s)"), ""),
    Row("`grr.verdict`, each further study", further("grr.verdict(s)"), "40 ms"),
    Row("everything (`grr.assess`, printed), first", first("everything(s)"), ""),
    Row("everything, each further study", further("everything(s)"), "100 ms"),
    Row("`grr.compare_operators`", further("grr.compare_operators(s)"), ""),
    Row("`grr.drift`", further("grr.drift(s)"), ""),
    Row(
        "first figure of a process, with its bundle",
        first(
            "grr.show.parts_by_operators(found)._repr_mimebundle_()",
            "found = grr.anova(s); grr.verdict(s)\n"
            "from IPython.core.interactiveshell import InteractiveShell\n"
            "InteractiveShell.instance().kernel = None",
        ),
        "50 ms",
        first("import plotly.graph_objects"),
    ),
    Row("`grr analyse`, one method", command("analyse", PINS), "0.9 s", loading),
    Row("`grr analyse`, two methods", command("analyse", TWO_WAYS), "1.2 s", loading),
    Row(
        "`grr report`", command("report", PINS, "-o", "FOLDER/r.html", "--force"), "1.2 s", loading
    ),
    Row(
        "`grr report`, two methods",
        command("report", TWO_WAYS, "-o", "FOLDER/r.html", "--force"),
        "",
        loading,
    ),
    Row("10,000 studies, names as text (beside: groupby sum)", plant(10_000), "4 ×", plain_sum()),
    Row(
        "10,000 studies, names as whole numbers (beside: groupby sum)",
        plant(10_000, NUMBERED),
        "8 ×",
        plain_sum(NUMBERED),
    ),
    Row("10,000 studies, limits and decisions (from 1,000)", plant(1_000, intervals=True), "1 s"),
    Row(
        "10,000 studies, checks and causes as well (from 1,000)",
        plant(1_000, intervals=True, checks=True),
        "10 s",
    ),
    Row("10,000 studies, a reading missing in each (from 500)", plant(500, ONE_LOST), "60 s"),
    Row(
        "10,000 studies, a reading missing, limits, decisions, checks, causes (from 500)",
        plant(500, ONE_LOST, intervals=True, checks=True),
        "120 s",
    ),
]


def table(words: list[str]) -> str:
    """Return the table as Markdown."""
    lines = ["| what | processor time | beside | ratio | goal |", "|---|---|---|---|---|"]
    for row in ROWS:
        if any(word not in row.what for word in words):
            continue
        ours = row.seconds()
        theirs = row.beside() if row.beside else None
        beside = "" if theirs is None else told(theirs)
        ratio = "" if theirs is None else f"{ours / theirs:.2f}"
        lines.append(f"| {row.what} | {told(ours)} | {beside} | {ratio} | {row.goal} |")
        print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines) + "\n"


def main(arguments: list[str]) -> int:
    """Print or write the table."""
    words = [word for word in arguments if word != "--write"]
    found = table(words)
    print(found)
    if "--write" in arguments and not words:
        text = DEVELOPERS.read_text(encoding="utf-8")
        start, end = text.index(BEGIN) + len(BEGIN), text.index(END)
        DEVELOPERS.write_text(f"{text[:start]}\n{found}\n{text[end:]}", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
