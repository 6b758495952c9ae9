"""The result of a study by its method of record."""

from __future__ import annotations

from grr.model.study import Study
from grr.questions.anova import anova
from grr.questions.ranges import average_range
from grr.questions.result import GaugeResult


def result_of_record(study: Study) -> GaugeResult:
    """Return the result by the method that the study's rules name, which judges it."""
    return (average_range if study.rules.method_of_record == "average_range" else anova)(study)
