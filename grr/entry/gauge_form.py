"""The form of a gauge: its facts, readings of its blocks taken live, and what follows from them.

It works on the folder of the gauge (see `grr.files.gauge_folder`): what it says is saved is on
the disk, and a form that is opened again goes on where the last one was.
"""

from __future__ import annotations

import math
import random
import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import anywidget
import pandas as pd

from grr.files.folder import open_study
from grr.files.gauge_folder import (
    GAUGE_FILE,
    READINGS,
    Purpose,
    block_readings,
    read_gauge,
    take_block_readings,
    undo_block_reading,
    write_gauge,
)
from grr.files.journal import Journal
from grr.files.text_and_numbers import parse_number
from grr.model.errors import StudyError
from grr.model.gauge_facts import CalibratedBlock, GaugeFacts
from grr.model.rounding import JOIN, length, size
from grr.model.study import Study
from grr.model.units import conversion, fine_unit
from grr.questions.own_gauge import (
    FEW,
    FIRST_CHECKS,
    LINES,
    MANY,
    GaugeFindings,
    gauge_findings,
    watched,
)
from grr.questions.qualify import Qualification
from grr.questions.stability import after_check

_HERE = Path(__file__).parent
REPORT = "report.html"
#: Purposes that are read one after the other to qualify a gauge.
_IN_TURN: tuple[Purpose, ...] = ("reference", "range")
#: A calibrated value is known better than this share of it.
_UNLIKELY_U = 1e-3


class GaugeForm(anywidget.AnyWidget):
    """The form of one gauge; made by `grr.qualify_page` and `grr.watch_page`.

    Attributes
    ----------
    folder : Path
    kind : {"qualify", "watch"}
    said : str
        How the last message ended.
    good : bool
    question : str
        What is asked about a reading that is not filed yet; "" where nothing is.
    """

    _esm = "".join((_HERE / name).read_text("utf-8") for name in ("elements.js", "gauge_form.js"))
    _css = (_HERE / "study_form.css").read_text("utf-8") + (_HERE / "gauge_form.css").read_text(
        "utf-8"
    )

    def __init__(
        self,
        folder: Path,
        kind: Literal["qualify", "watch"],
        title: str,
        studies: list[str],
        *,
        filing: Callable[[Qualification, Path], object],
    ) -> None:
        super().__init__()
        self._filing = filing
        self.folder, self.kind, self._title, self._studies = folder, kind, title, studies
        self.said, self.good, self.question, self.wrong = "", True, "", ""
        self._guard = threading.RLock()
        self.on_msg(self._heard)

    def __repr__(self) -> str:
        return "Run this cell to see the form of the gauge."

    @property
    def facts(self) -> GaugeFacts:
        """What the folder says of the gauge; only its name where there is none."""
        if not (self.folder / GAUGE_FILE).exists():
            return GaugeFacts(title=self._title or self.folder.name)
        return read_gauge(self.folder)

    # What a page asks for

    def _heard(self, _widget: object, message: Mapping[str, Any], _buffers: object) -> None:
        with self._guard:
            self.said, self.good, self.question, self.wrong = "", True, "", ""
            kind = message.get("kind")
            todo = {
                "facts": self.save_facts,
                "lines": self.save_lines,
                "take": self.take,
                "undo": self.undo,
                "paste": self.paste,
                "file": self.file,
            }.get(str(kind))
            try:
                if todo is not None:
                    todo(message)
                state = self._state(worked_out=kind not in {"take", "undo"})
            except StudyError as error:
                self.said, self.good = str(error), False
                self.wrong = str(error.column or "")
                if self.wrong:  # the field is marked, and its name is ours
                    self.said = f"{error.problem}. {error.remedy}."
                try:
                    state = self._state(worked_out=False)
                except StudyError as broken:
                    state = {"broken": str(broken)}
            told = {"said": self.said, "good": self.good, "question": self.question}
            self.send({"id": message.get("id"), **state, **told, "wrong": self.wrong})

    def save_facts(self, message: Mapping[str, Any]) -> None:
        """Write what is known of the gauge and of its blocks."""
        said, unit = message.get("answers") or {}, str((message.get("answers") or {}).get("unit"))
        fine = conversion(fine_unit(unit), unit)
        blocks = []
        for row in message.get("blocks") or ():
            if not any(str(row.get(key) or "").strip() for key in ("name", "size", "expanded")):
                continue
            name = str(row.get("name") or "").strip()
            value = _number(row.get("size"), f"The size of block {name}")
            expanded = _number(row.get("expanded"), f"U of block {name}", fine) or 0.0
            if value is None:
                raise StudyError(f"Block {name} has no calibrated size", "Copy its certificate")
            if abs(value) > 0.0 and expanded > _UNLIKELY_U * abs(value):
                raise StudyError(
                    f"U of block {name} is {100 * expanded / abs(value):.2g} % of its size",
                    f"Write it in {fine_unit(unit)}",
                )
            blocks.append(
                CalibratedBlock(
                    name,
                    value,
                    expanded,
                    _number(row.get("k"), f"k of block {name}") or 2.0,
                    str(row.get("calibrated") or "").strip(),
                    str(row.get("certificate") or "").strip(),
                )
            )
        old = self.facts
        facts = GaugeFacts(
            title=str(said.get("title") or "").strip() or self.folder.name,
            unit=unit,
            resolution=_number(said.get("resolution"), "The last digit"),
            lower=_number(said.get("lower"), "The lower limit"),
            upper=_number(said.get("upper"), "The upper limit"),
            mpe=_number(said.get("mpe"), "The largest error of indication", fine),
            pitch=_number(said.get("pitch"), "The pitch of the screw"),
            blocks=tuple(blocks),
            standard=str(said.get("standard") or "").strip(),
            study=str(said.get("study") or ""),
            corrected=said.get("corrected") == "yes",
            lines=old.lines,
            in_study=old.in_study,
        )
        _refuse_contradictions(facts)
        for purpose in ("reference", "range", "check"):
            read = set(block_readings(self.folder, purpose)["part"])
            lost = read - {block.name for block in blocks}
            if lost:
                raise StudyError(
                    f"Block {sorted(lost)[0]} has readings", "Keep it; undo its readings first"
                )
        write_gauge(self.folder, facts)
        self.said = f"Saved in {self.folder}."

    def save_lines(self, message: Mapping[str, Any]) -> None:
        """Write the lines of the budget."""
        facts = self.facts
        texts = message.get("lines") or {}
        fine = conversion(fine_unit(facts.unit), facts.unit)
        lines = {}
        for line in LINES:
            factor = fine if line.unit == "length" else 1.0
            value = _number(texts.get(line.key), line.words, factor, column=line.key)
            if value:
                lines[line.key] = value
        held = tuple(line.key for line in LINES if line.key in (message.get("in_study") or ()))
        write_gauge(self.folder, replace(facts, lines=lines, in_study=held))

    def take(self, message: Mapping[str, Any]) -> None:
        """File one reading of the block that is due, or ask about it."""
        facts, purpose = self.facts, self._purpose(message)
        identifier = str(message.get("id"))
        if Journal(self.folder / READINGS).of_message(identifier):
            self.said = "Saved."
            return
        block = facts.block(str(message.get("block")))
        text = str(message.get("text") or "").strip()
        who = str(message.get("who") or "").strip()
        if not who:
            raise StudyError("Nobody is named who reads", "Write a name", column="who")
        value = parse_number(text, "," if "," in text else None)
        if facts.is_far_off(block, value.value) and not message.get("keep"):
            off = length(value.value - block.size, facts.unit)
            self.question = f"{text} is {off} from the block's {block.size:g} {facts.unit}."
            return
        shown = f"{value.value:.{_decimals(text)}f}"
        take_block_readings(
            self.folder, purpose, [(block.name, shown, "")], who=who, identifier=identifier
        )
        self.said = f"{shown} recorded {datetime.now().astimezone():%H:%M}"

    def undo(self, message: Mapping[str, Any]) -> None:
        """Void the last reading."""
        who = str(message.get("who") or "").strip()
        text = undo_block_reading(
            self.folder, self._purpose(message), who=who, identifier=str(message.get("id"))
        )
        self.said = f"{text} undone." if text else "Nothing to undo."

    def paste(self, message: Mapping[str, Any]) -> None:
        """File earlier checks, one a line: day and reading."""
        facts = self.facts
        who = str(message.get("who") or "").strip()
        rows = []
        for number, line in enumerate(str(message.get("text") or "").splitlines(), start=1):
            words = line.replace(";", " ").replace("\t", " ").split()
            if not words:
                continue
            try:
                day = datetime.fromisoformat(words[0])
                value = parse_number(words[1], "," if "," in words[1] else None).value
            except (ValueError, IndexError, StudyError):
                raise StudyError(
                    "This line holds no day and reading",
                    "Write each check on a line, like 2027-03-31 10.0001",
                    row=number,
                    value=line,
                ) from None
            if facts.is_far_off(facts.block(facts.standard), value):
                raise StudyError(
                    "This reading is far from the block", "Correct it first", row=number, value=line
                )
            rows.append((facts.standard, f"{value:.{_decimals(words[1])}f}", _as_filed(day)))
        take_block_readings(
            self.folder,
            "check",
            rows,
            who=who,
            identifier=str(message.get("id")),
            source="pasted",
        )
        self.said = f"{len(rows)} checks filed."

    def file(self, _message: Mapping[str, Any]) -> None:
        """Write the report of the qualification into the folder of the gauge."""
        page = self._found(self.facts).page
        if page is None:
            raise StudyError("There is nothing to file yet", "Write limits and digit first")
        self._filing(page, self.folder / REPORT)
        self.said = f"Filed in {self.folder}."

    def _found(self, facts: GaugeFacts) -> GaugeFindings:
        purposes: tuple[Purpose, ...] = (*_IN_TURN, "check")
        readings = {str(one): block_readings(self.folder, one) for one in purposes}
        return gauge_findings(facts, readings, self._study(facts))

    def _filed(self) -> bool:
        """Whether the report is there and newer than what it rests on."""
        report, facts, readings = (self.folder / name for name in (REPORT, GAUGE_FILE, READINGS))
        if not (report.exists() and facts.exists() and readings.exists()):
            return False
        return report.stat().st_mtime >= max(facts.stat().st_mtime, readings.stat().st_mtime)

    def _purpose(self, message: Mapping[str, Any]) -> Purpose:
        if self.kind == "watch":
            return "check"
        return "range" if message.get("purpose") == "range" else "reference"

    # What the page shows

    def _state(self, *, worked_out: bool) -> dict[str, Any]:
        """Return what the page shows; while blocks are read nothing is worked out from them."""
        facts = self.facts
        purposes: tuple[Purpose, ...] = (*_IN_TURN, "check")
        readings: dict[str, pd.DataFrame] = {
            purpose: block_readings(self.folder, purpose) for purpose in purposes
        }
        everything = pd.concat(readings.values())
        shown: dict[str, Any] = {
            "kind": self.kind,
            "saved": (self.folder / GAUGE_FILE).exists(),
            "folder": str(self.folder),
            "units": [facts.unit, fine_unit(facts.unit)],
            "answers": _answers(facts),
            "blocks": [_block_answers(block, facts.unit) for block in facts.blocks],
            "studies": self._studies,
            "who": "" if everything.empty else str(everything.iloc[-1]["operator"]),
            "due": _due(facts, readings),
            "progress": _progress(facts, readings),
            "last": _last(readings["check"] if self.kind == "watch" else everything, facts),
        }
        if self.kind == "watch":
            return shown | _watched(facts, readings)
        if not worked_out:
            return shown
        found = gauge_findings(facts, readings, self._study(facts))
        return shown | {
            "filed": self._filed(),
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
    text: object, what: str, factor: float = 1.0, *, column: str | None = None
) -> float | None:
    words = str(text or "").strip()
    if words == "":
        return None
    try:
        value = parse_number(words, "," if "," in words else None).value
    except StudyError as error:
        raise StudyError(f"{what} is no number", "Write one", column=column, value=words) from error
    return float(f"{value * factor:.12g}")


def _as_filed(day: datetime) -> str:
    aware = day if day.tzinfo else day.replace(tzinfo=UTC)
    return aware.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _decimals(text: str) -> int:
    return len(text.replace(",", ".").partition(".")[2])


def _refuse_contradictions(facts: GaugeFacts) -> None:
    """Refuse what cannot be meant: a digit against the tolerance, a block that has no name."""
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
    if not facts.standard:
        raise StudyError("No block is marked as that of the part's size", "Mark one")


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


def _due(facts: GaugeFacts, readings: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """Return the block to read next: one many times, then all in rounds of random order."""
    many = int((readings["reference"]["part"] == facts.standard).sum())
    if facts.standard and many < MANY:
        return {"purpose": "reference", "block": facts.standard, "done": many, "of": MANY}
    names = [block.name for block in facts.blocks]
    counts = readings["range"]["part"].value_counts()
    least = min((int(counts.get(name, 0)) for name in names), default=FEW)
    if len(names) < 2 or least >= FEW:
        return {}
    order = random.Random(f"{facts.title} {least}").sample(names, len(names))
    name = next(one for one in order if int(counts.get(one, 0)) == least)
    return {
        "purpose": "range",
        "block": name,
        "done": len(readings["range"]),
        "of": FEW * len(names),
    }


def _progress(facts: GaugeFacts, readings: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    rows = []
    for block in facts.blocks:
        counts = [int((readings[one]["part"] == block.name).sum()) for one in _IN_TURN]
        many = f"{counts[0]} of {MANY}" if block.name == facts.standard else ""
        rows.append({"name": block.name, "many": many, "few": f"{counts[1]} of {FEW}"})
    return rows


def _last(readings: pd.DataFrame, facts: GaugeFacts) -> list[str]:
    last = readings.sort_values("order").tail(6).iloc[::-1]
    return [
        f"{row['part']}: {size(row['reading'], facts.resolution)}" for _, row in last.iterrows()
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
        todo = one.todo.partition(" (grr.")[0].rstrip(".")
        rows.append(
            {
                "name": one.name,
                "outcome": one.outcome,
                "found": one.found,
                "used": None if math.isnan(one.used) else min(one.used, 9.0),
                "todo": f"{todo}." if todo and one.outcome != "pass" else "",
            }
        )
    whole = None
    if budget is not None:
        whole = {
            "u": length(budget.expanded, facts.unit),
            "allowed": length(found.allowed, facts.unit),
            "share": budget.expanded / found.allowed,
            "k": f"{budget.coverage:.2g}",
            "bias": length(abs(budget.bias), facts.unit) if budget.bias else "",
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
        days = readings["check"]["time"].str[:10].nunique()
        few = f"{days} of {FIRST_CHECKS} days with a check; the limits need so many."
        waits = few if days < FIRST_CHECKS else f"{error.problem}. {error.remedy}."
        return {"chart": "", "chart_says": waits, "alarm": False, "next": []}
    from grr.show.static import figure_svg
    from grr.show.time_figures import checks_over_time

    figure = checks_over_time(result)
    todo = after_check(result)
    return {
        "chart": figure_svg(figure, width=880),
        "chart_says": figure.layout.meta["answer"],
        "alarm": bool(result.alarm_now),
        "next": [step.partition(" (grr.")[0] for step in todo.steps][:3],
    }
