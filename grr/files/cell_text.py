r"""Text of any kind as one cell of a CSV file, safe to open in a spreadsheet, and back.

A spreadsheet runs a cell that begins with ``=``, ``+``, ``-`` or ``@`` as a formula. Such a
cell gets an apostrophe in front (a cell that already begins with one gets a second). Line
ends, tabs and other control characters are written as ``\n``, ``\t``, ``\x0b``, so that
one line of the file is one row whatever was typed; a semicolon is written ``\x3b`` because
a spreadsheet set to another language splits a line there. Plain numbers stay as they are.
"""

from __future__ import annotations

import re

#: A label that begins with one of these is written with an apostrophe before it.
FORMULA_SIGNS = "=+-@'"
#: Characters that begin a formula, their full-width forms, and our own mark.
_STARTS = "=+-@＝＋－＠'"
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d*)?(?:[eE][+-]?\d+)?", re.ASCII)
_UNSAFE = re.compile(r"[\\;\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_WRITTEN = re.compile(r"\\(\\|n|r|t|x[0-9a-f]{2}|u[0-9a-f]{4})")
_SHORT = {"\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t"}
_LONG = {written[1:]: character for character, written in _SHORT.items()}


def to_cell(text: str) -> str:
    """Return the text as it is written into a cell."""
    safe = _UNSAFE.sub(_escaped, text)
    start = safe.lstrip()[:1]
    if start and start in _STARTS and not _NUMBER.fullmatch(safe):
        return "'" + safe
    return safe


def from_cell(cell: str) -> str:
    """Return the text that `to_cell` wrote."""
    start = cell[1:].lstrip()[:1]
    if cell.startswith("'") and start and start in _STARTS:
        cell = cell[1:]
    return _WRITTEN.sub(_unescaped, cell)


def _escaped(match: re.Match[str]) -> str:
    character = match.group()
    code = ord(character)
    return _SHORT.get(character) or (f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}")


def _unescaped(match: re.Match[str]) -> str:
    written = match.group(1)
    return _LONG.get(written) or chr(int(written[1:], 16))
