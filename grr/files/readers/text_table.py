"""Text files: encoding, separator, and the grid of cells."""

from __future__ import annotations

import codecs
import csv
import io
import re

from grr.files.readers.grid import Grid
from grr.model.errors import StudyError

_CUT_OFF = "the last row has no line end: see that the file was not cut off there"
_NOT_UTF8 = (
    "the file is not in UTF-8, its letters were read as Western European ones (cp1252): save it "
    "as CSV UTF-8 where these words are wrong"
)
#: Words with other characters than those of ASCII, and how many of them are shown.
_NOT_ASCII = re.compile(r'[^\s;,"()]*[^\x00-\x7f][^\s;,"()]*')
_MOST_WORDS = 6
#: What shows that letters of another part of the world were read as Western European ones: signs
#: inside words, and three letters in a row that all have accents.
_GARBLED = re.compile(
    r"""[^\W\d_][‚ƒ„†‡ˆ‰˜¡¢£¤¥¦¨¬¯´¶¸¿÷¼½¾]
    | [ƒ†‡ˆ‰˜¢£¤¥¦¨¬¯´¸÷][^\W\d_]{2}
    | [^\W\d_][¹²³±][^\W\d_]
    | [–—±](?!µ)[^\W\d_\x00-\x7f]
    | [†‡]
    | [^\W\d_\x00-\x7f]{3}""",
    re.VERBOSE,
)
_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma"}


def text_grid(content: bytes, file: str) -> Grid:
    """Return the cells of a text file.

    Raises
    ------
    StudyError
        The bytes are no text, or the text cannot be split into cells.
    """
    text, encoding = _decoded(content, file)
    first, _, rest = text.partition("\n")
    stated = re.fullmatch(r"sep=([\t;,])\s*", first, re.IGNORECASE)
    if stated:
        text = f"\n{rest}"
    separator = stated[1] if stated else _separator(text)
    remarks = ("row 1, which states the separator",) if stated else ()
    lines = io.StringIO(text, newline=None)  # every kind of line end becomes a line feed
    reader = csv.reader(lines, delimiter=separator, strict=True)
    try:
        cells = [list(row) for row in reader]
    except csv.Error as error:
        raise StudyError(
            "The row cannot be split into cells",
            "Look for a quotation mark too many, or save the file again as CSV",
            file=file,
            row=reader.line_num,
            value=error,
        ) from None
    doubts = () if text.endswith(("\n", "\r")) else (_CUT_OFF,)
    if encoding == "cp1252":
        words = dict.fromkeys(_NOT_ASCII.findall(text))
        names = [word for word in words if not re.sub("[µ°±×²]", "", word).isascii()]
        if names:
            shown = ", ".join(f"“{word}”" for word in names[:_MOST_WORDS])
            doubts = (*doubts, f"{_NOT_UTF8}: {shown}")
    grid = Grid(cells, file, "", separator, encoding, remarks, doubts)
    if separator == ",":
        _refuse_split_decimals(grid)
    return grid


def separator_name(separator: str) -> str:
    """Return the word for a separator of cells."""
    return _NAMES[separator]


def _decoded(content: bytes, file: str) -> tuple[str, str]:
    for mark, encoding in (
        (codecs.BOM_UTF32_LE, "utf-32"),  # before UTF-16: its mark begins with the same bytes
        (codecs.BOM_UTF32_BE, "utf-32"),
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if content.startswith(mark):
            return _decode(content, encoding, file), encoding
    if 0 in content:
        zeros = content[:2000].count(0)
        # Latin letters and digits in UTF-16 have a zero byte each, first or second.
        encoding = "utf-16-le" if content[1:2000:2].count(0) > zeros / 2 else "utf-16-be"
        if zeros < len(content[:2000]) / 4:
            raise _zero(file, content.count(b"\n", 0, content.index(0)) + 1)
        return _decode(content, encoding, file), encoding
    try:
        return content.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        text = _decode(content, "cp1252", file)
        _refuse_garbled(text, file)
        return text, "cp1252"


def _refuse_garbled(text: str, file: str) -> None:
    """Refuse text of another part of the world, which cp1252 would turn into other words.

    Cyrillic, Greek and East Asian letters, and those of DOS (cp437, cp850), become signs inside
    words, or words of accented letters only. Those of Central Europe (cp1250) often become other
    accented letters, which nobody can tell: the words are shown instead.
    """
    for number, line in enumerate(text.splitlines(), start=1):
        found = _GARBLED.search(line)
        if found:
            start = max(0, found.start() - 10)
            raise StudyError(
                "The file is not in UTF-8, and its letters are not Western European ones either",
                "Open it in the program that wrote it and save it as CSV UTF-8, or as .xlsx",
                file=file,
                row=number,
                value=line[start : start + 30],
            )


def _decode(content: bytes, encoding: str, file: str) -> str:
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError:
        raise StudyError(
            "The file is neither text in UTF-8 or in Western European letters, nor an Excel "
            "workbook",
            "Open it in the program that wrote it and save it as CSV UTF-8, or as .xlsx",
            file=file,
        ) from None
    if "\0" in text:
        raise _zero(file, text.count("\n", 0, text.index("\0")) + 1)
    return text


def _zero(file: str, row: int) -> StudyError:
    return StudyError(
        "The file holds a zero byte: it is damaged, or neither text nor an Excel workbook",
        "Save it again as CSV (UTF-8) or as .xlsx",
        file=file,
        row=row,
    )


def _separator(text: str) -> str:
    """Return the separator found on most lines; tab before semicolon before comma."""
    lines = re.sub(r'"[^"\n]*"', "", text).splitlines()
    return max(_NAMES, key=lambda sign: sum(sign in line for line in lines))


def _refuse_split_decimals(grid: Grid) -> None:
    """Refuse 10,008 written without quotation marks in a file separated by commas."""
    if any(re.search(r"[0-9]\.[0-9]", str(cell)) for row in grid.cells for cell in row):
        return
    for row in range(len(grid.cells)):
        for column in range(1, len(grid.cells[row])):
            before, cell = grid.text(row, column - 1), grid.text(row, column)
            if re.fullmatch(r"0[0-9]+", cell) and re.fullmatch(r"[+-]?[0-9]+", before):
                raise grid.refusal(
                    "A decimal comma seems to have been taken for the separator of cells",
                    "Save the file with semicolons or tabs between the cells, or with decimal "
                    "points; if the cell is right, write it without the leading zero",
                    row,
                    column,
                )
