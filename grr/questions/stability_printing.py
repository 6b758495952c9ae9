"""How checks over time are printed: as text, and as HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from grr.model import tables
from grr.model.limits import fine_interval, fine_length, signed_length
from grr.model.probability import p_text
from grr.model.rounding import JOIN, counted, length, size
from grr.questions.printing import EXAMPLE
from grr.questions.stability_notes import AHEAD

if TYPE_CHECKING:
    from grr.questions.stability_result import StabilityResult

#: Alarms listed one by one; the rest are counted.
MOST_LISTED = 8


def stability_text(result: StabilityResult) -> str:
    """Return the result for a terminal of 80 columns."""
    lines = [tables.paragraph(line) for line in _opening(result)]
    lines += ["", tables.text_table(*_rows(result)), ""]
    if result.signals:
        lines += [tables.text_table(*_alarms(result)), ""]
    return "\n".join([*lines, *(tables.bullet(line) for line in _closing(result))])


def stability_html(result: StabilityResult) -> str:
    """Return the result for a notebook."""
    blocks = [tables.html_prose(*_opening(result)), tables.html_table(*_rows(result))]
    if result.signals:
        blocks.append(tables.html_table(*_alarms(result)))
    return "".join([*blocks, tables.html_list(_closing(result))])


def _opening(result: StabilityResult) -> list[str]:
    lines = [EXAMPLE] if result.example else []
    name = f"{result.title}: " if result.title else ""
    first, last = result.times[0].date(), result.times[-1].date()
    lines.append(
        f"{name}{counted(len(result.means), 'check')} from {first} to {last}, "
        f"{counted(int(result.counts.sum()), 'reading')}. Limits from the first "
        f"{counted(result.baseline, 'check')} ({result.chart})."
    )
    return lines


def _rows(result: StabilityResult) -> tuple[list[str], list[list[str]]]:
    unit, limits = result.unit, result.limits
    step = None if result.resolution is None else result.resolution / 10.0
    head = ["Chart", "centre", "lower limit", "upper limit"]
    point = "Mean of a check" if result.counts.max() > 1 else "Reading"
    spread = "Range within a check" if result.chart == "mean and range" else "Moving range"
    return head, [
        [
            point,
            size(float(limits.centre), step, unit),
            size(float(limits.lower), step, unit),
            size(float(limits.upper), step, unit),
        ],
        [
            spread,
            length(float(limits.mean_range), unit),
            length(float(limits.range_lower), unit) if float(limits.range_lower) > 0 else "none",
            length(float(limits.range_upper), unit),
        ],
    ]


def _alarms(result: StabilityResult) -> tuple[list[str], list[list[str]]]:
    """Return one row a check at which a rule is met."""
    step = None if result.resolution is None else result.resolution / 10.0
    by_check: dict[int, list[str]] = {}
    for signal in result.signals:
        by_check.setdefault(signal.check, []).append(signal.rule)
    rows = [
        [
            f"{result.times[check].date()}",
            size(float(result.means[check]), step, result.unit),
            ", ".join(names),
        ]
        for check, names in list(by_check.items())[:MOST_LISTED]
    ]
    if len(by_check) > MOST_LISTED:
        rows.append([f"and {counted(len(by_check) - MOST_LISTED, 'more check')}", "", ""])
    return ["Alarm at", "reading", "rules met"], rows


def _closing(result: StabilityResult) -> list[str]:
    unit = result.unit
    lines = [_alarm_sentence(result), *_meanings(result), _rate_sentence(result)]
    if result.step is not None and result.step_between is not None:
        before, after = (time.date() for time in result.step_between)
        lines.append(
            f"A step of {signed_length(float(result.step.size), unit)} lies most likely "
            f"between the checks of {before} and {after} ({p_text(float(result.step.p))})."
        )
    drift = result.drift
    lines.append(
        f"Drift {fine_length(drift.rate, drift.upper - drift.lower, unit)} a year "
        f"({100 * result.level:g} % interval {fine_interval(drift.lower, drift.upper, unit)})."
    )
    if result.reference is not None:
        bias = float(result.limits.centre) - result.reference
        way = f"{length(abs(bias), unit)} {'above' if bias > 0 else 'below'}" if bias else "at"
        lines.append(
            f"In the baseline the readings lie {way} the calibrated value of the check standard."
        )
    return [*lines, _recheck_sentence(result), *result.notes]


def _alarm_sentence(result: StabilityResult) -> str:
    if not result.signals:
        return "No rule is met at any check."
    if result.alarm_now:
        return "A rule is met at the latest check: the gauge is not as it was."
    if result.alarmed:
        return "Rules were met after the baseline; at the latest check none is."
    return "Rules are met within the baseline only: find the cause, and choose another baseline."


def _meanings(result: StabilityResult) -> list[str]:
    met = [rule for rule in result.rules if result.met[rule.name].any()]
    return [f"{rule.name}: {rule.says}." for rule in met]


def _rate_sentence(result: StabilityResult) -> str:
    alarms = result.alarms
    about = "about " if alarms.standard_error > 0.0 else ""
    ahead = ""
    if result.chance_ahead is not None:
        ahead = (
            f" With limits from {result.baseline} checks the chance of a false alarm within "
            f"{AHEAD} checks is about {100 * result.chance_ahead:.0f}{JOIN}%."
        )
    return (
        f"With nothing wrong and exact limits, the rules watched ({result.rule_names}) alarm "
        f"once in {about}{alarms.run_length:.0f} checks.{ahead}"
    )


def _recheck_sentence(result: StabilityResult) -> str:
    if result.alarm_now:
        return (
            "Next check: as soon as the cause is found and put right, and before the gauge is used "
            "again."
        )
    if result.recheck_days is None or result.allowance is None:
        return (
            "No interval to the next check is proposed: that needs a tolerance with two limits. "
            "Keep to the laboratory's procedure."
        )
    allowance = length(result.allowance, result.unit)
    return (
        f"Next check: at the latest {result.next_check}, "
        f"{counted(int(result.recheck_days), 'day')} after the last. Until then the drift, at the "
        f"faster end of its interval, stays under {100 * result.share:g}{JOIN}% of the tolerance "
        f"({allowance}), and the interval is no longer than the longest between two checks so far "
        f"({counted(int(result.longest_gap), 'day')}). This is for drift only: after a fall or a "
        "knock check at once. The laboratory's procedure goes before this."
    )
