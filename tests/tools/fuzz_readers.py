"""Give every reader damaged files for a long time: a StudyError or a result, nothing else.

    python tests/tools/fuzz_readers.py               # 100,000 inputs, for the night
    python tests/tools/fuzz_readers.py 2000 --seed 7
    python tests/tools/fuzz_readers.py --keep failures

Real files of the demo data are cut, spliced, and have bytes and cells exchanged: text files as
they are; workbooks in the XML inside the archive, which is packed again; Parquet files in their
columns, types and cells (see `damage`). A reader that raises anything but StudyError, or takes
longer than ten seconds, is a failure. Each failure is kept at once, the damaged file and what went
wrong beside it, in a folder of the temporary folder or the one of ``--keep``; each kind is printed
once with the command that repeats it. So nothing is lost when the run is stopped. The status is 1
where there was a failure.
"""

from __future__ import annotations

import argparse
import faulthandler
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
from grr.files.verify import verify_folder
from grr.shipped import shipped_folder

sys.path.insert(0, str(Path(__file__).parent))
from damage import damaged_bytes, damaged_parquet, damaged_workbook

SLOW = 10.0
#: What is read how often.
SHARES = {".csv": 0.5, ".toml": 0.15, ".xlsx": 0.2, ".parquet": 0.15}


def seeds() -> dict[str, list[bytes]]:
    """Return the contents to start from, by the suffix under which they are read."""
    found: dict[str, list[bytes]] = {}
    for path in sorted(shipped_folder("demo_data").rglob("*")):
        if path.suffix in (".csv", ".toml", ".xlsx"):
            found.setdefault(path.suffix, []).append(path.read_bytes())
    # A long table is read with its first lines only: its later ones hold nothing of another kind.
    found[".csv"] = [b"".join(text.splitlines(keepends=True)[:60]) for text in found[".csv"]]
    found[".parquet"] = [b""]  # made anew each time
    return found


def damaged(suffix: str, contents: list[bytes], rng: np.random.Generator) -> bytes:
    """Return one of the contents after some accidents of its kind."""
    content = contents[int(rng.integers(len(contents)))]
    if suffix == ".xlsx" and rng.random() < 0.9:
        return damaged_workbook(content, rng)
    if suffix == ".parquet":
        return damaged_parquet(rng)
    return damaged_bytes(content, contents, rng)


def readers(folder: Path) -> dict[str, list[tuple[str, Callable[[], object]]]]:
    """Return what reads each kind of file, each put at its place in the folder."""
    csv, book, table = folder / "readings.csv", folder / "form.xlsx", folder / "many.parquet"
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
            ("form.xlsx", lambda: grr.read_columns(book)),
            ("form.xlsx", lambda: grr.analyse_many(book)),
        ],
        ".parquet": [("many.parquet", lambda: grr.analyse_many(table))],
    }


def one_input(
    number: int, seed: int, contents: dict[str, list[bytes]], folder: Path
) -> tuple[str, Path]:
    """Read one damaged file; return what went wrong, or "", and the file."""
    rng = np.random.default_rng([seed, number])
    suffix = str(rng.choice(list(SHARES), p=list(SHARES.values())))
    demo = shipped_folder("demo_data") / "dowel_pin_mistakes"
    for name in ("study.toml", "readings.csv"):
        (folder / name).write_bytes((demo / name).read_bytes())
    choices = readers(folder)[suffix]
    name, read = choices[int(rng.integers(len(choices)))]
    (folder / name).write_bytes(damaged(suffix, contents[suffix], rng))
    start = time.monotonic()
    try:
        read()
    except grr.StudyError:
        pass
    except Exception:
        return traceback.format_exc(), folder / name
    took = time.monotonic() - start
    return f"took longer than {SLOW:.0f} s" if took > SLOW else "", folder / name


def keep(folder: Path, file: Path, wrong: str, number: int, seed: int) -> str:
    """Write a failure and the file that caused it to the disk; return how to repeat it."""
    folder.mkdir(parents=True, exist_ok=True)
    again = f"{wrong.rstrip()}\nagain: fuzz_readers.py 1 --seed {seed} --first {number}\n"
    kept = folder / f"seed_{seed}_input_{number}_{file.name}"
    kept.write_bytes(file.read_bytes())
    kept.with_name(f"{kept.name}.txt").write_text(again, encoding="utf-8")
    return f"{again}kept: {kept}"


def main(arguments: list[str] | None = None) -> int:
    """Run the inputs and say how many there were."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("inputs", nargs="?", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    parser.add_argument("--keep", type=Path, help="folder for the failures")
    options = parser.parse_args(arguments)
    warnings.simplefilter("ignore")
    contents = seeds()
    kept = options.keep or Path(tempfile.gettempdir()) / "fuzz_readers_failures"
    kinds: set[tuple[str, ...]] = set()
    failures, done = 0, 0
    try:
        with tempfile.TemporaryDirectory() as place:
            for number in range(options.first, options.first + options.inputs):
                wrong, file = one_input(number, options.seed, contents, Path(place))
                if wrong:
                    failures += 1
                    words = keep(kept, file, wrong, number, options.seed)
                    kind = tuple(x for x in wrong.splitlines() if x.startswith("  File"))
                    if kind not in kinds:
                        print(words, flush=True)
                    kinds.add(kind)
                done += 1
                if done % 5_000 == 0:
                    print(f"{done} inputs", file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        print("stopped", flush=True)
    found = f"{failures} failures" if failures else "each was read or refused in words"
    print(f"{done} inputs, seed {options.seed}: {found}", flush=True)
    return 1 if failures else 0


if __name__ == "__main__":
    faulthandler.enable()
    sys.exit(main())
