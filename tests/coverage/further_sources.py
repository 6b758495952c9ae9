"""How often the limits of a study with places or gauges hold the truth: ``further_sources.md``.

    python tests/coverage/further_sources.py     # writes further_sources.md, about 3 minutes

Two-sided 95 % limits of GRR and of the further source, and the same readings analysed without
it. GRR is 1 and its variance is shared as stated; within-part variation comes besides. Then how
often a good gauge is shown good, beside a plan that counts places and gauges as trials.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import two_sided_limits, upper_bound
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


#: Designs as above, operators and gauges, shares: whether a plan may count them as trials.
PLANNED = (
    ((10, 3, 2, 1, 2, 0), "fixed", "fixed", (0.6, 0.3, 0.1, 0.0, 1.0)),
    ((5, 6, 2, 1, 1, 0), "random", "fixed", (0.6, 0.3, 0.1, 0.0, 1.0)),
    ((5, 3, 2, 2, 1, 0), "fixed", "fixed", (0.6, 0.3, 0.1, 0.0, 1.0)),
    ((5, 3, 2, 2, 1, 0), "fixed", "fixed", (0.5, 0.2, 0.1, 0.2, 1.0)),
    ((5, 6, 2, 2, 1, 0), "random", "fixed", (0.5, 0.2, 0.1, 0.2, 1.0)),
    ((5, 3, 2, 2, 1, 0), "fixed", "random", (0.6, 0.3, 0.1, 0.0, 1.0)),
    ((5, 6, 2, 2, 1, 0), "random", "random", (0.5, 0.2, 0.1, 0.2, 1.0)),
    ((5, 3, 1, 4, 1, 0), "fixed", "random", (0.5, 0.2, 0.1, 0.2, 0.0)),
)
#: What GRR truly takes, and the most that the bound may say: USE at 6 and 8, under 30 at 20 %.
SHOWN = ((6.0, 10.0), (8.0, 10.0), (20.0, 30.0))


def planned_row(
    design: tuple[int, ...],
    operators: str,
    gauges: str,
    shares: tuple[float, ...],
    studies: int,
    *,
    seed: int = 3,
) -> tuple[list[float], list[float]]:
    """Return in percent how often the bound shows it: told with all as trials, and come true."""
    p, o, places, several, r, _ = design
    rng = np.random.default_rng(seed)
    people = {"operator": float(o)} if operators == "fixed" else {}
    people |= {"gauge": float(several)} if gauges == "fixed" and several > 1 else {}
    of_people = tuple(share / sum(shares[:3]) for share in shares[:3])
    as_trials = (p, o, 1, 1, places * several * r, 0)
    shown = np.zeros((2, len(SHOWN)))
    for start in range(0, studies, CHUNK):
        values, _ = readings(
            as_trials, (*of_people, 0.0, 0.0), CHUNK, rng, fixed=operators == "fixed"
        )
        cube = crossed_anova(values.reshape(CHUNK, p, o, -1))
        told = crossed_pivots(cube, operators=operators, draws=DRAWS, seed=seed + start)
        values, codes = readings(
            design, (*shares[:3], 0.0, shares[4]), CHUNK, rng, fixed=operators == "fixed"
        )
        offsets = rng.normal(size=(CHUNK, several))
        if gauges == "fixed" and several > 1:
            offsets -= offsets.mean(axis=1, keepdims=True)
            offsets /= np.sqrt(np.square(offsets).mean(axis=1, keepdims=True))
        values = values + np.sqrt(shares[3]) * offsets[:, codes.get("gauge", 0 * codes["part"])]
        squares = source_squares(values, codes)
        came = source_pivots(squares, all_there_are=people, draws=DRAWS, seed=seed + start)
        for at, pivots in enumerate((told, came)):
            most = upper_bound(np.sqrt(np.maximum(pivots.grr, 0.0)), 0.95)
            shown[at] += [np.sum(true * most <= limit) for true, limit in SHOWN]
    told, came = (100.0 * shown / studies).tolist()
    return told, came


def _inside(drawn: np.ndarray, truth: float) -> int:
    low, high = two_sided_limits(drawn, 0.95)
    return int(np.sum((low <= truth) & (truth <= high)))


def planned_lines() -> list[str]:
    """Return the table of plans."""
    lines = [
        "",
        "## A plan that counts places and gauges as trials",
        "",
        f"{STUDIES} studies a line. Percent of studies whose bound shows it, told by such a plan / "
        "come true with places and gauges as sources: GRR under 10 % where it truly takes 6 and 8 "
        "%, under 30 % where it takes 20 %. So `grr plan` counts places, and gauges that are all "
        "in use, as trials, and tells nothing where gauges stand for others.",
        "",
        "| parts × operators × places × gauges × trials | operators | gauges | shares "
        "| USE at 6 % | USE at 8 % | under 30 at 20 % |",
        "|---|---|---|---|---|---|---|",
    ]
    for design, operators, gauges, shares in PLANNED:
        both = zip(*planned_row(design, operators, gauges, shares, STUDIES), strict=True)
        cells = " | ".join(f"{told:.0f} / {came:.0f}" for told, came in both)
        named = "/".join(f"{100 * share:.0f}" for share in shares[:4])
        which = "–" if design[3] == 1 else gauges
        within = f" + {100 * shares[4]:.0f}" if shares[4] else ""
        size = " × ".join(map(str, design[:5]))
        lines.append(f"| {size} | {operators} | {which} | {named}{within} | {cells} |")
        print(lines[-1], flush=True)
    return lines


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
    lines += planned_lines()
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
