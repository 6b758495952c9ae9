"""Give every reader damaged files for a long time: a StudyError or a result, nothing else.

    python tests/tools/fuzz_readers.py               # 100,000 inputs, for the night
    python tests/tools/fuzz_readers.py 2000 --seed 7

Real files of the demo data are cut, spliced, and have bytes and cells exchanged. The first input
that makes a reader raise anything but StudyError, or take longer than ten seconds, is kept beside
its seed and ends the run with status 1.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

import grr
from grr.files.folder import open_study
from grr.files.verify_folder import verify_folder
from grr.shipped import shipped_folder

SLOW = 10.0
HOSTILE = (
    *(
        b"\x00",
        b"\xff\xfe",
        b'"',
        b";",
        b",",
        b"\n",
        b"\r",
        b"\t",
        b"=1+1",
        b"1e999",
        b"-0",
        b"nan",
    ),
    *("٣".encode(), "µ".encode(), b"[", b"]", b"'''", b"../../etc", b"9" * 400, b"\xf0\x9f"),
)


def seeds() -> dict[str, list[bytes]]:
    """Return the contents to start from, by the suffix under which they are read."""
    found: dict[str, list[bytes]] = {}
    for path in sorted(shipped_folder("demo_data").rglob("*")):
        if path.suffix in (".csv", ".toml", ".xlsx"):
            found.setdefault(path.suffix, []).append(path.read_bytes()[:60_000])
    return found


def damaged(content: bytes, others: list[bytes], rng: np.random.Generator) -> bytes:
    """Return a content after one to six accidents."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 7))):
        at, to = sorted(int(n) for n in rng.integers(0, len(data) + 1, size=2))
        to = min(to, at + 200)
        kind = int(rng.integers(6))
        if kind == 0:
            data[at:to] = rng.bytes(to - at)
        elif kind == 1:
            del data[at:to]
        elif kind == 2:
            data[at:at] = HOSTILE[int(rng.integers(len(HOSTILE)))]
        elif kind == 3:
            data[at:at] = data[at:to] * int(rng.integers(1, 4))
        elif kind == 4:
            del data[at:]
        else:
            other = others[int(rng.integers(len(others)))]
            start = int(rng.integers(len(other)))
            data[at:at] = other[start : start + 200]
    return bytes(data)


def readers(folder: Path) -> dict[str, list[tuple[str, Callable[[], object]]]]:
    """Return what reads each kind of file, each put at its place in the folder."""
    csv, book = folder / "readings.csv", folder / "form.xlsx"
    return {
        ".csv": [
            ("readings.csv", lambda: grr.read_readings(csv)),
            ("readings.csv", lambda: open_study(folder)),
            ("readings.csv", lambda: verify_folder(folder)),
            ("readings.csv", lambda: grr.read_columns(csv)),
            ("readings.csv", lambda: grr.analyse_many(csv)),
        ],
        ".toml": [("study.toml", lambda: open_study(folder))],
        ".xlsx": [
            ("form.xlsx", lambda: grr.read_readings(book)),
            ("form.xlsx", lambda: grr.analyse_many(book)),
        ],
    }


def one_input(number: int, seed: int, contents: dict[str, list[bytes]], folder: Path) -> str:
    """Read one damaged file; return what went wrong, or ""."""
    rng = np.random.default_rng([seed, number])
    suffix = [".csv", ".csv", ".csv", ".toml", ".xlsx"][int(rng.integers(5))]
    demo = shipped_folder("demo_data") / "dowel_pin"
    for name in ("study.toml", "readings.csv"):
        (folder / name).write_bytes((demo / name).read_bytes())
    choices = readers(folder)[suffix]
    name, read = choices[int(rng.integers(len(choices)))]
    pool = contents[suffix]
    (folder / name).write_bytes(damaged(pool[int(rng.integers(len(pool)))], pool, rng))
    start = time.monotonic()
    try:
        read()
    except grr.StudyError:
        pass
    except Exception:
        return traceback.format_exc()
    took = time.monotonic() - start
    return f"took {took:.0f} s" if took > SLOW else ""


def main(arguments: list[str] | None = None) -> int:
    """Run the inputs and say how many there were."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("inputs", nargs="?", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    options = parser.parse_args(arguments)
    warnings.simplefilter("ignore")
    contents = seeds()
    with tempfile.TemporaryDirectory() as place:
        for number in range(options.first, options.first + options.inputs):
            wrong = one_input(number, options.seed, contents, Path(place))
            if wrong:
                print(f"input {number} of seed {options.seed}:\n{wrong}")
                print(f"again: fuzz_readers.py 1 --seed {options.seed} --first {number}")
                return 1
    print(f"{options.inputs} inputs, seed {options.seed}: each was read or refused in words")
    return 0


if __name__ == "__main__":
    sys.exit(main())
