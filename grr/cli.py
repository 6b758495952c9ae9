"""The ``grr`` command."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from grr.errors import StudyError

if TYPE_CHECKING:
    from grr.study import Study

#: Exit status of ``grr analyse``, by decision; 2 is bad input.
EXIT_STATUS = {
    "USE": 0,
    "USE ONLY LIKE THIS": 3,
    "DO NOT USE FOR THIS TOLERANCE": 4,
    "NOT DECIDED YET": 5,
}

_ABOUT = "Is the measuring system good enough for the tolerance? Gauge studies, start to finish."
_EXIT = """exit status of analyse:
  0  use              3  use only like this
  4  do not use       5  not decided yet
  2  something in the input cannot be used (the message says what and where)
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; print what is wrong in one sentence where something is."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    options = _parser().parse_args(arguments)
    try:
        status: int = options.run(options)
    except StudyError as error:
        print(error, file=sys.stderr)
        return 2
    except BrokenPipeError:
        return 0
    return status


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="grr",
        description=_ABOUT,
        epilog=_EXIT,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    lab = commands.add_parser("lab", help="open the guided notebooks in JupyterLab")
    lab.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path("grr_work"),
        help="working folder, made where it does not exist (default: grr_work)",
    )
    lab.add_argument("--port", type=int, help="port on this machine (default: a free one)")
    lab.add_argument("--no-browser", action="store_true", help="print the address, open no browser")
    lab.set_defaults(run=_lab)

    new = commands.add_parser("new", help="start a study folder")
    new.add_argument("folder", type=Path, help="folder to make")
    new.add_argument("--title", default="", help="what is measured, in a few words")
    new.add_argument("--unit", default="mm", help="mm, um, in or uin (default: mm)")
    new.add_argument("--resolution", type=float, help="step of the gauge's last digit")
    new.add_argument("--lower", type=float, help="lower limit of the tolerance")
    new.add_argument("--upper", type=float, help="upper limit of the tolerance")
    new.add_argument("--parts", type=int, default=10, help="number of parts (default: 10)")
    new.add_argument(
        "--operators", nargs="+", default=["A", "B", "C"], help="their names (default: A B C)"
    )
    new.add_argument("--trials", type=int, default=3, help="readings of each part (default: 3)")
    new.set_defaults(run=_new)

    analyse = commands.add_parser(
        "analyse", help="print checks, tables and verdict of a study folder"
    )
    analyse.add_argument("folder", type=Path, help="study folder")
    analyse.set_defaults(run=_analyse)

    check = commands.add_parser(
        "self-check", help="run the published examples on this installation"
    )
    check.add_argument("-o", "--output", type=Path, help="also write a page to file (HTML)")
    check.set_defaults(run=_self_check)
    return parser


def _lab(options: argparse.Namespace) -> int:
    from grr.lab import run_lab

    return run_lab(options.folder, port=options.port, browser=not options.no_browser)


def _new(options: argparse.Namespace) -> int:
    from grr.files.folder import new_study_folder
    from grr.rules import Plan
    from grr.tolerance import Tolerance

    tolerance = None
    if options.lower is not None or options.upper is not None:
        tolerance = Tolerance(options.lower, options.upper)
    new_study_folder(
        options.folder,
        title=options.title,
        unit=options.unit,
        resolution=options.resolution,
        tolerance=tolerance,
        plan=Plan(
            parts=tuple(str(number) for number in range(1, options.parts + 1)),
            operators=tuple(options.operators),
            trials=options.trials,
        ),
    )
    print(f"Study folder made: {options.folder}")
    print(f"1. Open {options.folder / 'study.toml'} and fill in what is still empty.")
    print(f"2. Take the readings: grr collect {options.folder}")
    print(f"3. See what they prove: grr analyse {options.folder}")
    return 0


def _analyse(options: argparse.Namespace) -> int:
    import grr

    study = grr.open_study(options.folder)
    findings = grr.check(study)
    result = grr.anova(study)
    verdict = grr.verdict(result)
    print(findings, result, _by_ranges(study), verdict, sep="\n\n")
    return EXIT_STATUS[verdict.decision]


def _by_ranges(study: Study) -> str:
    import grr
    from grr.wording.tables import paragraph

    try:
        return str(grr.average_range(study))
    except StudyError as error:
        return paragraph(f"By average and range: not possible. {error}")


def _self_check(options: argparse.Namespace) -> int:
    import grr
    from grr.files.atomic import write_whole
    from grr.wording.tables import html_page

    found = grr.self_check()
    print(found)
    if options.output is not None:
        write_whole(options.output, html_page("Self-check of grr", found._repr_html_()))
        print(f"\nWritten: {options.output}")
    return 0 if found.passed else 1


if __name__ == "__main__":
    sys.exit(main())
