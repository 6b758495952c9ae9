"""How a coarse digit is dealt with: ``coarse_digit.md``.

    python tests/coverage/coarse_digit.py      # writes coarse_digit.md, about 4 minutes

Repeatability before rounding: how often its limits hold the truth. GRR: how often the upper
bound of the rounded readings lies below the error of what is read, √(GRR² + d²/12), as it is and
with d²/6 added.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.coarse_digit import _limits, repeatability_before_rounding
from grr.formulas.pivots import crossed_pivots

STUDIES, FEW, DRAWS = 2000, 60, 2000
#: The digit in standard deviations.
DIGITS = (1.0, 2.0, 3.0, 4.0, 6.0)
#: Repeatability, operators, interaction, as shares of GRR's variance; of fixed operators, whose
#: offsets are not drawn here, without them.
SHARES = ((1.0, 0.0, 0.0), (0.6, 0.3, 0.1), (0.05, 0.95, 0.0))
FIXED = ((1.0, 0.0, 0.0), (0.6, 0.0, 0.4))


def studies(
    shares: tuple[float, ...], digit: float, count: int, rng: np.random.Generator
) -> np.ndarray:
    """Return rounded readings of 10 × 3 × 3, GRR 1, in digits; sizes spread over 12 of either."""
    ev, av, both = np.sqrt(shares)
    exact = (
        12.0 * max(digit, 1.0) * rng.uniform(size=(count, 10, 1, 1))
        + av * rng.normal(size=(count, 1, 3, 1))
        + both * rng.normal(size=(count, 10, 3, 1))
        + ev * rng.normal(size=(count, 10, 3, 3))
    )
    return np.round(exact / digit)


def repeatability(
    digit: float, count: int, *, spread: tuple[float, ...] = (1.0, 0.0, 0.0), seed: int = 3
) -> dict[str, float]:
    """Return in percent how often the limits miss, and their mean in units of the truth."""
    rng = np.random.default_rng(seed)
    readings = studies(spread, digit, count, rng)
    truth = float(np.sqrt(spread[0])) / digit
    taken = np.ones(readings.shape[1:], dtype=bool)
    limits = np.array([_limits(one, taken, 0.95) for one in readings])
    return {
        "held": 100.0 * float(np.mean((limits[:, 0] <= truth) & (truth <= limits[:, 1]))),
        "above": 100.0 * float(np.mean(limits[:, 0] > truth)),
        "below": 100.0 * float(np.mean(limits[:, 1] < truth)),
        "lower": float(np.mean(limits[:, 0])) / truth,
        "upper": float(np.mean(limits[:, 1])) / truth,
    }


def estimate(digit: float, count: int, seed: int = 4) -> float:
    """Return the mean estimate in units of the truth."""
    readings = studies((1.0, 0.0, 0.0), digit, count, np.random.default_rng(seed))
    found = [repeatability_before_rounding(one, 1.0).sd for one in readings]
    return float(np.mean(found)) * digit


def bounds(
    shares: tuple[float, ...], digit: float, count: int, *, operators: str, seed: int = 5
) -> dict[str, float]:
    """Return in percent how often the 95 % bound is below the error of what is read."""
    rng = np.random.default_rng(seed)
    readings = studies(shares, digit, count, rng)
    truth = sum(shares) / digit**2 + 1.0 / 12.0
    missed = np.zeros(2)
    for start in range(0, count, 100):
        anova = crossed_anova(readings[start : start + 100])
        grr = crossed_pivots(anova, draws=DRAWS, seed=seed + start, operators=operators).grr
        upper = np.quantile(np.maximum(grr, 0.0), 0.95, axis=-1)
        missed += [np.sum(upper < truth), np.sum(upper + 1.0 / 6.0 < truth)]
    return dict(zip(("plain", "added"), 100.0 * missed / count, strict=True))


def main() -> None:
    lines = [
        "# A coarse digit",
        "",
        f"Made by `tests/coverage/coarse_digit.py`: 10 × 3 × 3, {STUDIES} studies a line, seeded. "
        "Part sizes stand anywhere within a digit. Digit in standard deviations.",
        "",
        "Repeatability before rounding: percent of studies whose two-sided 95 % limits hold the "
        "truth, lie above it, lie below it; mean limits and mean estimate by marginal likelihood "
        f"(of {FEW} studies) in units of the truth.",
        "",
        "| digit | operators | held | above | below | lower | upper | estimate |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for digit in DIGITS:
        for name, spread in (("alike", (1.0, 0.0, 0.0)), ("differ", (1.0, 2.0, 0.0))):
            found = repeatability(digit, STUDIES, spread=spread)
            cells = " | ".join(
                f"{value:.{2 if key in ('lower', 'upper') else 1}f}" for key, value in found.items()
            )
            mean = f"{estimate(digit, FEW):.2f}" if name == "alike" else ""
            lines.append(f"| {digit:g} | {name} | {cells} | {mean} |")
            print(lines[-1], flush=True)
    lines += [
        "",
        "GRR: percent of studies whose 95 % upper bound is below the error of what is read (5 is "
        "meant), as it is and with d²/6 added. Shares of repeatability/operators/interaction.",
        "",
        "| digit, of GRR | operators | shares | plain | d²/6 added |",
        "|---|---|---|---|---|",
    ]
    for digit in (1.0, 2.0, 3.0, 4.0, 6.0, 10.0):
        for operators in ("random", "fixed"):
            for shares in SHARES if operators == "random" else FIXED:
                found = bounds(shares, digit, STUDIES, operators=operators)
                named = "/".join(f"{100 * share:.0f}" for share in shares)
                cells = f"{found['plain']:.1f} | {found['added']:.1f}"
                lines.append(f"| {digit:g} | {operators} | {named} | {cells} |")
                print(lines[-1], flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
