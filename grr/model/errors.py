"""The one error that a person sees."""

from __future__ import annotations

import os
import re
from typing import Any


class StudyError(ValueError):
    """Something entered cannot be used; says what, where and what to do.

    Parameters
    ----------
    problem : str
        What is wrong, as a sentence without a full stop.
    remedy : str
        What the reader should do, as a sentence without a full stop.
    file, row, column, value : optional
        Where it was found; left out of the message where not given. ``file`` may also be a
        folder. ``row`` is the line number as a spreadsheet shows it, the first line being 1.

    Examples
    --------
    >>> try:
    ...     grr.Tolerance(lower=10.02, upper=9.98)
    ... except grr.StudyError as error:
    ...     print(error.problem)
    ...     print(error.remedy)
    The lower limit is not below the upper limit
    Exchange the limits, or correct the one that was mistyped
    """

    def __init__(
        self,
        problem: str,
        remedy: str,
        *,
        file: object = None,
        row: int | None = None,
        column: object = None,
        value: object = None,
    ) -> None:
        self.problem = problem
        self.remedy = remedy
        self.file = None if file is None else str(file)
        self.row = row
        self.column = None if column is None else str(column)
        self.value = value
        super().__init__(self._sentence())

    @property
    def reason(self) -> str:
        """What is wrong, as the rest of a sentence: "not estimated, one operator measured"."""
        return f"{self.problem[:1].lower()}{self.problem[1:]}"

    def at(self, **place: object) -> StudyError:
        """Return the same refusal with its place, or more of it: file, row, column, value."""
        known: dict[str, Any] = {n: getattr(self, n) for n in ("file", "row", "column", "value")}
        return StudyError(self.problem, self.remedy, **known | place)

    def _render_traceback_(self) -> list[str]:
        """Return what a notebook shows of the error: what is wrong and what to do."""
        return [str(self)]

    def _sentence(self) -> str:
        place = []
        if self.file is not None:
            is_folder = os.path.isdir(self.file)  # noqa: PTH112 - never raises, whatever the name
            place.append(f"{'folder' if is_folder else 'file'} {self.file}")
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column is not None:
            place.append(f"column {_shortened(self.column)}")
        if self.value is not None:
            place.append(f"value {_shortened(str(self.value))!r}")
        where = f" ({', '.join(place)})" if place else ""
        return printable(
            f"{_shortened(self.problem, 500)}{where}. {_shortened(self.remedy, 1000)}."
        )


def _shortened(text: str, limit: int = 60) -> str:
    return text if len(text) <= limit else text[: limit - 1] + "…"


#: Control characters, halves of characters, line and paragraph ends, and marks of direction.
_STEERING = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff\u2028-\u202e\u2066-\u2069]")


def printable(text: str, *, lines: bool = False) -> str:
    r"""Return a text with its control characters written out, ``\x1b`` for escape.

    In a terminal they would move the cursor, change colours, or hide words; so would marks
    that turn the direction of the text.

    Parameters
    ----------
    text : str
    lines : bool
        Whether line ends and tabs stay.
    """
    kept = "\n\t" if lines else ""
    return _STEERING.sub(lambda m: m[0] if m[0] in kept else ascii(m[0])[1:-1], text)
