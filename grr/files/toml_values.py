"""Values in a TOML table, each refused by its key where it is not what it should be.

Every function raises `StudyError` with ``column`` naming the key as "table.key".
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from typing import Any

from grr.model.errors import StudyError


def refuse_unknown(table: Mapping[str, Any], known: Iterable[str], name: str) -> None:
    """Refuse a key that is no setting, and name the nearest one."""
    known = list(known)
    for key in table:
        if key in known:
            continue
        near = difflib.get_close_matches(key, known, n=1)
        where = f"the table [{name}]" if name else "the file"
        advice = f"Did you mean {near[0]}" if near else f"Use one of: {', '.join(known)}"
        own = "" if name else "; what is no setting belongs in the table [facts]"
        raise StudyError(
            f"There is no setting of this name in {where}",
            f"{advice}{own}",
            column=f"{name}.{key}" if name else key,
        )


def text_value(table: Mapping[str, Any], name: str, table_name: str = "") -> str:
    """Return a text."""
    if not isinstance(table[name], str):
        raise _wrong(table, name, table_name, "is not text", "Write it in quotation marks")
    return str(table[name])


def number_value(table: Mapping[str, Any], name: str, table_name: str) -> float:
    """Return a number, whole or not."""
    value = table[name]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _wrong(
            *(table, name, table_name, "is not a number"),
            "Write digits with a decimal point, without quotation marks and without a unit",
        )
    try:
        return float(value)
    except OverflowError:
        raise _wrong(table, name, table_name, "is too large", "Correct the number") from None


def whole_value(
    table: Mapping[str, Any], name: str, *, least: int, table_name: str = "plan"
) -> int:
    """Return a whole number from ``least``."""
    value = table[name]
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value < 2**63:
        raise _wrong(
            *(table, name, table_name, f"is not a whole number from {least}"), "Correct the number"
        )
    return value


def truth_value(table: Mapping[str, Any], name: str) -> bool:
    """Return true or false; false where the key is missing."""
    value = table.get(name, False)
    if not isinstance(value, bool):
        raise _wrong(table, name, "", "is neither true nor false", "Write true or false")
    return value


def names_value(table: Mapping[str, Any], name: str) -> tuple[str, ...]:
    """Return a list of different names."""
    value = table[name]
    entries = value if isinstance(value, list) else []
    names = [str(entry).strip() for entry in entries if isinstance(entry, (str, int))]
    if not names or len(names) != len(entries) or "" in names or len(set(names)) != len(names):
        raise _wrong(
            *(table, name, "plan", "is not a list of different names"),
            f'Write it like {name} = ["1", "2", "3"]',
        )
    return tuple(names)


def _wrong(
    table: Mapping[str, Any], name: str, table_name: str, what: str, remedy: str
) -> StudyError:
    key = f"{table_name}.{name}" if table_name else name
    return StudyError(f"{name} {what}", remedy, column=key, value=table[name])
