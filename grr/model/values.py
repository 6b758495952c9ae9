"""Checks of single values given by a person."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable
from errno import ENAMETOOLONG
from os import PathLike, fspath, strerror
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grr.model.errors import StudyError

Kind = TypeVar("Kind")
Word = TypeVar("Word", bound=str)

#: Squares of larger or smaller numbers, and their squares, would leave what a float can hold.
LARGEST, SMALLEST = 1e30, 1e-30
#: Letters that a title or a name may have.
LONGEST_TEXT = 10_000

#: Where a value of each kind comes from, by the name of its class.
_COMES_FROM = {
    "Study": "Make one with grr.Study(readings, tolerance=...) or grr.open_study(folder)",
    "GaugeResult": "Give what grr.anova or grr.average_range returned for a study",
    "StabilityResult": "Give what grr.stability returned",
    "ReferenceResult": "Give what grr.reference_study returned",
    "LinearityResult": "Give what grr.linearity returned",
    "UncertaintyBudget": "Write grr.UncertaintyBudget([grr.Contribution(...), ...])",
    "Rules": "Write grr.Rules(...), or leave it out",
    "date": "Write datetime.date(2026, 3, 31), or leave it out for today",
    "str": "Write it in quotation marks",
    "Sequence": "Write it like ['first', 'second']",
    "tuple": "Write it like ('first', 'second')",
    "Mapping": "Write it like {'name': value}",
    "DataFrame": "Give a pandas DataFrame, such as grr.read_readings returns",
}
_IN_WORDS = {"str": "text", "Sequence": "list", "DataFrame": "pandas DataFrame"}

#: Cyrillic and Greek letters, small, and the Latin ones for which they or their capitals pass;
#: the Greek one that means micro is none.
_LOOKS_LATIN = str.maketrans(
    "авекмнорстухіјѕ" + "αβεζηικνορτυχ", "abekmhopctyxijs" + "abezhiknoptyx"
)


def article(word: str) -> str:
    """Return "an" before a vowel, "a" otherwise: a part, an operator."""
    return "an" if word[0] in "AEIOUaeiou" else "a"


def needs(value: object, kind: type[Kind], what: str = "") -> Kind:
    """Return ``value`` where it is of the kind that the function called works on.

    Parameters
    ----------
    value : object
    kind : type
    what : str
        The name of the argument, where it is not the first one.

    Raises
    ------
    StudyError
        It is something else; the message says where the right thing comes from.
    """
    if not isinstance(value, kind):
        name = _IN_WORDS.get(kind.__name__, kind.__name__)
        raise StudyError(
            f"{what} is no {name}" if what else f"This needs {article(name)} {name}",
            _COMES_FROM.get(kind.__name__, f"Give a grr.{name}"),
            value=type(value).__name__,
        )
    return value


def a_path(value: object) -> Path:
    """Return the name of a file or folder as a path.

    Raises
    ------
    StudyError
        It is neither text nor a path, or too long for a name.
    """
    text = fspath(value) if isinstance(value, (str, PathLike)) else None
    if not isinstance(text, str):
        raise StudyError(
            "This is no name of a file or folder",
            "Write the name in quotation marks, or give a pathlib.Path",
            value=type(value).__name__,
        )
    if "\0" in text:
        raise StudyError(
            "The name of a file or folder holds a character that no name can hold",
            "Type the name again",
            value=text,
        )
    path = Path(text)
    try:
        if not path.exists() and _too_long(path):  # Windows says no more than "not found"
            raise OSError(ENAMETOOLONG, strerror(ENAMETOOLONG))
    except OSError as error:
        raise StudyError(
            f"The file or folder cannot be read: {error.strerror}", "Check its name", file=text
        ) from None
    return path


def _too_long(path: Path) -> bool:
    """Whether Linux takes no such name (over 255 bytes), or macOS no such path (over 1,023)."""
    sizes = [len(name.encode("utf-8", "surrogatepass")) for name in (str(path), *path.parts)]
    return sizes[0] > 1023 or max(sizes[1:], default=0) > 255


def spelling(name: str) -> str:
    """Return what is left of a name where capitals and spaces do not count.

    Nor does it count whether a letter is Latin or the Cyrillic or Greek one that looks the same,
    nor what cannot be seen, such as a space of no width.
    """
    plain = unicodedata.normalize("NFKC", name).casefold().translate(_LOOKS_LATIN)
    if not plain.isascii():
        plain = "".join(letter for letter in plain if unicodedata.category(letter) != "Cf")
    return " ".join(plain.split())


def distinct_names(what: str, names: Iterable[str]) -> tuple[str, ...]:
    """Return names that differ in more than capitals and spaces.

    Raises
    ------
    StudyError
        A name is empty, given twice, or one seems to be written in two ways.
    """
    found: dict[str, str] = {}
    for name in names:
        text = " ".join(str(name).split())
        short_text(f"The name of {article(what)} {what}", text)
        if text == "":
            raise StudyError(
                f"The name of {article(what)} {what} is empty", "Give every one a name"
            )
        first = found.get(spelling(text))
        if first == text:
            raise StudyError(
                f"{article(what).capitalize()} {what} is named twice",
                "Give each its own name",
                value=text,
            )
        if first is not None:
            raise StudyError(
                f"One {what} seems to be written in two ways: “{first}” and “{text}”",
                f"Write the {what} once; where they are two, give them names that differ in "
                "more than capitals, spaces and letters that look alike",
                value=text,
            )
        found[spelling(text)] = text
    return tuple(found.values())


def one_of(name: str, value: object, allowed: tuple[Word, ...]) -> Word:
    """Return ``value`` where it is one of the words allowed.

    Raises
    ------
    StudyError
        It is not.
    """
    for word in allowed:
        if isinstance(value, str) and value == word:
            return word
    raise StudyError(
        f"{name} is not a word known here", f"Use one of: {', '.join(allowed)}", value=value
    )


def people_who_measure(operators: str | int, studied: int, name: str = "operators") -> float:
    """Return how many people will ever measure: those studied, a number given, or no end of them.

    Parameters
    ----------
    operators : {"random", "fixed"} or int
        A sample of those who will measure, all who ever will, or how many will ever measure.
    studied : int
        How many of them were studied.
    name : str
        Of the argument, for the message.

    Raises
    ------
    StudyError
        Fewer people than were studied, or another word.
    """
    if isinstance(operators, (int, np.integer)) and not isinstance(operators, bool):
        if operators < studied:
            who, do, all_of = ("operators", "measure", "who will ever measure")
            if name.startswith("gauges"):
                who, do, all_of = ("gauges", "be used", "that are used")
            raise StudyError(
                f"{studied} {who} were studied, and fewer are said to {do} at all",
                f"Give {name} the number of all {all_of}, those studied included",
                value=operators,
            )
        return float(operators)
    word = one_of(name, operators, ("random", "fixed"))
    return float(studied) if word == "fixed" else math.inf


def number(name: str, value: object, *, above: float = -math.inf, below: float = math.inf) -> float:
    """Return ``value`` as a finite number between two bounds, both excluded.

    Raises
    ------
    StudyError
        It is no number, not finite, or outside the bounds.
    """
    try:
        result = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        result = math.nan
    if isinstance(value, bool) or not math.isfinite(result):
        raise StudyError(f"{name} is not a finite number", "Give a number", value=value)
    if math.isinf(below):  # a share may be as small as it likes
        refuse_extreme(name, result)
    if result <= above:
        raise StudyError(f"{name} must be more than {above:g}", "Correct the value", value=value)
    if result >= below:
        raise StudyError(f"{name} must be less than {below:g}", "Correct the value", value=value)
    return result


def at_least_zero(name: str, value: object) -> float:
    """Return ``value`` as a finite number that is 0 or more.

    Raises
    ------
    StudyError
        It is not.
    """
    result = number(name, value)
    if result < 0.0:
        raise StudyError(f"{name} is below 0", "Give 0 or more", value=value)
    return result


def refuse_extreme(name: str, value: float) -> None:
    """Refuse a number whose square, or the square of that, a float cannot hold.

    Raises
    ------
    StudyError
        Its size is over 1e30, or under 1e-30 without being 0.
    """
    if abs(value) > LARGEST or 0.0 < abs(value) < SMALLEST:
        raise StudyError(
            f"{name} is too {'large' if abs(value) > LARGEST else 'small'} to calculate with",
            "Check the number and its unit",
            value=value,
        )


def short_text(name: str, value: object) -> str:
    """Return a title, or a name, that can be printed and written to a file.

    Raises
    ------
    StudyError
        It is no text, longer than 10,000 letters, or holds half a character.
    """
    text = needs(value, str, name)
    if len(text) > LONGEST_TEXT:
        raise StudyError(
            f"{name} is longer than {LONGEST_TEXT:,} letters", "Shorten it", value=text
        )
    if any("\ud800" <= character <= "\udfff" for character in text):
        raise StudyError(
            f"{name} holds half a character, which no file can hold",
            "Type it again",
            value=ascii(text),
        )
    return text


def finer_than(readings: ArrayLike, resolution: ArrayLike) -> NDArray[np.bool_]:
    """Return where a reading is no multiple of the gauge's last digit."""
    steps = np.asarray(readings, dtype=np.float64) / np.asarray(resolution, dtype=np.float64)
    return np.asarray(np.abs(steps - np.round(steps)) > 1e-4 + 1e-9 * np.abs(steps))
