"""Tables of frozen objects: set once, handed out as copies."""

from __future__ import annotations

from typing import Any

import pandas as pd


class Frame:
    """A table of a frozen dataclass: every reader gets a copy of its own.

    Parameters
    ----------
    optional : bool
        Whether there may be no table; None is then the default.
    """

    def __init__(self, *, optional: bool = False) -> None:
        self._optional = optional

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    def __get__(self, instance: Any, owner: type) -> pd.DataFrame | None:
        if instance is None:
            if self._optional:
                return None
            raise AttributeError(self._name)
        table: pd.DataFrame | None = instance.__dict__[self._name]
        return None if table is None else table.copy()

    def __set__(self, instance: Any, table: pd.DataFrame | None) -> None:
        instance.__dict__[self._name] = table


def frame(*, optional: bool = False) -> Any:
    """Return a `Frame`, for use in place of a default in a dataclass."""
    return Frame(optional=optional)
