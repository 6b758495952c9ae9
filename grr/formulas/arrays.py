"""The array types that the formulas take and give."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass
from functools import lru_cache
from typing import Any, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]
Result = TypeVar("Result")


def each_array(change: Callable[..., Any], first: Result, *others: Result) -> Result:
    """Return a result, or several as one, with every array in it changed; see `joined`.

    Results are dataclasses of one kind. Whole numbers and what is None stay as in the first, and
    a result within a result is changed in the same way.
    """
    changed: dict[str, Any] = {}
    results: tuple[Any, ...] = (first, *others)
    for name in (field.name for field in fields(results[0])):
        values = [getattr(result, name) for result in results]
        if is_dataclass(values[0]):
            changed[name] = each_array(change, *values)
        else:
            same = values[0] is None or isinstance(values[0], int)
            changed[name] = values[0] if same else change(*values)
    return type(first)(**changed)


def joined(results: Sequence[Result]) -> Result:
    """Return stacks of studies as one stack."""
    return each_array(lambda *arrays: np.concatenate(arrays), *results)


def measured(readings: Array) -> Array:
    """Return the readings without parts and operators that have none at all."""
    there = np.asarray(np.isfinite(readings).any(axis=-1))
    return readings[there.any(axis=1)][:, there.any(axis=0)]


def quotient(part: Array | float, whole: Array | float, otherwise: Array | float = np.nan) -> Array:
    """Return part/whole, and ``otherwise`` where the whole is not above 0."""
    whole = np.asarray(whole, dtype=np.float64)
    usable = whole > 0.0
    return np.where(usable, part / np.where(usable, whole, 1.0), otherwise)


#: Multiplications up to which OpenBLAS keeps a product of matrices in one thread.
_ONE_THREAD = 200_000


def product(left: Array, right: Array) -> Array:
    """Return left @ right of two matrices, in blocks of rows too small to wake other threads.

    A thread that is woken for a moment's work spins for 25 ms afterwards.
    """
    rows = max(1, _ONE_THREAD // max(1, right.size))
    if rows >= len(left):
        return np.asarray(left @ right)
    found = np.empty((len(left), right.shape[1]))
    for start in range(0, len(left), rows):
        np.matmul(left[start : start + rows], right, out=found[start : start + rows])
    return found


@lru_cache(maxsize=8)
def legendre(number: int) -> tuple[Array, Array]:
    """Return nodes and weights of Gauss-Legendre quadrature from −1 to 1; read-only.

    Working them out takes longer than most integrals: 10 ms for 160 nodes.
    """
    node, weight = np.polynomial.legendre.leggauss(number)
    node.setflags(write=False)
    weight.setflags(write=False)
    return node, weight
