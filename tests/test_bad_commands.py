"""Hundreds of bad command lines: each is refused in one sentence, soon, and nothing is lost.

Every command is given every kind of bad folder, file, output and value. What must hold: no
traceback, the exit status for bad input, at most five seconds, one line on standard error
that says what to do, and every file as it was, byte for byte.
"""

from __future__ import annotations

import hashlib
import io
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import pandas as pd
import pytest

from grr.cli import main
from grr.model.errors import printable
from grr.shipped import shipped_folder

#: Of computing: the machine of a test may be busy with others. A hang computes nothing.
SECONDS, SECONDS_OF_A_HANG = 5.0, 30.0
DEMO = shipped_folder("demo_data")
PLAN = '[plan]\nparts = ["1", "2"]\noperators = ["A", "B"]\ntrials = 2\nseed = 1\n'
LONG = "n" * 300
ESCAPE = "\x1b[31mred\x1b]0;title\x07"
has_pipes = hasattr(os, "mkfifo")


def long_table(reading: str = "10.00{p}{t}") -> str:
    rows = [
        f"{p},{o},{t},{reading.format(p=p, t=t)}"
        for p in (1, 2, 3)
        for o in ("A", "B")
        for t in (1, 2)
    ]
    return "\n".join(["part,operator,trial,reading", *rows, ""])


def study(folder: Path, settings: str | bytes = "", readings: str | bytes | None = None) -> None:
    """Make a study folder from the text of its two files."""
    folder.mkdir()
    head = 'unit = "mm"\n'
    text = settings if isinstance(settings, bytes) else (head + settings).encode()
    (folder / "study.toml").write_bytes(text)
    if readings is not None:
        content = readings if isinstance(readings, bytes) else readings.encode()
        (folder / "readings.csv").write_bytes(content)


#: Study folders that cannot be used as they are, by what is wrong with them.
SETTINGS: dict[str, str | bytes] = {
    "title_of_5_MB": f'title = "{"t" * 5_000_000}"\n',
    "title_of_half_a_MB": f'title = "{"t " * 250_000}"\n',
    "title_that_steers": 'title = "\\u001b[31mred"\ntolerance = 3\n',
    "tolerance_1e308": "[tolerance]\nlower = -1e308\nupper = 1e308\n",
    "tolerance_1e300": "[tolerance]\nlower = 10.0\nupper = 1e300\n",
    "tolerance_1e-300": "[tolerance]\nlower = 0.0\nupper = 1e-300\n",
    "tolerance_inf": "[tolerance]\nlower = 0.0\nupper = inf\n",
    "tolerance_nan": "[tolerance]\nlower = nan\nupper = 1.0\n",
    "digit_1e300": "resolution = 1e300\n",
    "digit_1e-300": "resolution = 1e-300\n",
    "digit_1e308": "resolution = 1e308\n",
    "digit_below_zero": "resolution = -1.0\n",
    "digit_of_4000_figures": f"resolution = {'9' * 4000}\n",
    "process_sd_1e308": "process_sd = 1e308\n",
    "process_mean_1e308": "process_mean = 1e308\n",
    "unknown_key": "colour = 1\n",
    "unknown_table": "[nowhere]\na = 1\n",
    "no_toml": "= = =\n",
    "nested_deep": f"a = {'[' * 50_000}\n",
    "nested_tables": f"[{'.'.join('a' * 20_000)}]\n",
    "not_utf8": b'title = "\xff\xfe"\n',
    "zero_bytes": b"\x00" * 100,
    "noise": bytes(range(256)) * 100,
    "fact_of_half_a_MB": f'[facts]\ngauge_number = "{"g " * 250_000}"\n',
    "operator_of_half_a_MB": f'[plan]\nparts = ["1"]\noperators = ["{"o" * 500_000}"]\n',
    "plan_of_too_many": f"[plan]\nparts = {[str(i) for i in range(5000)]}\n",
}
READINGS: dict[str, str | bytes] = {
    "empty": "",
    "head_only": "part,operator,trial,reading\n",
    "words": "part,operator,trial,reading\n1,A,1,ten\n",
    "readings_1e300": long_table("1e30{t}"),
    "readings_1e308": long_table("{p}e307"),
    "readings_1e-300": long_table("{p}{t}e-300"),
    "readings_nan": long_table("nan"),
    "readings_inf": long_table("inf"),
    "readings_steer": long_table("\x1b[31m"),
    "names_of_a_MB": long_table().replace("1,A,", f"{'n' * 300_000},A,"),
    "noise": bytes(range(256)) * 100,
    "zero_bytes": b"\x00" * 1000,
    "one_long_line": b"x" * 3_000_000,
    "many_commas": b"," * 300_000,
    "half_a_zip": b"PK\x03\x04" + b"\x00" * 100,
    "old_workbook": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 100,
    "twice": long_table() + "1,A,1,10.0\n",
}


def make_shop(top: Path) -> None:
    """Fill a folder with good and bad inputs."""
    shutil.copytree(DEMO / "dowel_pin", top / "good")
    study(top / "planned", PLAN)
    for name, text in SETTINGS.items():
        study(top / f"settings_{name}", text, long_table())
    for name, content in READINGS.items():
        study(top / f"readings_{name}", "", content)
    (top / "no_study").mkdir()
    (top / "foreign.html").write_text("<p>mine</p>", encoding="utf-8")
    (top / "foreign.csv").write_text("mine\n", encoding="utf-8")
    (top / "foreign.json").write_text('{"mine": 1}', encoding="utf-8")
    (top / "foreign.xlsx").write_bytes(b"mine")
    (top / "plain.csv").write_text(long_table(), encoding="utf-8")
    many = [
        f"{s},{line}" if i else f"study,{line}"
        for s in ("a", "b")
        for i, line in enumerate(long_table().split())
        if i or s == "a"
    ]
    (top / "many.csv").write_text("\n".join(many) + "\n", encoding="utf-8")
    (top / "limits.csv").write_text("study,lower,upper\na,9,11\nb,9,11\n", encoding="utf-8")
    for name, content in READINGS.items():
        (top / f"table_{name}.csv").write_bytes(
            content if isinstance(content, bytes) else content.encode()
        )
    (top / "table_noise.parquet").write_bytes(bytes(range(256)) * 10)
    (top / "table_noise.xlsx").write_bytes(b"PK\x03\x04" + bytes(range(256)) * 10)
    (top / "table.docx").write_bytes(b"PK\x03\x04")
    with (top / "huge.csv").open("wb") as file:
        file.truncate(3_000_000_000)  # takes no space on most disks
    study(top / "readings_a_folder", PLAN)
    (top / "readings_a_folder" / "readings.csv").mkdir()
    (top / "settings_a_folder" / "study.toml").mkdir(parents=True)
    if has_pipes:
        os.mkfifo(top / "pipe")
        os.mkfifo(top / "pipe.csv")
        os.mkfifo(top / "pipe.html")
        os.mkfifo(top / "pipe.xlsx")
        os.mkfifo(top / "pipe.json")
        os.mkfifo(top / "pipe.parquet")
        (top / "settings_a_pipe").mkdir()
        os.mkfifo(top / "settings_a_pipe" / "study.toml")
        study(top / "readings_a_pipe", PLAN)
        os.mkfifo(top / "readings_a_pipe" / "readings.csv")
        study(top / "events_a_pipe", PLAN, (DEMO / "dowel_pin" / "readings.csv").read_bytes())
        os.mkfifo(top / "events_a_pipe" / "events.csv")
        (top / "parquet_with_a_pipe").mkdir()
        os.mkfifo(top / "parquet_with_a_pipe" / "x.parquet")
        study(top / "readings_a_device", PLAN)
        (top / "readings_a_device" / "readings.csv").symlink_to("/dev/zero")
        (top / "settings_a_device").mkdir()
        (top / "settings_a_device" / "study.toml").symlink_to("/dev/zero")
        (top / "zero.csv").symlink_to("/dev/zero")
        (top / "zero.html").symlink_to("/dev/zero")
        (top / "round").symlink_to(top / "round_about")
        (top / "round_about").symlink_to(top / "round")
        (top / "nowhere").symlink_to(top / "not_there")
        (top / "link.csv").symlink_to(top / "good" / "readings.csv")
        (top / "link.html").symlink_to(top / "good" / "study.toml")
        os.link(top / "many.csv", top / "same.csv")


PIPES = [
    "pipe",
    "settings_a_pipe",
    "readings_a_pipe",
    "settings_a_device",
    "readings_a_device",
    "round",
    "nowhere",
    "/dev/null",
    "/dev/zero",
]
NO_FOLDERS = [
    "",
    "missing",
    f"missing/{LONG}",
    LONG,
    "a\0b",
    f"missing{ESCAPE}",
    "missing\nsecond line",
    "foreign.csv",
    "foreign.csv/inside",
    "no_study",
    "settings_a_folder",
    *(PIPES if has_pipes else []),
]
USELESS = [
    *NO_FOLDERS,
    "readings_a_folder",
    *(f"settings_{name}" for name in SETTINGS),
    *(f"readings_{name}" for name in READINGS),
]
TABLES = [
    "",
    "missing.csv",
    f"{LONG}.csv",
    "a\0b.csv",
    f"missing{ESCAPE}.csv",
    "missing\nsecond line.csv",
    "plain.csv",
    "foreign.csv",
    "foreign.html",
    "no_study",
    "huge.csv",
    "table_noise.parquet",
    "table_noise.xlsx",
    "table.docx",
    *(f"table_{name}.csv" for name in READINGS),
    *(
        [
            "pipe",
            "pipe.csv",
            "pipe.xlsx",
            "pipe.parquet",
            "parquet_with_a_pipe",
            "zero.csv",
            "round",
            "nowhere",
            "/dev/null",
            "/dev/zero",
        ]
        if has_pipes
        else []
    ),
]
NUMBERS = ["1e300", "1e308", "-1e308", "1e-300", "nan", "inf", "", "ten", "9" * 5000, "0x1", "\x1b"]
COUNTS = ["0", "-1", "1.5", "1e300", "9" * 5000, "nan", "", "ten", "1000000", ESCAPE]


def outputs(ending: str) -> list[str]:
    """Places at which no output may be written."""
    found = [
        "",
        ".",
        "good",
        f"missing/a{ending}",
        f"foreign.csv/a{ending}",
        f"{LONG}{ending}",
        f"a\0b{ending}",
        "good/readings.csv",
        "good/study.toml",
        "good/events.csv",
        "good/readings.xlsx",
        "good/READINGS.XLSX",
        "planned/readings.csv",
        "planned/../planned/readings.csv",
        f"foreign{ending}",
        f"a:b{ending}",
        f"CON{ending}",
    ]
    if has_pipes:
        found += [f"pipe{ending}", "zero.html", "link.html", "link.csv", "/dev/null", "round"]
    return found


def commands() -> Iterator[list[str]]:
    """Every command with every kind of bad argument."""
    for folder in USELESS:
        yield ["analyse", folder]
        yield ["report", folder]
    for folder in NO_FOLDERS:
        yield ["verify", folder]
        yield ["collect", folder]
        if not folder.startswith("readings_"):  # there is nothing to put on record in these
            yield ["record", folder, "--by", "A", "--reason", "b"]
    for folder in ("good", "planned", "foreign.csv", "foreign.csv/inside", "", "a\0b", LONG):
        yield ["new", folder]
    for folder in ("foreign.csv", "foreign.csv/inside", "", "a\0b", LONG):
        yield ["lab", folder, "--no-browser"]
    for port in ("0", "-1", "99999", "1e9", "", "9" * 5000):
        yield ["lab", "work", "--no-browser", f"--port={port}"]
    for table in TABLES:
        yield ["analyse-many", table, "-o", "out.csv"]
        yield ["analyse-many", "many.csv", "-o", "out.csv", "--tolerances", table]
    for place in outputs(".csv"):
        yield ["analyse-many", "many.csv", "-o", place]
    for place in ("many.csv", "limits.csv", "./many.csv", "good/../many.csv", "same.csv"):
        if place != "same.csv" or has_pipes:
            line = ["analyse-many", "many.csv", "--tolerances", "limits.csv", "-o", place]
            yield line
            yield [*line, "--force"]
    for place in outputs(".html"):
        yield ["self-check", "-o", place]
        yield ["report", "good", "-o", place]
    for place in outputs(".xlsx"):
        yield ["report", "good", "-o", "out.html", "--xlsx", place]
    for place in outputs(".json"):
        yield ["report", "good", "-o", "out.html", "--json", place]
    for command in (
        ["analyse-many", "many.csv"],
        ["analyse-many", "good"],
        ["self-check"],
        ["report", "good"],
    ):
        for place in ("good/readings.csv", "good/study.toml", "good/events.csv"):
            yield [*command, "-o", place, "--force"]
    for value in NUMBERS:
        for option in ("lower", "upper", "resolution"):
            yield ["new", "made", f"--{option}={value}"]
        yield ["new", "made", "--lower=-1e308", f"--upper={value}"]
    for value in COUNTS:
        yield ["new", "made", f"--parts={value}"]
        yield ["new", "made", f"--trials={value}"]
    for value in ("1.5", "1e300", "9" * 5000, "nan", "", "ten", "-1", ESCAPE):
        yield ["new", "made", f"--seed={value}"]
    yield ["new", "made", "--operators", *map(str, range(3000))]
    yield ["new", "made", "--operators", "", "B"]
    yield ["new", "made", "--operators", ESCAPE, ESCAPE]
    yield ["new", "made", "--title", "t" * 5_000_000]
    yield ["new", "made", "--title", "\ud800"]
    for unit in ("", "furlong", "u" * 5_000_000, ESCAPE):
        yield ["new", "made", f"--unit={unit}"]
    for day in ("", "soon", "2026-02-30", "9" * 5000, ESCAPE):
        yield ["report", "good", "-o", "out.html", f"--date={day}"]
    yield ["report", "good", "-o", "out.html", "--baseline", ESCAPE]
    yield ["report", "good", "-o", "out.html", "--paper", "A5"]
    yield ["report", "good", "-o", "out.docx"]
    for name in ("", "nowhere", "n" * 5_000_000, ESCAPE):
        yield ["analyse-many", "many.csv", "-o", "out.csv", f"--by={name}"]
    for seal in ("", "soon", "7K3M9X-Q2TRZ8-WN4C00", "0" * 5000, "\ud800", ESCAPE):
        yield ["verify", "good", f"--seal={seal}"]
    for file in ("", "nowhere.html", "good", "good/study.toml", "foreign.html", "a\0b", LONG):
        yield ["verify", "good", f"--report={file}"]
    yield ["verify", "good", "--seal", "x", "--report", "y"]
    for place in outputs(".zip"):
        if place not in ("pipe.zip", "foreign.zip"):  # there are none, so these can be written
            yield ["backup", "good", "-o", place]
    for place in ("good/b.zip", "b.tar", "many.csv"):
        yield ["backup", "good", "-o", place, "--force"]
    for folder in ("nowhere", "", "foreign.csv", "a\0b", LONG):
        yield ["backup", folder]
        yield ["merge", "good", folder, "-o", "merged"]
        yield ["merge", folder, "good", "-o", "merged"]
    for place in ("", "good", "good/in", "a\0b", LONG, ESCAPE):
        yield ["merge", "good", "good", "-o", place]
    yield ["record", "good", "--by", "", "--reason", "b"]
    yield ["record", "good", "--by", "A", "--reason", ""]
    yield from ([], ["nowhere"], [""], [ESCAPE], ["n" * 5_000_000], ["analyse"], ["-o"])
    for name in (
        "lab",
        "new",
        "analyse",
        "analyse-many",
        "report",
        "collect",
        "verify",
        "record",
        "backup",
        "merge",
    ):
        yield [name, "good", "surplus", "--nowhere"]
        yield [name, "good", f"--nowhere={ESCAPE}"]
    yield ["analyse-many", "many.csv"]
    yield ["analyse-many", "many.csv", "-o"]


COMMANDS = list(commands())


def named(words: list[str]) -> str:
    return " ".join(ascii(word)[1:-1][:40] for word in words)


class TooSlowError(Exception):
    """A command took too long."""


def _too_slow(number: int, frame: FrameType | None) -> None:
    raise TooSlowError


def contents(top: Path) -> dict[str, str]:
    """Return what every file holds, without the files that only lock."""
    found = {}
    for path in top.rglob("*"):
        if path.is_symlink():
            found[str(path)] = str(path.readlink())
        elif path.is_file():
            if path.suffix == ".lock":
                continue
            large = path.stat().st_size > 50_000_000
            found[str(path)] = "" if large else hashlib.sha256(path.read_bytes()).hexdigest()
        else:
            found[str(path)] = f"{path.stat().st_mode:o}"
    return found


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    top = tmp_path_factory.mktemp("shop")
    make_shop(top)
    return top, contents(top)


@pytest.fixture
def at_most_five_seconds() -> Iterator[None]:
    started = time.process_time()
    if hasattr(signal, "SIGALRM"):
        before = signal.signal(signal.SIGALRM, _too_slow)
        signal.setitimer(signal.ITIMER_REAL, SECONDS_OF_A_HANG)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.signal(signal.SIGALRM, before)
    else:
        yield
    assert time.process_time() - started < SECONDS


def test_there_are_hundreds() -> None:
    assert len(COMMANDS) > 500
    assert len({tuple(words) for words in COMMANDS}) == len(COMMANDS)


@pytest.mark.parametrize("words", COMMANDS, ids=named)
@pytest.mark.usefixtures("at_most_five_seconds")
def test_a_bad_command_is_refused(
    shop: tuple[Path, dict[str, str]],
    words: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    top, before = shop
    monkeypatch.chdir(top)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    status = main(words)
    said = capsys.readouterr()
    assert status == 2, (status, said)
    assert said.err.count("\n") == 1, said.err
    assert said.err.rstrip().endswith((".", ")")), said.err
    assert len(said.err) < 800
    assert said.err.rstrip("\n") == printable(said.err.rstrip("\n"))
    assert said.out == ""
    assert contents(top) == before


@pytest.mark.skipif(not has_pipes, reason="no pipes here")
@pytest.mark.usefixtures("at_most_five_seconds")
def test_one_useless_study_does_not_stop_a_folder_of_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a", "z"):
        study(tmp_path / name, "[tolerance]\nlower = 9.0\nupper = 11.0\n", long_table())
    study(tmp_path / "pipe_of_readings", PLAN)
    os.mkfifo(tmp_path / "pipe_of_readings" / "readings.csv")
    (tmp_path / "pipe_of_settings").mkdir()
    os.mkfifo(tmp_path / "pipe_of_settings" / "study.toml")
    study(tmp_path / "no_end", PLAN)
    (tmp_path / "no_end" / "readings.csv").symlink_to("/dev/zero")
    (tmp_path / "linked").mkdir()
    for file in ("study.toml", "readings.csv"):  # a link to an ordinary file is one
        (tmp_path / "linked" / file).symlink_to(tmp_path / "a" / file)
    out = tmp_path / "out.csv"
    assert main(["analyse-many", str(tmp_path), "-o", str(out)]) == 2
    found = pd.read_csv(out).set_index("study")
    assert found.loc[["a", "z", "linked"], "GRR_sd"].gt(0).all()
    useless = ["no_end", "pipe_of_readings", "pipe_of_settings"]
    assert found.loc[useless, "error"].str.contains("pipe or a device").all()
    assert "3 not analysed" in capsys.readouterr().out


def test_what_stands_in_a_study_does_not_steer_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    readings = long_table().replace(",A,", f",A{ESCAPE},")
    title = 'title = "\\u001b[31mred \\u202e back"\n'
    study(tmp_path / "pins", f"{title}[tolerance]\nlower = 9.0\nupper = 11.0\n", readings)
    assert main(["analyse", str(tmp_path / "pins")]) in (0, 3, 4, 5)
    said = capsys.readouterr()
    assert said.err == ""
    assert said.out == printable(said.out, lines=True)
    if not has_pipes:
        return  # no such name can be made here
    (tmp_path / "x\x1b[31m").mkdir()
    (tmp_path / "x\x1b[31m" / "many.csv").write_text(
        f"study,{long_table()}".replace("\n", "\na,", 12)
    )
    paths = [str(tmp_path / "x\x1b[31m" / name) for name in ("many.csv", "out.csv")]
    assert main(["analyse-many", paths[0], "-o", paths[1]]) == 0
    said = capsys.readouterr()
    assert "x\\x1b[31m" in said.out
    assert said.out == printable(said.out, lines=True)


#: How ``grr`` is run with a standard stream closed, or with nobody who reads on.
SHELL = {
    "closed output": "{grr} analyse {good} >&-",
    "closed input": "{grr} collect {good} <&-",
    "closed errors": "{grr} analyse {good} 2>&-",
    "all closed": "{grr} analyse {good} <&- >&- 2>&-",
    "refusal, errors closed": "{grr} analyse nowhere 2>&-",
    "nobody reads": "{grr} analyse {good} | true",
    "a full device": "{grr} analyse {good} >/dev/full",
}


@pytest.mark.skipif(not has_pipes, reason="needs a shell")
@pytest.mark.parametrize("line", SHELL.values(), ids=SHELL)
def test_standard_streams_that_are_closed(tmp_path: Path, line: str) -> None:
    if "/dev/full" in line and not Path("/dev/full").exists():
        pytest.skip("no such device here")
    shutil.copytree(DEMO / "dowel_pin", tmp_path / "good")
    before = contents(tmp_path)
    grr = f"{sys.executable} -W error -m grr.cli"
    script = f"set -o pipefail; {line.format(grr=grr, good='good')}"
    done = subprocess.run(
        ["bash", "-c", script],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
        timeout=60,
    )
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert done.stderr.count("\n") <= 1
    failing = "nowhere" in line or "full" in line or "true" in line
    assert done.returncode == (2 if failing else 0)
    assert contents(tmp_path) == before
