"""The tables of numbers: both methods, the analysis of variance, every reading."""

from __future__ import annotations

import math
from html import escape

import numpy as np
import pandas as pd

from grr.analysis.printing import closing, source_rows
from grr.analysis.ranges import average_range
from grr.analysis.result import GaugeResult
from grr.errors import StudyError
from grr.show.report.page import section
from grr.study import Study
from grr.wording import tables
from grr.wording.rounding import figures, size

#: Widest table of readings that fits a page, in columns of readings.
_MOST_COLUMNS = 12


def numbers_section(result: GaugeResult) -> str:
    """Return the tables of both methods, and the analysis of variance."""
    parts = [tables.html_prose(f"{result.estimator}."), tables.html_table(*source_rows(result))]
    parts.append(tables.html_list(closing(result)))
    if result.anova_table is not None:
        parts += ["<h3>Analysis of variance</h3>", anova_html(result.anova_table)]
    else:
        parts.append(tables.html_prose(result.anova_table_reason))
    parts.append("<h3>By average and range</h3>")
    try:
        other = average_range(result.study)
        parts += [tables.html_table(*source_rows(other)), tables.html_list(closing(other))]
    except StudyError as error:
        parts.append(tables.html_prose(f"Not possible. {error}"))
    return section("The numbers", *parts, new_page=True)


def anova_html(table: pd.DataFrame) -> str:
    """Return the table of sums of squares, rounded for reading."""
    rows = [
        [
            str(name),
            str(int(row["df"])),
            figures(float(row["sum_sq"]), 4),
            *("" if math.isnan(row[c]) else figures(float(row[c]), 4) for c in ("mean_sq", "F")),
            "" if math.isnan(row["p"]) else f"{row['p']:.2g}",
            str(row["tested_against"]),
        ]
        for name, row in table.iterrows()
    ]
    head = ["Source", "df", "sum of squares", "mean square", "F", "p", "tested against"]
    return tables.html_table(head, rows)


def readings_section(study: Study) -> str:
    """Return every reading: parts down, operators and trials across where that fits."""
    blocks = []
    for method in study.methods or ("",):
        one = study.for_method(method) if len(study.methods) > 1 else study
        if len(study.methods) > 1:
            blocks.append(f"<h3>{escape(method)}</h3>")
        blocks.append(_readings_table(one))
    notes = _notes(study)
    if notes:
        blocks.append(f"<h3>Notes</h3>{tables.html_list(notes)}")
    return section("All readings", '<div class="small">', *blocks, "</div>", new_page=True)


def _readings_table(study: Study) -> str:
    cube = study.cube()
    blocks = []
    step = max(1, _MOST_COLUMNS // len(cube.trials))
    for start in range(0, len(cube.operators), step):
        chosen = range(start, min(start + step, len(cube.operators)))
        head = [
            "Part",
            *(f"{cube.operators[j]} {trial}" for j in chosen for trial in cube.trials),
        ]
        rows = [
            [
                part,
                *(
                    "—" if math.isnan(value) else size(float(value), study.resolution)
                    for j in chosen
                    for value in cube.values[i, j]
                ),
            ]
            for i, part in enumerate(cube.parts)
            if study.design == "crossed" or np.isfinite(cube.values[i][list(chosen)]).any()
        ]
        blocks.append(tables.html_table(head, rows))
    unit = f"in {study.unit}, " if study.unit else ""
    return tables.html_prose(f"Readings {unit}operator and trial across; — is missing.") + "".join(
        blocks
    )


def _notes(study: Study) -> list[str]:
    table = study.readings
    if "note" not in table:
        return []
    noted = table[table["note"] != ""]
    return [
        f"Part {row.part}, operator {row.operator}, trial {row.trial}: {row.note}"
        for row in noted.itertuples()
    ]
