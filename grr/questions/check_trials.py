"""Did anything move between the trials?"""

from __future__ import annotations

from collections.abc import Iterator

from grr.model.errors import StudyError
from grr.model.rounding import figures, length, listed
from grr.model.study import Study
from grr.questions.drift import DriftNumbers, bump_words, drift_numbers
from grr.questions.findings import Finding
from grr.questions.places import these_operators
from grr.questions.trial_changes import TrialChange, change_words, small_interaction, trial_changes

#: A shift of more than so many standard deviations of the repeats must be settled first.
MANY_SD = 2.0


def trials(study: Study) -> Iterator[Finding]:
    """Yield findings about trials that read otherwise than the rest.

    About 1 % of studies in which nothing moves get one (simulated in
    ``tests/formulas/test_change_points.py``).
    """
    found = trial_changes(study)
    small = small_interaction(study)
    numbers = _drift(study) if found else None
    for change in found:
        yield _changed(study, change, numbers, small)
    if small is not None and not found:
        yield _repeats_only(small)


def _drift(study: Study) -> DriftNumbers | None:
    try:
        return drift_numbers(study)
    except StudyError:
        return None


def _changed(
    study: Study,
    change: TrialChange,
    numbers: DriftNumbers | None,
    small: tuple[float, float] | None,
) -> Finding:
    words = change_words(change, study)
    what = f"{words[0].upper()}{words[1:]}, on the same parts"
    if change.scatter > 0.0:
        scatter = length(change.scatter, study.unit)
        what += f"; repeats scatter with a standard deviation of {scatter}."
    else:
        what += "; otherwise the readings repeat to the last digit."
    if small is not None:
        what += f" {_too_small(small)}"
    large = abs(change.size) > max(MANY_SD * change.scatter, study.resolution or 0.0)
    severity = "mend" if large else "look"
    todo = (
        "Something moved between the rounds: zero, setting, room or parts. Find out what, and "
        "measure the rounds on one side of it again."
    )
    if numbers is not None and not _left(numbers, change):
        bumps = [b for b in numbers.bumps if b.operator in change.operators]
        if bumps:
            told = listed([f"{b.operator}, {bump_words(numbers, b)}" for b in bumps])
            what += f" By the order taken: {told}."
        else:
            severity, todo = (
                "look",
                "See notebook 7, Stand or handheld, for how fast it goes and when to zero again.",
            )
            what += " A drift while measuring explains it."
    place = these_operators(study, change.operators)
    return Finding(severity, "trials differ", place, f"{what} It counts as repeatability.", todo)


def _left(numbers: DriftNumbers, change: TrialChange) -> bool:
    """Whether neither drift nor bumps explain a change."""
    left = {name for of in numbers.changes.values() for c in of for name in c.operators}
    return bool(left.intersection(change.operators))


def _repeats_only(small: tuple[float, float]) -> Finding:
    return Finding(
        "look",
        "repeats scatter alone",
        "the study",
        _too_small(small),
        "Something may have moved between the trials, or readings were copied. Ask how they "
        "were taken.",
    )


def _too_small(small: tuple[float, float]) -> str:
    f, _ = small
    return (
        f"The repeats scatter far more than the means of parts by operators do (interaction "
        f"F = {figures(f)}; chance gives one so small in fewer than one study in a thousand)."
    )
