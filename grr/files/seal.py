"""The seal of a study folder: 18 characters that stand for all that the folder says.

It is printed when a session is closed, and on the report, and so stands where whoever changes
the folder cannot reach it: on paper, in a mail, in another person's notebook. `grr verify FOLDER
--seal ...` says whether the folder still is what it was then.

What is sealed, by SHA-256 (FIPS 180-4): the last hash of ``readings.csv``, with which every row
before it is chained (of a plain table or workbook the hash of the file); the last hash of
``events.csv``; and every setting in ``study.toml``, not its ``format`` and ``id``. Of that the
first 80 bits are written in Crockford's base 32 (no I, L, O, U), and two characters that check
them: what the 16 characters make as a number, modulo 1021, the largest prime below 32 × 32. So one
wrong character is always noticed, and so are two neighbours exchanged.

There is no key. Whoever changes a folder, with all its hashes and anchors, gets a folder that
fits itself, and another seal. To find another folder with a given seal takes 2 to the power of
80 trials; somebody who prepares two folders with the same seal before either is reported needs 2
to the power of 40, which a determined forger can pay for.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from grr.files.allowed_files import regular_file
from grr.files.chained_file import read_lines
from grr.files.events import WRITTEN as EVENT_COLUMNS
from grr.files.journal import WRITTEN as READING_COLUMNS
from grr.files.journal import is_journal_file
from grr.model.errors import StudyError
from grr.model.values import a_path

#: The largest report that is read, in bytes.
LARGEST_REPORT = 50_000_000
_IN_PAGE = re.compile(r'<meta name="seal" content="([^"]*)">')

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_CHARACTERS, _CHECKS, _PRIME = 16, 2, 1021
#: What is read, or typed, for what.
_ALIKE = str.maketrans({"I": "1", "L": "1", "O": "0"})


def seal_of(readings: str, events: str, settings: str) -> str:
    """Return the seal of a folder whose three files have these hashes, as it is printed."""
    number = int.from_bytes(_bits(readings, events, settings))
    return _grouped(_digits(number, _CHARACTERS) + _check_characters(number))


def _bits(readings: str, events: str, settings: str) -> bytes:
    text = "\n".join(("grr seal", readings, events, settings))
    return hashlib.sha256(text.encode("ascii")).digest()[: _CHARACTERS * 5 // 8]


def read_seal(text: str) -> str:
    """Return a seal that was typed in, as it is printed.

    Capitals, spaces and hyphens do not matter; I and L are read as 1, O as 0.

    Raises
    ------
    StudyError
        It is no seal, or a character is wrong.
    """
    typed = "".join(text.upper().split()).replace("-", "").replace("–", "").translate(_ALIKE)
    length = _CHARACTERS + _CHECKS
    if len(typed) != length or set(typed) - set(ALPHABET):
        raise StudyError(
            f"This is no seal: a seal has {length} characters, digits and capital letters without "
            "I, L, O and U",
            "Copy it from the report or the run sheet, like 7K3M9X-Q2TRZ8-WN4C0D",
            value=text,
        )
    number = _number(typed[:_CHARACTERS])
    if typed[_CHARACTERS:] != _check_characters(number):
        raise StudyError(
            "A character of the seal is wrong: its last two do not fit the others",
            "Compare it with the report or the run sheet once more",
            value=text,
        )
    return _grouped(typed)


def _number(characters: str) -> int:
    number = 0
    for character in characters:
        number = 32 * number + ALPHABET.index(character)
    return number


def _digits(number: int, count: int) -> str:
    return "".join(ALPHABET[number >> 5 * place & 31] for place in reversed(range(count)))


def _check_characters(number: int) -> str:
    return _digits(number % _PRIME, _CHECKS)


def _grouped(characters: str) -> str:
    return "-".join(characters[start : start + 6] for start in range(0, len(characters), 6))


# What a folder says, and what it said before its last rows were added
# --------------------------------------------------------------------


def settings_hash(settings: Mapping[str, str]) -> str:
    """Return the hash of settings, "table.key" → text; 30 and 30.0 are the same.

    The study's id and the number of the file's form are no settings.
    """
    stated = {
        key: _plain(text)
        for key, text in sorted(settings.items())
        if text and key not in ("id", "format")
    }
    text = json.dumps(stated, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _plain(text: str) -> str:
    try:
        return repr(float(text))
    except ValueError:
        return text


def folder_seal(folder: Path, settings: Mapping[str, str]) -> str:
    """Return the seal of a study folder as it stands, whose ``study.toml`` says ``settings``.

    Raises
    ------
    StudyError
        A file of it cannot be read.
    """
    readings, events = _hashes(folder)
    return seal_of(readings[-1], events[-1], settings_hash(settings))


@dataclass(frozen=True)
class SealedBefore:
    """An earlier state of a folder: how many rows were added since, and whether settings differ."""

    readings_since: int
    events_since: int
    settings_differ: bool


def state_sealed(
    folder: Path, seal: str, settings: Mapping[str, str], recorded: Iterator[Mapping[str, str]]
) -> SealedBefore | None:
    """Return which state of a folder bears a seal, the latest first; None where none does.

    Parameters
    ----------
    folder : Path
    seal : str
        As `read_seal` returns it.
    settings : mapping
        What ``study.toml`` says now.
    recorded : iterator of mapping
        What the events say that it said at one time or another.
    """
    readings, events = _hashes(folder)
    now = settings_hash(settings)
    characters = seal.replace("-", "")[:_CHARACTERS]
    sealed = _number(characters).to_bytes(_CHARACTERS * 5 // 8)
    hashes = dict.fromkeys([now, *map(settings_hash, recorded)])
    for settings_then in hashes:
        for events_since, event in enumerate(reversed(events)):
            for readings_since, reading in enumerate(reversed(readings)):
                if _bits(reading, event, settings_then) == sealed:
                    return SealedBefore(readings_since, events_since, settings_then != now)
    return None


def _hashes(folder: Path) -> tuple[list[str], list[str]]:
    """Return the hash of readings and events after each of their rows, "" before the first."""
    file, workbook = folder / "readings.csv", folder / "readings.xlsx"
    if is_journal_file(file):
        readings = ["", *(line.seal for line in read_lines(file, READING_COLUMNS))]
    elif file.exists():  # git may have changed the ends of its lines
        readings = [_hash(_content(file).replace(b"\r\n", b"\n"))]
    else:
        readings = [_hash(_content(workbook)) if workbook.exists() else ""]
    events = ["", *(line.seal for line in read_lines(folder / "events.csv", EVENT_COLUMNS))]
    return readings, events


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest() if content else ""


def _content(file: Path) -> bytes:
    try:
        return regular_file(file).read_bytes()
    except OSError as error:
        raise StudyError(
            f"The file cannot be read: {error.strerror or error}",
            "Close it in other programs and check that you may read it",
            file=file.name,
        ) from error


# The seal that a report carries
# ------------------------------


def reported_seal(report: str | Path) -> str:
    """Return the seal in a report (.html, .pdf) or in an exported result (.json).

    A PDF has the result attached; its seal is read there.

    Raises
    ------
    StudyError
        The file cannot be read, or bears no seal.
    """
    file = a_path(report)
    try:
        content = regular_file(file, LARGEST_REPORT).read_bytes()
    except FileNotFoundError:
        raise StudyError("There is no such file", "Check its name and folder", file=file) from None
    except OSError as error:
        raise StudyError(
            f"The file cannot be read: {error.strerror or error}", "Close it elsewhere", file=file
        ) from error
    if content.startswith(b"%PDF"):
        content = _attached_result(content)
    found = _seal_in_result(content) or _IN_PAGE.findall(content.decode("utf-8", "replace"))
    if len(found) != 1:
        raise StudyError(
            "The file bears no seal: it is no report (.html, .pdf) and no .json result of a study "
            "folder that this version wrote",
            "Name another file, or copy the seal from the first page of the report: --seal",
            file=file,
        )
    return read_seal(found[0])


def _attached_result(content: bytes) -> bytes:
    """Return the result that is attached to a PDF; nothing where there is none."""
    import pikepdf

    try:
        with pikepdf.open(io.BytesIO(content)) as pdf:
            attached = pdf.attachments.get("result.json")
            return b"" if attached is None else bytes(attached.get_file().read_bytes())
    except (pikepdf.PdfError, ValueError, KeyError, RuntimeError):  # damaged, or locked
        return b""


def _seal_in_result(content: bytes) -> list[str]:
    try:
        result = json.loads(content)
    except (ValueError, RecursionError):
        return []
    seal = result.get("seal") if isinstance(result, dict) else None
    return [seal] if isinstance(seal, str) else []
