"""The page of all gauges: what tolerance each is proven for, and which it is used on.

Without more it shows the studies of the working folder, gauge by gauge; with a table in its
address, the studies of that table, the worst first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from grr.entry.table_drop import TableDrop
from grr.files.chosen import PLACES, TABLES, asked_for, study_folders
from grr.many.analyse import analyse_many
from grr.many.table import read_table
from grr.model.blocks import Block, Bullets, Heading, Prose
from grr.model.choices import OperatorsAre
from grr.model.errors import StudyError
from grr.model.names import begun, shortened
from grr.model.rounding import JOIN, counted, length, rounded_up
from grr.model.study import Study
from grr.model.units import conversion
from grr.model.values import a_path
from grr.page.frame import Button, Foot, Progress, page_address, progress_of
from grr.page.screens import Screen
from grr.questions.check import check
from grr.questions.verdict import verdict
from grr.show.drawings import proven_scale

NOTEBOOK = "10_all_our_gauges"
#: Most rows that one page shows.
MOST_GAUGES, MOST_STUDIES = 60, 200
_TOLERANCE_COLUMNS = ("lower", "upper", "resolution")
_SOURCES = {"EV": "repeatability", "AV": "reproducibility", "INT": "interaction"}
_BACK = "0_start_here.ipynb"


def gauges_page(top: str | Path = "..") -> Screen:
    """Show what each gauge is proven for, against the tolerances that it is used on.

    On a page with ``table`` in its address, the studies of that table instead.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebooks.

    Raises
    ------
    StudyError
        The table cannot be used.

    Examples
    --------
    >>> grr.gauges_page()
    Screen(No study of your own is judged by a tolerance yet.)
    """
    top = a_path(top)
    name = Path(asked_for("table")).name
    if name:
        return _table_page(top / TABLES / name)
    left = studies = 0
    gauges: dict[str, list[dict[str, Any]]] = {}
    for one in study_folders(top):
        if not one.startswith(f"{PLACES[0]}/"):
            continue
        judged = _judged(top / one)
        left += not judged
        studies += bool(judged)
        for row in judged:
            gauges.setdefault(row["gauge"], []).append(row)
    rows = [_gauge(name, found) for name, found in gauges.items()]
    rows.sort(key=lambda row: (not row["too_fine"], -row["limit"]))
    ends = _ends(rows)
    for row in rows:
        row["scale"] = proven_scale((row["good"], row["limit"]), row["in_use"], ends)
    waiting = f"; {_studies(left)} not judged here" if left else ""
    told = f"{_studies(studies)}, {counted(len(rows), 'gauge')}{waiting}"
    foot = Foot(told, Button("Back to the studies", _BACK), _tables(top))
    if rows and rows[0]["too_fine"]:
        foot = Foot(told, Button("Open its study", rows[0]["address"]), _tables(top))
    values = {
        "question": "What is each gauge good for?",
        "sentence": _sentence(rows),
        "rows": rows[:MOST_GAUGES],
        "more": max(0, len(rows) - MOST_GAUGES),
        "studies": [],
    }
    said: list[Block] = [Heading("What is each gauge good for?", 3), Prose([_sentence(rows)])]
    said += [Bullets([f"{row['gauge']}: {row['proven']}" for row in rows])] if rows else []
    return Screen(said, "gauges.html.j2", values, foot)


def drop_table(top: str | Path = "..") -> TableDrop:
    """Return a form that takes a table of many studies, dropped or pasted.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebooks; the table is kept in its ``tables``.

    Examples
    --------
    >>> grr.drop_table()
    Run this cell to drop or paste a table of many studies.
    """
    return TableDrop(a_path(top), _analysed)


def _judged(folder: Path) -> list[dict[str, Any]]:
    """Return what a study says of its gauge, in each of its methods.

    Empty where it cannot be judged by a tolerance.
    """
    try:
        progress = progress_of(folder)
        study = progress.study
        if study is None or not progress.measured or study.tolerance is None:
            return []
        if study.tolerance.width is None or check(study).must_mend:
            return []
        if len(study.methods) < 2:
            found = [_of_study(progress, study, "")]
        else:
            found = [_of_study(progress, study.for_method(one), one) for one in study.methods]
    except StudyError:
        return []
    return [row for row in found if row is not None]


def _of_study(progress: Progress, study: Study, method: str) -> dict[str, Any] | None:
    found = verdict(study)
    width = study.tolerance.width if study.tolerance else None
    if found.proven_for is None or width is None:
        return None
    factor = conversion(study.unit, "µm") if study.unit else 1.0
    facts = study.facts
    limit = found.proven_for.limit
    gauge = str(facts.get("gauge_number") or facts.get("gauge") or progress.title)
    return {
        "gauge": f"{gauge}, {method}" if method else gauge,
        "holding": "" if method else str(facts.get("holding") or ""),
        "width": width * factor,
        "good": found.proven_for.good.value * factor,
        "limit": limit.value * factor,
        "proven": f"from {length(rounded_up(limit.value, limit.unit), limit.unit)}",
        "wide": length(width, study.unit),
        "when": progress.when,
        "address": page_address("answer", progress.name),
    }


def _gauge(name: str, found: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return a gauge by its studies: proven is what the worst of them proves."""
    worst = max(found, key=lambda one: one["limit"])
    too_fine = [one for one in found if one["width"] < worst["limit"]]
    small = ", ".join(dict.fromkeys(one["holding"] for one in found if one["holding"]))
    if too_fine:
        small = f"{min(too_fine, key=lambda one: one['width'])['wide']} is too fine for it"
    return {
        **worst,
        "gauge": begun(shortened(name, 30)),
        "small": small,
        "good": max(one["good"] for one in found),
        "in_use": [one["width"] for one in found],
        "too_fine": bool(too_fine),
        "address": (too_fine or [worst])[0]["address"],
    }


def _ends(rows: Sequence[Mapping[str, Any]]) -> tuple[float, float]:
    known = [x for row in rows for x in (row["limit"], row["good"], *row["in_use"]) if x > 0.0]
    if not known:
        return 1.0, 100.0
    return 10 ** math.floor(math.log10(min(known))), 10 ** math.ceil(math.log10(max(known)))


def _sentence(rows: Sequence[Mapping[str, Any]]) -> str:
    fine = [row for row in rows if row["too_fine"]]
    if not rows:
        return "No study of your own is judged by a tolerance yet."
    if not fine:
        return "Each is proven for the tolerances that it is used on."
    if len(fine) == 1:
        return f"{fine[0]['gauge']} is used on a tolerance finer than it is proven for."
    return f"{len(fine)} gauges are used on tolerances finer than they are proven for."


def _studies(number: int) -> str:
    return "1 study" if number == 1 else f"{number} studies"


def _tables(top: Path) -> list[Button]:
    """Return a button for each table that was dropped last."""
    files = [path for path in (top / TABLES).glob("*") if path.is_file()]
    files.sort(key=lambda path: path.stat().st_mtime, reverse=True)
    return [
        Button(shortened(path.name, 24), page_address(NOTEBOOK, "", table=path.name))
        for path in files[:2]
    ]


# A table of many studies
# -----------------------


def _analysed(file: Path, operators: str = "fixed") -> pd.DataFrame:
    """Return one row a study of a table; limits may stand in columns of their own."""
    table = read_table(file, labels=("study", "part", "operator", "trial"))
    names = {str(column).strip().lower(): column for column in table.columns}
    known = [names[one] for one in _TOLERANCE_COLUMNS if one in names]
    limits = None
    if known and "study" in names:
        limits = table[[names["study"], *known]].drop_duplicates()
        limits.columns = pd.Index(["study", *(str(one).strip().lower() for one in known)])
        if limits["study"].duplicated().any():
            raise StudyError(
                "A study has two tolerances",
                "Give each of its rows the same limits",
                file=file,
                value=limits["study"][limits["study"].duplicated()].iloc[0],
            )
        table = table.drop(columns=known)
    chosen: OperatorsAre = "random" if operators == "random" else "fixed"
    return analyse_many(table, tolerances=limits, operators=chosen, intervals=True, progress=False)


def _table_page(file: Path) -> Screen:
    operators = asked_for("operators") or "fixed"
    found = _analysed(file, operators)
    by = "GRR_percent_tolerance"
    found = found.sort_values(by, ascending=False, na_position="last")
    rows = []
    for row in found.head(MOST_STUDIES).to_dict("records"):
        known = pd.notna(row[by])
        upper = row[f"{by}_upper"]
        rows.append(
            {
                "study": shortened(str(row["study"]), 40),
                "takes": f"{row[by]:.0f}{JOIN}%" if known else "not known",
                "most": f"at most {upper:.0f}{JOIN}%" if known and pd.notna(upper) else "",
                "by": _SOURCES.get(str(row["dominant"]), ""),
                "decision": str(row["decision"] or row["error"] or "no tolerance"),
            }
        )
    counts = found["decision"].replace("", "not judged").value_counts()
    sentence = ", ".join(f"{count} {words}" for words, count in counts.items())
    other = "fixed" if operators == "random" else "random"
    words = "These are all who measure" if other == "fixed" else "Others measure too"
    address = page_address(NOTEBOOK, "", table=file.name, operators=other)
    foot = Foot(
        "Not looked through for slips: open a study by itself for that.",
        Button("Back to the gauges", page_address(NOTEBOOK, "")),
        [Button(words, address)],
    )
    counted_as = "a sample of others" if operators == "random" else "all who ever measure"
    values = {
        "question": f"Which are the worst of {_studies(len(found))}?",
        "sentence": f"{sentence}. Those who measured count as {counted_as}.",
        "rows": [],
        "more": max(0, len(found) - MOST_STUDIES),
        "studies": rows,
    }
    said: list[Block] = [Prose([sentence])]
    return Screen(said, "gauges.html.j2", values, foot)
