"""The form of a gauge: its facts, readings of its blocks taken live, and what follows from them.

It works on the folder of the gauge (see `grr.files.gauge_folder`): what it says is saved is on
the disk, and a form that is opened again goes on where the last one was.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from grr.entry import sessions
from grr.entry.collecting import Collecting, Outcome, ReadingsSoFar, order_of, stamp
from grr.entry.gauge_work import GaugeWork, begin
from grr.entry.messages import ACTIONS, MessageHandler
from grr.entry.view import AHEAD, open_question
from grr.entry.window import ReadingsForm
from grr.files.folder import open_study
from grr.files.gauge_folder import (
    GAUGE_FILE,
    READINGS,
    Purpose,
    block_readings,
    take_block_readings,
    unrecorded_facts,
    write_gauge,
)
from grr.files.text_and_numbers import number_in
from grr.formulas.micrometer import LEAST_INFORMATION, phase_information
from grr.model.errors import StudyError
from grr.model.gauge_facts import CalibratedBlock, GaugeFacts
from grr.model.names import begun, brief
from grr.model.rounding import JOIN, counted, length, size
from grr.model.study import Study
from grr.model.units import conversion, fine_unit
from grr.questions.own_gauge import (
    FEW,
    FIRST_CHECKS,
    LEAST_FOR_PITCH,
    LINES,
    MANY,
    GaugeFindings,
    gauge_findings,
    watched,
)
from grr.questions.qualify import Qualification
from grr.questions.stability import after_check, first_checks

_HERE = Path(__file__).parent
REPORT = "report.html"
#: Purposes that are read one after the other to qualify a gauge.
IN_TURN: tuple[Purpose, ...] = ("reference", "range")
PURPOSES: tuple[Purpose, ...] = (*IN_TURN, "check")
#: What puts a file that was changed by hand on record.
PUT_ON_RECORD = "Open Gauge and blocks: set it right there, or save it as it is"
#: A change of more characters is told by its name alone.
LONGEST_CHANGE = 40
#: A bias of less than this share of U is none, but for rounding.
_NOTHING = 1e-3
#: The cells of the table that make a line of it a block; k alone does not.
_OF_A_BLOCK = ("name", "size", "expanded", "calibrated", "certificate")
#: A calibrated value is known better than this share of it.
_UNLIKELY_U = 1e-3


class GaugeForm(ReadingsForm):
    """The form of one gauge; made by `grr.qualify_page` and `grr.watch_page`.

    Attributes
    ----------
    folder : Path
    kind : {"qualify", "watch"}
    """

    _esm = "".join(
        (_HERE / name).read_text("utf-8") for name in ("elements.js", "carrier.js", "gauge_form.js")
    )
    _css = (_HERE / "study_form.css").read_text("utf-8") + (_HERE / "gauge_form.css").read_text(
        "utf-8"
    )
    work: GaugeWork

    def __init__(
        self,
        folder: Path,
        kind: Literal["qualify", "watch"],
        title: str,
        studies: list[str],
        *,
        filing: Callable[[Qualification, Path], object],
        label: Callable[[Qualification], str],
    ) -> None:
        self._filing, self._label = filing, label
        self._studies, self._worked_out = studies, False
        self.folder, self.kind = folder, kind
        work = GaugeWork(folder, ("check",) if kind == "watch" else IN_TURN, title)
        as_a_study = ("reading", "checklist", "end", "keep", "cause")
        actions = {
            **{kind: ACTIONS[kind] for kind in as_a_study},
            "begin": lambda work, message: begin(work, str(message.get("operator") or "").strip()),
            "undo": self.undo,
            "facts": lambda _, message: self.save_facts(message),
            "lines": lambda _, message: self.save_lines(message),
            "paste": lambda _, message: self.paste(message),
            "report": lambda _, message: self.file(message),
        }
        super().__init__(work, MessageHandler(work, actions, self._state))

    def __repr__(self) -> str:
        return "Run this cell to see the form of the gauge."

    @property
    def facts(self) -> GaugeFacts:
        """What the folder says of the gauge; only its name where there is none."""
        return self.work.facts

    def _work(self, page: str, message: Mapping[str, Any]) -> None:
        # While blocks are read nothing is worked out from them.
        self._worked_out = message.get("view") == "fit"
        super()._work(page, message)

    # What a page asks for

    def undo(self, work: Collecting, message: Mapping[str, Any]) -> Outcome:
        """Take out the reading taken last, where it is one of those that this form asks for."""
        if not self._undoable(work.record):
            raise StudyError("No reading of this session is left to undo here", "Read the block")
        return ACTIONS["undo"](work, message)

    def _undoable(self, record: ReadingsSoFar) -> bool:
        session = record.session
        there = [*record.standing, *record.waiting]
        rows = [row for row in there if session and row.session == session.session]
        return bool(rows) and max(rows, key=order_of).method in self.work.purposes

    def save_facts(self, message: Mapping[str, Any]) -> Outcome:
        """Write what is known of the gauge and of its blocks."""
        said = message.get("answers") or {}
        unit = str(said.get("unit"))
        lines = enumerate(message.get("blocks") or (), start=1)
        # Of the lines of the table those that say something, each with its place.
        rows = [(n, row) for n, row in lines if any(_word(row, key) for key in _OF_A_BLOCK)]
        blocks = [_block(row, number, unit) for number, row in rows]
        old = self.facts

        def number(key: str, what: str, shown_in: str = unit) -> float | None:
            return _number(said.get(key), what, shown_in, unit, column=key)

        try:
            facts = GaugeFacts(
                title=_word(said, "title") or self.folder.name,
                unit=unit,
                resolution=number("resolution", "The last digit"),
                lower=number("lower", "The lower limit"),
                upper=number("upper", "The upper limit"),
                mpe=number("mpe", "The largest error of indication", fine_unit(unit)),
                pitch=number("pitch", "The pitch of the screw"),
                blocks=tuple(blocks),
                standard=_word(said, "standard"),
                study=str(said.get("study") or ""),
                corrected=said.get("corrected") == "yes",
                lines=old.lines,
                in_study=old.in_study,
            )
        except StudyError as error:
            raise error if error.row is None else error.at(row=rows[error.row - 1][0]) from None
        _refuse_contradictions(facts)
        read = {name for readings in self._readings().values() for name in readings["part"]}
        lost = sorted(read - {block.name for block in blocks})
        if lost:
            raise StudyError(f"Block {lost[0]} has readings", "Keep it; undo its readings first")
        new = not self.folder.exists()
        if not new:
            self.work.ownership.insist()
        write_gauge(self.folder, facts)
        self.work.read_facts()
        if new:
            self.work.ownership.take()
        return Outcome("done", "Saved.")

    def save_lines(self, message: Mapping[str, Any]) -> Outcome:
        """Write the lines of the budget."""
        facts = self.facts
        texts = message.get("lines") or {}
        lines = {}
        for line in LINES:
            units = (fine_unit(facts.unit), facts.unit) if line.unit == "length" else ("", "")
            value = _number(texts.get(line.key), line.words, *units, column=line.key)
            if value:
                lines[line.key] = value
        held = tuple(line.key for line in LINES if line.key in (message.get("in_study") or ()))
        self._insist_on_record()
        write_gauge(self.folder, replace(facts, lines=lines, in_study=held))
        return Outcome("done", "")

    def paste(self, message: Mapping[str, Any]) -> Outcome:
        """File earlier checks, one a line: day and reading."""
        facts = self.facts
        who = _word(message, "who")
        if not who:
            raise StudyError("Nobody is named who read", "Write a name", column="who")
        rows = []
        for number, line in enumerate(str(message.get("text") or "").splitlines(), start=1):
            words = line.replace(";", " ").replace("\t", " ").split()
            if not words:
                continue
            here: dict[str, Any] = {"row": number, "column": "checks", "value": line}
            try:
                day = datetime.fromisoformat(words[0])
                value = number_in(facts.unit, "".join(words[1:]))
            except (ValueError, IndexError, StudyError):
                problem = f"Line {number} holds no day and reading"
                remedy = "Write each check on a line, like 2027-03-31 10.0001"
                raise StudyError(problem, remedy, **here) from None
            block = facts.block(facts.standard)
            if not abs(value - block.size) <= facts.far_from(block):
                problem = f"The reading of line {number} is far from the block"
                raise StudyError(problem, "Correct it first", **here)
            decimals = len(words[1].replace(",", ".").partition(".")[2])
            aware = day if day.tzinfo else day.replace(tzinfo=UTC)
            rows.append((facts.standard, f"{value:.{decimals}f}", stamp(aware)))
        if not rows:
            problem = "There is no check to file"
            raise StudyError(problem, "Write each check on a line", column="checks")
        with self.work.writing() as record:
            session = record.session.session if record.session else ""
            given = {"identifier": str(message.get("id")), "source": "pasted", "session": session}
            take_block_readings(self.folder, "check", rows, who=who, **given)
        return Outcome("done", f"{counted(len(rows), 'check')} filed.")

    def file(self, _message: Mapping[str, Any]) -> Outcome:
        """Write the report of the qualification into the folder of the gauge."""
        page = self._found(self.facts).page
        if page is None:
            raise StudyError("There is nothing to file yet", "Write limits and digit first")
        self._insist_on_record()
        self._filing(page, self.folder / REPORT)
        return Outcome("done", "Filed in the gauge's own folder.")

    def _insist_on_record(self) -> None:
        """Write nothing that rests on facts of which the record does not know."""
        self.work.ownership.insist()
        if self._changed_by_hand():
            raise StudyError(self._changed_by_hand(), PUT_ON_RECORD)

    def _changed_by_hand(self) -> str:
        """Return what ``gauge.toml`` says otherwise than the record; "" where nothing."""
        changes = unrecorded_facts(self.folder)
        if not changes:
            return ""
        named = [f"{one.key} {one.old or '–'} → {one.new or '–'}" for one in changes]
        what = ", ".join(one if len(one) < LONGEST_CHANGE else one.split()[0] for one in named)
        return f"{GAUGE_FILE} was changed by hand: {what}"

    def _found(self, facts: GaugeFacts) -> GaugeFindings:
        return gauge_findings(facts, self._readings(), self._study(facts))

    def _readings(self) -> dict[str, pd.DataFrame]:
        return {purpose: block_readings(self.folder, purpose) for purpose in PURPOSES}

    def _filed(self) -> bool:
        """Whether the report is there and newer than what it rests on."""
        report, facts, readings = (self.folder / name for name in (REPORT, GAUGE_FILE, READINGS))
        if not (report.exists() and facts.exists() and readings.exists()):
            return False
        return report.stat().st_mtime >= max(facts.stat().st_mtime, readings.stat().st_mtime)

    # What the page shows

    def _state(self, work: GaugeWork) -> dict[str, Any]:
        """Return what the page shows."""
        facts, record = work.facts, work.record
        readings = self._readings()
        everything = pd.concat(readings.values())
        due, stage = work.due(record), work.stage(record)
        left = work.places_left(record)
        session = record.last_session
        before = "" if everything.empty else str(everything.iloc[-1]["operator"])
        changed = self._changed_by_hand() if (self.folder / GAUGE_FILE).exists() else ""
        shown: dict[str, Any] = {
            "study": work.job.key,
            "stage": stage,
            "place": None if due is None else {"key": due.as_list},
            "ahead": [place.as_list for place in left[1:AHEAD] if place != due],
            "question": open_question(work, record),
            "checklist": [one.as_dict() for one in sessions.questions(work, record)]
            if stage == "again"
            else [],
            "asks": "Before the readings",
            "all_done": len(record.standing),
            "kind": self.kind,
            "saved": (self.folder / GAUGE_FILE).exists(),
            "changed": f"{changed}. {PUT_ON_RECORD}." if changed else "",
            "folder": str(self.folder),
            "units": [facts.unit, fine_unit(facts.unit)],
            "answers": _answers(facts),
            "blocks": [_block_answers(block, facts.unit) for block in facts.blocks],
            "studies": self._studies,
            "who": session.value if session else before,
            "due": _due(work, record),
            "progress": _progress(facts, readings),
            "last": _last(everything, facts, "{part}: "),
            "undoable": self._undoable(record),
        }
        if self.kind == "watch":
            last = _last(readings["check"], facts, "")
            return shown | {"last": last} | _watched(facts, readings)
        if not self._worked_out:
            return shown
        found = self._found(facts)
        return shown | {
            "filed": self._filed(),
            "label": self._label(found.page) if found.page and self._filed() else "",
            "lines": _line_rows(facts, found),
            "held": [] if found.study is None else list(facts.in_study),
            "has_study": found.study is not None,
            **_fit(found, facts),
        }

    def _study(self, facts: GaugeFacts) -> Study | None:
        if not facts.study:
            return None
        try:
            return open_study(self.folder.parent.parent / facts.study)
        except StudyError:
            return None  # the requirement says that there is none


def _number(
    text: object,
    what: str,
    shown_in: str,
    unit: str,
    *,
    column: str | None = None,
    row: int | None = None,
) -> float | None:
    words = str(text or "").strip()
    if words == "":
        return None
    try:
        value = number_in(shown_in, words) * conversion(shown_in, unit)
    except StudyError as error:
        raise StudyError(
            f"{what} is no number", "Write one", row=row, column=column, value=words
        ) from error
    return float(f"{value:.12g}")


def _word(row: Mapping[str, Any], key: str) -> str:
    return str(row.get(key) or "").strip()


def _block(row: Mapping[str, Any], number: int, unit: str) -> CalibratedBlock:
    """Return the block that a line of the table states; a refusal names line and cell."""
    name = _word(row, "name")
    named = f"block {name}" if name else f"the block in line {number}"

    def stated(key: str, what: str, shown_in: str = "", into: str = "") -> float | None:
        found = _number(row.get(key), f"{what} of {named}", shown_in, into, column=key, row=number)
        if found is not None and (found < 0.0 or (key == "k" and found == 0.0)):
            problem = f"{what} of {named} cannot be {row[key]}"
            raise StudyError(problem, "Copy its certificate", row=number, column=key)
        return found

    value = stated("size", "The size", unit, unit)
    expanded = stated("expanded", "U", fine_unit(unit), unit) or 0.0
    if value is None:
        problem = f"{begun(named)} has no calibrated size"
        raise StudyError(problem, "Copy its certificate", row=number, column="size")
    if abs(value) > 0.0 and expanded > _UNLIKELY_U * abs(value):
        problem = f"U of {named} is {100 * expanded / abs(value):.2g} % of its size"
        remedy = f"Write it in {fine_unit(unit)}"
        raise StudyError(problem, remedy, row=number, column="expanded")
    k, told = stated("k", "k"), (_word(row, "calibrated"), _word(row, "certificate"))
    try:
        return CalibratedBlock(name, value, expanded, 2.0 if k is None else k, *told)
    except StudyError as error:
        raise error.at(row=number) from None


def _refuse_contradictions(facts: GaugeFacts) -> None:
    """Refuse what cannot be meant: a digit against the tolerance, blocks that show no pitch."""
    if facts.lower is None or facts.upper is None:
        raise StudyError("Both limits of the tolerance are needed", "Write them", column="lower")
    if facts.resolution is None:
        raise StudyError("The last digit is needed", "Write its step", column="resolution")
    if facts.resolution >= facts.upper - facts.lower:
        raise StudyError(
            "The last digit is coarser than the whole tolerance",
            f"Write it in {facts.unit}, like 0.001",
            column="resolution",
        )
    sizes = np.unique([block.size for block in facts.blocks])
    wanted = facts.pitch is not None and len(sizes) >= LEAST_FOR_PITCH
    if wanted and phase_information(sizes, facts.pitch or 0.0) < LEAST_INFORMATION:
        raise StudyError(
            "At these sizes the screw stops at the same angles, which hides its error",
            "Take sizes such as 2.5, 5.1, 7.7 mm, or leave the pitch empty",
            column="pitch",
        )
    if not facts.standard:
        problem = "No block is marked as that of the part's size"
        raise StudyError(problem, "Mark one", column="standard")


def _answers(facts: GaugeFacts) -> dict[str, str]:
    fine = conversion(facts.unit, fine_unit(facts.unit))
    shown = {
        name: "" if getattr(facts, name) is None else f"{getattr(facts, name):.12g}"
        for name in ("resolution", "lower", "upper", "pitch")
    }
    return {
        **shown,
        "title": facts.title,
        "unit": facts.unit,
        "mpe": "" if facts.mpe is None else f"{facts.mpe * fine:.12g}",
        "standard": facts.standard,
        "study": facts.study,
        "corrected": "yes" if facts.corrected else "no",
    }


def _block_answers(block: CalibratedBlock, unit: str) -> dict[str, str]:
    fine = conversion(unit, fine_unit(unit))
    numbers = {"size": block.size, "expanded": block.expanded * fine, "k": block.k}
    return {key: str(text) for key, text in asdict(block).items()} | {
        key: f"{value:.12g}" for key, value in numbers.items()
    }


def _due(work: GaugeWork, record: ReadingsSoFar) -> dict[str, Any]:
    """Return the block to read next, how many of its kind are read, and of how many."""
    place = work.due(record) or next(iter(work.open_places(record, "")), None)
    if place is None:
        return {}
    asked = [one for one in work.planned(record) if one.method == place.method]
    left = [one for one in work.open_places(record, "") if one.method == place.method]
    done = len(asked) - len(left)
    return {"purpose": place.method, "block": place.part, "done": done, "of": len(asked)}


def _progress(facts: GaugeFacts, readings: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    rows = []
    for block in facts.blocks:
        counts = [int((readings[one]["part"] == block.name).sum()) for one in IN_TURN]
        many = f"{counts[0]} of {MANY}" if block.name == facts.standard else ""
        rows.append({"name": block.name, "many": many, "few": f"{counts[1]} of {FEW}"})
    return rows


def _last(readings: pd.DataFrame, facts: GaugeFacts, named: str) -> list[str]:
    """Return the readings taken last, the newest first, each after its block where named."""
    last = readings.sort_values("order").tail(6).iloc[::-1]
    return [
        f"{named.format(part=row['part'])}{size(row['reading'], facts.resolution)}"
        for _, row in last.iterrows()
    ]


def _line_rows(facts: GaugeFacts, found: GaugeFindings) -> list[dict[str, Any]]:
    """Return the lines of the budget, each with what it takes of the uncertainty allowed."""
    fine = conversion(facts.unit, fine_unit(facts.unit))
    rows: list[dict[str, Any]] = [
        {"key": key, "words": words, "takes": _takes(found.takes(key))}
        for key, words in (
            ("digit", "Last digit"),
            ("study", "Parts and people" if found.study else "Repeatability"),
            ("bias", "Bias, how well known"),
        )
    ]
    for line in LINES:
        length_line = line.unit == "length"
        value = facts.lines.get(line.key)
        rows.append(
            {
                "key": line.key,
                "words": line.words,
                "value": "" if value is None else f"{value * (fine if length_line else 1.0):.6g}",
                "unit": fine_unit(facts.unit) if length_line else line.unit,
                "held": line.in_study and found.study is not None,
                "takes": _takes(found.takes(line.key)),
            }
        )
    return rows


def _takes(share: float) -> str:
    if math.isnan(share) or share == 0.0:
        return "–"
    return f"<1{JOIN}%" if share < 1.0 else f"{share:.0f}{JOIN}%"


def _fit(found: GaugeFindings, facts: GaugeFacts) -> dict[str, Any]:
    """Return the requirements, nearest to its limit first, and U against what is allowed."""
    page, budget = found.page, found.budget
    if page is None or facts.tolerance is None or facts.tolerance.width is None:
        return {"decision": "", "requirements": [], "whole": None}
    wide = length(facts.tolerance.width, facts.unit)
    rows = []
    for one in page.in_order:
        todo = brief(one.todo.partition(" (grr.")[0])
        rows.append(
            {
                "name": one.name,
                "outcome": one.outcome,
                "found": one.found,
                "used": None if math.isnan(one.used) else min(one.used, 9.0),
                "todo": todo if one.todo and one.outcome != "pass" else "",
            }
        )
    whole = None
    if budget is not None:
        whole = {
            "u": length(budget.expanded, facts.unit),
            "allowed": length(found.allowed, facts.unit),
            "share": budget.expanded / found.allowed,
            "k": f"{budget.coverage:.2g}",
            "bias": length(abs(budget.bias), facts.unit)
            if abs(budget.bias) > _NOTHING * budget.expanded
            else "",
        }
    return {
        "decision": page.decision,
        "question": f"Fit for {wide}?",
        "asked": f"Fit for {wide} of tolerance?",
        "nearest": f"Nearest to its limit: {page.weakest.name}.",
        "requirements": rows,
        "whole": whole,
    }


def _watched(facts: GaugeFacts, readings: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """Return the chart of the checks, what it says, and what to do."""
    try:
        result = watched(facts, readings)
    except StudyError as error:
        checks = readings["check"]
        days, own = checks["time"].str[:10].nunique(), checks[checks["part"] == facts.standard]
        told, steps = first_checks(own, unit=facts.unit, resolution=facts.resolution)
        few = f"Limits come from {FIRST_CHECKS} days with a check; so far there are {days}. {told}"
        says = few if days < FIRST_CHECKS else f"{error.problem}. {error.remedy}."
        return {"chart": "", "chart_says": says, "alarm": bool(steps), "next": list(steps)}
    from grr.show.static import figure_svg
    from grr.show.time_figures import checks_over_time

    figure = checks_over_time(result)
    says = figure.layout.meta["answer"]
    todo = [step.partition(" (grr.")[0].split(". ") for step in after_check(result).steps[:3]]
    return {
        "chart": figure_svg(figure, width=880),
        "chart_says": says,
        "alarm": bool(result.alarm_now),
        # What the chart says already is not said again.
        "next": [". ".join(one for one in step if one not in says) for step in todo],
    }
