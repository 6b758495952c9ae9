"""Under which conditions a verdict holds."""

from __future__ import annotations

from grr.model.readings_table import natural_order
from grr.model.rounding import listed
from grr.model.study import Study


def conditions_of_use(study: Study) -> tuple[str, ...]:
    """Return the conditions under which the study was taken, as conditions of use."""
    conditions = []
    readings = study.readings.dropna(subset="reading")
    names = natural_order(readings["operator"])
    if len(names) == 1:
        conditions.append(f"Only operator {names[0]}: nobody else was studied.")
    elif study.operators == "fixed":
        conditions.append(f"Only the operators studied: {listed(names)}.")
    if len(study.methods) == 1:
        conditions.append(f"Only measured like this: {study.methods[0]}.")
    facts = study.facts
    for key, sentence in (
        ("holding", "Hold the gauge as in the study: {}."),
        ("measuring_place", "Measure where the study did: {}."),
        ("soak_minutes", "Let gauge and parts soak together for at least {} minutes."),
        ("zero_orientation", "Zero it held as in the study: {}."),
        ("zeroed_how_often", "Check zero as often as in the study: {}."),
        ("ratchet_turns", "Close with {} turns of the ratchet."),
    ):
        value = facts.get(key)
        if value not in (None, ""):
            conditions.append(sentence.format(value))
    return tuple(conditions)
