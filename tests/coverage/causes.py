"""How often `grr.assess` names a planted cause first, accuses a clean study, and holds the truth.

Run from the repository: python tests/coverage/causes.py STUDIES DESIGN OWN, such as
"150 10x3x3 0": studies a line, one of the designs below, and the standard deviation of what
the operators and cells differ by of their own, beside repeats of 1. Prints a table;
causes.md beside this file keeps what was printed (150 studies a line take about 15 minutes).
"staged" is a study of two stages: 10x3x3, then three more people on five of the parts.

Every study is clean but for one planted cause, of such a size that it makes a third, a half
or three quarters of GRR's variance. GRR's true variance is that of the analysis of variance
applied to the true means, plus the mean of the true variances of repeats; "without" is the
same with the cause left out.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

import grr

SHARES = (1 / 3, 1 / 2, 3 / 4)
DESIGNS = {"10x3x3": (10, 3, 3), "5x3x3": (5, 3, 3), "10x3x2": (10, 3, 2), "5x6x2": (5, 6, 2)}
DESIGNS["staged"] = (10, 6, 3)
#: Who measured first, and the parts that those who came later measured.
FIRST, LATER = ("A", "B", "C"), ("1", "3", "5", "7", "9")
WIDTH = 60.0
PLANTED = (
    "operator_offset",
    "operator_scatter",
    "interaction with one part",
    "interaction with many parts",
    "part",
    "drift",
    "step",
    "trial_shift",
    "digit",
    "slip",
)
#: Those that a second stage may change: each is looked for in what everyone measured.
STAGED = (
    *("operator_offset", "operator_scatter", "interaction with many parts"),
    *("drift", "trial_shift"),
)
METHOD, APART = "method", "method apart"


@dataclass(frozen=True)
class Truth:
    """A study with one planted cause: who and what, and GRR in percent of the tolerance."""

    study: grr.Study
    kind: str
    operator: str | None
    part: str | None
    now: float
    without: float
    many: bool = False


def order_of(shape: tuple[int, int, int], seed: int) -> np.ndarray:
    """Number the readings: operator after operator, trial after trial, parts at random."""
    p, o, r = shape
    rng = np.random.default_rng(seed)
    order = np.empty(shape)
    count = 0
    for j in range(o):
        for k in range(r):
            order[rng.permutation(p), j, k] = count + np.arange(p)
            count += p
    return order


def variance(means: np.ndarray, repeats: np.ndarray) -> float:
    """Return GRR's variance of true means (p, o, r) and true variances of repeats (p, o)."""
    p, o, r = means.shape
    cell = means.mean(axis=2)
    within = float(np.square(means - cell[..., None]).sum()) / (p * o * (r - 1))
    cell = cell - cell.mean(axis=1, keepdims=True)
    offset = cell.mean(axis=0)
    left = r * float(np.square(cell - offset).sum()) / ((p - 1) * (o - 1))
    offsets = float(np.square(offset).sum()) / (o - 1)
    # The operators' and the cells' lines less what the within-cell pattern puts in them.
    return offsets - left / (p * r) + (left - within) / r + within + float(repeats.mean())


def study_of(y: np.ndarray, order: np.ndarray, digit: float | None = None) -> grr.Study:
    """Return readings as a study; operators A, B, C ..., parts 1, 2, 3 ..."""
    i, j, k = (n.ravel() for n in np.indices(y.shape))
    table = pd.DataFrame(
        {
            "part": (i + 1).astype(str),
            "operator": [chr(65 + n) for n in j],
            "trial": k + 1,
            "reading": y.ravel(),
            "order": order.ravel().astype(int) + 1,
        }
    )
    return grr.Study(
        table,
        tolerance=grr.Tolerance(lower=0.0, upper=WIDTH),
        resolution=digit,
        operators="random",
    )


def pattern(
    kind: str, shape: tuple[int, int, int], order: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, int | None, int | None]:
    """Return the planted change for size 1, and the operator and part it concerns."""
    p, _, r = shape
    x = np.zeros(shape)
    i, j, k = (int(rng.integers(n)) for n in shape)
    since = order - order.min(axis=(0, 2), keepdims=True)
    if kind == "operator_offset":
        x[:, j] = 1.0
        return x, j, None
    if kind == "interaction with one part":
        x[i, j] = 1.0
        return x, j, i
    if kind == "interaction with many parts":
        x[:, j] = rng.standard_normal((p, 1))
        x[:, j] -= x[:, j].mean()
        return x, j, None
    if kind == "drift":
        return since.astype(float), None, None
    if kind == "step":
        # Not between two trials: there it would be a trial that reads high.
        places = [n for n in range(p // 2, p // 2 + p * (r - 1) + 1) if n % p]
        inside = places[int(rng.integers(len(places)))]
        x[:, j] = since[:, j] >= inside
        return x, j, None
    if kind == "trial_shift":
        x[:, :, int(rng.integers(1, r)) :] = 1.0
        return x, None, None
    x[i, j, k] = 1.0
    return x, j, i


def staged_order(shape: tuple[int, int, int]) -> np.ndarray:
    """Number the readings of two stages; of those who come later the parts left out come last."""
    order, (p, o, r) = np.empty(shape), shape
    rng, later = np.random.default_rng(0), np.isin(np.arange(1, p + 1).astype(str), LATER)
    count = 0
    for j in range(o):
        for group in [np.arange(p)] if j < len(FIRST) else [*map(np.flatnonzero, (later, ~later))]:
            for k in range(r):
                order[rng.permutation(group), j, k] = count + np.arange(len(group))
                count += len(group)
    return order


def of_two_stages(truth: Truth) -> Truth:
    """Return a study without the readings that its second stage leaves out."""
    table = truth.study.readings
    table = table[table["operator"].isin(FIRST) | table["part"].isin(LATER)]
    table = table.assign(order=table["order"].rank().astype(int)).reset_index(drop=True)
    parts, people = (natural(truth.study.readings[name]) for name in ("part", "operator"))
    more = tuple(name for name in people if name not in FIRST)
    plan = grr.Plan(parts, FIRST, 3, looks=2, further_operators=more, further_parts=LATER)
    made = grr.Study(table, tolerance=truth.study.tolerance, operators="random", plan=plan)
    return replace(truth, study=made)


def natural(column: pd.Series) -> tuple[str, ...]:
    """Return the labels in their order."""
    return tuple(sorted(set(column), key=lambda name: (len(name), name)))


def planted(
    kind: str,
    share: float,
    shape: tuple[int, int, int],
    rng: np.random.Generator,
    base: float,
    *,
    staged: bool = False,
) -> Truth:
    """Return a study with one cause that makes ``share`` of GRR's variance.

    ``base``: standard deviation of the operators' own offsets and of the cells', beside
    repeats of 1.
    """
    p, o, _ = shape
    order = staged_order(shape) if staged else order_of(shape, 0)
    parts = rng.normal(0.0, 4.0, (p, 1, 1))
    means = base * (rng.standard_normal((1, o, 1)) + rng.standard_normal((p, o, 1)))
    means = means + np.zeros(shape)
    repeats = np.ones((p, o))
    clean = variance(means, repeats)
    wanted = clean * share / (1.0 - share) if kind != "none" else 0.0
    operator: int | None = None
    part: int | None = None
    digit: float | None = None
    change = np.zeros(shape)
    if kind == "operator_scatter":
        operator = int(rng.integers(o))
        repeats[:, operator] += o * wanted
    elif kind == "part":
        part = int(rng.integers(p))
        repeats[part] += p * wanted
    elif kind == "digit":
        digit = float(np.sqrt(12.0 * wanted))
    elif kind != "none":
        change, operator, part = pattern(kind, shape, order, rng)
        if staged and kind == "interaction with many parts" and operator >= len(FIRST):
            change[:, operator] -= change[[int(name) - 1 for name in LATER], operator].mean()
        size = float(np.sqrt(wanted / variance(change, np.zeros((p, o)))))
        change *= size * rng.choice([-1.0, 1.0])
    y = parts + means + change + np.sqrt(repeats)[..., None] * rng.standard_normal(shape)
    now = variance(means + change, repeats)
    if digit is not None:
        y = np.round(y / digit) * digit
        now += digit**2 / 12.0
    to_percent = 600.0 / WIDTH
    found = Truth(
        study_of(30.0 + y if digit is None else np.round((30.0 + y) / digit) * digit, order, digit),
        kind.split(" ", maxsplit=1)[0],
        None if operator is None else chr(65 + operator),
        None if part is None else str(part + 1),
        to_percent * float(np.sqrt(now)),
        to_percent * float(np.sqrt(clean)),
        many=kind == "interaction with many parts",
    )
    return of_two_stages(found) if staged else found


def two_methods(
    share: float, shape: tuple[int, int, int], rng: np.random.Generator, *, apart: bool = False
) -> Truth:
    """Return a study by two methods, of which the second repeats worse, or reads ``apart``.

    The share of a difference d is that of d²/4 in the variance of readings by either method.
    """
    p, _, _ = shape
    order = order_of(shape, 0)
    parts = rng.normal(0.0, 4.0, (p, 1, 1))
    ratio = 1.0 / (1.0 - share)
    high = 2.0 * float(np.sqrt(ratio - 1.0)) if apart else 0.0
    tables = []
    for name, repeats in (("stand", 1.0), ("hand", 1.0 if apart else ratio)):
        y = 30.0 + parts + np.sqrt(repeats) * rng.standard_normal(shape)
        y += high if name == "hand" else 0.0
        tables.append(study_of(y, order).readings.assign(method=name))
    tables[1]["order"] += y.size
    study = grr.Study(
        pd.concat(tables, ignore_index=True),
        tolerance=grr.Tolerance(lower=0.0, upper=WIDTH),
        operators="fixed" if apart else "random",
    )
    per = 600.0 / WIDTH
    return Truth(study, METHOD, None, None, per * float(np.sqrt(ratio)), per)


def clean_methods(studies: int, design: str) -> tuple[int, dict[str, int]]:
    """Return how many clean studies by two methods were accused, and of what."""
    rng = np.random.default_rng([98, *DESIGNS[design]])
    kinds: dict[str, int] = {}
    accused = 0
    for _ in range(studies):
        study = two_methods(0.0, DESIGNS[design], rng, apart=True).study
        told = [c.kind for c in grr.assess(study).causes if c.kind != "repeatability"]
        told += [f.topic for f in grr.check(study) if f.topic in ACCUSING]
        accused += bool(told)
        for kind in told:
            kinds[kind] = kinds.get(kind, 0) + 1
    return accused, kinds


def named_first(truth: Truth) -> tuple[bool, bool, bool]:
    """Return whether the planted cause is first, named at all, and its interval holds."""
    causes = [c for c in grr.assess(truth.study).causes if c.kind != "repeatability"]
    for place, cause in enumerate(causes):
        if cause.kind != truth.kind:
            continue
        if truth.operator is not None and cause.operator != truth.operator:
            continue
        if truth.kind in ("part", "slip") and cause.part != truth.part:
            continue
        if truth.many and cause.part is not None:  # one cell of many is another cause
            continue
        held = cause.without.lower <= truth.without <= cause.without.upper
        return place == 0, True, held
    return False, False, False


def rows(studies: int, design: str, base: float) -> Iterator[tuple[str, str, int, int, int]]:
    """Yield kind, share, and how many studies named it first, at all, and held the truth."""
    shape = DESIGNS[design]
    kinds = PLANTED if base else (*PLANTED, METHOD, APART)
    if design == "staged":
        kinds = STAGED
    for number, kind in enumerate(kinds):
        for share in SHARES:
            rng = np.random.default_rng([number, round(100 * share), *shape, round(100 * base)])
            counts = np.zeros(3, dtype=int)
            for _ in range(studies):
                if kind in (METHOD, APART):
                    truth = two_methods(share, shape, rng, apart=kind == APART)
                else:
                    truth = planted(kind, share, shape, rng, base, staged=design == "staged")
                counts += named_first(truth)
            yield kind, f"{share:.2f}", *(int(n) for n in counts)


#: Topics of `grr.check` that accuse readings, parts or people.
ACCUSING = {
    *("range beyond limit", "trials differ", "repeats scatter alone", "factor"),
    *("far off", "exchanged parts", "one part out", "copied trial", "parts alike"),
}


def clean_row(studies: int, design: str, digit: float = 0.0) -> tuple[int, dict[str, int]]:
    """Return how many clean studies were accused, by the check or by a cause, and of what.

    ``digit``: last digit in standard deviations of a repeat. That it is coarse is true.
    """
    rng = np.random.default_rng([99, round(10 * digit), *DESIGNS[design]])
    kinds: dict[str, int] = {}
    accused = 0
    for _ in range(studies):
        staged = design == "staged"
        study = planted("none", 0.0, DESIGNS[design], rng, 0.0, staged=staged).study
        if digit:
            table = study.readings
            table["reading"] = np.round(table["reading"] / digit) * digit
            study = grr.Study(table, tolerance=study.tolerance, resolution=digit)
        found = [c.kind for c in grr.assess(study).causes]
        told = [kind for kind in found if kind not in ("repeatability", "digit")]
        told += [f.topic for f in grr.check(study) if f.topic in ACCUSING]
        accused += bool(told)
        for kind in told:
            kinds[kind] = kinds.get(kind, 0) + 1
    return accused, kinds


def lines(studies: int, design: str, base: float) -> Iterator[str]:
    """Yield the lines of the table of one design."""
    yield f"## {design}, {studies} studies a line, own differences {base:g}"
    yield ""
    yield "| planted | share | first | named | holds the truth, of named |"
    yield "| --- | --- | --- | --- | --- |"
    total = np.zeros(3, dtype=int)
    count = 0
    for kind, share, first, named, held in rows(studies, design, base):
        holds = f"{100 * held / named:.1f} %" if named else "-"
        yield (
            f"| {kind} | {share} | {100 * first / studies:.1f} % | "
            f"{100 * named / studies:.1f} % | {holds} |"
        )
        total += (first, named, held)
        count += studies
    first, named, held = (int(n) for n in total)
    yield (
        f"| all | | {100 * first / count:.1f} % | {100 * named / count:.1f} % | "
        f"{100 * held / named:.1f} % |"
    )
    if not base:
        clean = {
            f"digit {digit:g} sd": clean_row(2 * studies, design, digit)
            for digit in (0.0, 1.0, 2.0)
        }
        if design != "staged":
            clean["two methods"] = clean_methods(2 * studies, design)
        for name, (accused, kinds) in clean.items():
            told = ", ".join(f"{kind} {n}" for kind, n in sorted(kinds.items()))
            share = 50 * accused / studies
            yield ""
            yield f"Clean, {name}: {accused} of {2 * studies} ({share:.1f} %): {told}."
    yield ""


if __name__ == "__main__":
    for printed in lines(int(sys.argv[1]), sys.argv[2], float(sys.argv[3])):
        print(printed, flush=True)
