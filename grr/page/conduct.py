"""How the study was carried out, and where its numbers come from.

`conduct_blocks`: against its plan, blind or not, and what the zero did. `provenance_blocks`:
fingerprint, who entered what, corrections, versions. `all_facts`: what was asked about it.
"""

from __future__ import annotations

import math
import platform
from collections.abc import Hashable, Sequence
from hashlib import sha256
from importlib.metadata import version
from typing import Any

import pandas as pd

from grr.files.events import COLUMNS
from grr.files.folder import EVENTS_FILE
from grr.model.blocks import Bullets, Facts, Heading, Prose, Table
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.facts import FACTS
from grr.model.names import shortened
from grr.model.record import FileCheck
from grr.model.rounding import counted, listed, percent, size
from grr.model.rules import Plan
from grr.model.study import Study
from grr.page.page_blocks import Columns, PageBlock, Verbatim, or_reason
from grr.questions.collection import collection_of, with_last_readings
from grr.questions.gauge import anova
from grr.questions.sittings import zero_checks

#: Names of the zero checks that open a stretch of measuring, and of the one that closes it.
_OPENS, _CLOSES = ("before", "again"), "after"
#: So many checks of zero stand below each other; more, on one master, in two columns.
ZEROS_BELOW = 6
_PACKAGES = ("grr", "numpy", "scipy", "pandas", "plotly")
#: Events told of elsewhere in the report, or of no interest to its reader.
_ELSEWHERE = ("zero", "session", "settings", "study", "added", "withdrawn")


def conduct_blocks(study: Study, stated: str) -> list[PageBlock]:
    """Return plan and deviations, blindness, and the checks of zero.

    Parameters
    ----------
    study : Study
    stated : str
        Deviations that the person who files the report tells of.
    """
    sentences = [*deviations(study), *_events_that_deviate(study)]
    if stated:
        sentences.append(f"Stated by who prepared the report: {stated}")
    if not sentences:
        sentences = [_as_planned(study)]
    try:
        sentences += _blind(study)
    except StudyError as error:
        sentences.append(f"How it was collected is not known: {error}")
    return [
        Heading("Against the plan, and blind?", 3),
        Bullets(sentences),
        *or_reason(lambda: _zeros(study), "The checks of zero cannot be read: "),
    ]


def deviations(study: Study) -> list[str]:
    """Return in sentences where the readings differ from the plan; none where they do not."""
    plan = study.plan
    if plan is None:
        return ["No plan was written down before the first reading."]
    lines = []
    for noun, planned, measured in (
        ("part", plan.parts, study.parts),
        ("operator", (*plan.operators, *plan.further_operators), study.operator_names),
        ("method", plan.methods, study.methods),
        ("place", plan.places, _named(study, "place")),
        ("gauge", plan.gauges, _named(study, "gauge")),
    ):
        lines += _differences(noun, planned, measured)
    lines += _trials(study, plan)
    if study.taken != plan.readings:
        lines.append(f"{counted(study.taken, 'reading')} instead of the {plan.readings} planned.")
    return lines


def _differences(noun: str, planned: tuple[str, ...], measured: tuple[str, ...]) -> list[str]:
    missing = [shortened(name, 40) for name in planned if name not in measured]
    extra = [shortened(name, 40) for name in measured if name not in planned]
    lines = []
    if missing:
        lines.append(f"Planned and not measured: {noun} {listed(missing)}.")
    if extra and (planned or noun in ("part", "operator")):
        lines.append(f"Measured and not planned: {noun} {listed(extra)}.")
    return lines


def _named(study: Study, column: str) -> tuple[str, ...]:
    table = study.readings
    return tuple(table[column].unique()) if column in table else ()


def _trials(study: Study, plan: Plan) -> list[str]:
    table = study.readings.dropna(subset="reading")
    keys = [key for key in ("part", "operator", "method") if key in table]
    counts = table.groupby(keys, sort=False)["trial"].count()
    few, many = int((counts < plan.times).sum()), int((counts > plan.times).sum())
    lines = []
    if few:
        lines.append(f"Measured fewer than {plan.times} times: {counted(few, 'combination')}.")
    if many:
        lines.append(f"Measured more than {plan.times} times: {counted(many, 'combination')}.")
    return lines


def _as_planned(study: Study) -> str:
    plan = study.plan
    assert plan is not None
    methods = f" × {counted(len(plan.methods), 'method')}" if len(plan.methods) > 1 else ""
    for what, names in (("place", plan.places), ("gauge", plan.gauges)):
        methods += f" × {counted(len(names), what)}" if names else ""
    second = ""
    if plan.further_operators:
        second = (
            f", then {counted(len(plan.further_parts), 'part')} × "
            f"{counted(len(plan.further_operators), 'operator')}"
        )
    return (
        f"As planned: {counted(len(plan.parts), 'part')} × "
        f"{counted(len(plan.operators), 'operator')}{second} × {counted(plan.trials, 'trial')}"
        f"{methods} = "
        f"{counted(plan.readings, 'reading')}, all of them taken."
    )


def _events_that_deviate(study: Study) -> list[str]:
    """Return what was changed after the first reading: settings, operators, parts."""
    events = events_of(study)
    lines = []
    for event in events.itertuples():
        who = f" by {event.entered_by!s}" if event.entered_by else ""
        why = f": {event.reason!s}" if event.reason else ""
        old, new = str(event.old), str(event.value)
        when = str(event.time)[:10]
        if event.kind == "study":
            lines.append(
                f"{event.name!s} changed after the first reading, from {old or 'nothing'} to "
                f"{new or 'nothing'}, {when}{who}{why}."
            )
        elif event.kind == "added":
            lines.append(f"{event.name!s} {new} added while collecting, {when}{who}{why}.")
        elif event.kind == "withdrawn":
            instead = f", replaced by {new}" if new else ""
            lines.append(f"{event.name!s} {old} withdrawn{instead}, {when}{who}{why}.")
    return lines


def events_of(study: Study) -> pd.DataFrame:
    """Return the events recorded while collecting; empty where there are none."""
    if study.record is None:
        return pd.DataFrame(columns=list(COLUMNS))
    return study.record.events


def _blind(study: Study) -> list[str]:
    found = collection_of(study)
    if found is None:
        return []
    lines = [found.blindness]
    if found.voided:
        lines.append(f"{counted(found.voided, 'reading')} taken out or set right, see Corrections.")
    if found.taken_again:
        lines.append(_both_ways(study, found.taken_again))
    return lines


def _both_ways(study: Study, count: int) -> str:
    """Return GRR with the first readings and with those measured again."""
    text = f"{counted(count, 'reading')} measured again without a cause found; the first counts"
    again = with_last_readings(study)
    if again is None:
        return f"{text}."
    try:
        first, last = anova(study), anova(again)
    except StudyError as error:
        return f"{text}; GRR is not known both ways: {error.problem}."
    for measure, words in (("percent_tolerance", "of tolerance"), ("percent_tv", "of total")):
        values = [result.value("GRR", measure) for result in (first, last)]
        if not any(map(math.isnan, values)):
            return (
                f"{text}: GRR {percent(values[0])} {words}; with the later readings "
                f"{percent(values[1])}."
            )
    return f"{text}."


def _zeros(study: Study) -> list[PageBlock]:
    checks = zero_checks(study)
    if checks.empty:
        return []
    rows = []
    for number, (_, session) in enumerate(checks.groupby("session", sort=False), start=1):
        opened: dict[Hashable, Any] | None = None
        for check in session.to_dict("records"):
            shown = [
                str(number),
                f"{check['time']:%Y-%m-%d %H:%M}",
                str(check["name"]),
                str(check["on"]),
                size(float(check["reading"]), study.resolution, study.unit),
            ]
            moved = ""
            if check["name"] in _OPENS:
                opened = check
            elif check["name"] == _CLOSES and opened is not None and opened["on"] == check["on"]:
                step = float(check["reading"]) - float(opened["reading"])
                moved = "0" if step == 0.0 else f"{Estimate(step, unit=study.unit):+}"
            rows.append([*shown, moved])
    head = ["Session", "Time (UTC)", "When", "On", "The gauge shows", "moved"]
    if len(rows) <= ZEROS_BELOW or len({row[3] for row in rows}) > 1:
        return [Heading("Zero, session by session", 3), Table(head, rows, left=4)]
    on, days = rows[0][3], {row[1].partition(" ")[0] for row in rows}
    if len(days) == 1:
        rows = [[row[0], row[1].partition(" ")[2], *row[2:]] for row in rows]
    day = f", {days.pop()}" if len(days) == 1 else ""
    left, right = (
        Table([*head[:3], *head[4:]], [[*row[:3], *row[4:]] for row in some], left=3)
        for some in (rows[: (len(rows) + 1) // 2], rows[(len(rows) + 1) // 2 :])
    )
    return [
        Heading("Zero, session by session", 3),
        Prose([f"Each on: {on}{day}."]),
        Columns([left], [right], apart=True),
    ]


# Where the numbers come from
# ---------------------------


def provenance_blocks(study: Study, shown: Study) -> list[PageBlock]:
    """Return fingerprint, record, corrections and software versions.

    Parameters
    ----------
    study : Study
        As it was read, so that the fingerprint is that of the file.
    shown : Study
        The same, or with coded operators.
    """
    entries = [
        *(
            [("SHA-256 of the readings", readings_fingerprint(study))]
            if shown is study
            else [
                ("SHA-256 of the coded readings", readings_fingerprint(shown)),
                ("SHA-256 of the readings with names", readings_fingerprint(study)),
                ("SHA-256 without operators", readings_fingerprint(study, operators=False)),
            ]
        ),
        ("Software", ", ".join(f"{name} {text}" for name, text in versions().items())),
    ]
    if study.plan is not None:
        entries.append(("Seed of the measuring order", str(study.plan.seed)))
    return [
        Facts(entries),
        *or_reason(lambda: _record(shown), "The record cannot be verified: "),
        *or_reason(lambda: _events(shown), "The events cannot be read: "),
        *([] if shown is study else _attached(shown)),
    ]


def _attached(shown: Study) -> list[PageBlock]:
    """Return the coded readings as a table that can be computed with, and compared."""
    told = (
        "The SHA-256 of this text, each line ended by a line feed, is that of the coded readings. "
        "Whoever has the readings with their names compares all but the names: sorted and "
        "without the operators, both have the third SHA-256."
    )
    text = fingerprinted_text(shown)
    return [Heading("The coded readings as a table", 3), Prose([told]), Verbatim(text)]


def readings_fingerprint(study: Study, *, operators: bool = True) -> str:
    """Return the SHA-256 of the readings, one line each, in the order of part, operator, trial.

    Floats are written with all their digits, so that two studies have the same fingerprint
    only where every reading is the same.

    Parameters
    ----------
    study : Study
    operators : bool
        Whether names count; without them a study and its coded copy have the same
        fingerprint, where each part has the same readings in each trial.
    """
    return sha256(fingerprinted_text(study, operators=operators).encode("utf-8")).hexdigest()


def fingerprinted_text(study: Study, *, operators: bool = True) -> str:
    """Return the lines whose fingerprint is taken, as CSV under a head."""
    table = study.readings
    keys = [
        name for name in ("method", "part", "place", "gauge", "operator", "trial") if name in table
    ]
    if not operators:
        keys.remove("operator")
    columns = [*keys, "reading"]
    ordered = table.sort_values(keys if operators else columns, kind="stable")[columns]
    return str(ordered.to_csv(index=False, lineterminator="\n", float_format="%.17g"))


def versions() -> dict[str, str]:
    """Return the versions of what computed the numbers."""
    return {
        "Python": platform.python_version(),
        **{name: version(name) for name in _PACKAGES},
    }


def _record(study: Study) -> Sequence[PageBlock]:
    found = study.record
    journal = None if found is None else found.journal
    if found is None or journal is None:
        told = "The readings were not collected with the entry form: there is no record of "
        return [Prose([f"{told}who entered which reading when, and no chain of hashes."])]
    if found.problem is not None:
        raise found.problem
    entries = [entry for check in found.files for entry in _chain(check)]
    if found.missing_sessions:
        gone = ", ".join(found.missing_sessions)
        entries.append(("Sessions", f"REMOVED: there is no record of session {gone}"))
    entries += [(one.file, f"CONTRADICTED: {one.what}") for one in found.contradictions]
    entries += [("Beside the record", str(stray)) for stray in found.strays]
    entries += [("Not known", sentence) for sentence in found.unknown]
    entries.append(("Seal of the folder", found.seal or "none"))
    entries.append(("Readings entered", _who_entered(journal)))
    changed = "; ".join(str(change) for change in found.changes)
    if changed:
        entries.append(("study.toml", f"CHANGED outside the record: {changed}"))
    corrected = _corrections(journal)
    return [
        Heading("The record", 3),
        Facts([*entries, *([] if corrected else [("Corrections", "none")])]),
        *corrected,
    ]


def _chain(check: FileCheck) -> list[tuple[str, str]]:
    state = f"{counted(check.rows, 'row')}, the hashes fit"
    if check.altered is not None:
        state = (
            f"ALTERED: row {check.altered.row} is the first that is not as it was written "
            f"({check.altered.why})"
        )
    if check.torn_rows:
        state += (
            f"; cut off while written and not counted: row {', '.join(map(str, check.torn_rows))}"
        )
    return [(check.name, state), (f"Last hash of {check.name}", check.last_hash or "none")]


def _who_entered(journal: pd.DataFrame) -> str:
    """Return how many readings each person entered, and from where they came."""
    measured = journal[journal["reading"].notna()]
    counts = measured.groupby(["entered_by", "source"], sort=True).size().reset_index()
    return "; ".join(
        f"{who or 'not stated by whom'}: {count} ({source})"
        for who, source, count in counts.itertuples(index=False, name=None)
    )


def _corrections(journal: pd.DataFrame) -> list[PageBlock]:
    voiding = journal[journal["voids"].astype(str) != ""]
    if voiding.empty:
        return []
    old = journal.set_index("id")["raw"].astype(str).to_dict()
    voiding = voiding.assign(
        was=[old.get(str(name), "") for name in voiding["voids"]],
        now=voiding["raw"].mask(voiding["reading"].isna(), "taken out"),
    )
    shown = ["part", "operator", "trial", "was", "now", "reason", "entered_by"]
    rows = voiding[shown].map(str).to_numpy().tolist()
    head = ["Part", "Operator", "Trial", "Was", "Now", "Reason", "By"]
    return [Heading("Corrections", 3), Table(head, rows, left=7)]


def _events(study: Study) -> list[PageBlock]:
    events = events_of(study)
    events = events[~events["kind"].isin(_ELSEWHERE)]
    if events.empty:
        return []
    shown = ["time", "kind", "name", "old", "value", "reason", "entered_by"]
    rows = [
        [str(time)[:16].replace("T", " "), *map(str, row)]  # to the minute
        for time, *row in events[shown].itertuples(index=False, name=None)
    ]
    head = ["Time (UTC)", "What", "About", "Was", "Is", "Reason", "By"]
    return [Heading(f"Recorded while collecting ({EVENTS_FILE})", 3), Table(head, rows, left=7)]


# What was asked about the study
# ------------------------------


def fact(study: Study, key: str) -> str:
    """Return the answer to one question about a study as text; "" where it is not given."""
    value = study.facts.get(key)
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    unit = next((entry.unit for entry in FACTS if entry.key == key), "")
    unit = study.unit if unit == "study" else unit
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{text} {unit}".rstrip()


def all_facts(study: Study) -> list[tuple[str, str]]:
    """Return every question that was answered, then what else was noted, its key as words."""
    asked = [(entry.label, fact(study, entry.key)) for entry in FACTS]
    known = {entry.key for entry in FACTS}
    noted = [str(key) for key in study.facts if key not in known]
    return [
        *asked,
        *((key.replace("_", " ").strip().capitalize(), fact(study, key)) for key in noted),
    ]
