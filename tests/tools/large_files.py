"""Read large files and say how long it takes and how much memory: 100 MB and a million rows.

    python tests/tools/large_files.py FOLDER      # some minutes, 300 MB in FOLDER

Each reading is done in a fresh Python; "memory" is its peak above what the imports take, beside
the size of the file. Linux only (peak of a process).
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np

#: Read in a fresh Python: prints seconds, peak in MB above the imports, and what was found.
READING = """
import resource, sys, time
import pandas, scipy.stats, grr
grr.analyse_many, grr.read_readings
try:
    import pyarrow.parquet
except ImportError:
    pass
grr.analyse_many(pandas.DataFrame({"study": 1, "part": [1, 1, 2, 2], "operator": 1,
                                   "trial": [1, 2, 1, 2], "reading": [1.0, 1.1, 2.0, 2.1]}))
peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
before, start = peak(), time.perf_counter()
try:
    found = getattr(grr, sys.argv[1])(sys.argv[2])
    errors = found[found["error"] != ""]["error"].tolist() if "error" in found else []
    said = f"{len(found)} rows; {errors[:1]}"
except grr.StudyError as error:
    said = f"refused: {error}"
print(f"{time.perf_counter() - start:.1f}|{peak() - before:.0f}|{said}")
"""


def written(path: Path, studies: int, *, last: str = "") -> Path:
    """Write studies of 10 parts, 3 operators and 3 trials as CSV; ``last`` replaces a reading."""
    rng = np.random.default_rng(5)
    places = [
        f"{p},{o},{t}" for o in ("Ann", "Ben", "Cem") for p in range(1, 11) for t in (1, 2, 3)
    ]
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write("study,part,operator,trial,reading\n")
        for number in range(studies):
            values = 10.0 + rng.normal(0.0, 0.01, size=len(places))
            lines = [
                f"gauge {number:05d},{place},{value:.4f}\n"
                for place, value in zip(places, values, strict=True)
            ]
            if last and number == studies - 1:
                lines[-1] = f"{lines[-1].rpartition(',')[0]},{last}\n"
            file.write("".join(lines))
    return path


def main() -> int:
    """Write the files, read each, and print a table."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    files = {
        "one million rows": written(folder / "million.csv", 11_112),
        "100 MB": written(folder / "large.csv", 40_300),
        "100 MB, last cell bad": written(folder / "bad.csv", 40_300, last="10.0O1"),
    }
    print("| file | size, MB | function | s | memory, MB | memory / size | result |")
    print("|---|---|---|---|---|---|---|")
    for name, path in files.items():
        for function in ("analyse_many", "read_readings"):
            command = [sys.executable, "-c", READING, function, str(path)]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            seconds, memory, said = done.stdout.strip().split("|", 2)
            size = path.stat().st_size / 1024**2
            ratio = f"{float(memory) / size:.1f}"
            print(f"| {name} | {size:.0f} | {function} | {seconds} | {memory} | {ratio} | {said} |")
    return 0


if __name__ == "__main__":
    sys.exit(main())
