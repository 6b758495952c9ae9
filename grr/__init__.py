"""Gauge repeatability and reproducibility studies, from readings to a verdict.

Every public name is loaded when it is first used, so that ``import grr`` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from grr import show as show
    from grr.entry.study_form import choose_study as choose_study
    from grr.entry.study_form import study_form as study_form
    from grr.entry.widget import collect as collect
    from grr.files.chosen import chosen_folder as chosen_folder
    from grr.files.chosen import chosen_study as chosen_study
    from grr.files.chosen import planned_folder as planned_folder
    from grr.files.chosen import practice_folder as practice_folder
    from grr.files.folder import open_study as open_study
    from grr.files.folder import save_study as save_study
    from grr.files.readers.found import describe_reading as describe_reading
    from grr.files.table_file import read_columns as read_columns
    from grr.files.table_file import read_readings as read_readings
    from grr.many.all_gauges import drop_table as drop_table
    from grr.many.all_gauges import gauges_page as gauges_page
    from grr.many.analyse import analyse_many as analyse_many
    from grr.model.choices import Decision as Decision
    from grr.model.errors import StudyError as StudyError
    from grr.model.glossary import explain as explain
    from grr.model.rules import Plan as Plan
    from grr.model.rules import Rules as Rules
    from grr.model.study import Study as Study
    from grr.model.tolerance import Tolerance as Tolerance
    from grr.page.gauge_file import GaugeFile as GaugeFile
    from grr.page.gauge_file import gauge_file as gauge_file
    from grr.page.json_export import export_json as export_json
    from grr.page.more_pages import methods_page as methods_page
    from grr.page.more_pages import operators_page as operators_page
    from grr.page.more_pages import qualify_page as qualify_page
    from grr.page.more_pages import watch_page as watch_page
    from grr.page.report import report as report
    from grr.page.run_sheet import StudyPlan as StudyPlan
    from grr.page.run_sheet import continue_study as continue_study
    from grr.page.run_sheet import plan_study as plan_study
    from grr.page.run_sheet import run_sheet as run_sheet
    from grr.page.screens import answer_page as answer_page
    from grr.page.screens import check_page as check_page
    from grr.page.screens import file_page as file_page
    from grr.page.screens import improve_page as improve_page
    from grr.page.screens import start_page as start_page
    from grr.page.workbook_export import export_workbook as export_workbook
    from grr.questions.assess import Assessment as Assessment
    from grr.questions.assess import assess as assess
    from grr.questions.budget import Contribution as Contribution
    from grr.questions.budget import UncertaintyBudget as UncertaintyBudget
    from grr.questions.causes import Cause as Cause
    from grr.questions.check import Finding as Finding
    from grr.questions.check import Findings as Findings
    from grr.questions.check import check as check
    from grr.questions.drift import Drift as Drift
    from grr.questions.drift import drift as drift
    from grr.questions.gauge import GaugeResult as GaugeResult
    from grr.questions.gauge import anova as anova
    from grr.questions.gauge import average_range as average_range
    from grr.questions.improving import Improvement as Improvement
    from grr.questions.improving import what_would_help as what_would_help
    from grr.questions.linearity import LinearityResult as LinearityResult
    from grr.questions.linearity import linearity as linearity
    from grr.questions.methods import MethodComparison as MethodComparison
    from grr.questions.methods import compare_methods as compare_methods
    from grr.questions.micrometer_budget import MicrometerLines as MicrometerLines
    from grr.questions.operator_codes import code_operators as code_operators
    from grr.questions.operators import OperatorComparison as OperatorComparison
    from grr.questions.operators import compare_operators as compare_operators
    from grr.questions.qualify import Qualification as Qualification
    from grr.questions.qualify import qualify as qualify
    from grr.questions.reference import ReferenceResult as ReferenceResult
    from grr.questions.reference import reference_study as reference_study
    from grr.questions.risk import GuardBand as GuardBand
    from grr.questions.risk import Misclassification as Misclassification
    from grr.questions.risk import guard_band as guard_band
    from grr.questions.risk import misclassification as misclassification
    from grr.questions.self_check import SelfCheck as SelfCheck
    from grr.questions.self_check import self_check as self_check
    from grr.questions.stability import StabilityResult as StabilityResult
    from grr.questions.stability import after_check as after_check
    from grr.questions.stability import stability as stability
    from grr.questions.verdict import Verdict as Verdict
    from grr.questions.verdict import verdict as verdict
    from grr.questions.worked_sheet import WorkedSheet as WorkedSheet
    from grr.questions.worked_sheet import worked_sheet as worked_sheet

#: Public name → the module that defines it.
_HOMES = {
    "export_json": "grr.page.json_export",
    "gauge_file": "grr.page.gauge_file",
    "GaugeFile": "grr.page.gauge_file",
    "export_workbook": "grr.page.workbook_export",
    "report": "grr.page.report",
    "answer_page": "grr.page.screens",
    "check_page": "grr.page.screens",
    "methods_page": "grr.page.more_pages",
    "drop_table": "grr.many.all_gauges",
    "gauges_page": "grr.many.all_gauges",
    "operators_page": "grr.page.more_pages",
    "qualify_page": "grr.page.more_pages",
    "watch_page": "grr.page.more_pages",
    "file_page": "grr.page.screens",
    "improve_page": "grr.page.screens",
    "start_page": "grr.page.screens",
    "after_check": "grr.questions.stability",
    "analyse_many": "grr.many.analyse",
    "anova": "grr.questions.gauge",
    "assess": "grr.questions.assess",
    "Assessment": "grr.questions.assess",
    "average_range": "grr.questions.gauge",
    "Cause": "grr.questions.causes",
    "check": "grr.questions.check",
    "choose_study": "grr.entry.study_form",
    "chosen_folder": "grr.files.chosen",
    "chosen_study": "grr.files.chosen",
    "code_operators": "grr.questions.operator_codes",
    "collect": "grr.entry.widget",
    "compare_designs": "grr.questions.planning",
    "compare_methods": "grr.questions.methods",
    "compare_operators": "grr.questions.operators",
    "continue_study": "grr.page.run_sheet",
    "Contribution": "grr.questions.budget",
    "Decision": "grr.model.choices",
    "describe_reading": "grr.files.readers.found",
    "DesignComparison": "grr.questions.planning",
    "drift": "grr.questions.drift",
    "Drift": "grr.questions.drift",
    "expected_precision": "grr.questions.planning",
    "ExpectedPrecision": "grr.questions.planning",
    "explain": "grr.model.glossary",
    "Finding": "grr.questions.check",
    "Findings": "grr.questions.check",
    "GaugeResult": "grr.questions.gauge",
    "guard_band": "grr.questions.risk",
    "GuardBand": "grr.questions.risk",
    "Improvement": "grr.questions.improving",
    "linearity": "grr.questions.linearity",
    "LinearityResult": "grr.questions.linearity",
    "MethodComparison": "grr.questions.methods",
    "MicrometerLines": "grr.questions.micrometer_budget",
    "Misclassification": "grr.questions.risk",
    "misclassification": "grr.questions.risk",
    "open_study": "grr.files.folder",
    "OperatorComparison": "grr.questions.operators",
    "Plan": "grr.model.rules",
    "plan_study": "grr.page.run_sheet",
    "planned_folder": "grr.files.chosen",
    "practice_folder": "grr.files.chosen",
    "Qualification": "grr.questions.qualify",
    "qualify": "grr.questions.qualify",
    "read_columns": "grr.files.table_file",
    "read_readings": "grr.files.table_file",
    "reference_study": "grr.questions.reference",
    "ReferenceResult": "grr.questions.reference",
    "Rules": "grr.model.rules",
    "run_sheet": "grr.page.run_sheet",
    "save_study": "grr.files.folder",
    "self_check": "grr.questions.self_check",
    "SelfCheck": "grr.questions.self_check",
    "stability": "grr.questions.stability",
    "StabilityResult": "grr.questions.stability",
    "Study": "grr.model.study",
    "study_form": "grr.entry.study_form",
    "StudyError": "grr.model.errors",
    "StudyPlan": "grr.page.run_sheet",
    "Tolerance": "grr.model.tolerance",
    "UncertaintyBudget": "grr.questions.budget",
    "verdict": "grr.questions.verdict",
    "Verdict": "grr.questions.verdict",
    "what_would_help": "grr.questions.improving",
    "worked_sheet": "grr.questions.worked_sheet",
    "WorkedSheet": "grr.questions.worked_sheet",
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
    return sorted({"__doc__", "__version__", *_HOMES, *_FOLDERS})
