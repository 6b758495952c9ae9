"""How often a reading is told to be far off where none is, and how often one that is: a table.

    nice python tests/coverage/far_readings.py      # writes far_readings.md, about a minute

Studies with limits 1 apart or none, parts spread over them (or normal, ±3 sd filling them), and
repeats whose six standard deviations are the given share of the limits; half as much between
operators. `grr.formulas.data_checks.far_readings` looks at them as they are, and with one reading
moved away.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from grr.formulas.data_checks import far_readings

STUDIES = 2000
DESIGNS = ((10, 3, 3), (10, 3, 2), (10, 2, 2), (5, 3, 2), (4, 2, 2), (10, 1, 2), (10, 3, 1))
SCATTER = {
    "normal": lambda rng, shape: rng.standard_normal(shape),
    "t with 4 degrees of freedom": lambda rng, shape: rng.standard_t(4, shape) / np.sqrt(2.0),
    "one part 3 times as much": lambda rng, shape: _more(rng.standard_normal(shape), 1, 3.0),
    "one part 10 times as much": lambda rng, shape: _more(rng.standard_normal(shape), 1, 10.0),
    "one operator 7 times as much": lambda rng, shape: _more(rng.standard_normal(shape), 2, 7.0),
}
SHARES = (10, 30, 80)
#: How far the moved reading lies from where it was, in widths of the tolerance.
OFF = (1.0, 2.0, 4.5, 45.0)


def _more(errors: np.ndarray, axis: int, factor: float) -> np.ndarray:
    np.moveaxis(errors, axis, 0)[0] *= factor
    return errors


def studies(rng: np.random.Generator, design: tuple[int, int, int], kind: str, share: float, many):
    """Return readings with limits at ±0.5, and the readings of parts from a process."""
    sd = share / 600.0
    errors = SCATTER[kind](rng, (many, *design))
    errors = sd * (errors + 0.5 * rng.standard_normal((many, 1, design[1], 1)))
    spread = rng.uniform(-0.5, 0.5, (many, design[0], 1, 1))
    return spread + errors, rng.standard_normal(spread.shape) / 6.0 + errors


def told(readings: np.ndarray, limit: float) -> np.ndarray:
    """Return which studies have a reading far off; ``limit`` is NaN where there is none."""
    found = far_readings(readings, 0.0, -limit, limit)
    return found.any(axis=(1, 2, 3))


def moved(rng: np.random.Generator, readings: np.ndarray, off: float) -> np.ndarray:
    """Return the studies with one reading of each moved up or down."""
    readings = readings.copy()
    flat = readings.reshape(len(readings), -1)
    place = rng.integers(flat.shape[1], size=len(flat))
    flat[np.arange(len(flat)), place] += off * rng.choice([-1.0, 1.0], len(flat))
    return readings


def main() -> None:
    rng = np.random.default_rng(5)
    names = [" × ".join(map(str, design)) for design in DESIGNS]
    lines = [
        "# Readings far off",
        "",
        f"Made by `far_readings.py`: of 1000 studies, how many are told to hold a reading far off; "
        f"{STUDIES} studies each, with a tolerance / with none.",
        "",
        "| scatter of repeats | 6 sd, % of tolerance | moved by, tolerances | "
        + " | ".join(names)
        + " |",
        "|---" * (3 + len(DESIGNS)) + "|",
    ]
    rows = [(kind, share, 0.0) for kind in SCATTER for share in SHARES]
    rows += [("normal", share, off) for share in SHARES for off in OFF]
    for kind, share, off in rows:
        cells = []
        for design in DESIGNS:
            both = zip(studies(rng, design, kind, share, STUDIES), (0.5, np.nan), strict=True)
            shown = [told(moved(rng, y, off) if off else y, limit).mean() for y, limit in both]
            cells.append(" / ".join(f"{1000.0 * one:.4g}" for one in shown))
        lines.append("| " + " | ".join([kind, f"{share}", f"{off:g}" if off else "none", *cells]))
        lines[-1] += " |"
        print(lines[-1], flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
