"""What changed between the trials, in words."""

from __future__ import annotations

from grr.model.names import shortened
from grr.model.rounding import length, listed
from grr.model.study import Study
from grr.questions.trial_changes import TrialChange

#: Longest name in a sentence.
LONGEST_NAME = 30


def change_words(change: TrialChange, study: Study) -> str:
    """Return "trials 2 and 3 read 4.0 µm higher than trial 1"."""
    verb = "read" if len(change.trials) > 1 else "reads"
    way = "higher" if change.size > 0 else "lower"
    small = ""
    if study.resolution is not None and abs(change.size) < study.resolution:
        small = " (less than the last digit of the gauge)"
    return (
        f"{_trials(change.trials)} {verb} {length(abs(change.size), study.unit)} {way} than "
        f"{_trials(change.others)}{small}"
    )


def who_changed(change: TrialChange, study: Study) -> str:
    """Return "every operator", or the operators by name."""
    if len(study.operator_names) > 1 and change.operators == study.operator_names:
        return "every operator"
    return listed([shortened(name, LONGEST_NAME) for name in change.operators])


def _trials(numbers: tuple[int, ...]) -> str:
    return f"trial{'s' if len(numbers) > 1 else ''} {listed([str(n) for n in numbers])}"
