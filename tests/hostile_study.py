"""A study folder in which every text that a person may write is hostile."""

from __future__ import annotations

from pathlib import Path

import numpy as np

import grr
from grr.files.events import Event, Events
from grr.files.folder import new_study_folder
from grr.files.journal import Journal, JournalRow
from grr.model.facts import FACTS

SCRIPT = "<script>window.hit = 1; alert(1)</script>"
IMAGE = "\"><img src=x onerror='window.hit = 1; alert(2)'>"
FORMULA = "=cmd()|'/C calc'!A0"
SUM = '+SUM(1;2)&HYPERLINK("http://x.invalid")'
LONG = "N" * 300
RIGHT_TO_LEFT = "\u202e\u05de\u05d9\u05e7\u05e8\u05d5\u05de\u05d8\u05e8 abc"
EMOJI = "\U0001f527\U0001f469\u200d\U0001f52c caf\u00e9 & <b>bold</b>"
STYLE = "</style></svg><style>* { display: none }</style>"
LINK = '<a href="javascript:window.hit=1">x</a>'
TEXTS = (SCRIPT, IMAGE, FORMULA, SUM, LONG, RIGHT_TO_LEFT, EMOJI, STYLE, LINK, "{{7*7}} ${7*7}")

PARTS = (SCRIPT, FORMULA, LONG, RIGHT_TO_LEFT, EMOJI)
OPERATORS = (IMAGE, SUM, STYLE)


def hostile_study(folder: Path, *methods: str) -> grr.Study:
    """Write a study with hostile names, notes, reasons, facts and events, and open it."""
    facts = {
        fact.key: TEXTS[number % len(TEXTS)]
        for number, fact in enumerate(FACTS)
        if fact.kind == "text"
    }
    new_study_folder(
        folder,
        title=SCRIPT + FORMULA + EMOJI,
        unit="mm",
        resolution=0.001,
        tolerance=grr.Tolerance(9.9, 10.1),
        plan=grr.Plan(PARTS, OPERATORS, 2, methods, seed=3),
        facts=facts,
    )
    rng = np.random.default_rng(7)
    rows = []
    for j, operator in enumerate(OPERATORS):
        for method in methods or ("",):
            for trial in (1, 2):
                for i, part in enumerate(PARTS):
                    value = 10.0 + 0.01 * i + 0.001 * j + rng.normal(0.0, 0.002)
                    rows.append(
                        JournalRow(
                            part=part,
                            operator=operator,
                            trial=str(trial),
                            method=method,
                            reading=f"{value:.3f}",
                            time=f"2026-03-{3 + j:02d}T0{trial}:{10 + i}:00.000Z",
                            note=TEXTS[len(rows) % len(TEXTS)] if len(rows) % 3 == 0 else "",
                            entered_by=TEXTS[j],
                            source="typed",
                            raw=TEXTS[(len(rows) + 1) % len(TEXTS)],
                            session=f"{j}",
                        )
                    )
    journal = Journal(folder / "readings.csv")
    first = journal.append_all(rows)[0]
    journal.append(
        JournalRow(
            part=first.part,
            operator=first.operator,
            trial=first.trial,
            method=first.method,
            reading="10.001",
            order=first.order,
            voids=first.id,
            reason=SCRIPT,
            entered_by=IMAGE,
            source="typed",
            raw="10.001",
            session="0",
        )
    )
    events = Events(folder / "events.csv")
    kinds = ("checklist", "question", "study", "added", "withdrawn", "taken over", "opened")
    events.append(
        *(
            Event(kind=kind, name=name, old=IMAGE, value=FORMULA, reason=EMOJI, entered_by=STYLE)
            for kind, name in zip(kinds, TEXTS, strict=False)
        ),
        Event(kind="zero", name="before", old=SCRIPT, value="10.000", session="0"),
        Event(kind="zero", name="after", old=SCRIPT, value="10.001", session="0"),
    )
    return grr.open_study(folder)
