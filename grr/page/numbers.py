"""The numbers of one measuring system: tables, risks, how it was computed, all readings."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from grr.formulas.pivots import DRAWS, SEED
from grr.formulas.second_look import confidence_of
from grr.model.blocks import Block, Bullets, Facts, Fold, Formulas, Heading, Prose, Table
from grr.model.glossary import explain
from grr.model.names import short_names, shortened
from grr.model.rounding import listed, reading_decimals, size
from grr.model.study import Cube, Study
from grr.page.filled_in import filled_in
from grr.page.page_blocks import PageBlock, ReadingsTable, Verbatim, or_reason
from grr.questions.gauge import GaugeResult, anova, average_range
from grr.questions.improving import what_would_help
from grr.questions.risk import guard_band, misclassification
from grr.questions.second_opinion import second_opinion
from grr.questions.worked_sheet import worked_sheet

_EXPLAINED = (
    "EV",
    "AV",
    "INT",
    "GRR",
    "PV",
    "TV",
    "percent of tolerance",
    "percent of total variation",
    "ndc",
    "operators fixed or random",
    "guard band",
    "consumer's risk",
    "range constants (d2, K1, K2, K3, D4)",
)
_SQUARES = ("sum_sq", "mean_sq", "F", "p")
_METHODS = {"anova": "analysis of variance", "average_range": "average and range"}
#: Width of a letter, of the space around a cell, and of the whole table, in px.
LETTER, SPACE, WIDTH = 8.0, 13.0, 740.0
LONGEST_PART, LONGEST_OPERATOR = 18, 24


def numbers_blocks(result: GaugeResult) -> list[PageBlock]:
    """Return the result of record, and its intervals."""
    level = confidence_of(result.study)
    return [
        *_result(result, "the method of record"),
        Heading("Intervals", 3),
        *or_reason(lambda: result.intervals(level=level).blocks(), "No intervals: "),
    ]


def sheets_blocks(result: GaugeResult) -> list[PageBlock]:
    """Return the table of sums of squares, and the result by the other method of calculation."""
    if result.method == "average_range":
        by_variance = or_reason(lambda: _squares(anova(result.study)))
        return [*by_variance, *or_reason(lambda: _result(anova(result.study), "to compare"))]
    return [
        *_squares(result),
        *or_reason(
            lambda: _result(average_range(result.study), "to compare"),
            "By average and range: not possible: ",
        ),
    ]


def _result(result: GaugeResult, standing: str) -> list[PageBlock]:
    return [
        Heading(f"{result.estimator_name}, {standing}", 3),
        Prose([] if result.method == "average_range" else [f"{result.estimator}."]),
        *after_opening(result.blocks()),
    ]


def _squares(result: GaugeResult) -> list[PageBlock]:
    """Return the table of sums of squares in the unit of the formulas, six figures each."""
    table = result.anova_table
    if table is None:
        return [Prose([result.anova_table_reason])]
    rows = [
        [
            str(source),
            f"{row['df']:g}",
            *(_six(float(row[key])) for key in _SQUARES),
            str(row["tested_against"]) if row.get("tested_against") else "",
        ]
        for source, row in table.iterrows()
    ]
    unit = f" ({result.study.unit}²)" if result.study.unit else ""
    head = ["Source", "df", f"sum of squares{unit}", f"mean square{unit}", "F", "p", "against"]
    return [Heading("Table of sums of squares", 3), Table(head, rows)]


def _six(value: float) -> str:
    """Return a number with six figures, as the formulas beside it have."""
    if math.isnan(value):
        return ""
    return f"{value:.6g}" if math.isfinite(value) else "unbounded"


def after_opening(blocks: Sequence[Block]) -> Sequence[Block]:
    """Return what a result says, without the lines on the study that stand in every result."""
    return blocks[1:] if isinstance(blocks[0], Prose) else blocks


def risks_blocks(result: GaugeResult) -> list[PageBlock]:
    """Return risks, acceptance limits and improvements of one measuring system."""

    def limits() -> list[PageBlock]:
        band = guard_band(result)
        return [Prose([band.aim]), *after_opening(band.blocks())]

    return [
        Heading("How many parts are judged wrongly?", 3),
        *or_reason(
            lambda: after_opening(misclassification(result).blocks()), "The risks cannot be told: "
        ),
        Heading("Within which readings may parts be accepted?", 3),
        *or_reason(limits, "There are no acceptance limits: "),
        Heading("What would make GRR smaller?", 3),
        *or_reason(
            lambda: after_opening(what_would_help(result).blocks()), "Nothing can be predicted: "
        ),
    ]


# How it was computed
# -------------------


def how_blocks(
    result: GaugeResult, *, sources: bool = True, numbers: bool = True
) -> list[PageBlock]:
    """Return the method, the options, and, where asked for, formulas' sources and numbers."""
    rules = result.study.rules
    options = [
        ("Method of record", _METHODS[rules.method_of_record]),
        ("Estimator", result.estimator),
        ("Spread", f"{result.spread:g} standard deviations"),
        ("Interaction", f"{rules.interaction}; pooled where its p is above {rules.pool_above:g}"),
        ("Thresholds", f"good under {rules.good_percent:g} %, limit {rules.limit_percent:g} %"),
        ("Fewest categories", str(rules.least_ndc)),
        ("Acceptance limits", f"may refuse {rules.most_refused_percent:g} % of the good parts"),
        ("Confidence", f"{100 * rules.confidence:g} %, one-sided for decisions"),
        ("Intervals", f"generalized confidence intervals, {DRAWS} draws, seed {SEED}"),
    ]
    return [
        Facts(options),
        *([Fold("The formulas and their sources", [_formulas()])] if sources else []),
        *(_filled(result) if numbers else []),
    ]


def _filled(result: GaugeResult) -> list[PageBlock]:
    """Return the formulas with this study's numbers in them, and the same by other ways."""
    lines = list(dict.fromkeys(line for group in filled_in(result).values() for line in group))
    return [
        Fold("This study's numbers filled in", [Formulas(lines)]),
        *or_reason(
            lambda: [Fold("The average-and-range form, line by line", _form(result))],
            "No average-and-range form: ",
        ),
        *or_reason(
            lambda: [
                Fold(
                    "A second opinion: another program's sums of squares",
                    second_opinion(anova(result.study)).blocks(),
                )
            ],
            "No second opinion: ",
        ),
    ]


def _formulas() -> Table:
    entries = [explain(term).to_frame().iloc[0] for term in _EXPLAINED]
    rows = [[str(e["term"]), str(e["formula"]), str(e["source"])] for e in entries]
    return Table(["Quantity", "Formula", "Source"], rows, left=3)


def _form(result: GaugeResult) -> list[Block]:
    """Return the form as two tables: each stays on one page, and together they need not."""
    sheet = worked_sheet(result.study, spread=result.spread)
    first = next(i for i, line in enumerate(sheet.lines) if line.symbol == "K1")
    parts = (
        ("Ranges and averages", sheet.lines[:first]),
        ("What follows from them", sheet.lines[first:]),
    )
    head = ["Line", "Formula, numbers, result"]
    forms = [
        Table(head, [[line.quantity, line.worked] for line in lines], caption=caption, left=2)
        for caption, lines in parts
    ]
    return [*forms, Bullets(sheet.result.notes)]


# All readings
# ------------


def readings_blocks(study: Study) -> list[PageBlock]:
    """Return the readings of one method as tables that fit the width of a page."""
    cube = study.cube()
    names = short_names(cube.operators, LONGEST_OPERATOR)
    parts = short_names(cube.parts, LONGEST_PART)
    left = WIDTH - _px(max(map(len, parts)))
    across = max(1, int(left // (_px(_letters(study)) * len(cube.trials))))
    unit = f"in {study.unit}" if study.unit else "without a unit"
    told = f"Readings {unit}; under each operator the trials. A dash is a reading that is missing."
    everybody = list(range(len(names)))
    return [
        Prose([told]),
        *(
            _table(study, cube, parts, names, everybody[start : start + across])
            for start in range(0, len(names), across)
        ),
        *_full_names(study, parts, names),
        *_notes(study),
        *_as_taken(study),
    ]


def _as_taken(study: Study) -> list[PageBlock]:
    """Return the readings in the order in which they were taken: who, which part, when."""
    table = study.readings.dropna(subset="reading")
    known = [name for name in ("order", "time") if name in table and table[name].notna().any()]
    if not known:
        return []
    names = dict(zip(study.operator_names, short_names(study.operator_names, 12), strict=True))
    parts = dict(zip(study.parts, short_names(study.parts, 12), strict=True))
    sessions = [str(one) for one in pd.unique(table["session"])] if "session" in table else []
    days = table["time"].dt.date.nunique() if "time" in known else 0
    lines = []
    for number, row in enumerate(table.sort_values(known, kind="stable").to_dict("records"), 1):
        time = row.get("time")
        said = (
            f"{row['order']:g}" if "order" in known else str(number),
            ""
            if time is None or pd.isna(time)
            else f"{time:%m-%d %H:%M}"
            if days > 1
            else f"{time:%H:%M}",
            f"s{sessions.index(str(row['session'])) + 1}" if len(sessions) > 1 else "",
            names[row["operator"]],
            f"{parts[row['part']]}/{row['trial']}",
            _shown(float(row["reading"]), study),
        )
        lines.append(" ".join(word for word in said if word))
    told = (
        "Order; day, time (UTC) and session (s1 the first) where known; who, part/trial, reading. "
        "Corrections stand under the record."
    )
    return [Heading("In the order taken", 3), Prose([told]), Verbatim("\n".join(lines), "taken")]


def _px(letters: int) -> float:
    return letters * LETTER + SPACE


def _letters(study: Study) -> int:
    """Return how many letters the longest reading has."""
    values = study.readings["reading"].dropna()
    return max(len(size(float(v), study.resolution)) for v in (values.min(), values.max()))


def _table(
    study: Study, cube: Cube, parts: list[str], names: list[str], chosen: list[int]
) -> ReadingsTable:
    operators = [names[j] for j in chosen]
    rows = []
    for part, values in zip(parts, cube.values[:, chosen], strict=True):
        if study.design == "nested" and not np.isfinite(values).any():
            continue
        rows.append((part, [[_shown(float(value), study) for value in row] for row in values]))
    return ReadingsTable(f"Readings by {listed(operators, 10)}", operators, cube.trials, rows)


def _shown(value: float, study: Study) -> str:
    if math.isnan(value):
        return "—"
    if study.resolution is None and reading_decimals(None) < _decimals(value):
        return f"{value:.9g}"
    return size(value, study.resolution)


def _decimals(value: float) -> int:
    """Return the decimals of a reading as it was written, nine figures at most."""
    _, _, after = f"{value:.9g}".partition(".")
    return len(after)


def _full_names(study: Study, parts: list[str], names: list[str]) -> list[PageBlock]:
    """Return the names that were too long for the table, whole."""
    both = [("Part", parts, study.parts), ("Operator", names, study.operator_names)]
    rows = [
        [kind, short, whole]
        for kind, shown, full in both
        for short, whole in zip(shown, full, strict=True)
        if short != whole
    ]
    head = ["What", "In the table", "In full"]
    return [Heading("Names in full", 3), Table(head, rows, left=3)] if rows else []


def _notes(study: Study) -> list[PageBlock]:
    table = study.readings
    if "note" not in table:
        return []
    noted = table[table["note"].fillna("").astype(str) != ""]
    if noted.empty:
        return []
    rows = [
        [*(shortened(str(n), 40) for n in (row.part, row.operator)), str(row.trial), str(row.note)]
        for row in noted.itertuples()
    ]
    head = ["Part", "Operator", "Trial", "Note"]
    return [Heading("Notes", 3), Table(head, rows, left=4)]
