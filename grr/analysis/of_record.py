"""The result of a study by its method of record."""

from __future__ import annotations

from grr.analysis.anova import anova
from grr.analysis.ranges import average_range
from grr.analysis.result import GaugeResult
from grr.study import Study


def result_of_record(study: Study) -> GaugeResult:
    """Return the result by the method that the study's rules name, which judges it."""
    return (average_range if study.rules.method_of_record == "average_range" else anova)(study)
