"""The analysis-of-variance table, each denominator named."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from grr.numerics.crossed import CrossedAnova
from grr.numerics.interaction import f_test


def anova_frame(table: CrossedAnova, pooled: bool) -> pd.DataFrame:
    """Return the table of sums of squares with F tests.

    Parts and operators are tested against the interaction where it is kept, against
    the pooled error where it is not; the interaction against the error.

    Notes
    -----
    Source: AIAG MSA, 4th ed., appendix A; Montgomery, Design and Analysis of
    Experiments, section 13.2 (random effects).
    """
    pooled_df = table.df_interaction + table.df_error
    pooled_ss = table.ss_interaction + table.ss_error
    pooled_ms = pooled_ss / pooled_df if pooled_df else np.nan
    against_pooled = pooled or table.trials < 2 or table.operators < 2
    denominator, df, name = (
        (pooled_ms, pooled_df, "pooled error")
        if against_pooled
        else (table.ms_interaction, table.df_interaction, "interaction")
    )
    if table.operators < 2 or table.trials < 2:
        name = "error"
    rows: dict[str, tuple[object, ...]] = {}

    def add(label: str, sum_sq: object, dof: int, against: tuple[object, int, str] | None) -> None:
        mean_sq = float(np.asarray(sum_sq)) / dof if dof else math.nan
        f = p = math.nan
        if against is not None and against[1] and dof:
            f, p = (
                float(v)
                for v in f_test(np.asarray(mean_sq), dof, np.asarray(against[0]), against[1])
            )
        rows[label] = (dof, float(np.asarray(sum_sq)), mean_sq, f, p, against[2] if against else "")

    add("part", table.ss_part, table.df_part, (denominator, df, name))
    if table.operators > 1:
        add("operator", table.ss_operator, table.df_operator, (denominator, df, name))
    if table.operators > 1 and table.trials > 1:
        add(
            "interaction",
            table.ss_interaction,
            table.df_interaction,
            (table.ms_error, table.df_error, "error"),
        )
        add("error", table.ss_error, table.df_error, None)
        if pooled:
            add("pooled error", pooled_ss, pooled_df, None)
    else:
        add("error", pooled_ss, pooled_df, None)
    total = table.ss_part + table.ss_operator + pooled_ss
    add("total", total, table.df_part + table.df_operator + pooled_df, None)
    frame = pd.DataFrame.from_dict(
        rows, orient="index", columns=["df", "sum_sq", "mean_sq", "F", "p", "tested_against"]
    )
    frame.loc["total", "mean_sq"] = math.nan
    frame.index.name = "source"
    return frame
