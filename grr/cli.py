"""The ``grr`` command: its words, and what each command does."""

from __future__ import annotations

import argparse
import datetime as dt
import io
import math
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import redirect_stdout, suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NoReturn, get_args

from grr import __version__
from grr.files.allowed_files import safe_target
from grr.model.choices import PartsFrom
from grr.model.errors import StudyError, printable
from grr.model.facts import FACTS

if TYPE_CHECKING:
    import pandas as pd

    from grr.files.verify import FolderCheck
    from grr.model.choices import Decision
    from grr.model.settings import Settings
    from grr.model.study import Study
    from grr.model.tolerance import Tolerance

_ABOUT = "Is the measuring system good enough for the tolerance? Gauge studies, start to finish."
_EXIT = """exit status of analyse (several methods: of the recommended one) and qualify:
  0  use              3  use like this     6  use with limits
  4  do not use       5  not decided yet, or fix the data first
of every command:
  2  something in the input cannot be used (the message says what and where)
  1  verify: something was changed; self-check: a published value was not reproduced
130  stopped by Ctrl+C
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; print what is wrong in one sentence where something is."""
    _open_what_is_closed()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8", errors="replace")
    try:
        options = _parser().parse_args(arguments)
        as_json = getattr(options, "as_json", False)
        with redirect_stdout(_Printed(sys.stdout)):
            status = _run_as_json(options) if as_json else int(options.run(options))
            sys.stdout.flush()
    except StudyError as error:
        return _refused(str(error))
    except BrokenPipeError:
        _give_up(sys.stdout)
        return _refused("The output was closed before everything was printed. Print to a file.")
    except OSError as error:  # such as a full disk under the file that takes the output
        _give_up(sys.stdout)
        return _refused(f"Something cannot be read or written: {error}. Check the disk.")
    except MemoryError:
        return _refused("The input needs more memory than there is. Split it into smaller files.")
    except KeyboardInterrupt:
        print("Stopped. What was saved before is unchanged.", file=sys.stderr)
        return 130
    return status


def _run_as_json(options: argparse.Namespace) -> int:
    """Run a command and print one JSON object: its status, its data, its words or its error."""
    import json

    words, said = io.StringIO(), dict[str, Any]()
    try:
        with redirect_stdout(words):
            said["exit_status"] = int(options.run(options))
        said |= options.document
    except StudyError as error:
        said["exit_status"] = 2
        said["error"] = {
            "problem": error.problem,
            "remedy": error.remedy,
            **{
                name: None if value is None else str(value)
                for name in ("file", "row", "column", "value")
                for value in [getattr(error, name)]
            },
        }
    said = {"command": options.command, "version": __version__, **said, "text": words.getvalue()}
    print(json.dumps(said, ensure_ascii=False, indent=1, allow_nan=False, default=str))
    return int(said["exit_status"])


def _refused(words: str) -> int:
    with suppress(OSError):
        print(printable(words), file=sys.stderr, flush=True)
    return 2


def _open_what_is_closed() -> None:
    """Put nothing in the place of a standard stream that whoever started us had closed."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            nothing = os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, os.fdopen(nothing, mode, encoding="utf-8", closefd=False))


def _give_up(stream: IO[str]) -> None:
    """Throw away what cannot be printed, or Python would try again at its end."""
    try:
        stream.flush()
    except (OSError, ValueError):
        with suppress(OSError, ValueError):
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, stream.fileno())
            os.close(nothing)


class _Printed(io.TextIOBase):
    """Standard output on which no text from a file can steer the terminal."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        self._stream.write(printable(text, lines=True))
        return len(text)

    def flush(self) -> None:
        self._stream.flush()

    def isatty(self) -> bool:
        return not self._stream.closed and self._stream.isatty()


class _Parser(argparse.ArgumentParser):
    """A parser that refuses in one sentence, as everything else here does."""

    def error(self, message: str) -> NoReturn:
        short = message if len(message) <= 200 else f"{message[:199]}…"
        raise StudyError(
            f"The command cannot be understood: {short}", f"See what it takes: {self.prog} --help"
        )


_Run = Callable[[argparse.Namespace], int]


def _parser() -> argparse.ArgumentParser:  # noqa: PLR0915  # a list, no logic
    """Return the parser of all commands and their options, in the order of the help."""
    parser = _Parser(
        prog="grr",
        description=_ABOUT,
        epilog=_EXIT,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    version = f"grr {__version__}"
    parser.add_argument("--version", action="version", version=version, help="print the version")
    commands = parser.add_subparsers(
        title="commands", metavar="COMMAND", dest="command", required=True
    )

    def command(name: str, run: _Run, about: str) -> argparse.ArgumentParser:
        made = commands.add_parser(name, help=about)
        made.set_defaults(run=run, document={})
        return made

    study: dict[str, Any] = {"type": _path, "help": "study folder"}
    several: dict[str, Any] = {"nargs": "+", "default": []}
    yes: dict[str, Any] = {"action": "store_true"}
    force = yes | {"help": "replace a file that grr did not make"}
    purpose: dict[str, Any] = {
        "choices": ["accept", "control"],
        "default": "accept",
        "help": "default: accept",
    }

    add = command("lab", lab, "open the guided notebooks in JupyterLab").add_argument
    words = "working folder, made where it does not exist (default: grr_work)"
    add("folder", nargs="?", type=_path, default=Path("grr_work"), help=words)
    add("--port", type=int, help="port on this machine (default: a free one)")
    add("--no-browser", **yes, help="print the address, open no browser")

    add = command("new", new, "start a study folder").add_argument
    add("folder", type=_path, help="folder to make")
    add("--title", default="", help="what is measured, in a few words")
    add("--unit", default="mm", help="mm, um, in or uin (default: mm)")
    add("--resolution", help="step of the gauge's last digit")
    add("--lower", help="lower limit of the tolerance")
    add("--upper", help="upper limit of the tolerance")
    add("--nominal", help="nominal size, where the drawing gives deviations")
    add("--lower-deviation", help="with its sign, such as --lower-deviation=-0.01")
    add("--upper-deviation", help="with its sign")
    add("--purpose", **purpose)
    names = "their names (default: A B C)"
    add("--operators", nargs="+", default=["A", "B", "C"], help=names)
    add("--operators-are", **_how_many_ever("measure"))
    add("--parts", type=int, help="number of parts (default: 10, or 5 where others measure too)")
    add("--trials", type=int, help="readings of each part (default: 3, or 2 where others do)")
    add("--methods", **several, help="to compare: stand handheld")
    add("--places", **several, help="where on each part, if several: top middle")
    add("--gauges", **several, help="their names, if several")
    add("--gauges-are", **_how_many_ever("be used"))
    words = "of each operator, on different days (default: 1)"
    add("--sessions", type=int, default=1, help=words)
    words = "2: more people may measure after a first verdict (default: 1)"
    add("--looks", type=int, choices=[1, 2], default=1, help=words)
    words = "whether the parts stand for the process (default: process)"
    add("--parts-from", choices=get_args(PartsFrom), default="process", help=words)
    add("--process-sd", help="standard deviation of the process, from records")
    words = f"may be given several times; the names: {', '.join(fact.key for fact in FACTS)}"
    add("--fact", action="append", default=[], metavar="NAME=ANSWER", help=words)
    add("--seed", type=int, help="of the measuring order (default: drawn)")

    about = "say what a study folder's plan will decide; print its sheets"
    add = command("plan", plan, about).add_argument
    add("folder", **study)
    add("--sheets", **yes, help="write run sheet and key sheet into the folder")

    about = "print checks, tables and verdict of a study folder"
    command("analyse", analyse, about).add_argument("folder", **study)

    about = "analyse many studies: a table (CSV, XLSX, Parquet) or study folders"
    add = command("analyse-many", analyse_many, about).add_argument
    add("path", type=_path, help="table of readings, or folder of study folders")
    add("-o", "--output", type=_path, required=True, help="result, CSV: a row a study")
    add("--by", default="study", help="column that names the study (default: study)")
    add("--tolerances", type=_path, help="table with study, lower, upper ...")
    add("--purpose", **purpose)
    add("--operators", **_how_many_ever("measure"))
    add("--intervals", **yes, help="also limits and decisions")
    add("--checks", **yes, help="also check every study (slow)")
    add("--force", **force)

    about = "compare the operators of a study folder"
    command("operators", operators, about).add_argument("folder", **study)

    about = "compare the methods of a study folder, such as stand or handheld"
    add = command("compare", compare, about).add_argument
    add("folder", **study)
    add("--baseline", help="the method that is in use now")
    add("--candidate", help="the method to compare with it (default: each other)")

    about = "say whether a gauge is fit for its tolerance, and until when"
    add = command("qualify", qualify, about).add_argument
    add("folder", type=_path, help="folder of a gauge, as its page makes it")

    about = "write the report of a study folder, or of a gauge's folder"
    add = command("report", report, about).add_argument
    add("folder", type=_path, help="study folder, or folder of a gauge")
    words = ".html or .pdf (default: report.html in the folder)"
    add("-o", "--output", type=_path, help=words)
    day = "the day to print, like 2026-03-31 (default: today)"
    add("--date", help=day)
    for name in ("number", "prepared-by", "approved-by", "revision", "supersedes", "deviations"):
        add(f"--{name}", default="", help="printed on the first page")
    add("--code-operators", **yes, help="Operator 1, 2, 3 in place of names")
    add("--baseline", help="of several methods, the one to compare with")
    add("--paper", choices=["A4", "Letter"], default="A4", help="default: A4")
    add("--xlsx", type=_path, help="also write an Excel workbook here")
    add("--json", type=_path, help="also write the full result as JSON here")
    add("--force", **force)

    about = "put on one page what was decided about one gauge over time"
    add = command("gauge-file", gauge_file, about).add_argument
    add("folders", type=_path, nargs="+", help="study folders, and folders of the gauge")
    add("-o", "--output", type=_path, help="also write it, .html or .pdf")
    add("--date", help=day)
    add("--force", **force)

    about = "write the readings or the results of a study folder to a file"
    add = command("export", export, about).add_argument
    add("folder", **study)
    words = ".csv or .parquet: the readings that count; .json or .xlsx: readings and results"
    add("-o", "--output", type=_path, required=True, help=words)
    add("--force", **force)

    command("collect", collect, "take readings in the terminal").add_argument("folder", **study)

    about = "take readings from a filled form or table into a planned study"
    add = command("import", import_, about).add_argument
    add("file", type=_path, help="CSV, Excel or OpenDocument")
    add("folder", type=_path, help="study folder, as made by: grr new")
    for name in ("part", "operator"):
        words = f"{name} that is called otherwise in the file; may be given several times"
        add(f"--{name}", action="append", default=[], metavar="IN_FILE=IN_PLAN", help=words)

    about = "tell which rows or settings of a study or gauge were changed"
    checked = command("verify", verify, about)
    words = "folder of a study or gauge, or a working folder with several"
    checked.add_argument("folder", type=_path, help=words)
    add = checked.add_mutually_exclusive_group().add_argument
    add(
        "--seal", help="as printed on a report, label or run sheet: is the folder still what it was"
    )
    add("--report", type=_path, help="the same by a report (.html, .pdf) or a result (.json)")

    about = (
        "put on record a change of study.toml made after the first reading, or why rows of an "
        "imported file were not used"
    )
    add = command("record", record, about).add_argument
    add("folder", **study)
    add("--by", required=True, help="who made the change")
    add("--reason", required=True, help="why, such as the drawing's revision")

    about = "print the seal of a study folder: short, to be read aloud or noted"
    command("seal", seal, about).add_argument("folder", **study)

    about = "write a study folder into one zip archive, read back to compare"
    add = command("backup", backup, about).add_argument
    add("folder", **study)
    words = "the archive (default: the folder's name with .zip)"
    add("-o", "--output", type=_path, help=words)
    add("--force", **yes, help="replace an archive that is there")

    about = "join the two halves of a study that was taken on two computers"
    add = command("merge", merge, about).add_argument
    add("first", type=_path, help="study folder; its record comes first")
    add("second", type=_path, help="study folder with the same settings")
    words = "folder to make; the two stay as they are"
    add("-o", "--output", type=_path, required=True, help=words)

    about = "run the published examples on this installation"
    add = command("self-check", self_check, about).add_argument
    add("-o", "--output", type=_path, help="also write a page to file (HTML)")
    add("--force", **force)

    about = "open the documents, or the part of them that has some words"
    add = command("help", help_, about).add_argument
    add("words", nargs="*", help="such as: guard band")
    add("--no-browser", **yes, help="print the best part here, open no browser")

    about = "print what lets a shell complete commands and options"
    add = command("completion", completion, about).add_argument
    add("shell", choices=["bash", "zsh"])

    for name, made in commands.choices.items():
        if name not in ("lab", "collect", "report", "help", "completion"):  # report has its own
            words = "print one JSON object: exit status, data, and the words as text"
            made.add_argument("--json", **yes, dest="as_json", help=words)
    return parser


def _how_many_ever(what: str) -> dict[str, Any]:
    """Return how an option takes who else will measure, or what else be used."""
    return {
        "type": _who_measures,
        "default": "random",
        "metavar": "{random,fixed,NUMBER}",
        "help": f"a sample of those who will {what}, all who ever will, or how many will ever "
        f"{what} (default: random)",
    }


def _path(text: str) -> Path:
    """Return a path of the command line; an empty one would mean the folder we are in."""
    if not text:
        raise argparse.ArgumentTypeError("the name of a file or folder is empty")
    if "\0" in text:
        raise argparse.ArgumentTypeError("the name holds a character that no name can hold")
    return Path(text)


def lab(options: argparse.Namespace) -> int:
    """Start JupyterLab on the guided notebooks."""
    from grr.lab import run_lab

    return run_lab(options.folder, port=options.port, browser=not options.no_browser)


def _who_measures(text: str) -> str | int:
    if text in ("random", "fixed"):
        return text
    if text.isdecimal() and int(text) > 0:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is neither random nor fixed nor a number of people")


def new(options: argparse.Namespace) -> int:
    """Start a study folder, and say what in it decides most."""
    from grr.files.folder import new_study_folder
    from grr.model.settings import MEANINGS
    from grr.model.text_blocks import paragraph
    from grr.page.run_sheet import plan_study
    from grr.questions.planning import (
        TWO_GAUGES,
        refuse_coarse,
        refuse_joined_names,
        shop_unit,
        warnings_about,
    )

    unit = shop_unit(options.unit)
    resolution, process_sd = (_number_of(options, name) for name in ("resolution", "process_sd"))
    tolerance, facts = _tolerance(options), _facts(options.fact)
    if options.nominal is not None:
        facts["nominal"] = _number_of(options, "nominal")
    refuse_joined_names(options.operators)
    plan = plan_study(
        **_given(options, "parts", "operators", "trials", "methods", "sessions", "looks"),
        **_given(options, "places", "gauges", "operators_are", "purpose", "seed"),
        process_sd=process_sd,
    ).plan
    refuse_coarse(resolution, tolerance, unit)
    settings = new_study_folder(
        options.folder,
        **_given(options, "title", "purpose", "operators_are", "gauges_are", "parts_from"),
        unit=unit,
        resolution=resolution,
        tolerance=tolerance,
        process_sd=process_sd,
        plan=plan,
        facts=facts,
    )
    options.document["folder"] = str(options.folder)
    print(f"Study folder made: {options.folder}")
    _print_chances(settings)
    for warning in warnings_about(plan, resolution, tolerance, unit):
        print(paragraph(f"▲ {warning}"))
    if len(plan.gauges) == 2 and options.gauges_are == "random":
        print(paragraph(f"▲ {TWO_GAUGES}. Name more, or say how many there are: --gauges-are"))
    print(f"1. Open {options.folder / 'study.toml'}. Settle first what decides most:")
    for key, words in MEANINGS.items():
        now = getattr(settings, key)
        if isinstance(now, int):
            print(f"     {key} = {now}: how many people will ever measure")
        else:
            print(f'     {key} = "{now}": {words[now]}')
        print(*(f'       or "{word}": {words[word]}' for word in words if word != now), sep="\n")
    print("   Then fill in what is still empty.")
    print(f"2. Print run sheet and key sheet: grr plan {options.folder} --sheets")
    print(f"3. Take the readings: grr collect {options.folder}")
    print(f"4. See what they prove: grr analyse {options.folder}")
    return 0


def _given(options: argparse.Namespace, *names: str) -> dict[str, Any]:
    """Return options that a function takes by the same names."""
    return {name: getattr(options, name) for name in names}


def _tolerance(options: argparse.Namespace) -> Tolerance | None:
    """Return the tolerance, given by its limits or by deviations from the nominal size."""
    from grr.model.tolerance import Tolerance

    lower, upper = _number_of(options, "lower"), _number_of(options, "upper")
    deviations = [_number_of(options, f"{name}_deviation") for name in ("lower", "upper")]
    if deviations == [None, None]:
        return None if lower is None and upper is None else Tolerance(lower, upper)
    if lower is not None or upper is not None:
        raise StudyError(
            "The tolerance is given twice, by limits and by deviations",
            "Give --lower and --upper, or --nominal with the deviations",
        )
    nominal = _number_of(options, "nominal")
    if nominal is None:
        raise StudyError("Deviations need the size that they are from", "Give --nominal")
    return Tolerance.about(nominal, *deviations)


def _facts(given: Sequence[str]) -> dict[str, Any]:
    """Return what is stated about a study, each pair written as one with = between."""
    answers: dict[str, Any] = {}
    kinds = {fact.key: fact.kind for fact in FACTS}
    for key, text in _pairs("fact", given, "Write name, =, and answer: drawing=4711-2").items():
        kind = kinds.get(key)
        if kind is None:
            raise StudyError(
                "A fact has a name that is not asked for", "See: grr new --help", value=key
            )
        if kind in ("number", "whole"):
            value = _number(f"fact {key}", text)
            answers[key] = int(value) if kind == "whole" and value == int(value) else value
        elif kind == "yes_no" and text in ("yes", "no"):
            answers[key] = text == "yes"
        else:
            answers[key] = text
    return answers


def _print_chances(settings: Settings) -> None:
    """Print how often the plan of a study decides, or why it cannot."""
    from grr.model.text_blocks import paragraph
    from grr.questions.planning import chances_of_plan

    try:
        print("", chances_of_plan(settings), "", sep="\n")
        if settings.plan is not None and settings.plan.times > settings.plan.trials:
            words = "Readings at other places or with other gauges are counted as trials here: "
            words += "what comes is within 10 of 100 studies of that, mostly more USE."
            print(paragraph(words), "", sep="\n")
    except StudyError as error:
        print(paragraph(f"▲ {error}"))


def plan(options: argparse.Namespace) -> int:
    """Print how often the plan of a study folder decides, and write its sheets where asked for."""
    import grr
    from grr.files.study_file import read_settings

    sheet = grr.run_sheet(options.folder)
    _print_chances(read_settings(options.folder))
    print(sheet)
    options.document["order"] = _rows(sheet.to_frame())
    if options.sheets:
        for file in sheet.save(options.folder / "run_sheet"):
            print(f"Written: {file}")
            options.document.setdefault("written", []).append(str(file))
    return 0


def _number_of(options: argparse.Namespace, name: str) -> float | None:
    """Return the number that an option has, with a decimal point or comma; None without it."""
    text = getattr(options, name)
    return None if text is None else _number(name.replace("_", "-"), text)


def _number(name: str, text: str) -> float:
    from grr.entry.entered_numbers import one_number

    try:
        return one_number(text, "").value
    except StudyError:
        raise StudyError(
            f"--{name} is not a number", "Write it like 12.5 or 12,5", value=text
        ) from None


def analyse(options: argparse.Namespace) -> int:
    """Print checks, tables and verdict; the exit status tells the decision.

    Of several methods it is that of the method recommended; where either will do, or none is
    good enough, that of the one judged worst; and "not decided yet" where it can't be told.
    """
    import grr
    from grr.model.choices import Decision
    from grr.model.text_blocks import WIDTH, paragraph

    study = grr.open_study(options.folder)
    if options.as_json:
        from grr.page.json_export import result_document

        options.document["result"] = result_document(study)
    print(grr.check(study))
    if len(study.methods) < 2:
        return _print_numbers(study).exit_status
    from grr.questions.methods import Recommendation, compare_with_baseline, recommended_of

    decisions = {}
    for name in study.methods:
        print("", "-" * WIDTH, f"Method: {name}", sep="\n")
        decisions[name] = _print_numbers(study.for_method(name))
    worst = max(decisions.values(), key=list(Decision).index)
    try:
        comparisons = compare_with_baseline(study)
    except StudyError as error:
        print("", "-" * WIDTH, paragraph(f"The methods cannot be compared. {error}"), sep="\n")
        return worst.exit_status
    for comparison in comparisons:
        print("", "-" * WIDTH, comparison, sep="\n")
    method = recommended_of(comparisons)
    if method is not None:
        return decisions[method].exit_status
    open_one = any(one.recommendation is Recommendation.CANT_TELL for one in comparisons)
    return (Decision.NOT_DECIDED if open_one else worst).exit_status


def _print_numbers(study: Study) -> Decision:
    """Print tables and verdict of a study by one method; return the decision."""
    import grr
    from grr.model.text_blocks import as_text, paragraph
    from grr.questions.causes import cause_blocks
    from grr.questions.check import RUINED

    verdict = grr.verdict(study)
    if verdict.findings.ruined:
        print("", as_text([RUINED]), "", verdict, sep="\n")
        return verdict.decision
    causes = as_text(cause_blocks(study))
    try:
        by_ranges = str(grr.average_range(study))
    except StudyError as error:
        by_ranges = paragraph(f"By average and range: not possible. {error}")
    print("", grr.anova(study), "", by_ranges, "", verdict, "", causes, sep="\n")
    return verdict.decision


def operators(options: argparse.Namespace) -> int:
    """Print how the operators read beside each other, by each method of measuring."""
    import grr
    from grr.model.text_blocks import WIDTH

    study = grr.open_study(options.folder)
    for name in study.methods or ("",):
        if name:
            print("-" * WIDTH, f"Method: {name}", sep="\n")
        found = grr.compare_operators(study.for_method(name) if name else study)
        print(found)
        options.document.setdefault("operators", []).extend(
            {"method": name or None, **row} for row in _rows(found.to_frame())
        )
    return 0


def compare(options: argparse.Namespace) -> int:
    """Print which method to use, and at what price."""
    import grr
    from grr.questions.methods import compare_with_baseline

    study = grr.open_study(options.folder)
    if options.candidate is not None or len(study.methods) < 2:
        found = [grr.compare_methods(study, baseline=options.baseline, candidate=options.candidate)]
    else:
        found = compare_with_baseline(study, options.baseline)
    print(*found, sep="\n\n")
    options.document["comparisons"] = [
        {
            "baseline": one.numbers.baseline,
            "candidate": one.numbers.candidate,
            "recommendation": one.recommendation.name,
            "recommended": one.recommended,
            "rows": _rows(one.to_frame()),
        }
        for one in found
    ]
    return 0


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table as rows that JSON can hold; what is not a number is null."""
    named = any(name is not None for name in table.index.names)
    rows = (table.reset_index() if named else table).to_dict("records")
    return [
        {
            str(key): None if isinstance(value, float) and not math.isfinite(value) else value
            for key, value in row.items()
        }
        for row in rows
    ]


def qualify(options: argparse.Namespace) -> int:
    """Print what blocks, budget, study and checks of a gauge say, and the decision."""
    from grr.model.choices import Decision
    from grr.model.text_blocks import WIDTH, paragraph
    from grr.page.filed_results import result_document
    from grr.page.gauge_file import worked_out

    _, _, found = worked_out(options.folder)
    for name in ("reference", "ranges", "budget", "watched", "page"):
        result = getattr(found, name)
        if result is not None:
            options.document[name] = result_document(result)
            print("-" * WIDTH, result, sep="\n")
    print("-" * WIDTH)
    for name, why in found.why.items():
        print(paragraph(f"Open, {_WAITS[name]}: {why}"))
    options.document["open"] = dict(found.why)
    decision = Decision.NOT_DECIDED if found.page is None else Decision(found.page.decision)
    return decision.exit_status


_WAITS = {
    "reference": "the block of the part's size",
    "range": "blocks over the range",
    "study": "study on real parts",
    "check": "checks over time",
    "budget": "uncertainty",
    "page": "the decision",
}


def analyse_many(options: argparse.Namespace) -> int:
    """Write one row a study; the exit status is 2 where a study could not be analysed."""
    import grr
    from grr.files.disk import write_whole
    from grr.many.summary import csv_text, text_summary

    inputs = (options.path, options.tolerances)
    target = safe_target(options.output, inputs=inputs, overwrite=options.force)
    found = grr.analyse_many(
        options.path,
        options.by,
        options.tolerances,
        **_given(options, "intervals", "checks", "purpose", "operators"),
        progress=sys.stderr.isatty(),
    )
    write_whole(target, csv_text(found))
    options.document |= {"written": str(target), "studies": len(found)}
    print(text_summary(found, options.by))
    print(f"Written: {target}")
    return 2 if (found["error"] != "").any() else 0


def report(options: argparse.Namespace) -> int:
    """Write the report of a study or a gauge, and the workbook and JSON where asked for."""
    import grr
    from grr.files.allowed_files import target_file
    from grr.page.gauge_file import subject_in

    study, force = subject_in(options.folder), options.force
    output = options.output or options.folder / "report.html"
    places = (output, ".html", ".pdf"), (options.xlsx, ".xlsx"), (options.json, ".json")
    for path, *endings in places:
        if path is not None:
            target_file(path, *endings, overwrite=force)  # refuse before anything is written
    written = grr.report(
        study,
        output,
        date=None if options.date is None else _day(options.date),
        **_given(options, "number", "prepared_by", "approved_by", "revision", "supersedes"),
        **_given(options, "deviations", "code_operators", "baseline", "paper"),
        overwrite=force,
    )
    print(f"Written: {written}")
    if options.xlsx is not None:
        print(f"Written: {grr.export_workbook(study, options.xlsx, overwrite=force)}")
    if options.json is not None:
        print(f"Written: {grr.export_json(study, options.json, overwrite=force)}")
    return 0


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise StudyError(
            "The date cannot be read", "Write it like 2026-03-31", value=text
        ) from None


def gauge_file(options: argparse.Namespace) -> int:
    """Print what was decided about one gauge over time, and file it where asked for."""
    import grr
    from grr.files.allowed_files import target_file
    from grr.page.filed_results import result_document

    if options.output is not None:
        target_file(options.output, ".html", ".pdf", overwrite=options.force)
    found = grr.gauge_file(options.folders)
    options.document["result"] = result_document(found)
    print(found)
    if options.output is not None:
        day = None if options.date is None else _day(options.date)
        written = grr.report(found, options.output, date=day, overwrite=options.force)
        options.document["written"] = str(written)
        print(f"Written: {written}")
    return 0


def export(options: argparse.Namespace) -> int:
    """Write one file of a study, of the kind that its ending names."""
    import grr
    from grr.files.allowed_files import target_file
    from grr.files.disk import write_bytes, write_whole
    from grr.model.study import Study
    from grr.page.gauge_file import subject_in

    study, target, force = subject_in(options.folder), options.output, options.force
    target_file(target, ".csv", ".parquet", ".json", ".xlsx", overwrite=force)
    ending = target.suffix.lower()
    if ending == ".json":
        grr.export_json(study, target, overwrite=force)
    elif ending == ".xlsx":
        grr.export_workbook(study, target, overwrite=force)
    elif not isinstance(study, Study):
        raise StudyError(
            "The readings of a gauge's folder are in its readings.csv already",
            "Export .json or .xlsx",
            file=target,
        )
    elif ending == ".csv":
        write_whole(target, study.readings.to_csv(index=False, lineterminator="\n"))
    else:
        try:
            content = study.readings.to_parquet(index=False)
        except ImportError:
            raise StudyError(
                "Parquet needs the package pyarrow, which is not here",
                "Install it with: pip install pyarrow; or write .csv",
            ) from None
        write_bytes(target, content)
    options.document["written"] = str(target)
    print(f"Written: {target}")
    return 0


def collect(options: argparse.Namespace) -> int:
    """Take readings in the terminal."""
    from grr.entry.terminal import collect_in_terminal

    return collect_in_terminal(options.folder, sys.stdin, sys.stdout)


def import_(options: argparse.Namespace) -> int:
    """File every reading of a table at its place in the plan, or none of them."""
    from grr.entry.collecting import Collecting
    from grr.entry.job import open_job
    from grr.entry.upload import take_file
    from grr.files.table_file import file_content
    from grr.model.text_blocks import paragraph

    content = file_content(options.file)
    work = Collecting(open_job(options.folder))
    if work.ownership.take() is not None:
        raise StudyError("This study is being collected in another window", "Close it there first")
    try:
        outcome = take_file(
            work,
            options.file.name,
            content,
            parts=_pairs("part", options.part, _AS_PLANNED),
            operators=_pairs("operator", options.operator, _AS_PLANNED),
        )
        left = len(work.places_left(work.record))
    finally:
        work.ownership.release()
    options.document |= {"taken": len(outcome.rows), "left": left}
    print(paragraph(outcome.words))
    if left:
        print(f"Still to measure: {left}. Go on with: grr collect {options.folder}")
    else:
        print(f"The plan is complete. See what it proves: grr analyse {options.folder}")
    return 0


_AS_PLANNED = "Write the name in the file, =, and the name in the plan, such as P01=1"


def _pairs(name: str, given: Sequence[str], remedy: str) -> dict[str, str]:
    """Return what stands before and behind the = of each pair."""
    pairs = {}
    for pair in given:
        there, sign, here = pair.partition("=")
        if not (there and sign and here):
            raise StudyError(f"--{name} does not say what is what", remedy, value=pair)
        pairs[there] = here
    return pairs


def verify(options: argparse.Namespace) -> int:
    """Check the record of a study, and compare it with a seal that was printed."""
    from grr.files.seal import reported_seal
    from grr.files.verify import verify_folder, verify_place

    several = verify_place(options.folder) if not (options.seal or options.report) else {}
    if several:
        return _verified(several, options)
    seal = options.seal if options.seal is not None else ""
    if options.report is not None:
        seal = reported_seal(options.report)
    elif options.seal == "":
        raise StudyError("The seal is empty", "Copy it from the report or the run sheet")
    found = verify_folder(options.folder, seal=seal)
    options.document["unaltered"] = found.unaltered
    print(found)
    return 0 if found.unaltered else 1


def _verified(found: Mapping[str, FolderCheck | StudyError], options: argparse.Namespace) -> int:
    """Print a line for each study and gauge of a working folder."""
    said, unaltered = {}, {}
    for name, one in found.items():
        if isinstance(one, StudyError):
            said[name] = f"{one.problem}."
        else:
            said[name], unaltered[name] = one.sentence, one.unaltered
        print(f"{name}: {said[name]}")
    options.document |= {"folders": said, "unaltered": all(unaltered.values())}
    return 0 if all(unaltered.values()) else 1


def record(options: argparse.Namespace) -> int:
    """Put changes of study.toml, and rows not used, on record with a name and a reason."""
    from grr.files.verify import record_changes, record_unused_rows

    changes = record_changes(options.folder, by=options.by, reason=options.reason)
    rows = record_unused_rows(options.folder, by=options.by, reason=options.reason)
    options.document["on_record"] = [*map(str, changes), *map(str, rows)]
    for change in changes:
        print(f"On record: {change}.")
    for row in rows:
        print(f"On record, not used: {row}.")
    if not changes and not rows:
        print("study.toml says what the record says: there was nothing to put on record.")
    return 0


def seal(options: argparse.Namespace) -> int:
    """Print what proves later that the folder is still what it is now."""
    from grr.files.verify import seal_now

    options.document["seal"] = seal_now(options.folder)
    print(options.document["seal"])
    print(f"Compare it later: grr verify {options.folder} --seal ...")
    return 0


def backup(options: argparse.Namespace) -> int:
    """Write a study folder into one zip archive."""
    from grr.files.copies import backup as write_backup
    from grr.files.verify import seal_now

    written = write_backup(options.folder, options.output, overwrite=options.force)
    options.document |= {"written": str(written), "seal": seal_now(options.folder)}
    print(f"Written, and read back: {written}")
    print(f"Seal of the study in it: {options.document['seal']}")
    return 0


def merge(options: argparse.Namespace) -> int:
    """Join two halves of a study in a new folder."""
    from grr.files.merging import merge as merge_halves
    from grr.model.rounding import counted

    found = merge_halves(options.first, options.second, options.output)
    options.document |= {"written": str(found.folder), "seal": found.seal}
    first, second = (counted(number, "row") for number in found.rows)
    print(f"Merged: {found.folder}: {first} of {options.first}, {second} of {options.second}.")
    for old, new in found.sessions:
        print(f"Session {old} of {options.second} is session {new} here.")
    print(f"{options.second} is kept whole in {found.archive}.")
    print(f"Seal of the merged folder: {found.seal}")
    return 0


def self_check(options: argparse.Namespace) -> int:
    """Run the published examples on this installation."""
    import grr
    from grr.files.disk import write_whole
    from grr.model.html_blocks import html_page

    target = None
    if options.output is not None:
        target = safe_target(options.output, overwrite=options.force)
    found = grr.self_check()
    options.document |= {"passed": found.passed, "checks": _rows(found.to_frame())}
    print(found)
    if target is not None:
        write_whole(target, html_page("Self-check of grr", found._repr_html_()))
        print(f"\nWritten: {target}")
    return 0 if found.passed else 1


def completion(options: argparse.Namespace) -> int:
    """Print a script for the shell; its first lines say where it goes."""
    try:
        import shtab
    except ImportError:
        raise StudyError(
            "Completion needs the package shtab, which is not here",
            "Install it with: pip install shtab",
        ) from None
    place = {
        "bash": "~/.local/share/bash-completion/completions/grr",
        "zsh": "a folder of $fpath, under the name _grr",
    }[options.shell]
    script = shtab.complete(_parser(), options.shell)
    head, _, rest = script.partition("\n")  # a zsh script names its command in the first line
    print(f"{head}\n# Save this to {place}\n{rest}")
    return 0


def help_(options: argparse.Namespace) -> int:
    """List the documents, or the parts of them that have the words, and open the first."""
    import tempfile
    import webbrowser

    from grr.page import documents

    found = documents.found_by(options.words) if options.words else []
    for section in found:
        print(f"{section.title} › {section.heading}")
    if not found:
        print(*(documents.title_of(name) for name in documents.NAMES), sep="\n")
    if options.no_browser:
        print("", found[0].text, sep="\n") if found else print("\nSearch them: grr help WORDS")
        return 0
    page = documents.write_pages(Path(tempfile.mkdtemp(prefix="grr-documents-")))
    if found:
        (anchor,) = documents.anchors([found[0].heading])
        address = f"{page.with_name(found[0].document).with_suffix('.html').as_uri()}#{anchor}"
    else:
        address = page.as_uri()
    print(f"Opened in the browser: {address}" if webbrowser.open(address) else f"At: {address}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
