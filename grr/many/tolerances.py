"""What each study is judged against."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.formulas.arrays import Array
from grr.model.errors import StudyError
from grr.model.readings_table import label_text
from grr.model.tolerance import Tolerance

#: Columns that a table of tolerances may have beside the study's name.
COLUMNS = ("lower", "upper", "resolution", "process_sd", "process_mean")


@dataclass(frozen=True)
class Specifications:
    """Limits and process values of each study, NaN where not given; each of shape (studies,)."""

    lower: Array
    upper: Array
    resolution: Array
    process_sd: Array
    process_mean: Array

    def tolerance(self, study: int) -> Tolerance | None:
        """Return the tolerance of one study; StudyError where its limits cannot be used."""
        low, high = (
            None if np.isnan(v[study]) else float(v[study]) for v in (self.lower, self.upper)
        )
        return None if low is None and high is None else Tolerance(low, high)

    def of(self, study: int) -> dict[str, float]:
        """Return what is given of one study, except the resolution."""
        names = ("lower", "upper", "process_sd", "process_mean")
        values = {name: float(getattr(self, name)[study]) for name in names}
        return {name: value for name, value in values.items() if not np.isnan(value)}

    def options(self, study: int) -> dict[str, Any]:
        """Return what `grr.Study` takes beside the readings."""
        values = {
            name: float(getattr(self, name)[study])
            for name in ("resolution", "process_sd", "process_mean")
            if not np.isnan(getattr(self, name)[study])
        }
        return {"tolerance": self.tolerance(study), **values}

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Where nothing about the specification needs a message of its own."""
        wrong = (self.lower >= self.upper) | (self.resolution <= 0) | (self.process_sd <= 0)
        for values in vars(self).values():
            wrong |= np.isinf(values)
        return ~wrong


def specifications(given: object, names: NDArray[np.object_], by: str) -> Specifications:
    """Return the specifications of the studies named.

    Parameters
    ----------
    given : None, Tolerance, mapping or DataFrame
        One tolerance for all; a mapping from study to Tolerance; or a table with the
        column ``by`` (or the studies as index) and any of `COLUMNS`.
    names : ndarray
    by : str

    Raises
    ------
    StudyError
        Something else, an unknown column, or a study named twice.
    """
    if given is None or isinstance(given, Tolerance):
        limits = (None, None) if given is None else (given.lower, given.upper)
        values = [*(np.nan if limit is None else limit for limit in limits), *[np.nan] * 3]
        return Specifications(*(np.full(len(names), value) for value in values))
    if isinstance(given, pd.DataFrame):
        table = given.set_index(by) if by in given else given
    elif isinstance(given, Mapping):
        table = pd.DataFrame.from_dict(
            {study: _limits(study, tolerance) for study, tolerance in given.items()},
            orient="index",
            columns=["lower", "upper"],
        )
    else:
        raise StudyError(
            "The tolerances are in no form known here",
            "Give a Tolerance for all, a mapping from study to Tolerance, or a table with the "
            f"columns {by}, lower and upper",
            value=type(given).__name__,
        )
    unknown = [column for column in table.columns if column not in COLUMNS]
    if unknown:
        raise StudyError(
            "A table of tolerances has a column that is not known here",
            f"Use {by}, {', '.join(COLUMNS)}",
            column=unknown[0],
        )
    # Studies are matched by what is written: a study 7 is the study "7".
    texts = pd.Index([label_text(name) for name in table.index], dtype=object)
    table = table.set_axis(texts, axis=0)
    if table.index.has_duplicates:
        raise StudyError(
            "A study is named twice among the tolerances",
            "Leave one of the two out",
            value=table.index[table.index.duplicated()][0],
        )
    wanted = pd.Index([label_text(name) for name in names], dtype=object)
    if len(table) and not table.index.isin(wanted).any():
        raise StudyError(
            "The tolerances name none of the studies",
            f"Write the studies as in the readings, {wanted[0]} for example",
            value=table.index[0],
        )
    table = table.reindex(wanted)
    return Specifications(*(_column(table, name) for name in COLUMNS))


def _limits(study: object, tolerance: object) -> tuple[float | None, float | None]:
    if not isinstance(tolerance, Tolerance):
        raise StudyError(
            f"The tolerance of study {study} is not a Tolerance",
            "Write grr.Tolerance(lower=..., upper=...)",
            value=tolerance,
        )
    return tolerance.lower, tolerance.upper


def _column(table: pd.DataFrame, name: str) -> Array:
    if name not in table:
        return np.full(len(table), np.nan)
    numbers = pd.to_numeric(table[name], errors="coerce")
    wrong = numbers.isna() & table[name].notna()
    if wrong.any():
        raise StudyError(
            "A value among the tolerances is not a number",
            "Correct it, or leave it empty",
            column=name,
            value=table[name][wrong].iloc[0],
        )
    return numbers.to_numpy(dtype=np.float64)
