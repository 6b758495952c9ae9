"""``study.toml``: a study's settings as text that a person can read and edit."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from grr.files.allowed_files import LARGEST_SETTINGS, once_free, regular_file
from grr.files.disk import write_whole
from grr.model.errors import StudyError
from grr.model.facts import FACTS, Question
from grr.model.record import FORMAT, refuse_newer
from grr.model.settings import Settings, document_of, from_document

STUDY_FILE = "study.toml"

_HEAD = (
    "# A gauge study. Edit it with any text editor; lengths are in the unit stated here.\n"
    "# A line that begins with # is not read. Settle tolerance and rules before the first\n"
    "# reading.\n"
)
_NO_TOLERANCE = (
    "# [tolerance]\n# lower = the lower limit on the drawing\n# upper = the upper limit\n"
)
#: What may be left out, and what it is.
_OPTIONAL = {
    "resolution": "the last digit of the gauge, such as 0.0001",
    "process_sd": "standard deviation of the process, from records",
    "process_mean": "mean of the process, from records",
}


def read_settings(folder: str | Path) -> Settings:
    """Return the settings in a study folder's ``study.toml``.

    The number of its form, ``format``, is no setting; a file without it is one of 0.1.0. It is
    replaced only when settings are saved.

    Raises
    ------
    StudyError
        There is no such file, it is no TOML, or a value in it cannot be used; the
        message names the file and the key.
    """
    file = Path(folder) / STUDY_FILE
    document = _document(file)
    refuse_newer(document.pop("format", 1), file)
    try:
        return from_document(document)
    except StudyError as error:
        raise error.at(file=file) from None


def write_settings(folder: str | Path, settings: Settings) -> None:
    """Write ``study.toml``; the file that was there is replaced in one step.

    Raises
    ------
    StudyError
        It could not be written.
    """
    write_whole(Path(folder) / STUDY_FILE, settings_text(settings))


def settings_text(settings: Settings) -> str:
    """Return the contents of ``study.toml``; facts not yet known are listed as comments."""
    import tomli_w

    stated = document_of(settings)
    tables = {name: stated.pop(name) for name in ("tolerance", "plan", "rules", "facts")}
    open_keys = [f"# {key} = {what}" for key, what in _OPTIONAL.items() if stated[key] is None]
    questions = [
        _question(fact)
        for fact in FACTS
        if fact.key not in settings.facts and fact.key != "characteristic"
    ]
    pieces = [
        f"{_HEAD}\nformat = {FORMAT}\n{tomli_w.dumps(_without_none(stated))}",
        "".join(f"{line}\n" for line in open_keys),
        "" if settings.tolerance else f"\n{_NO_TOLERANCE}",
        f"\n{tomli_w.dumps(_without_none(tables))}",
        "".join(f"{line}\n" for line in ("# Not stated yet:", *questions) if questions),
    ]
    return "".join(pieces)


def _question(fact: Question) -> str:
    unit = "" if fact.unit in ("", "study") else f"({fact.unit}) "
    choices = " or ".join(f'"{choice}"' for choice in fact.choices)
    return f"# {fact.key} = {unit}{fact.question}{f' {choices}' if choices else ''}"


def by_key(text: str) -> dict[str, str]:
    """Return the contents of a ``study.toml`` as "table.key" → value in words."""
    flat: dict[str, str] = {}
    for key, value in tomllib.loads(text).items():
        entries: dict[str, Any] = value if isinstance(value, dict) else {"": value}
        flat |= {f"{key}.{name}".rstrip("."): str(entry) for name, entry in entries.items()}
    return flat


def _without_none(table: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: _without_none(value) if isinstance(value, Mapping) else value
        for key, value in table.items()
        if value is not None
    }


def _document(file: Path) -> dict[str, Any]:
    try:
        small = regular_file(file, LARGEST_SETTINGS)
        text = once_free(lambda: small.read_text(encoding="utf-8-sig"))
    except StudyError:
        raise
    except (FileNotFoundError, NotADirectoryError):
        if file.parent.is_file():
            raise StudyError(
                "This is a file, not a study folder",
                "Name the folder that holds study.toml; the command grr analyse-many, or "
                "grr.read_readings in Python, takes a file of readings",
                file=file.parent,
            ) from None
        raise StudyError(
            "This is no study folder: it holds no study.toml",
            "Name the folder of a study, or start one with grr new",
            file=file,
        ) from None
    except UnicodeDecodeError:
        raise StudyError(
            "The file is not written in UTF-8", "Save it as UTF-8 in the text editor", file=file
        ) from None
    except (OSError, ValueError) as error:
        raise StudyError(
            "The file cannot be read", "Check the name of the folder", file=file, value=error
        ) from None
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        place = re.search(r"at line ([0-9]+)", str(error))
        last_line = max(1, text.count("\n") + (not text.endswith("\n")))
        raise StudyError(
            "The line cannot be understood",
            "Write key = value, text in quotation marks, numbers with a decimal point",
            file=file,
            row=int(place[1]) if place else last_line,
            value=error,
        ) from None
