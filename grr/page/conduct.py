"""How the study was carried out: against its plan, blind or not, and what the zero did."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any

import pandas as pd

from grr.files.events import COLUMNS
from grr.model import tables
from grr.model.errors import StudyError
from grr.model.names import shortened
from grr.model.rounding import counted, length, listed, percent, size
from grr.model.rules import Plan
from grr.model.study import Study
from grr.page.page import heading, or_reason
from grr.questions.collection import collection_of, with_last_readings
from grr.questions.gauge import anova
from grr.questions.sittings import zero_checks

#: Names of the zero checks that open a stretch of measuring, and of the one that closes it.
_OPENS, _CLOSES = ("before", "again"), "after"


def conduct_html(study: Study, stated: str) -> str:
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
    return (
        heading("Against the plan")
        + tables.html_list(sentences)
        + or_reason(lambda: _blind(study), "How it was collected is not known: ")
        + or_reason(lambda: _zeros(study), "The checks of zero cannot be read: ")
    )


def deviations(study: Study) -> list[str]:
    """Return in sentences where the readings differ from the plan; none where they do not."""
    plan = study.plan
    if plan is None:
        return ["No plan was written down before the first reading."]
    lines = []
    for noun, planned, measured in (
        ("part", plan.parts, study.parts),
        ("operator", plan.operators, study.operator_names),
        ("method", plan.methods, study.methods),
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
    if extra and (planned or noun != "method"):
        lines.append(f"Measured and not planned: {noun} {listed(extra)}.")
    return lines


def _trials(study: Study, plan: Plan) -> list[str]:
    table = study.readings.dropna(subset="reading")
    keys = [key for key in ("part", "operator", "method") if key in table]
    counts = table.groupby(keys, sort=False)["trial"].count()
    few, many = int((counts < plan.trials).sum()), int((counts > plan.trials).sum())
    lines = []
    if few:
        lines.append(f"Measured fewer than {plan.trials} times: {counted(few, 'combination')}.")
    if many:
        lines.append(f"Measured more than {plan.trials} times: {counted(many, 'combination')}.")
    return lines


def _as_planned(study: Study) -> str:
    plan = study.plan
    assert plan is not None
    methods = f" × {counted(len(plan.methods), 'method')}" if len(plan.methods) > 1 else ""
    return (
        f"As planned: {counted(len(plan.parts), 'part')} × "
        f"{counted(len(plan.operators), 'operator')} × {counted(plan.trials, 'trial')}{methods} = "
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


def _blind(study: Study) -> str:
    found = collection_of(study)
    if found is None:
        return ""
    lines = [found.blindness]
    if found.voided:
        lines.append(f"{counted(found.voided, 'reading')} taken out or set right, see Corrections.")
    if found.taken_again:
        lines.append(_both_ways(study, found.taken_again))
    return heading("Blind?") + tables.html_list(lines)


def _both_ways(study: Study, count: int) -> str:
    """Return GRR with the first readings and with those measured again."""
    text = f"{counted(count, 'reading')} measured again without a cause found; the first counts"
    again = with_last_readings(study)
    if again is None:
        return f"{text}."
    try:
        first, last = anova(study), anova(again)
    except StudyError:
        return f"{text}."
    for measure, words in (("percent_tolerance", "of tolerance"), ("percent_tv", "of total")):
        values = [result.value("GRR", measure) for result in (first, last)]
        if not any(map(math.isnan, values)):
            return (
                f"{text}: GRR {percent(values[0])} {words}; with the later readings "
                f"{percent(values[1])}."
            )
    return f"{text}."


def _zeros(study: Study) -> str:
    checks = zero_checks(study)
    if checks.empty:
        return ""
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
                moved = _signed(float(check["reading"]) - float(opened["reading"]), study)
            rows.append([*shown, moved])
    head = ["Session", "Time (UTC)", "When", "On", "The gauge shows", "moved"]
    return heading("Zero, session by session") + tables.html_table(head, rows, left=4)


def _signed(value: float, study: Study) -> str:
    if value == 0.0:
        return "0"
    return f"{'−' if value < 0 else '+'}{length(abs(value), study.unit)}"
