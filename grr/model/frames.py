"""Tables and mappings of frozen objects: set once, handed out as copies or read only."""

from __future__ import annotations

import copyreg
from types import MappingProxyType
from typing import Any

import pandas as pd


def read_only(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    """Return a mapping that cannot be changed."""
    return MappingProxyType(mapping)


# Python copies its own read-only mapping, and sends it to other processes, when told how.
copyreg.pickle(MappingProxyType, lambda mapping: (read_only, (dict(mapping),)))


#: From pandas 3 on the values of a copy are copied once either table is written to.
_COPY_VALUES = int(pd.__version__.split(".")[0]) < 3


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
        return None if table is None else table.copy(deep=_COPY_VALUES)

    def __set__(self, instance: Any, table: pd.DataFrame | None) -> None:
        instance.__dict__[self._name] = table


def frame(*, optional: bool = False) -> Any:
    """Return a `Frame`, for use in place of a default in a dataclass."""
    return Frame(optional=optional)
