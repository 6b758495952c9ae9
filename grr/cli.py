"""The ``grr`` command."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from grr import cli_commands
from grr.model.errors import StudyError

_ABOUT = "Is the measuring system good enough for the tolerance? Gauge studies, start to finish."
_EXIT = """exit status of analyse (several methods: of the one judged worst):
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
        sys.stdout.flush()
    except StudyError as error:
        print(error, file=sys.stderr)
        return 2
    except BrokenPipeError:
        return 0
    except OSError as error:  # such as a full disk under the file that takes the output
        print(f"Something cannot be read or written: {error}.", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("Stopped. What was saved before is unchanged.", file=sys.stderr)
        return 130
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
    lab.set_defaults(run=cli_commands.lab)

    new = commands.add_parser("new", help="start a study folder")
    new.add_argument("folder", type=Path, help="folder to make")
    new.add_argument("--title", default="", help="what is measured, in a few words")
    new.add_argument("--unit", default="mm", help="mm, um, in or uin (default: mm)")
    new.add_argument("--resolution", help="step of the gauge's last digit")
    new.add_argument("--lower", help="lower limit of the tolerance")
    new.add_argument("--upper", help="upper limit of the tolerance")
    new.add_argument("--parts", type=int, default=10, help="number of parts (default: 10)")
    new.add_argument(
        "--operators", nargs="+", default=["A", "B", "C"], help="their names (default: A B C)"
    )
    new.add_argument("--trials", type=int, default=3, help="readings of each part (default: 3)")
    new.add_argument("--seed", type=int, help="of the measuring order (default: drawn)")
    new.set_defaults(run=cli_commands.new)

    analyse = commands.add_parser(
        "analyse", help="print checks, tables and verdict of a study folder"
    )
    analyse.add_argument("folder", type=Path, help="study folder")
    analyse.set_defaults(run=cli_commands.analyse)

    many = commands.add_parser(
        "analyse-many", help="analyse many studies: a table (CSV, XLSX, Parquet) or study folders"
    )
    many.add_argument("path", type=Path, help="table of readings, or folder of study folders")
    many.add_argument("-o", "--output", type=Path, required=True, help="result, CSV: a row a study")
    many.add_argument("--by", default="study", help="column that names the study (default: study)")
    many.add_argument("--tolerances", type=Path, help="table with study, lower, upper ...")
    many.add_argument(
        "--purpose", choices=["accept", "control"], default="accept", help="default: accept"
    )
    many.add_argument(
        "--operators", choices=["random", "fixed"], default="random", help="default: random"
    )
    many.add_argument("--intervals", action="store_true", help="also limits and decisions")
    many.add_argument("--checks", action="store_true", help="also check every study (slow)")
    many.set_defaults(run=cli_commands.analyse_many)

    _add_report(commands)

    collect = commands.add_parser("collect", help="take readings in the terminal")
    collect.add_argument("folder", type=Path, help="study folder")
    collect.set_defaults(run=cli_commands.collect)

    verify = commands.add_parser(
        "verify", help="tell which rows or settings of a study were changed"
    )
    verify.add_argument("folder", type=Path, help="study folder")
    verify.set_defaults(run=cli_commands.verify)

    record = commands.add_parser(
        "record", help="put a change of study.toml on record, made after the first reading"
    )
    record.add_argument("folder", type=Path, help="study folder")
    record.add_argument("--by", required=True, help="who made the change")
    record.add_argument("--reason", required=True, help="why, such as the drawing's revision")
    record.set_defaults(run=cli_commands.record)

    check = commands.add_parser(
        "self-check", help="run the published examples on this installation"
    )
    check.add_argument("-o", "--output", type=Path, help="also write a page to file (HTML)")
    check.set_defaults(run=cli_commands.self_check)
    return parser


def _add_report(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    report = commands.add_parser("report", help="write the report of a study folder")
    report.add_argument("folder", type=Path, help="study folder")
    report.add_argument(
        "-o", "--output", type=Path, help=".html or .pdf (default: report.html in the folder)"
    )
    report.add_argument("--date", help="the day to print, like 2026-03-31 (default: today)")
    for name in ("prepared-by", "approved-by", "revision", "supersedes", "deviations"):
        report.add_argument(f"--{name}", default="", help="printed on the first page")
    report.add_argument(
        "--code-operators", action="store_true", help="Operator 1, 2, 3 in place of names"
    )
    report.add_argument("--baseline", help="of several methods, the one to compare with")
    report.add_argument("--paper", choices=["A4", "Letter"], default="A4", help="default: A4")
    report.add_argument("--xlsx", type=Path, help="also write an Excel workbook here")
    report.add_argument("--json", type=Path, help="also write the full result as JSON here")
    report.set_defaults(run=cli_commands.report)


if __name__ == "__main__":
    sys.exit(main())
