"""How often the limits of a study with places or gauges hold the truth: ``further_sources.md``.

    python tests/coverage/further_sources.py     # writes further_sources.md, about 3 minutes

Two-sided 95 % limits of GRR and of the further source, and the same readings analysed without
it. GRR is 1 and its variance is shared as stated; within-part variation comes besides.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import two_sided_limits
from grr.formulas.further_sources import source_pivots, source_squares
from grr.formulas.pivots import crossed_pivots

STUDIES, DRAWS, CHUNK = 2000, 4000, 100
#: Parts, operators, places, gauges, trials, readings lost.
DESIGNS = (
    (10, 3, 2, 1, 2, 0),
    (10, 3, 2, 1, 2, 12),
    (5, 3, 3, 1, 1, 0),
    (10, 3, 1, 2, 2, 0),
    (10, 3, 1, 4, 1, 0),
    (8, 3, 2, 2, 1, 10),
)
#: Repeatability, operators, interaction, gauges; and within-part variation besides.
WITH_PLACES = ((0.6, 0.3, 0.1, 0.0, 0.5), (0.6, 0.3, 0.1, 0.0, 4.0), (0.3, 0.7, 0.0, 0.0, 1.0))
WITH_GAUGES = ((0.5, 0.2, 0.1, 0.2, 0.0), (0.3, 0.1, 0.0, 0.6, 0.0))
WITH_BOTH = ((0.5, 0.2, 0.1, 0.2, 1.0),)


def readings(
    design: tuple[int, ...],
    shares: tuple[float, ...],
    studies: int,
    rng: np.random.Generator,
    *,
    fixed: bool,
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return readings of many studies, and the codes of the sources.

    Of fixed operators and gauges the mean square of the offsets is the share itself.
    """
    p, o, places, gauges, r, lost = design
    part, operator, place, gauge, _ = (
        axis.ravel() for axis in np.indices((p, o, places, gauges, r))
    )
    ev, av, both, between, within = np.sqrt(shares)

    def offsets(levels: int) -> np.ndarray:
        found = rng.normal(size=(studies, levels))
        if fixed and levels > 1:
            found -= found.mean(axis=1, keepdims=True)
            found /= np.sqrt(np.square(found).mean(axis=1, keepdims=True))
        return found

    values = (
        3.0 * rng.normal(size=(studies, p))[:, part]
        + av * offsets(o)[:, operator]
        + both * rng.normal(size=(studies, p * o))[:, part * o + operator]
        + between * offsets(gauges)[:, gauge]
        + within * rng.normal(size=(studies, p * places))[:, part * places + place]
        + ev * rng.normal(size=(studies, len(part)))
    )
    codes = {"part": part, "operator": operator}
    if gauges > 1:
        codes["gauge"] = gauge
    if places > 1:
        codes["place"] = part * places + place
    codes["interaction"] = part * o + operator
    kept = np.sort(np.random.default_rng(lost).permutation(len(part))[lost:])
    return values[:, kept], {name: code[kept] for name, code in codes.items()}


def row(
    design: tuple[int, ...],
    shares: tuple[float, ...],
    studies: int,
    *,
    fixed: bool = False,
    seed: int = 7,
) -> dict[str, float]:
    """Return in percent how often limits hold the truth, and how often one bound misses it."""
    rng = np.random.default_rng(seed)
    p, o, places, gauges, r, lost = design
    truth = {"GRR": sum(shares[:4]), "gauge": shares[3], "place": shares[4]}
    all_there_are = {"operator": float(o), "gauge": float(gauges)} if fixed else {}
    held = dict.fromkeys(("GRR", "upper misses", "lower misses", "further", "without"), 0.0)
    for start in range(0, studies, CHUNK):
        values, codes = readings(design, shares, CHUNK, rng, fixed=fixed)
        options = {"draws": DRAWS, "seed": seed + start}
        pivots = source_pivots(
            source_squares(values, codes), all_there_are=all_there_are, **options
        )
        drawn = np.maximum(pivots.grr, 0.0)
        held["GRR"] += _inside(drawn, truth["GRR"])
        below, above = two_sided_limits(drawn, 0.90)
        held["upper misses"] += np.sum(above < truth["GRR"])
        held["lower misses"] += np.sum(below > truth["GRR"])
        name = "place" if places > 1 else "gauge"
        held["further"] += _inside(np.maximum(getattr(pivots, name), 0.0), truth[name])
        if not lost:
            cube = crossed_anova(values.reshape(-1, p, o, places * gauges * r))
            how = "fixed" if fixed else "random"
            plain = crossed_pivots(cube, operators=how, **options)
            held["without"] += _inside(np.maximum(plain.grr, 0.0), truth["GRR"])
    found = {name: 100.0 * float(count) / studies for name, count in held.items()}
    return found | ({"without": np.nan} if lost else {})


def _inside(drawn: np.ndarray, truth: float) -> int:
    low, high = two_sided_limits(drawn, 0.95)
    return int(np.sum((low <= truth) & (truth <= high)))


def main() -> None:
    lines = [
        "# Places and gauges as sources: how often the limits hold the truth",
        "",
        f"Made by `tests/coverage/further_sources.py`: {STUDIES} studies a line, {DRAWS} draws, "
        "seeded. Shares of GRR's variance in repeatability/operators/interaction/gauges, and "
        "within-part variation in percent of it besides. In percent: two-sided 95 % limits of GRR; "
        "the one-sided 95 % bounds of GRR above and below that miss (5 is meant); limits of the "
        "further source (places where there are several, else gauges); limits of GRR where the "
        "same readings are analysed without it. Fixed: operators and gauges are all there are. "
        "Standard error at 95 %: 0.5.",
        "",
        "| parts × operators × places × gauges × trials, lost | operators, gauges | shares "
        "| GRR | upper misses | lower misses | further source | without it |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for design in DESIGNS:
        _, _, places, gauges, _, lost = design
        wanted = WITH_PLACES if gauges == 1 else WITH_BOTH if places > 1 else WITH_GAUGES
        for fixed in (False, True):
            for shares in wanted:
                found = row(design, shares, STUDIES, fixed=fixed)
                cells = " | ".join("–" if np.isnan(v) else f"{v:.1f}" for v in found.values())
                named = "/".join(f"{100 * share:.0f}" for share in shares[:4])
                size = " × ".join(map(str, design[:5]))
                how = "fixed" if fixed else "random"
                within = f" + {100 * shares[4]:.0f}" if shares[4] else ""
                lines.append(f"| {size}, {lost} | {how} | {named}{within} | {cells} |")
                print(lines[-1], flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
