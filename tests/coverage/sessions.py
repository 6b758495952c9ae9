"""How often the limits of a study with sessions hold the truth: ``sessions.md``.

    python tests/coverage/sessions.py          # writes tests/coverage/sessions.md, about 3 minutes

Two-sided 95 % limits of GRR and of the spread between sessions, and the same readings
analysed without sessions; GRR is 1 and its variance is shared as stated. Sessions are each
operator's own, or everyone measures in each.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import two_sided_limits
from grr.formulas.further_sources import source_pivots, source_squares
from grr.formulas.pivots import crossed_pivots
from grr.model.rules import Plan

STUDIES, DRAWS, CHUNK = 3000, 4000, 100
#: Repeatability, operators, interaction, sessions.
SHARES = ((0.6, 0.3, 0.1, 0.0), (0.5, 0.2, 0.1, 0.2), (0.3, 0.1, 0.0, 0.6), (0.1, 0.0, 0.0, 0.9))
#: Parts, operators, trials, sessions.
DESIGNS = ((10, 3, 3, 2), (10, 3, 4, 2), (10, 3, 2, 2), (10, 4, 3, 3), (10, 1, 4, 2))
#: The same where everyone measures in each session.
SHARED = ((10, 3, 3, 2), (10, 3, 3, 3), (10, 3, 4, 2), (5, 6, 2, 2))


def readings(
    design: tuple[int, int, int, int],
    shares: tuple[float, ...],
    studies: int,
    rng: np.random.Generator,
    *,
    fixed: bool = False,
    shared: bool = False,
) -> tuple[np.ndarray, ...]:
    """Return readings of many studies, and the codes of part, operator and session.

    Of fixed operators the mean square of the offsets is the share itself.
    """
    p, o, r, m = design
    plan = Plan(tuple(map(str, range(p))), tuple(map(str, range(o))), r, sessions=m)
    part, operator, trial = (axis.ravel() for axis in np.indices((p, o, r)))
    session = np.array([plan.session_of(t + 1) - 1 for t in range(r)])[trial]
    session = session if shared else operator * m + session
    ev, av, both, between = np.sqrt(shares)
    offsets = rng.normal(size=(studies, o))
    if fixed:
        offsets -= offsets.mean(axis=1, keepdims=True)
        offsets /= np.sqrt(np.square(offsets).mean(axis=1, keepdims=True))
    values = (
        3.0 * rng.normal(size=(studies, p))[:, part]
        + av * offsets[:, operator]
        + both * rng.normal(size=(studies, p * o))[:, part * o + operator]
        + between * rng.normal(size=(studies, o * m))[:, session]
        + ev * rng.normal(size=(studies, len(part)))
    )
    return values, part, operator, session


def sources_of(
    part: np.ndarray, operator: np.ndarray, session: np.ndarray
) -> dict[str, np.ndarray]:
    """Return the codes under the names of the sources, in the order of splitting."""
    if operator.max() == 0:
        return {"part": part, "session": session}
    both = part * (int(operator.max()) + 1) + operator
    return {"part": part, "operator": operator, "session": session, "interaction": both}


def row(
    design: tuple[int, int, int, int],
    shares: tuple[float, ...],
    studies: int,
    *,
    fixed: bool = False,
    shared: bool = False,
    seed: int = 7,
) -> dict[str, float]:
    """Return in percent how often limits hold the truth, and how often one bound misses it."""
    rng = np.random.default_rng(seed)
    p, o, r, _ = design
    true_session = shares[3]
    true_grr = sum(shares) if o > 1 else shares[0] + shares[3]
    held = dict.fromkeys(("GRR", "upper misses", "lower misses", "SES", "without"), 0.0)
    for start in range(0, studies, CHUNK):
        values, *codes = readings(design, shares, CHUNK, rng, fixed=fixed and o > 1, shared=shared)
        options = {"draws": DRAWS, "seed": seed + start}
        people = {"operator": float(o)} if fixed and o > 1 else {}
        squares = source_squares(values, sources_of(*codes))
        pivots = source_pivots(squares, all_there_are=people, **options)
        low, high = two_sided_limits(np.maximum(pivots.grr, 0.0), 0.95)
        held["GRR"] += np.sum((low <= true_grr) & (true_grr <= high))
        below, above = two_sided_limits(np.maximum(pivots.grr, 0.0), 0.90)
        held["upper misses"] += np.sum(above < true_grr)
        held["lower misses"] += np.sum(below > true_grr)
        low, high = two_sided_limits(np.maximum(pivots.session, 0.0), 0.95)
        held["SES"] += np.sum((low <= true_session) & (true_session <= high))
        cube = crossed_anova(values.reshape(-1, p, o, r))
        plain = crossed_pivots(cube, operators="fixed" if fixed else "random", **options)
        low, high = two_sided_limits(np.maximum(plain.grr, 0.0), 0.95)
        held["without"] += np.sum((low <= true_grr) & (true_grr <= high))
    return {name: 100.0 * float(count) / studies for name, count in held.items()}


def main() -> None:
    lines = [
        "# Sessions as a source: how often the limits hold the truth",
        "",
        f"Made by `tests/coverage/sessions.py`: {STUDIES} studies a line, {DRAWS} draws, seeded. "
        "Shares of GRR's variance in repeatability/operators/interaction/sessions; with one "
        "operator only the first and the last are there. In percent: two-sided 95 % limits of "
        "GRR; the one-sided 95 % bounds of GRR above and below that miss (5 is meant); limits of "
        "the spread between sessions; limits of GRR where the same readings are analysed without "
        "sessions. Shared: everyone measures in each session, else each in sessions of their own. "
        "Standard error at 95 %: 0.40. Three trials in two sessions: two and one.",
        "",
        "| parts × operators × trials, sessions | operators | shares | GRR | upper misses "
        "| lower misses | between sessions | without sessions |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for (p, o, r, m), shared in [
        *((design, False) for design in DESIGNS),
        *((design, True) for design in SHARED),
    ]:
        for fixed in (False, True) if o > 1 else (False,):
            for shares in SHARES:
                used = shares if o > 1 else (shares[0], 0.0, 0.0, shares[3])
                found = row((p, o, r, m), used, STUDIES, fixed=fixed, shared=shared)
                cells = " | ".join(f"{value:.1f}" for value in found.values())
                how = "fixed" if fixed else "random"
                named = "/".join(f"{100 * share:.0f}" for share in used)
                size = f"{p} × {o} × {r}, {m}{' shared' if shared else ''}"
                lines.append(f"| {size} | {how} | {named} | {cells} |")
                print(lines[-1], flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
