"""`grr.show.gauge_label`: a label to print and keep with the gauge."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from grr.files.allowed_files import safe_target
from grr.files.disk import write_whole
from grr.model.facts import CLOSED_FACES
from grr.model.names import shortened
from grr.model.rounding import length, limits_text, rounded_up
from grr.model.study import Study
from grr.page.templates import render
from grr.questions.acceptance import rounded_inwards
from grr.questions.qualify import RELEASED, Qualification
from grr.questions.verdict import LOOKS, WITH_LIMITS, verdict

#: Longest text in one line of the label.
LONGEST = 44


@dataclass(frozen=True, repr=False)
class GaugeLabel:
    """A label of 90 by 55 mm.

    Attributes
    ----------
    lines : tuple of (str, str)
        What stands on it: name and value.
    decision : str
    example : bool
        Whether the readings are invented.
    """

    lines: tuple[tuple[str, str], ...]
    decision: str
    example: bool

    @property
    def html(self) -> str:
        """The label, with inline styles only."""
        return self._written(page=False)

    def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the label as a page to print, and return its path.

        Parameters
        ----------
        path : str or path
        overwrite : bool
            Whether a file that grr did not make may be replaced.

        Raises
        ------
        StudyError
            The file may not be replaced, or cannot be written.
        """
        target = safe_target(path, overwrite=overwrite)
        write_whole(target, self.page)
        return target

    @property
    def page(self) -> str:
        """The label as a page of its own, to print."""
        return self._written(page=True)

    def __str__(self) -> str:
        return "\n".join(f"{name}: {value}" for name, value in self.lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return self.html

    def _written(self, *, page: bool) -> str:
        (_, gauge), *lines = self.lines
        values = {**vars(self), "page": page, "gauge": gauge, "lines": lines}
        return render("label.html.j2", values)


def gauge_label(page: Qualification) -> GaugeLabel:
    """Make the label of a qualified gauge: what it may measure, and how.

    Parameters
    ----------
    page : Qualification

    Returns
    -------
    GaugeLabel
        Shows in a notebook; ``label.save("label.html")`` writes a page to print.
    """
    mark, _ = LOOKS[page.decision]
    return GaugeLabel(tuple(_lines(page)), f"{mark} {page.decision}", page.example)


def _lines(page: Qualification) -> list[tuple[str, str]]:
    facts = page.facts
    lines = [("Gauge", shortened(page.gauge or "number not given", LONGEST))]
    lines.append(("for", shortened(page.characteristic or "not given", LONGEST)))
    lines.append(("limits", limits_text(page.tolerance, page.resolution, page.unit)))
    if page.decision in RELEASED:
        accept = next((c for c in page.conditions if c.startswith("Accept parts by")), "")
        if accept:
            lines.append(("accept", accept.removeprefix("Accept parts by ").rstrip(".")))
    lines += _held(facts)
    lines += _proven(page.least_tolerance, page.unit)
    lines.append(("check zero", shortened(_zero(page), LONGEST + 20)))
    if page.correction.known:
        lines.append(("correct", f"{page.correction:+} on every reading"))
    lines.append(("result", f"mean of {page.mean_of}" if page.mean_of > 1 else "one reading"))
    lines.append(("report", shortened(page.report or "not given", LONGEST)))
    if page.seal:
        lines.append(("seal", page.seal))
    until = "by the procedure" if page.valid_until is None else f"{page.valid_until}"
    lines.append(("next check", until))
    return lines


def study_label(study: Study) -> GaugeLabel:
    """Make the label of a gauge from one study: its verdict, and by which limits to accept."""
    decided, facts = verdict(study), study.facts
    gauge = str(facts.get("gauge_number") or facts.get("gauge") or "number not given")
    lines = [("Gauge", shortened(gauge, LONGEST)), ("for", shortened(study.title, LONGEST))]
    lines.append(("limits", limits_text(study.tolerance, study.resolution, study.unit)))
    limits = decided.acceptance_limits
    if decided.decision == WITH_LIMITS and limits is not None and study.resolution is not None:
        kept = rounded_inwards(limits, study.resolution)
        lines.append(("accept", limits_text(kept, study.resolution, study.unit)))
    lines += _held(facts)
    if decided.proven_for is not None:
        proven = decided.proven_for.limit
        lines += _proven(proven.value, proven.unit)
    if study.all_studied:
        lines.append(("by", shortened(", ".join(study.operator_names), LONGEST)))
    if study.record and study.record.seal:
        lines.append(("seal", study.record.seal))
    mark, _ = LOOKS[decided.banner]
    return GaugeLabel(tuple(lines), f"{mark} {decided.banner}", study.example)


def _held(facts: Mapping[str, object]) -> list[tuple[str, str]]:
    """Return how the gauge is held and how long it soaks, as far as that is stated."""
    asked = (("holding", "hold", ""), ("soak_minutes", "soak", " min"))
    return [
        (name, shortened(f"{facts[key]}{unit}", LONGEST))
        for key, name, unit in asked
        if facts.get(key) not in (None, "")
    ]


def _proven(width: float, unit: str) -> list[tuple[str, str]]:
    """Return the line with the smallest tolerance that the gauge is proven for, where known."""
    if not math.isfinite(width):
        return []
    return [("proven for", f"tolerances from {length(rounded_up(width, unit), unit)} up")]


def _zero(page: Qualification) -> str:
    when = str(page.facts.get("zeroed_how_often") or "before use")
    if page.rezero_minutes is not None:
        when = f"every {page.rezero_minutes:g} min"
    if page.facts.get("zeroed_on") in (None, "", CLOSED_FACES):
        return f"{when}, on a part-sized block"
    return when
