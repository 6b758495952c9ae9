"""Gauge repeatability and reproducibility studies, from readings to a verdict.

Every public name is loaded when it is first used, so that ``import grr`` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from grr import show as show
    from grr.analysis.acceptance import GuardBand as GuardBand
    from grr.analysis.acceptance import guard_band as guard_band
    from grr.analysis.anova import anova as anova
    from grr.analysis.budget import UncertaintyBudget as UncertaintyBudget
    from grr.analysis.contribution import Contribution as Contribution
    from grr.analysis.improving import Improvement as Improvement
    from grr.analysis.improving import what_would_help as what_would_help
    from grr.analysis.linearity import linearity as linearity
    from grr.analysis.linearity_result import LinearityResult as LinearityResult
    from grr.analysis.micrometer_lines import MicrometerLines as MicrometerLines
    from grr.analysis.misclassifying import Misclassification as Misclassification
    from grr.analysis.misclassifying import misclassification as misclassification
    from grr.analysis.operator_codes import code_operators as code_operators
    from grr.analysis.ranges import average_range as average_range
    from grr.analysis.reference_result import ReferenceResult as ReferenceResult
    from grr.analysis.reference_study import reference_study as reference_study
    from grr.analysis.result import GaugeResult as GaugeResult
    from grr.analysis.stability import stability as stability
    from grr.analysis.stability_result import StabilityResult as StabilityResult
    from grr.analysis.worked_sheet import WorkedSheet as WorkedSheet
    from grr.analysis.worked_sheet import worked_sheet as worked_sheet
    from grr.entry.choosing import choose_study as choose_study
    from grr.entry.study_form import study_form as study_form
    from grr.entry.widget import collect as collect
    from grr.errors import StudyError as StudyError
    from grr.files.chosen import chosen_folder as chosen_folder
    from grr.files.chosen import chosen_study as chosen_study
    from grr.files.chosen import practice_folder as practice_folder
    from grr.files.columns_file import read_columns as read_columns
    from grr.files.folder import open_study as open_study
    from grr.files.folder import save_study as save_study
    from grr.files.readers.taken import describe_reading as describe_reading
    from grr.files.readings_file import read_readings as read_readings
    from grr.judge.after_check import after_check as after_check
    from grr.judge.check import check as check
    from grr.judge.compare_methods import MethodComparison as MethodComparison
    from grr.judge.compare_methods import compare_methods as compare_methods
    from grr.judge.compare_operators import OperatorComparison as OperatorComparison
    from grr.judge.compare_operators import compare_operators as compare_operators
    from grr.judge.drift import Drift as Drift
    from grr.judge.drift import drift as drift
    from grr.judge.findings import Finding as Finding
    from grr.judge.findings import Findings as Findings
    from grr.judge.qualification import Qualification as Qualification
    from grr.judge.qualify import qualify as qualify
    from grr.judge.self_checking import SelfCheck as SelfCheck
    from grr.judge.self_checking import self_check as self_check
    from grr.judge.verdict import Verdict as Verdict
    from grr.judge.verdict import verdict as verdict
    from grr.many.analyse_many import analyse_many as analyse_many
    from grr.plan.expecting import DesignComparison as DesignComparison
    from grr.plan.expecting import ExpectedPrecision as ExpectedPrecision
    from grr.plan.expecting import compare_designs as compare_designs
    from grr.plan.expecting import expected_precision as expected_precision
    from grr.plan.planning import StudyPlan as StudyPlan
    from grr.plan.planning import plan_study as plan_study
    from grr.plan.planning import run_sheet as run_sheet
    from grr.rules import Plan as Plan
    from grr.rules import Rules as Rules
    from grr.show.report.json_result import export_json as export_json
    from grr.show.report.workbook import export_workbook as export_workbook
    from grr.show.report.write import report as report
    from grr.study import Study as Study
    from grr.tolerance import Tolerance as Tolerance
    from grr.wording.glossary import explain as explain

#: Public name → the module that defines it.
_HOMES = {
    "export_json": "grr.show.report.json_result",
    "export_workbook": "grr.show.report.workbook",
    "report": "grr.show.report.write",
    "after_check": "grr.judge.after_check",
    "analyse_many": "grr.many.analyse_many",
    "anova": "grr.analysis.anova",
    "average_range": "grr.analysis.ranges",
    "check": "grr.judge.check",
    "choose_study": "grr.entry.choosing",
    "chosen_folder": "grr.files.chosen",
    "chosen_study": "grr.files.chosen",
    "code_operators": "grr.analysis.operator_codes",
    "collect": "grr.entry.widget",
    "compare_designs": "grr.plan.expecting",
    "compare_methods": "grr.judge.compare_methods",
    "compare_operators": "grr.judge.compare_operators",
    "Contribution": "grr.analysis.contribution",
    "describe_reading": "grr.files.readers.taken",
    "DesignComparison": "grr.plan.expecting",
    "drift": "grr.judge.drift",
    "Drift": "grr.judge.drift",
    "expected_precision": "grr.plan.expecting",
    "ExpectedPrecision": "grr.plan.expecting",
    "explain": "grr.wording.glossary",
    "Finding": "grr.judge.findings",
    "Findings": "grr.judge.findings",
    "GaugeResult": "grr.analysis.result",
    "guard_band": "grr.analysis.acceptance",
    "GuardBand": "grr.analysis.acceptance",
    "Improvement": "grr.analysis.improving",
    "linearity": "grr.analysis.linearity",
    "LinearityResult": "grr.analysis.linearity_result",
    "MethodComparison": "grr.judge.compare_methods",
    "MicrometerLines": "grr.analysis.micrometer_lines",
    "Misclassification": "grr.analysis.misclassifying",
    "misclassification": "grr.analysis.misclassifying",
    "open_study": "grr.files.folder",
    "OperatorComparison": "grr.judge.compare_operators",
    "Plan": "grr.rules",
    "plan_study": "grr.plan.planning",
    "practice_folder": "grr.files.chosen",
    "Qualification": "grr.judge.qualification",
    "qualify": "grr.judge.qualify",
    "read_columns": "grr.files.columns_file",
    "read_readings": "grr.files.readings_file",
    "reference_study": "grr.analysis.reference_study",
    "ReferenceResult": "grr.analysis.reference_result",
    "Rules": "grr.rules",
    "run_sheet": "grr.plan.planning",
    "save_study": "grr.files.folder",
    "self_check": "grr.judge.self_checking",
    "SelfCheck": "grr.judge.self_checking",
    "stability": "grr.analysis.stability",
    "StabilityResult": "grr.analysis.stability_result",
    "Study": "grr.study",
    "study_form": "grr.entry.study_form",
    "StudyError": "grr.errors",
    "StudyPlan": "grr.plan.planning",
    "Tolerance": "grr.tolerance",
    "UncertaintyBudget": "grr.analysis.budget",
    "verdict": "grr.judge.verdict",
    "Verdict": "grr.judge.verdict",
    "what_would_help": "grr.analysis.improving",
    "worked_sheet": "grr.analysis.worked_sheet",
    "WorkedSheet": "grr.analysis.worked_sheet",
}

#: Folders whose own public names are reached through them: ``grr.show.tolerance_ruler``.
_FOLDERS = ("show",)

__all__ = list(_HOMES)
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name in _FOLDERS:
        return import_module(f"grr.{name}")
    if name not in _HOMES:
        raise AttributeError(f"module 'grr' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES, *_FOLDERS})
