"""The disk is full, or may not be written to: one sentence, and nothing stored is damaged.

A small disk of its own is made in memory and seen by one process only, where the system lets
us; elsewhere these tests are skipped, and those with injected errors remain (`test_journal.py`).
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from grr.shipped import shipped_folder

#: Everything that writes, tried on a disk that takes nothing more. Prints what is wrong.
SCRIPT = r"""
import contextlib, io, subprocess, sys
from dataclasses import replace
from pathlib import Path
import pandas as pd
import grr
from grr.cli import main
from grr.entry.job import open_job
from grr.entry import sessions
from grr.files.chosen import remember_choice
from grr.files.events import Event, Events
from grr.files.folder import change_settings, new_study_folder
from grr.files.journal import Journal, JournalRow, read_journal, verify
from grr.files.study_file import read_settings
from grr.shipped import put_into, shipped_folder

disk, trouble = Path(sys.argv[1]), sys.argv[2]
readings = [(p, o, t, 10 + p / 10 + t / 100) for p in (1, 2, 3) for o in "AB" for t in (1, 2)]
table = pd.DataFrame(readings, columns=["part", "operator", "trial", "reading"])
demo = grr.Study(table, unit="mm", tolerance=grr.Tolerance(9.0, 12.0))
many = Path(sys.argv[3])
table.assign(study="only").to_csv(many, index=False)
grr.save_study(demo, disk / "old")
new_study_folder(disk / "pins", unit="mm", plan=grr.Plan(("1", "2"), ("A",), 2))
journal, events = Journal(disk / "pins" / "readings.csv"), Events(disk / "pins" / "events.csv")
def row(number):
    return JournalRow(part=str(number), operator="A", trial="1", reading="10.001", note="x" * 9000)
for number in range(4):
    journal.append(row(number))
events.append(Event(kind="zero", name="before"))
outputs = [disk / name for name in ("a.html", "a.xlsx", "many.csv")]
for file in outputs:
    file.write_bytes(b"the one before")
plan = grr.plan_study(10, 3)
label = grr.show.gauge_label(grr.qualify(demo.tolerance, unit="mm"))
settings = read_settings(disk / "old")

def contents():
    return {path: path.read_bytes() for path in disk.rglob("*") if path.is_file()}

before = contents()
filler = disk / "filler"
if trouble == "full":
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(512))
else:
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)

ACTIONS = {
    "journal": lambda: journal.append(row(9)),
    "events": lambda: events.append(Event(kind="zero", name="after", value="x" * 9000)),
    "save_study": lambda: grr.save_study(demo, disk / "new"),
    "new_study_folder": lambda: new_study_folder(disk / "another", unit="mm"),
    "change_settings": lambda: change_settings(
        disk / "old", replace(settings, title="New" * 2000), who="A", why="typed wrongly" * 900),
    "export_workbook": lambda: grr.export_workbook(demo, outputs[1], overwrite=True),
    "run sheet": lambda: plan.save(disk / "sheets"),
    "label": lambda: label.save(disk / "label.html"),
    "choice": lambda: remember_choice("old" * 3000, disk),
    "working folder": lambda: put_into(disk / "work"),
    "collect": lambda: grr.collect(disk / "pins"),
}
for name, action in ACTIONS.items():
    if name == "collect" and trouble == "full":
        continue  # needs no space before the first reading
    try:
        action()
        print(name, "went through")
    except grr.StudyError as error:
        words = "The disk is full" if trouble == "full" else "read-only"
        if words not in str(error) and name != "working folder":
            print(name, "says", error)
        if "\n" in str(error):
            print(name, "says more than one sentence")

COMMANDS = [
    ["new", str(disk / "third"), "--title", "x" * 5000],
    ["report", str(disk / "old"), "-o", str(outputs[0]), "--force"],
    ["analyse-many", str(many), "-o", str(outputs[2]), "--force"],
]
for command in COMMANDS:
    said, errors = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(errors):
        status = main(command)
    if status != 2 or errors.getvalue().count("\n") != 1 or len(errors.getvalue()) > 400:
        print(command[0], status, errors.getvalue())

with contextlib.redirect_stdout(io.StringIO()):
    if main(["verify", str(disk / "pins")]) != 0 or grr.open_study(disk / "old").taken != 12:
        print("cannot even be read")
after = contents()
after.pop(filler, None)
for path, content in before.items():
    grown = path.parent.name == "pins" and after[path].startswith(content)
    if after.get(path) != content and not grown:
        print(path, "was damaged")
for path in set(after) - set(before):
    if path.name not in (".writing.lock", ".collecting.lock") and after[path]:
        print(path, "was left behind")
if trouble == "full":
    filler.unlink()
    journal.append(row(5))
    events.append(Event(kind="zero", name="after"))
    grr.save_study(demo, disk / "new")
    parts = read_journal(journal.path)["part"].tolist()
    if parts not in (["0", "1", "2", "3", "5"], ["0", "1", "2", "3", "9", "5"]):
        print("readings", parts)
    if verify(journal.path) is not None or grr.open_study(disk / "new").taken != demo.taken:
        print("not as it was written")
print("tried", flush=True)
"""


def in_a_disk_of_its_own(
    folder: Path, size: str, *command: str
) -> subprocess.CompletedProcess[str]:
    """Run a command that sees a small empty disk at the folder, or skip the test."""
    if sys.platform != "linux" or shutil.which("unshare") is None:
        pytest.skip("no disk can be made here")
    mount = f'mount -t tmpfs -o size={size} none "$0" && exec "$@"'
    inside = ["unshare", "-rm", "sh", "-c"]
    probe = subprocess.run([*inside, mount, str(folder), "true"], check=False, capture_output=True)
    if probe.returncode != 0:
        pytest.skip("no disk can be made here")
    whole = [*inside, mount, str(folder), *command]
    return subprocess.run(whole, check=False, capture_output=True, text=True, timeout=120)


@pytest.mark.parametrize("trouble", ["full", "read-only"])
def test_everything_that_writes_says_so_and_damages_nothing(tmp_path: Path, trouble: str) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    script = [sys.executable, "-W", "ignore", "-c", SCRIPT]
    done = in_a_disk_of_its_own(
        disk, "400k", *script, str(disk), trouble, str(tmp_path / "many.csv")
    )
    assert done.stderr == ""
    assert done.stdout == "tried\n"


#: Files that are read-only while their folder is not.
ONE_FILE = r"""
import subprocess, sys
from dataclasses import replace
from pathlib import Path
import grr
from grr.files.folder import change_settings, new_study_folder
from grr.files.journal import Journal, JournalRow
from grr.files.study_file import read_settings
top = Path(sys.argv[1])
made = new_study_folder(top / "pins", unit="mm")
journal = Journal(top / "pins" / "readings.csv")
journal.append(JournalRow(part="1", operator="A", trial="1", reading="10.001"))
for name in ("readings.csv", "study.toml"):
    file = str(top / "pins" / name)
    subprocess.run(["mount", "--bind", file, file], check=True)
    subprocess.run(["mount", "-o", "remount,bind,ro", file], check=True)
for action in (
    lambda: journal.append(JournalRow(part="2", operator="A", trial="1", reading="10.002")),
    lambda: change_settings(top / "pins", replace(made, title="x"), who="A", why="b"),
):
    try:
        action()
        print("went through")
    except grr.StudyError as error:
        if "read-only" not in str(error):
            print(error)
left = [path.name for path in (top / "pins").glob("*.new")]
print("tried", len(journal.rows), left, read_settings(top / "pins").title == "")
"""


def test_a_read_only_file_in_a_folder_that_is_not(tmp_path: Path) -> None:
    done = in_a_disk_of_its_own(
        tmp_path, "400k", sys.executable, "-W", "ignore", "-c", ONE_FILE, str(tmp_path)
    )
    assert done.stderr == ""
    assert done.stdout == "tried 1 [] True\n"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device here")
def test_output_that_cannot_be_printed(tmp_path: Path) -> None:
    folder = shipped_folder("demo_data") / "pins_two_ways"
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "grr.cli", "verify", str(folder)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            cwd=tmp_path,
        )
    assert done.returncode == 2
    assert "No space left" in done.stderr
    assert done.stderr.count("\n") == 1
