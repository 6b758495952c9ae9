"""`grr.after_check`: what follows a check, a fall or a repair."""

from __future__ import annotations

from dataclasses import dataclass

from grr.model import tables
from grr.model.rounding import length, percent
from grr.model.values import needs, one_of
from grr.questions.stability_result import StabilityResult

EVENTS = ("check", "dropped", "repaired")
DEFER = "The laboratory's and the customer's procedures go before these steps."


@dataclass(frozen=True, repr=False)
class AfterCheck:
    """What to do now.

    Attributes
    ----------
    headline : str
    steps : tuple of str
        In this order.
    """

    headline: str
    steps: tuple[str, ...]

    def __str__(self) -> str:
        lines = [tables.paragraph(self.headline), ""]
        lines += [tables.bullet(f"{n}. {step}") for n, step in enumerate(self.steps, start=1)]
        return "\n".join([*lines, "", tables.paragraph(DEFER)])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        # every step is escaped, so the only list tags are the list's own
        steps = tables.html_list(self.steps).replace("<ul", "<ol").replace("</ul>", "</ol>")
        return tables.html_prose(self.headline) + steps + tables.html_prose(DEFER)


def after_check(result: StabilityResult | None = None, *, event: str = "check") -> AfterCheck:
    """Say what to do after a check of the gauge, or after it fell or was repaired.

    Parameters
    ----------
    result : StabilityResult, optional
        From `grr.stability`, its latest check included.
    event : {"check", "dropped", "repaired"}

    Raises
    ------
    StudyError
        A check without a result.

    Notes
    -----
    Source: ISO 10012 and IATF 16949, 7.1.5 (previous results of a gauge found out of
    order; from memory); common practice.
    """
    one_of("event", event, EVENTS)
    if event == "dropped":
        return _dropped()
    if event == "repaired":
        return _repaired()
    result = needs(result, StabilityResult)
    return _alarm(result) if result.alarm_now else _quiet(result)


def _alarm(result: StabilityResult) -> AfterCheck:
    last = result.last_good
    since = (
        "Recheck the parts measured with it; no check in this record was free of alarms."
        if last is None
        else f"Recheck the parts measured since the last good check, on {last.date()}: those near "
        "a limit first. Block their delivery until then."
    )
    return AfterCheck(
        "The latest check gives an alarm. The gauge is out of use until this is settled.",
        (
            "Tag the gauge and put it where nobody can take it by mistake.",
            "Repeat the check: clean the faces, let gauge and check standard soak, let a second "
            "person read. Record both checks, whatever they show.",
            "If the alarm stays, look for the cause: dirt or damage on the faces, a fall, a new "
            "zero, the battery, the check standard itself.",
            f"{since}{_size(result)}",
            "If parts may be out of tolerance and are delivered, tell those responsible: the "
            "customer's requirements say what follows.",
            "After a repair or an adjustment qualify the gauge again (notebook 8) and start a new "
            "baseline.",
        ),
    )


def _size(result: StabilityResult) -> str:
    if result.step is None:
        return ""
    size = float(result.step.size)
    text = length(abs(size), result.unit)
    width = None if result.tolerance is None else result.tolerance.width
    share = "" if width is None else f", {percent(100 * abs(size) / width)} of the tolerance"
    way = "large" if size > 0 else "small"
    return f" Their readings were likely too {way} by {text}{share}."


def _quiet(result: StabilityResult) -> AfterCheck:
    steps = [f"Go on. {_next(result)}"]
    if result.alarmed:
        steps.insert(
            0,
            "Earlier checks gave alarms. Write down what happened then, and choose a baseline "
            "after it was put right.",
        )
    return AfterCheck("The latest check gives no alarm.", tuple(steps))


def _next(result: StabilityResult) -> str:
    if result.next_check is None:
        return "Next check at the interval of the laboratory's procedure."
    return f"Next check at the latest on {result.next_check}; after a fall or a knock at once."


def _dropped() -> AfterCheck:
    return AfterCheck(
        "A gauge that fell is out of use until it has been qualified again.",
        (
            "Tag it. A fall bends a frame or chips a face without changing the zero.",
            "Check the faces (flatness, parallelism) and the free run of the spindle.",
            "Measure the reference part and blocks over the range again (notebook 8), "
            "and compare with the page on file.",
            "If anything has changed: recheck the parts measured since the last good check, have "
            "the gauge repaired and calibrated, and qualify it again.",
        ),
    )


def _repaired() -> AfterCheck:
    return AfterCheck(
        "A repaired or adjusted gauge is a new gauge.",
        (
            "Have it calibrated; keep the readings from before the repair (as found).",
            "Qualify it again (notebook 8): reference part, range, uncertainty; the study on "
            "parts too where the force or the faces were changed.",
            "Start a new baseline for its checks.",
        ),
    )
