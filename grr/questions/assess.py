"""`grr.assess`: everything there is to know of a study, worked out once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import pandas as pd

from grr.model.blocks import Banner, Block, Bullets, Heading, Prose
from grr.model.errors import StudyError
from grr.model.printed import Printed
from grr.model.study import Study, checked_study
from grr.questions.causes import Cause, Causes, cause_blocks, causes_of
from grr.questions.check import RUINED, Findings, check
from grr.questions.drift import Drift, drift
from grr.questions.gauge import GaugeResult, anova, average_range, opening, result_of_record
from grr.questions.intervals import IntervalTable
from grr.questions.methods import MethodComparison, compare_with_baseline
from grr.questions.next_steps import to_fix
from grr.questions.operators import OperatorComparison, compare_operators
from grr.questions.risk import Misclassification, misclassification
from grr.questions.trial_changes import TrialChange, trial_changes
from grr.questions.verdict import LOOKS, Verdict, verdict

Part = TypeVar("Part")


def assess(study: Study) -> Assessment:
    """Think a study through: its results, its checks, and the causes of its error.

    Parameters
    ----------
    study : Study
        By one method or several.

    Returns
    -------
    Assessment
        ``.causes`` first the one with the largest share of GRR's variance. Everything is
        worked out when it is first asked for, and kept.

    Raises
    ------
    StudyError
        ``study`` is no Study. What a study cannot give is None, and ``.reasons`` says why.

    Notes
    -----
    Source: see each question's own file; `grr.questions.causes` for the causes.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> assessment = grr.assess(study)
    >>> [cause.kind for cause in assessment.causes]
    ['digit', 'operator_offset', 'repeatability']
    >>> print(f"{assessment.causes[0].without}")
    6.1 %
    """
    return checked_study(study).once("assess", lambda: Assessment(study))


@dataclass(frozen=True, eq=False, repr=False)
class Assessment(Printed):
    """All that is known of a study; each part is worked out when it is first asked for.

    Attributes
    ----------
    study : Study

    What the study cannot give is None; `reasons` says why, by the name of the part.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.assess(study)
    Assessment(USE)
    """

    study: Study

    def _part(self, name: str, work_out: Callable[[], Part]) -> Part | None:
        return self._tried(name, work_out)[0]

    def _tried(self, name: str, work_out: Callable[[], Part]) -> tuple[Part | None, str]:
        def tried() -> tuple[Part | None, str]:
            try:
                return work_out(), ""
            except StudyError as error:
                return None, f"{error.problem}. {error.remedy}."

        return self.study.once(("assess", name), tried)

    @property
    def reasons(self) -> dict[str, str]:
        """Name of a part → why the study cannot give it."""
        why = {}
        for name in _PARTS:
            getattr(self, name)
            said = self.study.once(("assess", name), lambda: (None, ""))[1]
            if said:
                why[name] = said
        return why

    @property
    def verdict(self) -> Verdict | None:
        """What `grr.verdict` says."""
        return self._part("verdict", lambda: verdict(self.study))

    @property
    def check(self) -> Findings | None:
        """What `grr.check` finds."""
        return self._part("check", lambda: check(self.study))

    @property
    def result(self) -> GaugeResult | None:
        """The result by the method of record."""
        return self._part("result", lambda: result_of_record(self.study))

    @property
    def by_anova(self) -> GaugeResult | None:
        """The result by analysis of variance."""
        return self._part("by_anova", lambda: anova(self.study))

    @property
    def by_ranges(self) -> GaugeResult | None:
        """The result by ranges and averages."""
        return self._part("by_ranges", lambda: average_range(self.study))

    @property
    def intervals(self) -> IntervalTable | None:
        """The limits of the result of record."""
        return self._part("intervals", lambda: result_of_record(self.study).intervals())

    @property
    def operators(self) -> OperatorComparison | None:
        """What `grr.compare_operators` says."""
        return self._part("operators", lambda: compare_operators(self.study))

    @property
    def trials(self) -> list[TrialChange] | None:
        """Changes between trials that chance does not explain."""
        return self._part("trials", lambda: trial_changes(self.study))

    @property
    def drift(self) -> Drift | None:
        """What `grr.drift` says."""
        return self._part("drift", lambda: drift(self.study))

    @property
    def risks(self) -> Misclassification | None:
        """What `grr.misclassification` says."""
        return self._part("risks", lambda: misclassification(result_of_record(self.study)))

    @property
    def methods(self) -> list[MethodComparison] | None:
        """Every other method against the first one; None for a study by one method."""
        return self._part("methods", lambda: _methods_compared(self.study))

    @property
    def by_method(self) -> dict[str, Assessment]:
        """Method → the assessment of its readings; empty for a study by one method."""
        study = self.study
        names = study.methods if len(study.methods) > 1 else ()
        return {name: assess(study.for_method(name)) for name in names}

    @property
    def causes(self) -> tuple[Cause, ...]:
        """What makes GRR large, the largest share first; repeatability, the background, last."""
        return self._looked.causes

    @property
    def notes(self) -> tuple[str, ...]:
        """What was not looked for, or taken as given, in looking for causes."""
        return self._looked.notes

    @property
    def _looked(self) -> Causes:
        return causes_of(self.study)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a cause, the largest share first."""
        return self._looked.to_frame()

    def blocks(self) -> list[Block]:
        """Return the decision, the causes in sentences, and what to do next."""
        result, decided, checked = self.result, self.verdict, self.check
        found: list[Block] = []
        if decided is not None:
            mark, colour = LOOKS[decided.banner]
            found.append(Banner(mark, decided.banner, colour))
            steps = decided.next_steps
        elif checked is not None and checked.must_mend:
            steps = tuple(step.sentence for step in to_fix(checked))
        else:
            steps = _steps_against(self._looked.named)
        for one in self.methods or ():
            mark, colour = one.look
            found.append(Banner(mark, one.headline.upper(), colour, one.answer))
        found.append(Prose(opening(result)[:-1] if result else [self.study.summary]))
        if checked is not None and checked.must_mend:
            found += [Heading("Look at this first"), Bullets(checked.look_first)]
        found += [RUINED] if checked is not None and checked.ruined else cause_blocks(self.study)
        return [*found, Heading("What to do next"), Bullets(steps, True)] if steps else found


def _steps_against(causes: Sequence[Cause]) -> tuple[str, ...]:
    """Return what to do about the causes under several methods, each thing once."""
    by_step: dict[str, list[str]] = {}
    for cause in causes:
        by = "" if cause.kind == "method" else f" (by {cause.method})"
        by_step.setdefault(cause.first_step, []).append(f"{cause.what}{by}.")
    return tuple(" ".join([*told, step]) for step, told in by_step.items())


_PARTS = (
    "verdict",
    "check",
    "result",
    "by_anova",
    "by_ranges",
    "intervals",
    "operators",
    "trials",
    "drift",
    "risks",
    "methods",
)


def _methods_compared(study: Study) -> list[MethodComparison]:
    if len(study.methods) < 2:
        raise StudyError(
            "The study holds readings by one method", "Measure by a second method to compare them"
        )
    return compare_with_baseline(study)
