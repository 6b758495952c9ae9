"""`grr verify FOLDER`: were the readings of a study changed after they were written?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from grr.errors import StudyError
from grr.files import events, journal
from grr.files.chained_file import AlteredRow, first_altered, read_lines
from grr.values import a_path
from grr.wording.rounding import counted


@dataclass(frozen=True)
class FileCheck:
    """What was found in one file; ``altered`` is None where nothing was changed."""

    name: str
    rows: int
    torn_rows: tuple[int, ...]
    last_hash: str
    altered: AlteredRow | None


@dataclass(frozen=True)
class FolderCheck:
    """What was found in a study folder; prints as a few lines of text."""

    folder: Path
    files: tuple[FileCheck, ...]

    @property
    def unaltered(self) -> bool:
        """Whether every row is as it was written."""
        return all(file.altered is None for file in self.files)

    def __str__(self) -> str:
        return "\n".join(line for file in self.files for line in _lines(file))


def _lines(file: FileCheck) -> list[str]:
    if file.altered is None:
        lines = [f"{file.name}: {counted(file.rows, 'row')}, each as it was written."]
    else:
        lines = [f"{file.name}: row {file.altered.row} is the first that is not as it was written:"]
        lines.append(f"  {file.altered.why}.")
    if file.torn_rows:
        rows = ", ".join(map(str, file.torn_rows))
        lines.append(f"  Cut off while it was written, kept and not counted: row {rows}.")
    lines.append(f"  Last hash: {file.last_hash or 'none'} (compare it with the report)")
    return lines


def verify_folder(folder: str | Path) -> FolderCheck:
    """Return whether the readings and events of a study are as they were written.

    Rows cut off at the end leave no trace in the file: compare the last hash with the one
    on the report. Names are declared, not proven.

    Raises
    ------
    StudyError
        The folder holds no readings that were collected with the entry form.
    """
    folder = a_path(folder)
    if not (folder / "readings.csv").exists():
        raise StudyError(
            "There is no readings.csv in this folder", "Name a study folder", file=folder
        )
    checks = [_checked(folder / "readings.csv", journal.WRITTEN)]
    if (folder / "events.csv").exists():
        checks.append(_checked(folder / "events.csv", events.WRITTEN))
    return FolderCheck(folder, tuple(checks))


def _checked(path: Path, columns: tuple[str, ...]) -> FileCheck:
    lines = read_lines(path, columns)
    return FileCheck(
        path.name,
        sum(line.cells is not None for line in lines),
        tuple(line.number for line in lines if line.cells is None),
        lines[-1].seal if lines else "",
        first_altered(path, columns),
    )
