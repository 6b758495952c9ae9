"""From a long table of the readings of many studies to one row a study."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from grr.formulas.arrays import Mask
from grr.many.columns import ALWAYS, FIRST, stack_result
from grr.many.labels import Codes
from grr.many.limits import interval_rows
from grr.many.one import study_row
from grr.many.options import Options
from grr.many.stacking import Stack, Stacked, stacked
from grr.many.tolerances import Specifications, specifications
from grr.model.errors import StudyError
from grr.model.readings_table import COLUMNS, named_columns
from grr.model.values import finer_than

#: What follows the quantities of a row.
LAST = ("dominant", "by_manual", "decision", "checked", "flags", "error")
#: Those that only a table with decisions has.
_OF_DECISIONS = ("decision", "checked")
#: Whole numbers, also where a study has none.
_COUNTS = ("parts", "operators", "trials", "readings", "ndc")


def analyse_table(
    readings: pd.DataFrame,
    by: str,
    tolerances: object,
    options: Options,
    *,
    progress: bool = False,
) -> pd.DataFrame:
    """Return one row a study from a long table of the readings of all studies.

    See `grr.analyse_many`.
    """
    table = checked(readings, by)
    studies = stacked(table, by)
    specs = specifications(tolerances, studies.names, by)
    blocks = []
    with progress_bar(len(studies.names), shown=progress) as bar:
        for stack in studies.stacks:
            plain = _plain(stack, specs, options)
            kept = stack if plain.all() else stack.where(plain)
            blocks.append(_stack_block(kept, specs, options, bar))
        done = np.concatenate([[], *(block["number"] for block in blocks)]).astype(np.intp)
        alone = np.setdiff1d(np.arange(len(studies.names)), done)
        rows = []
        for number, one in _tables(table.drop(columns=by), studies, alone):
            rows.append({"number": number, **study_row(one, number, specs, options)})
            bar.update(1)
        blocks.append(pd.DataFrame(rows))
    blocks.append(_nameless(studies, by))
    found = pd.concat([block for block in blocks if len(block)], ignore_index=True)
    found = found.sort_values("number", ignore_index=True)
    found.insert(0, by, [*studies.names, None][: len(found)])
    return ordered(found.drop(columns="number"), by)


def progress_bar(studies: int, *, shown: bool) -> Any:
    """Return a bar that counts studies."""
    from tqdm import tqdm

    return tqdm(total=studies, unit=" studies", disable=not shown)


def checked(readings: object, by: str) -> pd.DataFrame:
    """Return the table with its columns named as a study names them, or say what is missing."""
    if not isinstance(readings, pd.DataFrame):
        raise StudyError(
            "The readings are not a table",
            "Give a pandas DataFrame, or the path of a file or of a folder of study folders",
            value=type(readings).__name__,
        )
    if list(readings.columns).count(by) > 1:
        raise StudyError(f"Two columns are named {by}", "Rename or remove one")
    names = named_columns(column for column in readings.columns if column != by)
    missing = [name for name in ("part", "reading") if name not in names]
    if by not in readings:
        missing.insert(0, by)
    if missing:
        raise StudyError(
            f"The readings have no column {' and no column '.join(missing)}",
            f"Name the columns {by}, part, operator, trial and reading",
            value=", ".join(map(str, readings.columns)),
        )
    if len(readings) == 0:
        raise StudyError("There are no readings", "Name a file with readings")
    wanted = [name for name in COLUMNS if name in names]
    table = readings[[by, *(names[name] for name in wanted)]]
    return table.set_axis([by, *wanted], axis=1)


def ordered(table: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return the rows with every column in its place; counts whole, texts never NaN."""
    first = [by, *FIRST, *ALWAYS]
    limits = [name for name in table if name not in (*first, *LAST)]
    last = [name for name in LAST if name in table or name not in _OF_DECISIONS]
    table = table.reindex(columns=[*first, *limits, *last])
    texts = ["estimator", *(name for name in last if name != "checked")]
    table[texts] = table[texts].astype(object).fillna("")
    table = table.astype(dict.fromkeys(_COUNTS, "Int64"))
    if "checked" in table:
        table["checked"] = table["checked"].eq(True)
    return table


def _plain(stack: Stack, specs: Specifications, options: Options) -> Mask:
    """Return which studies of a stack need no look of their own."""
    if options.checks:
        return np.zeros(len(stack.studies), dtype=np.bool_)
    plain = specs.usable[stack.studies]
    step = specs.resolution[stack.studies]
    if np.isfinite(step).any():
        finer = finer_than(stack.readings, step[:, None, None, None])
        plain = plain & ~finer.any(axis=(1, 2, 3))
    return plain


def _stack_block(stack: Stack, specs: Specifications, options: Options, bar: Any) -> pd.DataFrame:
    found = stack_result(stack, specs, options)
    block = pd.DataFrame({"number": stack.studies, **found.columns})
    if not options.intervals:
        bar.update(len(stack.studies))
        return block
    rows = interval_rows(found, stack.studies, specs, options, done=bar.update)
    return pd.concat([block, pd.DataFrame(rows)], axis=1)


def _tables(table: pd.DataFrame, studies: Stacked, alone: Codes) -> list[tuple[int, pd.DataFrame]]:
    """Return the readings of the studies that are taken one by one."""
    if len(alone) == 0:
        return []
    wanted = np.isin(studies.codes, alone)
    groups = table[wanted].groupby(studies.codes[wanted], sort=True)
    return [(int(str(number)), group) for number, group in groups]


def _nameless(studies: Stacked, by: str) -> pd.DataFrame:
    """Return a row with the error where readings name no study."""
    count = int((studies.codes < 0).sum())
    error = StudyError(
        f"{count} readings name no study", "Write the study beside each reading", column=by
    )
    row = {"number": len(studies.names), "readings": count, "error": str(error)}
    return pd.DataFrame([row] if count else [])
