"""The numbers of one measuring system: tables, risks, how it was computed, all readings."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import zip_longest

import numpy as np
import pandas as pd

from grr.formulas.pivots import DRAWS, SEED
from grr.formulas.second_look import confidence_of
from grr.model.blocks import Block, Bullets, Callout, Facts, Heading, Prose, Table
from grr.model.errors import StudyError
from grr.model.glossary import explain
from grr.model.names import short_names, shortened
from grr.model.rounding import listed, reading_decimals, size, square_unit, squares
from grr.model.study import Cube, Study
from grr.model.terms import MANUAL
from grr.page.filled_in import filled_in, in_fine_unit
from grr.page.page_blocks import Columns, PageBlock, ReadingsTable, Verbatim, or_reason
from grr.questions.gauge import GaugeResult, anova, average_range, closing, source_rows
from grr.questions.improving import what_would_help
from grr.questions.risk import guard_band, misclassification
from grr.questions.second_opinion import second_opinion
from grr.questions.worked_sheet import SOURCE, worked_sheet

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
)
#: Entries of `filled_in` that are told under a term, where that is not its own name.
_FILLED = {
    "GRR": ("GRR", "spread"),
    "percent of tolerance": ("percent_tolerance",),
    "percent of total variation": ("percent_tv",),
}
#: A step of a formula that is written with words or symbols, not with numbers alone.
_WORDS = re.compile(r"[A-Z]{2}|[a-z]{3}")
_CHAPTER = re.compile(r"chapter ([IV]+) section ([A-E])")
_METHODS = {"anova": "analysis of variance", "average_range": "average and range"}
_IN_THE_FORMULA = ("standard deviation", "percent of", "rounded down")
#: Begins what the table of risks beside it and the reasons of the decision say already.
_COUNTED = "Of a million parts"
#: Width of a letter, of the space around a cell, and of the whole table, in px.
LETTER, SPACE, WIDTH = 8.0, 13.0, 740.0
LONGEST_PART, LONGEST_OPERATOR = 18, 24
#: Letters of a line of the readings in order that so many columns of a page have room for.
COLUMNS_OF_TAKEN = {"taken six": 22, "taken five": 26, "taken four": 31}
WIDEST = "taken three"
#: So many readings share who took them, by what and when, for that to stand above them once.
FEWEST_UNDER_A_HEAD = 5


def numbers_blocks(result: GaugeResult) -> list[PageBlock]:
    """Return the result of record with its intervals, and beside it that of the other method."""
    level = confidence_of(result.study)
    estimator = [] if result.method == "average_range" else [f"{result.estimator}."]
    opening, *found = or_reason(lambda: result.intervals(level=level).blocks(), "No intervals: ")
    assert isinstance(opening, Prose)
    shown = _with_intervals(result, found)
    other = or_reason(lambda: _beside(result, shown), "By the other method: not possible: ")
    return [
        Heading(f"{result.estimator_name}, the method of record", 3),
        Prose([" ".join([*estimator, *opening.paragraphs])]),
        *(other if isinstance(other[0], Table) else [shown, *other]),
        Bullets(closing(result)),
        *found[1:],
    ]


def _with_intervals(result: GaugeResult, found: Sequence[PageBlock]) -> Table:
    """Return the table of sources, with the limits found, where there are any."""
    head, rows = source_rows(result)
    if not found:
        return Table(head, rows)
    table = found[0]
    assert isinstance(table, Table)
    limits = {str(row[0]).split()[0]: list(row[1:]) for row in table.rows}
    share = f"{head[-1]}, %"
    whole = [
        [
            row[0],
            *limits.get(row[0].split()[0], [""] * len(table.head[1:])),
            row[-1].rstrip("% \u00a0"),
        ]
        for row in rows
    ]
    return Table([*table.head, share], whole)


def _beside(result: GaugeResult, shown: Table) -> list[PageBlock]:
    """Return the table of sources with that of the other method of calculation beside it."""
    by_ranges = result.method == "average_range"
    other = anova(result.study) if by_ranges else average_range(result.study)
    found = {row[0].split()[0]: row[1:4] for row in source_rows(other)[1]}
    name = _METHODS[other.method]
    head = [f"by {name}", "of tolerance", "of total"]
    rows = [[*row, *found.get(str(row[0]).split()[0], [""] * 3)] for row in shown.rows]
    categories, *told = closing(other)
    return [Table([*shown.head, *head], rows), Bullets([f"By {name}: {categories}", *told])]


def squares_blocks(result: GaugeResult, caption: str) -> Sequence[PageBlock]:
    """Return the table of sums of squares, in the unit of the formulas, and another program's."""
    by_variance = anova(result.study) if result.method == "average_range" else result
    table, unit = by_variance.anova_table, by_variance.study.unit
    if table is None:
        return [Prose([by_variance.anova_table_reason])]
    sums, means = (squares(table[key].tolist(), unit, 6) for key in ("sum_sq", "mean_sq"))
    rows = []
    for (source, row), *squared in zip(table.iterrows(), sums, means, strict=True):
        tested = [
            _six(float(row["F"])),
            _six(float(row["p"])),
            str(row.get("tested_against") or ""),
        ]
        rows.append([str(source), f"{row['df']:g}", *squared, *tested])
    of = f", {square_unit(unit)}" if unit else ""
    head = ["Source", "df", f"sum of squares{of}", f"mean square{of}", "F", "p", "against"]
    try:
        opinion = second_opinion(by_variance)
    except StudyError as error:
        return [Table(head, rows, caption), Prose([f"No second opinion: {error}"])]
    theirs = opinion.to_frame()
    again = squares(theirs["other_sum_sq"].tolist(), unit, 6)
    beside = {
        str(name): [str(df), square]
        for name, df, square in zip(theirs.index, theirs["other_df"], again, strict=True)
    }
    rows = [[*row, *beside.get(row[0], ["", ""])] for row in rows]
    head += [f"df by {opinion.program}", f"sum of squares there{of}"]
    return [Table(head, rows, caption), *opinion.blocks()[:1]]


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

    def risks() -> list[PageBlock]:
        table, notes = after_opening(misclassification(result).blocks())
        assert isinstance(notes, Bullets)
        return [table, Bullets([text for text in notes.items if not text.startswith(_COUNTED)])]

    def limits() -> list[PageBlock]:
        band = guard_band(result)
        return [Prose([band.aim]), *after_opening(band.blocks())]

    return [
        Heading("How many parts are judged wrongly?", 3),
        *or_reason(risks, "The risks cannot be told: "),
        Heading("Within which readings may parts be accepted?", 3),
        *or_reason(limits, "There are no acceptance limits: "),
        Heading("What would make GRR smaller?", 3),
        *or_reason(
            lambda: after_opening(what_would_help(result).blocks()), "Nothing can be predicted: "
        ),
    ]


# How it was computed
# -------------------


def how_blocks(results: Mapping[str, GaugeResult], ruined: Collection[str]) -> list[PageBlock]:
    """Return options, formulas and their sources, and every sheet with the numbers filled in.

    ``results`` by method of measuring; of those in ``ruined`` no number is calculated with.
    """
    whole = [(name, result) for name, result in results.items() if name not in ruined]
    first = next(iter(results.values()))
    rules = first.study.rules
    options = [
        ("Method of record", _METHODS[rules.method_of_record]),
        ("Spread", f"{first.spread:g} standard deviations"),
        ("Interaction", f"{rules.interaction}; pooled where its p is above {rules.pool_above:g}"),
        ("Thresholds", f"good under {rules.good_percent:g} %, limit {rules.limit_percent:g} %"),
        ("Fewest categories", str(rules.least_ndc)),
        ("Acceptance limits", f"may refuse {rules.most_refused_percent:g} % of the good parts"),
        ("Confidence", f"{100 * rules.confidence:g} %, one-sided for decisions"),
        ("Intervals", f"generalized, {DRAWS} draws, seed {SEED}"),
    ]
    return [
        Facts(options),
        *_formulas(whole, results.values()),
        *(_sheets(whole) if whole else []),
    ]


def _sheets(named: Sequence[tuple[str, GaugeResult]]) -> list[PageBlock]:
    """Return every sheet with the numbers filled in, of several methods side by side."""
    tables: list[PageBlock] = []
    for name, result in named:
        tables += squares_blocks(result, shortened(name, 40) if name else "")
    return [
        Heading("Table of sums of squares", 3),
        *tables,
        Heading("The average-and-range form, line by line", 3),
        *or_reason(lambda: _form(named), "No average-and-range form: "),
    ]


def side_by_side(
    named: Sequence[tuple[str, Sequence[PageBlock]]], *, below: bool = False
) -> list[PageBlock]:
    """Return what is said of several methods in pairs beside each other; of one as it is.

    What is said of every method in the same words follows once. ``below``: below each other.
    """
    if len(named) == 1:
        return list(named[0][1])
    said = [[text for block in blocks for text in _sentences(block)] for _, blocks in named]
    shared = [text for text in dict.fromkeys(said[0]) if all(text in one for one in said)]
    told = [
        [Heading(shortened(name, 40), 3), *(_without(block, shared) for block in blocks)]
        for name, blocks in named
    ]
    half = (len(shared) + 1) // 2
    of_all: list[PageBlock] = [
        Heading("Of every method", 3),
        Columns([Bullets(shared[:half])], [Bullets(shared[half:])])
        if half > 1
        else Bullets(shared),
    ]
    of_all = of_all if shared else []
    if below:
        return [*(block for one in told for block in one), *of_all]
    pairs = [Columns(a, b, True) for a, b in zip(told[::2], told[1::2], strict=False)]
    return [*pairs, *(told[-1] if len(told) % 2 else []), *of_all]


def _sentences(block: PageBlock) -> Sequence[str]:
    """Return what a block says in sentences; of one that wants to be seen, place and text."""
    if isinstance(block, Prose):
        return block.paragraphs
    if isinstance(block, Callout):
        return [f"{place}: {text}" for place, text in block.entries]
    return block.items if isinstance(block, Bullets) else ()


def _without(block: PageBlock, shared: Collection[str]) -> PageBlock:
    """Return a block without sentences, and a heading as one below that of its method."""
    if isinstance(block, Heading):
        return replace(block, level=4)
    left = [text for text in _sentences(block) if text not in shared]
    if isinstance(block, Prose):
        return Prose(left)
    if isinstance(block, Callout):
        entries = [one for one in block.entries if f"{one[0]}: {one[1]}" not in shared]
        return replace(block, entries=entries) if entries else Prose([])
    return Bullets(left, block.numbered) if isinstance(block, Bullets) else block


def _formulas(
    named: Sequence[tuple[str, GaugeResult]], results: Iterable[GaugeResult]
) -> list[PageBlock]:
    """Return the formula and the source of every quantity, with the numbers of every method."""
    further = {name for one in results for name in one.source_names} - set(_EXPLAINED)
    filled = [filled_in(result) for _, result in named]
    rows, general = [], []
    for term in [*_EXPLAINED[:3], *sorted(further), *_EXPLAINED[3:]]:
        entry = explain(term).to_frame().iloc[0]
        groups = [[one.get(key, ()) for one in filled] for key in _FILLED.get(term, (term,))]
        lines = [line for group in groups for line in zip_longest(*group, fillvalue="")]
        source = _CHAPTER.sub(r"\1 \2", str(entry["source"]).replace(f"{MANUAL}, ", ""))
        rows += [[*_apart(line), "" if at else source] for at, line in enumerate(lines)]
        if not lines:
            general.append(f"{entry['term']}: {entry['formula']} ({entry['source']})")
    names = [name and shortened(name, 40) for name, _ in named]
    for name, one in zip(names, filled, strict=True):
        general += [f"{name}{name and ': '}{line}" for line in one.get("df", ())]
    head = [*(name or "Numbers" for name in names), f"Source (III B: chapter, section of {MANUAL})"]
    table = Table(["Formula", *head], rows, left=9)
    return [
        Heading("Formulas with this study's numbers, and their sources", 3),
        *([table] if rows else []),
        Bullets(general),
    ]


def _apart(lines: Sequence[str]) -> list[str]:
    """Return the formula that lines of several methods share, and the numbers of each."""
    steps = [line.split(" = ") for line in lines]
    shared = 0
    for same in zip(*steps, strict=False):
        if len(set(same)) > 1 or (shared and not _WORDS.search(same[0])):
            break
        shared += 1
    formula = " = ".join(steps[0][:shared])
    return [formula, *(" = ".join(one[shared:]) for one in steps)]


def _form(named: Sequence[tuple[str, GaugeResult]]) -> list[PageBlock]:
    """Return the form as a table, the methods beside each other."""
    sheets = [worked_sheet(in_fine_unit(one.study), spread=one.spread) for _, one in named]
    several = len(sheets) > 1
    rows = []
    for lines in zip(*(sheet.lines for sheet in sheets), strict=True):
        line = lines[0]
        # What the line is, without what its formula beside it says too.
        what, _, more = line.quantity.partition(" (")[0].partition(", ")
        if not more.startswith(_IN_THE_FORMULA):
            what = f"{what}, {more}".removesuffix(", ")
        formula = next((one.formula for one in lines if one.formula), "")
        rows.append(
            [
                f"{what}: {line.symbol} = {formula}" if formula else f"{what}: {line.symbol}",
                *(" = ".join(step for step in (one.numbers, one.shown) if step) for one in lines),
            ]
        )
    head = ["Line and formula"]
    head += [shortened(name, 24) for name, _ in named] if several else ["Numbers and result"]
    return [
        Table(head, rows, left=9),
        Bullets(list(dict.fromkeys(note for sheet in sheets for note in sheet.result.notes))),
        Prose([SOURCE]),
    ]


# All readings
# ------------


def readings_blocks(study: Study, method: str = "") -> list[PageBlock]:
    """Return the readings of one method as tables that fit the width of a page."""
    cube = _by_row(study)
    names = short_names(cube.operators, LONGEST_OPERATOR)
    shown = short_names(study.parts, LONGEST_PART)
    parts = [_named(row, dict(zip(study.parts, shown, strict=True))) for row in _rows_of(study)]
    left = WIDTH - _px(max(map(len, parts)))
    values = study.readings["reading"].dropna()
    longest = max(len(size(float(v), study.resolution)) for v in (values.min(), values.max()))
    across = max(1, int(left // (_px(longest) * len(cube.trials))))
    unit = f"in {study.unit}" if study.unit else "without a unit"
    beside = "".join(f" and {name}" for name in _beside_parts(study))
    told = (
        f"Readings {unit}: by part{beside}, under each operator the trials. A dash is a reading "
        "that is missing."
    )
    everybody = list(enumerate(names))
    return [
        Prose([told]),
        *(
            _table(study, cube, parts, dict(everybody[start : start + across]), method)
            for start in range(0, len(names), across)
        ),
        *_full_names(study, shown, names),
        *_notes(study),
    ]


def _beside_parts(study: Study) -> list[str]:
    """Return which of place and gauge the readings name besides the part."""
    return [name for name in ("place", "gauge") if name in study.readings]


def _rows_of(study: Study) -> list[tuple[str, ...]]:
    """Return the rows of the tables: the parts in their order, with their places and gauges."""
    keys = ["part", *_beside_parts(study)]
    found = [tuple(map(str, row)) for row in study.readings[keys].drop_duplicates().to_numpy()]
    where = {part: i for i, part in enumerate(study.parts)}
    return sorted(found, key=lambda row: (where[row[0]], row[1:]))


def _named(row: tuple[str, ...], parts: Mapping[str, str]) -> str:
    return ", ".join([parts[row[0]], *(shortened(name, LONGEST_PART) for name in row[1:])])


def _with_own_trials(study: Study) -> pd.DataFrame:
    """Return the readings, trials counted for each row: a study numbers on over its places."""
    table, beside = study.readings, _beside_parts(study)
    if not beside:
        return table
    table = table.sort_values("trial", kind="stable")
    own = table.groupby(["part", "operator", *beside], sort=False).cumcount() + 1
    return table.assign(trial=own).sort_index()


def _by_row(study: Study) -> Cube:
    """Return the readings as rows of the tables × operators × trials, NaN where missing."""
    beside = _beside_parts(study)
    if not beside:
        return study.cube()
    rows, table = _rows_of(study), _with_own_trials(study)
    where = {row: i for i, row in enumerate(rows)}
    row = [where[tuple(map(str, one))] for one in table[["part", *beside]].to_numpy()]
    operator = [study.operator_names.index(name) for name in table["operator"]]
    trials = tuple(range(1, int(table["trial"].max()) + 1))
    values = np.full((len(rows), len(study.operator_names), len(trials)), np.nan)
    values[row, operator, table["trial"].to_numpy() - 1] = table["reading"].to_numpy()
    return Cube(values, tuple(map(", ".join, rows)), study.operator_names, trials)


def order_blocks(study: Study) -> list[PageBlock]:
    """Return all readings in the order in which they were taken: who, which part, when.

    Who, method, session and day head the readings that share them, where many do.
    """
    table = _with_own_trials(study).dropna(subset="reading")
    known = [name for name in ("order", "time") if name in table and table[name].notna().any()]
    if not known:
        return []
    table = table.sort_values(known, kind="stable").reset_index(drop=True)
    taken = _said_of(study, table, "time" in known)
    names = ["session", "operator", "method", "day"]
    begins = taken[names].ne(taken[names].shift()).any(axis=1)
    heads = int(begins.sum()) * FEWEST_UNDER_A_HEAD <= len(taken)
    lines = []
    for number, (row, new) in enumerate(zip(taken.to_dict("records"), begins, strict=True), 1):
        own = f"{table['order'][number - 1]:g}" if "order" in known else str(number)
        shared = [str(row[name]) for name in names if row[name]]
        if heads and new:
            lines.append(" ".join(["▸", *shared]))
        said = [own, *([] if heads else shared), row["clock"], row["place"], row["reading"]]
        lines.append(" ".join(word for word in said if word))
    longest = max(map(len, lines))
    form = next((name for name, width in COLUMNS_OF_TAKEN.items() if longest <= width), WIDEST)
    beside = "".join(f"{name}, " for name in _beside_parts(study))
    told = (
        f"Order, time (UTC) where known, part/trial, {beside}reading; "
        f"{'above them' if heads else 'before the time'} session (s1 the first), who and day. "
        "Corrections: under the record."
    )
    return [Heading("In the order taken", 3), Prose([told]), Verbatim("\n".join(lines), form)]


def _said_of(study: Study, table: pd.DataFrame, timed: bool) -> pd.DataFrame:
    """Return what is said of each reading, in the order of the table, as text."""
    names = dict(zip(study.operator_names, short_names(study.operator_names, 12), strict=True))
    parts = dict(zip(study.parts, short_names(study.parts, 12), strict=True))
    sessions = [str(one) for one in pd.unique(table["session"])] if "session" in table else []
    methods = dict(zip(study.methods, short_names(study.methods, 12), strict=True))
    several = timed and table["time"].dt.date.nunique() > 1
    beside = _beside_parts(study)
    rows = []
    for row in table.to_dict("records"):
        time = row["time"] if timed and not pd.isna(row["time"]) else None
        where = [f"{parts[row['part']]}/{row['trial']}"]
        where += [shortened(str(row[name]), 12) for name in beside]
        rows.append(
            {
                "session": f"s{sessions.index(str(row['session'])) + 1}"
                if len(sessions) > 1
                else "",
                "operator": names[row["operator"]],
                "method": methods[row["method"]] if len(methods) > 1 else "",
                "day": f"{time:%m-%d}" if time is not None and several else "",
                "clock": f"{time:%H:%M}" if time is not None else "",
                "place": " ".join(where),
                "reading": _shown(float(row["reading"]), study),
            }
        )
    return pd.DataFrame(rows)


def _px(letters: int) -> float:
    return letters * LETTER + SPACE


def _table(
    study: Study, cube: Cube, parts: list[str], operators: dict[int, str], method: str
) -> ReadingsTable:
    rows = []
    for part, values in zip(parts, cube.values[:, list(operators)], strict=True):
        if study.design == "nested" and not np.isfinite(values).any():
            continue
        rows.append((part, [[_shown(float(value), study) for value in row] for row in values]))
    names = list(operators.values())
    caption = f"{method + ', readings' if method else 'Readings'} by {listed(names, 10)}"
    return ReadingsTable(caption, names, cube.trials, rows)


def _shown(value: float, study: Study) -> str:
    if math.isnan(value):
        return "—"
    written = f"{value:.9g}"  # nine figures at most
    if study.resolution is None and reading_decimals(None) < len(written.partition(".")[2]):
        return written
    return size(value, study.resolution)


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
