"""`grr.analyse_many`: one row a study."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from grr.errors import StudyError
from grr.many.columns import ALWAYS, FIRST, stack_columns
from grr.many.limits import interval_rows
from grr.many.one import study_row
from grr.many.stacking import Stacked, stacked
from grr.many.tolerances import yardsticks
from grr.rules import Rules
from grr.values import number, one_of


def analyse_table(
    readings: pd.DataFrame,
    *,
    by: str = "study",
    tolerances: object = None,
    intervals: bool = False,
    level: float = 0.95,
    purpose: str = "accept",
    operators: str = "random",
    rules: Rules | None = None,
    progress: bool = False,
) -> pd.DataFrame:
    """Return one row a study from a long table of the readings of all studies.

    See `grr.analyse_many` for the columns.
    """
    rules = Rules() if rules is None else rules
    one_of("purpose", purpose, ("accept", "control"))
    one_of("operators", operators, ("random", "fixed"))
    number("level", level, above=0.0, below=1.0)
    table = _checked(readings, by)
    studies = stacked(table, by)
    yards = yardsticks(tolerances, studies.names, by)
    options = {"purpose": purpose, "operators": operators}
    blocks = []
    with _bar(len(studies.names), progress) as bar:
        for stack in studies.stacks:
            usable = yards.usable[stack.studies]
            kept = stack if usable.all() else stack.where(usable)
            columns, anova = stack_columns(kept, yards, rules, operators=operators)
            block = pd.DataFrame({"number": kept.studies, **columns})
            if intervals:
                rows = interval_rows(
                    anova,
                    columns,
                    kept.studies,
                    yards,
                    rules,
                    level=level,
                    done=bar.update,
                    **options,
                )
                block = pd.concat([block, pd.DataFrame(rows)], axis=1)
            else:
                bar.update(len(kept.studies))
            blocks.append(block)
        done = np.concatenate([[], *(block["number"] for block in blocks)]).astype(int)
        alone = np.setdiff1d(np.arange(len(studies.names)), done)
        alone_rows: list[dict[str, Any]] = []
        for place, one in _tables(table.drop(columns=by), studies, alone):
            row = study_row(one, place, yards, rules, intervals=intervals, level=level, **options)
            alone_rows.append({"number": place, **row})
            bar.update(1)
        if alone_rows:
            blocks.append(pd.DataFrame(alone_rows))
    return _in_order(blocks, studies, by, purpose, rules)


def _bar(studies: int, shown: bool) -> Any:
    from tqdm import tqdm

    return tqdm(total=studies, unit=" studies", disable=not shown)


def _checked(readings: object, by: str) -> pd.DataFrame:
    if not isinstance(readings, pd.DataFrame):
        raise StudyError(
            "The readings are not a table",
            "Give a pandas DataFrame, or the path of a file or of a folder of study folders",
            value=type(readings).__name__,
        )
    missing = [name for name in (by, "part", "reading") if name not in readings]
    if missing:
        raise StudyError(
            f"The readings have no column {' and no column '.join(missing)}",
            f"Name the columns {by}, part, operator, trial and reading",
            value=", ".join(map(str, readings.columns)),
        )
    if len(readings) == 0:
        raise StudyError("There are no readings", "Name a file with readings")
    return readings


def _tables(
    table: pd.DataFrame, studies: Stacked, alone: np.ndarray
) -> list[tuple[int, pd.DataFrame]]:
    """Return the readings of the studies that are taken one by one."""
    if len(alone) == 0:
        return []
    wanted = np.isin(studies.codes, alone)
    groups = table[wanted].groupby(studies.codes[wanted], sort=True)
    return [(int(str(place)), group) for place, group in groups]


def _in_order(
    blocks: list[pd.DataFrame], studies: Stacked, by: str, purpose: str, rules: Rules
) -> pd.DataFrame:
    """Return the rows in the order in which the studies first appear."""
    table = pd.concat(blocks, ignore_index=True).sort_values("number", ignore_index=True)
    table.insert(0, by, studies.names[table.pop("number").to_numpy()])
    for name in ("flags", "error"):
        table[name] = table[name].fillna("") if name in table else ""
    first = [by, *FIRST, *ALWAYS]
    table = table.reindex(columns=[*first, *(name for name in table if name not in first)])
    ratio = table["GRR_percent_tolerance" if purpose == "accept" else "GRR_percent_tv"]
    by_manual = np.select(
        [ratio < rules.good_percent, ratio <= rules.limit_percent, ratio > rules.limit_percent],
        ["good", "between", "over"],
        default="",
    )
    last = [name for name in ("decision", "flags", "error") if name in table]
    table["by_manual"] = by_manual
    return table[
        [name for name in table if name not in (*last, "by_manual")] + ["by_manual", *last]
    ]
