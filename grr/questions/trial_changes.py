"""Did anything change between the trials: which of them, for whom, and by how much."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from grr.formulas.analysis_of_variance import interaction_too_small
from grr.formulas.arrays import Array
from grr.formulas.change_points import TrialShift, trial_shifts
from grr.model.names import LONGEST_NAME, shortened
from grr.model.rounding import length, listed
from grr.model.study import Study
from grr.questions.sittings import within_sessions

#: Chance of any change between trials in a study without one: little, since the causes of
#: `grr.assess` look for the same.
LEVEL = 0.003
#: An interaction F that falls below with this probability by chance is too small.
TOO_SMALL = 0.001
#: Repeats that scatter less than this share of the last digit are hidden by it.
HIDDEN = 0.5


class TrialChange(NamedTuple):
    """Trials in which some operators read otherwise than in the rest.

    ``operators`` in the order of counting; ``trials`` and ``others`` by number; ``size`` is
    the mean of ``trials`` minus that of ``others`` on the same parts, the mean over the
    operators; ``scatter`` that of repeats with the change taken out; ``p`` the largest.
    """

    operators: tuple[str, ...]
    trials: tuple[int, ...]
    others: tuple[int, ...]
    size: float
    scatter: float
    p: float


class PlacedChange(NamedTuple):
    """The same with operators and trials by their place among those of the study."""

    operators: tuple[int, ...]
    trials: tuple[int, ...]
    others: tuple[int, ...]
    size: float
    scatter: float
    p: float


def trial_changes(study: Study) -> list[TrialChange]:
    """Return the changes between trials that chance does not explain.

    Operators who changed at the same trials and in the same direction are told together.
    Empty for a nested study, and for one by several methods (ask method by method). Where
    sessions are a source of variation, what they differ by is taken out before.
    """
    if study.design == "nested" or len(study.methods) > 1:
        return []
    cube = study.cube()
    found = changes_in(within_sessions(study).cube().values)
    return [
        TrialChange(
            tuple(cube.operators[j] for j in change.operators),
            tuple(cube.trials[t] for t in change.trials),
            tuple(cube.trials[t] for t in change.others),
            *change[3:],
        )
        for change in found
    ]


def changes_in(readings: Array) -> list[PlacedChange]:
    """Return the same of readings, parts × operators × trials, NaN where missing."""
    alike: dict[tuple[tuple[int, ...], bool], list[TrialShift]] = {}
    for shift in trial_shifts(readings, level=LEVEL):
        alike.setdefault((shift.trials, shift.size > 0.0), []).append(shift)
    found = []
    for (trials, _), shifts in alike.items():
        places = tuple(shift.operator for shift in shifts if shift.operator is not None)
        rest = tuple(trial for trial in range(readings.shape[2]) if trial not in trials)
        size, variance = (
            float(np.mean(values))
            for values in ([s.size for s in shifts], [s.scatter**2 for s in shifts])
        )
        p = max(shift.p for shift in shifts)
        operators = places or tuple(range(readings.shape[1]))
        found.append(PlacedChange(operators, trials, rest, size, float(np.sqrt(variance)), p))
    return found


def small_interaction(study: Study) -> tuple[float, float] | None:
    """Return F of the interaction and the chance of so small a one; None where it is not small.

    Nothing is said where the last digit hides the scatter: a few parts on the edge of a
    digit then make all of it.
    """
    if study.design == "nested" or len(study.methods) > 1:
        return None
    values = within_sessions(study).cube().values
    if min(values.shape[1:]) < 2 or not np.isfinite(values).all():
        return None
    digit = study.resolution or float(np.diff(np.unique(values)).min(initial=np.inf))
    sd = np.sqrt(values.var(axis=-1, ddof=1).mean(axis=0))
    if float(sd.min()) <= HIDDEN * digit:
        return None
    f, p = interaction_too_small(values)
    return (float(f), float(p)) if float(p) < TOO_SMALL else None


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
