"""How often scatter that is not normal and even leads to a wrong USE, and what the tests see.

Run from the repository: python tests/coverage/scatter.py TABLE STUDIES [DESIGN ...], such as
"use 1000 10x3x3 5x3x3", "alarms 300 10x3x3", "claims 200". Prints the rows of the CSV file of
that name beside this one (scatter_use.csv, scatter_alarms.csv, scatter_claims.csv); scatter.md
says what they mean.

The truth is the standard deviation of the error of one reading, outliers included, averaged
over parts, operators and the places in the order. GRR is all repeatability, the worst case; the
operators are all who will ever measure. The tolerance is 1, six standard deviations of the
error take the percentage given of it.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator

import numpy as np
import pandas as pd

import grr
from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import upper_bound
from grr.formulas.pivots import crossed_pivots, effective_df
from grr.formulas.scatter_tests import (
    FINDS,
    FORBIDDING,
    SCATTER_LEVEL,
    compared,
    in_order,
    neighbours_alike,
    normal_studies,
)
from grr.questions.by_cause import by_operator, usable_up_to
from grr.questions.causes import causes_in
from grr.questions.scatter import scatter_of

SEED = 2026
DRAWS = 1_000
_CHUNK = 250
#: What the errors are like; the first is what every formula takes them to be.
KINDS = (
    "normal",
    "t4",
    "parts 0.3-1.7",
    "parts log sd 0.5",
    "operator x2",
    "operator x4",
    "size x3",
    "size x10",
    "AR 0.5",
    "AR 0.8",
    "outliers 3 % at 5",
)
Shape = tuple[int, int, int]


def shape_of(design: str) -> Shape:
    """Return "10x3x3" as numbers."""
    p, o, r = (int(n) for n in design.split("x"))
    return p, o, r


def order_of(shape: Shape, rng: np.random.Generator) -> np.ndarray:
    """Number the readings: operator after operator, round after round, parts at random."""
    p, o, r = shape
    order = np.empty(shape)
    for j in range(o):
        for k in range(r):
            order[rng.permutation(p), j, k] = (j * r + k) * p + np.arange(p)
    return order


def errors(
    kind: str, shape: Shape, studies: int, order: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return errors whose true standard deviation is 1, and the sizes of the parts from 0 to 1."""
    p, o, _ = shape
    x = np.sort(rng.uniform(size=(studies, p)), axis=1)
    z = rng.standard_normal((studies, *shape))
    name, _, value = kind.partition(" ")
    if kind == "t4":
        z = rng.standard_t(4, z.shape) / np.sqrt(2.0)
    elif kind.startswith("parts log"):
        z *= np.exp(0.5 * rng.standard_normal((studies, p, 1, 1)) - 0.25)
    elif name == "parts":
        z *= rng.uniform(0.3, 1.7, (studies, p, 1, 1)) / np.sqrt(1.0 + 1.4**2 / 12.0)
    elif name == "operator":
        times = float(value[1:])
        z[:, :, -1] *= times
        z /= np.sqrt((o - 1 + times**2) / o)
    elif name == "size":
        times = float(value[1:])
        z *= np.exp(np.log(times) * x)[..., None, None]
        z /= np.sqrt((times**2 - 1.0) / (2.0 * np.log(times)))
    elif name == "AR":
        z = _alike(float(value), z, order)
    elif name == "outliers":
        z = np.where(rng.random(z.shape) < 0.03, 5.0 * z, z) / np.sqrt(0.97 + 0.03 * 25.0)
    return z, x


def _alike(correlation: float, z: np.ndarray, order: np.ndarray) -> np.ndarray:
    """Return errors that follow each other within an operator's order."""
    flat = z.reshape(len(z), -1)[:, order]
    for t in range(1, flat.shape[-1]):
        fresh = np.sqrt(1.0 - correlation**2) * flat[..., t]
        flat[..., t] = correlation * flat[..., t - 1] + fresh
    found = np.empty((len(z), z[0].size))
    found[:, order] = flat
    return found.reshape(z.shape)


def bounds(y: np.ndarray, df: np.ndarray | None) -> np.ndarray:
    """Return the 95 % upper bounds of GRR in percent of the tolerance, fixed operators."""
    found = []
    for start in range(0, len(y), _CHUNK):
        here = slice(start, start + _CHUNK)
        pivots = crossed_pivots(
            crossed_anova(y[here]),
            draws=DRAWS,
            operators="fixed",
            df_error=None if df is None else df[here],
        )
        found.append(upper_bound(np.sqrt(np.maximum(pivots.grr, 0.0)), 0.95))
    return 600.0 * np.concatenate(found)


def use_row(kind: str, design: str, studies: int, seed: int = SEED) -> dict[str, object]:
    """Return the shares of studies that are called USE at a true 10.5 and 6 %, and what fires."""
    shape, rng = shape_of(design), np.random.default_rng([seed, KINDS.index(kind)])
    order = in_order(order_of(shape, rng))
    assert order is not None
    z, x = errors(kind, shape, studies, order, rng)
    # The parts lie over most of the tolerance, so that no size is mistaken for scatter.
    parts = (0.1 + 0.8 * x)[..., None, None]
    look = compared(z + 30.0 * x[..., None, None], normal_studies(shape, order))
    fired = look.p < SCATTER_LEVEL
    forbidden = fired[:, [FINDS.index(name) for name in FORBIDDING]].any(axis=1)
    df = effective_df(z).used
    for n in np.flatnonzero(fired[:, FINDS.index("autocorrelation")]):
        square = min(max(neighbours_alike(z[n], order), 0.0), 0.99) ** 2
        df[n] *= (1 - square) / (1 + square)
    df = np.maximum(df, 2.0)
    row: dict[str, object] = {"design": design, "errors": kind, "studies": studies}
    for true in (10.5, 6.0):
        y = parts + z * true / 600.0
        plain, careful = bounds(y, None) <= 10.0, bounds(y, df) <= 10.0
        for name, use in (
            ("by_count", plain),
            ("used", careful),
            ("used_refused", careful & ~forbidden),
        ):
            row[f"use_at_{true:g}_{name}"] = round(100.0 * float(use.mean()), 1)
    row["fires"] = round(100.0 * float(fired.any(axis=1).mean()), 1)
    named = np.where(fired.any(axis=1), look.named, -1)
    for number, name in enumerate(FINDS):
        row[f"named_{name}"] = round(100.0 * float((named == number).mean()), 1)
    return row


def as_study(y: np.ndarray, order: np.ndarray | None, **options: object) -> grr.Study:
    """Return readings as a study: operators A, B, C ..., parts 1, 2, 3 ..."""
    i, j, k = (n.ravel() for n in np.indices(y.shape))
    table = pd.DataFrame(
        {
            "part": (i + 1).astype(str),
            "operator": [chr(65 + n) for n in j],
            "trial": k + 1,
            "reading": y.ravel(),
        }
    )
    if order is not None:
        table["order"] = order.ravel().astype(int) + 1
    return grr.Study(table, **options)


def alarm_row(design: str, digit: float, studies: int, seed: int = SEED) -> dict[str, object]:
    """Return how often the six tests fire in clean studies read to a digit, in repeats' sds."""
    shape, rng = shape_of(design), np.random.default_rng([seed, round(10 * digit)])
    fired = tested = 0
    for _ in range(studies):
        order = order_of(shape, rng)
        y = 20.0 * rng.uniform(size=(shape[0], 1, 1)) + rng.standard_normal((1, shape[1], 1))
        y = y + rng.standard_normal(shape)
        if digit:
            y = digit * np.round(y / digit)
        found = scatter_of(as_study(y, order, resolution=digit or None))
        tested += found.normal is not None
        fired += bool(found.found)
    return {
        "design": design,
        "digit": digit,
        "studies": studies,
        "tested": round(100.0 * tested / studies, 1),
        "fires": round(100.0 * fired / studies, 1),
    }


def claim_rows(studies: int, seed: int = SEED) -> Iterator[dict[str, object]]:
    """Yield how often a claim by operator or by size is made, and how often it is wrong."""
    shape, rng = (10, 3, 3), np.random.default_rng(seed)
    tolerance = grr.Tolerance(lower=0.0, upper=1.0)
    x = np.linspace(0.05, 0.95, 10)
    # Each one's scatter and offset in percent of the tolerance (6 sd), and what is true of whom.
    apart = 10.5 * math.sqrt(0.5)
    for scatter, offset, claimed in (
        ((4.0, 4.0, 10.5), 0.0, {"A": 4.0, "C": 10.5}),
        ((apart, apart, 3.0 * apart), apart, {"A": 10.5}),
    ):
        count = dict.fromkeys((*claimed, "made"), 0)
        centre = x[:, None, None] + offset / 600.0 * np.array([1.0, -1.0, 0.0])[None, :, None]
        spread = np.array(scatter)[None, :, None] / 600.0
        for _ in range(studies):
            y = centre + spread * rng.standard_normal(shape)
            study = as_study(y, order_of(shape, rng), tolerance=tolerance, operators="fixed")
            result = grr.anova(study)
            uses = {
                one.operator: one.decision.name for one in by_operator(result, causes_in(result))
            }
            count["made"] += bool(uses)
            for name in claimed:
                count[name] += uses.get(name) == "USE"
        others = "A and B read apart" if offset else "A, B 4 % and C 10.5 %"
        for name, true in claimed.items():
            yield {
                "claim": f"operator {name} of {others}",
                "true_percent": true,
                "studies": studies,
                "told": round(100.0 * count["made"] / studies, 1),
                "use": round(100.0 * count[name] / studies, 1),
            }
    for low, high in ((2.0, 20.0), (4.0, 14.0)):
        percents = low + (high - low) * x
        last = x[percents <= 10.0].max()
        told = wrong = 0
        reached = []
        for _ in range(studies):
            y = x[:, None, None] + percents[:, None, None] / 600.0 * rng.standard_normal(shape)
            study = as_study(y, order_of(shape, rng), tolerance=tolerance, operators="fixed")
            result = grr.anova(study)
            up_to = usable_up_to(result, causes_in(result))
            told += up_to.known
            wrong += up_to.known and up_to.value > last + 0.05
            reached += [up_to.value] if up_to.known else []
        yield {
            "claim": f"size, {low:g} to {high:g} % linear, good to {last:.2f}",
            "true_percent": 10.0,
            "studies": studies,
            "told": round(100.0 * told / studies, 1),
            "use": round(100.0 * wrong / studies, 1),
            "middle": round(float(np.median(reached)), 2) if reached else "",
        }


def main() -> None:
    table, studies, *designs = sys.argv[1:]
    if table == "use":
        rows = (use_row(kind, design, int(studies)) for design in designs for kind in KINDS)
    elif table == "alarms":
        rows = (
            alarm_row(design, digit, int(studies))
            for design in designs
            for digit in (0.0, 1.0, 2.0, 3.0)
        )
    else:
        rows = claim_rows(int(studies))
    for place, row in enumerate(rows):
        pd.DataFrame([row]).to_csv(sys.stdout, index=False, header=place == 0)
        sys.stdout.flush()


if __name__ == "__main__":
    main()
