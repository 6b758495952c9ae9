"""What each command of ``grr`` does; the words of the command line are in `grr.cli`."""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from typing import TYPE_CHECKING

from grr.model.errors import StudyError

if TYPE_CHECKING:
    from grr.model.study import Study

#: Exit status of ``grr analyse``, by decision, the best first; 2 is bad input.
EXIT_STATUS = {
    "USE": 0,
    "USE ONLY LIKE THIS": 3,
    "NOT DECIDED YET": 5,
    "DO NOT USE FOR THIS TOLERANCE": 4,
}


def lab(options: argparse.Namespace) -> int:
    """Start JupyterLab on the guided notebooks."""
    from grr.lab import run_lab

    return run_lab(options.folder, port=options.port, browser=not options.no_browser)


def new(options: argparse.Namespace) -> int:
    """Start a study folder, and say what in it decides most."""
    from grr.files.folder import new_study_folder
    from grr.files.settings import MEANINGS
    from grr.model.tables import paragraph
    from grr.model.tolerance import Tolerance
    from grr.page.planning import plan_study
    from grr.questions.starting import refuse_coarse, shop_unit, warnings_about

    unit = shop_unit(options.unit)
    lower, upper, resolution = (
        _number(name, getattr(options, name)) for name in ("lower", "upper", "resolution")
    )
    tolerance = None if lower is None and upper is None else Tolerance(lower, upper)
    plan = plan_study(options.parts, options.operators, options.trials, seed=options.seed).plan
    refuse_coarse(resolution, tolerance, unit)
    settings = new_study_folder(
        options.folder,
        title=options.title,
        unit=unit,
        resolution=resolution,
        tolerance=tolerance,
        plan=plan,
    )
    print(f"Study folder made: {options.folder}")
    for warning in warnings_about(plan, resolution, tolerance, unit):
        print(paragraph(f"▲ {warning}"))
    print(f"1. Open {options.folder / 'study.toml'}. Settle first what decides most:")
    for key, words in MEANINGS.items():
        now = getattr(settings, key)
        print(f'     {key} = "{now}": {words[now]}')
        print(*(f'       or "{word}": {words[word]}' for word in words if word != now), sep="\n")
    print("   Then fill in what is still empty.")
    print(f"2. Take the readings: grr collect {options.folder}")
    print(f"3. See what they prove: grr analyse {options.folder}")
    return 0


def _number(name: str, text: str | None) -> float | None:
    """Return a number of the command line, with a decimal point or comma."""
    from grr.entry.numbers import one_number

    if text is None:
        return None
    try:
        return one_number(text, "").value
    except StudyError:
        raise StudyError(
            f"--{name} is not a number", "Write it like 12.5 or 12,5", value=text
        ) from None


def analyse(options: argparse.Namespace) -> int:
    """Print checks, tables and verdict; the exit status tells the decision.

    Of several methods it is that of the method judged worst.
    """
    import grr
    from grr.model.tables import WIDTH
    from grr.questions.compare_methods import compare_with_baseline

    study = grr.open_study(options.folder)
    print(grr.check(study))
    if len(study.methods) < 2:
        return EXIT_STATUS[_print_numbers(study)]
    decisions = []
    for name in study.methods:
        print("", "-" * WIDTH, f"Method: {name}", sep="\n")
        decisions.append(_print_numbers(study.for_method(name)))
    for comparison in compare_with_baseline(study):
        print("", "-" * WIDTH, comparison, sep="\n")
    return EXIT_STATUS[max(decisions, key=list(EXIT_STATUS).index)]


def _print_numbers(study: Study) -> str:
    """Print tables and verdict of a study by one method; return the decision."""
    import grr

    verdict = grr.verdict(study)
    print("", grr.anova(study), "", _by_ranges(study), "", verdict, sep="\n")
    return verdict.decision


def analyse_many(options: argparse.Namespace) -> int:
    """Write one row a study; the exit status is 2 where a study could not be analysed."""
    import grr
    from grr.files.disk import write_whole
    from grr.many.summary import csv_text, text_summary

    found = grr.analyse_many(
        options.path,
        options.by,
        options.tolerances,
        intervals=options.intervals,
        checks=options.checks,
        purpose=options.purpose,
        operators=options.operators,
        progress=sys.stderr.isatty(),
    )
    write_whole(options.output, csv_text(found))
    print(text_summary(found, options.by))
    print(f"Written: {options.output}")
    return 2 if (found["error"] != "").any() else 0


def _by_ranges(study: Study) -> str:
    import grr
    from grr.model.tables import paragraph

    try:
        return str(grr.average_range(study))
    except StudyError as error:
        return paragraph(f"By average and range: not possible. {error}")


def self_check(options: argparse.Namespace) -> int:
    """Run the published examples on this installation."""
    import grr
    from grr.files.disk import write_whole
    from grr.model.tables import html_page

    found = grr.self_check()
    print(found)
    if options.output is not None:
        write_whole(options.output, html_page("Self-check of grr", found._repr_html_()))
        print(f"\nWritten: {options.output}")
    return 0 if found.passed else 1


def collect(options: argparse.Namespace) -> int:
    """Take readings in the terminal."""
    from grr.entry.terminal import collect_in_terminal

    return collect_in_terminal(options.folder, sys.stdin, sys.stdout)


def verify(options: argparse.Namespace) -> int:
    """Check the seals of a study's record."""
    from grr.files.verify_folder import verify_folder

    found = verify_folder(options.folder)
    print(found)
    return 0 if found.unaltered else 1


def record(options: argparse.Namespace) -> int:
    """Put changes of study.toml on record, with a name and a reason."""
    from grr.files.settings_record import record_changes

    changes = record_changes(options.folder, by=options.by, reason=options.reason)
    for change in changes:
        print(f"On record: {change}.")
    if not changes:
        print("study.toml says what the record says: there was nothing to put on record.")
    return 0


def report(options: argparse.Namespace) -> int:
    """Write the report of a study, and the workbook and JSON where asked for."""
    import grr

    study = grr.open_study(options.folder)
    written = grr.report(
        study,
        options.output or options.folder / "report.html",
        date=None if options.date is None else _day(options.date),
        prepared_by=options.prepared_by,
        approved_by=options.approved_by,
        revision=options.revision,
        supersedes=options.supersedes,
        deviations=options.deviations,
        code_operators=options.code_operators,
        baseline=options.baseline,
        paper=options.paper,
    )
    print(f"Written: {written}")
    if options.xlsx is not None:
        print(f"Written: {grr.export_workbook(study, options.xlsx)}")
    if options.json is not None:
        print(f"Written: {grr.export_json(study, options.json)}")
    return 0


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise StudyError(
            "The date cannot be read", "Write it like 2026-03-31", value=text
        ) from None
