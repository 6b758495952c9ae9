"""Forty invented studies in one table, as a plant keeps them, and their tolerances."""

from __future__ import annotations

from pathlib import Path

import numpy as np

#: Kind of gauge → studies, tolerance in mm, and sd of repeats, of operators and of parts in µm.
KINDS = {
    "micrometer": (14, 0.014, 0.25, 0.25, 1.5),
    "bore gauge": (8, 0.018, 0.6, 0.9, 2.5),
    "caliper": (10, 0.10, 9.0, 4.0, 15.0),
    "dial comparator": (8, 0.012, 0.15, 0.05, 1.0),
}
SHAPES = ((10, 3, 3), (10, 3, 2), (5, 2, 3), (10, 1, 3))


def all_our_gauges(target: Path) -> None:
    """Write ``all_our_gauges.csv`` and ``all_our_tolerances.csv``.

    Two studies have a flaw: one lost readings, one was typed with a word in it.
    """
    rng = np.random.default_rng(41)
    readings, tolerances = ["study,part,operator,trial,reading"], ["study,lower,upper,resolution"]
    for kind, (count, width, repeat, operator, part) in KINDS.items():
        step = 0.01 if kind == "caliper" else 0.0001
        decimals = 2 if kind == "caliper" else 4
        for number in range(1, count + 1):
            study = f"{kind} {number:02d}"
            size = float(rng.integers(5, 60))
            tolerances.append(f"{study},{size - width / 2:.4f},{size + width / 2:.4f},{step:g}")
            worse = float(np.exp(rng.normal(0.0, 0.5)))
            parts, operators, trials = SHAPES[rng.integers(len(SHAPES))]
            sizes = size + 1e-3 * part * rng.normal(size=parts)
            offsets = 1e-3 * operator * worse * rng.normal(size=operators)
            for p in range(parts):
                for o in range(operators):
                    for trial in range(1, trials + 1):
                        error = 1e-3 * repeat * worse * rng.normal()
                        value = sizes[p] + offsets[o] + error
                        shown = f"{round(value / step) * step:.{decimals}f}"
                        if (study, p, trial) == ("bore gauge 03", 2, 1):
                            shown = ""
                        if (study, p, o, trial) == ("caliper 05", 1, 0, 2):
                            shown = "stuck"
                        readings.append(f"{study},{p + 1},{'ABC'[o]},{trial},{shown}")
    for name, lines in (("all_our_gauges", readings), ("all_our_tolerances", tolerances)):
        text = "\n".join(lines) + "\n"
        (target / f"{name}.csv").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    all_our_gauges(Path(__file__).parent)
