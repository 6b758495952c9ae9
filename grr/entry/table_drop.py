"""A table of many studies, dropped or pasted on a page: kept in the folder ``tables``."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Mapping
from pathlib import Path, PureWindowsPath
from typing import Any

import anywidget

from grr.files.chosen import TABLES, folder_name
from grr.files.disk import made_folder, remove, write_bytes
from grr.model.errors import StudyError

_HERE = Path(__file__).parent
ENDINGS = (".csv", ".txt", ".tsv", ".xlsx", ".ods", ".parquet")


class TableDrop(anywidget.AnyWidget):
    """Takes a table; made by `grr.drop_table`.

    Attributes
    ----------
    said : str
        Why the last one was refused; "" where none was.
    """

    _esm = "".join((_HERE / name).read_text("utf-8") for name in ("elements.js", "table_drop.js"))
    _css = _HERE / "study_form.css"

    def __init__(self, top: Path, tried: Callable[[Path], object]) -> None:
        super().__init__()
        self._top, self._tried = top, tried
        self.said = ""
        self.on_msg(self._heard)

    def __repr__(self) -> str:
        return "Run this cell to drop or paste a table of many studies."

    def _heard(self, _widget: object, message: Mapping[str, Any], _buffers: object) -> None:
        self.said = name = ""
        try:
            name = self.take(str(message.get("name") or ""), str(message.get("content") or ""))
        except StudyError as error:
            self.said = str(error)
        self.send({"id": message.get("id"), "said": self.said, "table": name})

    def take(self, name: str, content: str) -> str:
        """Keep a table that can be used, and return its name; ``content`` is base64.

        Raises
        ------
        StudyError
            It cannot be used; nothing is kept then.
        """
        try:
            data = base64.b64decode(content, validate=True)
        except binascii.Error as error:
            raise StudyError("The table did not arrive whole", "Drop it again") from error
        given = PureWindowsPath(name or "pasted.csv")
        ending = given.suffix.lower()
        if ending not in ENDINGS:
            raise StudyError(
                "This is no table", f"Drop a file of one of: {', '.join(ENDINGS)}", value=name
            )
        if not data.strip():
            raise StudyError("The table is empty", "Copy it with its headings")
        folder = made_folder(self._top / TABLES)
        file = folder / f"{folder_name(given.stem)}{ending}"
        number = 2
        while file.exists() and file.read_bytes() != data:  # nothing is written over
            file = folder / f"{folder_name(given.stem)}_{number}{ending}"
            number += 1
        there = file.exists()
        write_bytes(file, data)
        try:
            self._tried(file)
        except StudyError:
            if not there:
                remove(file)
            raise
        return file.name
