"""Whether many studies together say what each says alone: ``many_checks.md``.

    nice python tests/coverage/many_checks.py      # writes many_checks.md, about 3 minutes

1,050 studies with planted faults, complete and with readings missing, by `grr.analyse_many` once
together and once one by one, as `grr.check`, `grr.assess` and `grr.verdict` take them.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from many.test_equal_to_one_by_one import FAULTS, TOLERANCE, one_study

import grr
from grr.many import analyse

#: Shape, readings lost, what else is stated, and studies with each fault.
DESIGNS: tuple[tuple[tuple[int, int, int], int, dict[str, Any], int], ...] = (
    ((10, 3, 3), 0, {}, 20),
    ((10, 3, 3), 0, {"operators": "fixed", "purpose": "control"}, 10),
    ((8, 3, 2), 0, {"operators": 7, "parts_from": "chosen"}, 10),
    ((10, 3, 3), 1, {}, 15),
    ((10, 3, 3), 4, {"operators": "fixed"}, 10),
    ((7, 3, 3), 2, {"purpose": "control"}, 10),
)
COLUMNS = ("decision", "flags", "dominant", "by_manual", "estimator", "error")


def studies(shape: tuple[int, int, int], lost: int, each: int, seed: int) -> pd.DataFrame:
    """Return studies of one shape with every fault, some readings lost."""
    rng = np.random.default_rng(seed)
    tables = []
    for fault, make in FAULTS.items():
        for number in range(each):
            sizes = np.exp(rng.uniform(np.log(1e-4), np.log(1e-3), 2))
            table = one_study(rng, shape, operator_sd=sizes[0], repeat_sd=sizes[1])
            table["reading"] = make(table["reading"].to_numpy().reshape(shape)).ravel()
            kept = table.drop(index=rng.choice(table.index, lost, replace=False))
            tables.append(kept.assign(study=f"{fault} {number}"))
    return pd.concat(tables, ignore_index=True)


def one_by_one(table: pd.DataFrame, **options: Any) -> pd.DataFrame:
    """Return the rows of studies that are each taken alone."""
    together, analyse._stacks_of = analyse._stacks_of, lambda *_: []
    try:
        return grr.analyse_many(table, **options)
    finally:
        analyse._stacks_of = together


def main() -> None:
    lines = [
        "# Many studies together beside one by one",
        "",
        f"Made by `many_checks.py`. Studies with {len(FAULTS)} kinds of planted faults. Differ: "
        f"studies of which any of {', '.join(COLUMNS)} is not the same. Values: the largest "
        "relative difference of a standard deviation or percent. GRR, upper: the difference of the "
        "upper limits of GRR's sd, root mean square (largest), in percent: from evenly spread "
        "points either way, with random draws one by one for a scatter that is uneven.",
        "",
        "| design | studies | decisions | to mend | causes | differ | values | GRR, upper | "
        "together, ms each | one by one |",
        "|---" * 10 + "|",
    ]
    for seed, (shape, lost, stated, each) in enumerate(DESIGNS):
        table = studies(shape, lost, each, seed)
        options = {"tolerances": TOLERANCE, "intervals": True, "checks": True, **stated}
        start = time.process_time()
        fast = grr.analyse_many(table, **options)
        middle = time.process_time()
        slow = one_by_one(table, **options)
        times = (middle - start, time.process_time() - middle)
        differ = np.any([fast[name] != slow[name] for name in COLUMNS], axis=0)
        for name in fast["study"][differ]:
            print("differs:", name, shape, options)
        names = [f"{s}_{m}" for s in analyse.SOURCES for m in analyse.ROW_MEASURES]
        ours, theirs = (found[names].to_numpy(float) for found in (fast, slow))
        with np.errstate(divide="ignore", invalid="ignore"):
            apart = np.nanmax(np.where(ours == theirs, 0.0, np.abs(ours / theirs - 1.0)))
        assert (np.isnan(ours) == np.isnan(theirs)).all()
        upper = 100.0 * (fast["GRR_sd_upper"] / slow["GRR_sd_upper"] - 1.0).abs()
        told = [
            ", ".join(
                [" × ".join(map(str, shape)), f"{lost or 'none'} lost"]
                + [f"{name} {value}" for name, value in stated.items()]
            ),
            len(fast),
            fast["decision"].nunique(),
            int(fast["flags"].str.contains("to mend").sum()),
            int(fast["flags"].str.contains("cause: ").sum()),
            int(differ.sum()),
            f"{apart:.0e}",
            f"{np.sqrt(np.square(upper).mean()):.2f} ({upper.max():.1f})",
            *(f"{1e3 * taken / len(fast):.1f}" for taken in times),
        ]
        lines.append("| " + " | ".join(map(str, told)) + " |")
        print(lines[-1], flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
