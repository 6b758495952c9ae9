"""How often each of the five answers is given, and how often wrongly: ``decisions.md``.

    python tests/coverage/decisions.py      # writes tests/coverage/decisions.md, about a minute

Gauges whose true GRR takes a stated share of the tolerance, parts of a centred process of
stated Cp (tolerance/6 against the sd of true values), known or estimated by the study. Wrong
are: USE at 10.1 %; DO NOT USE at 29.5 % where the limits of a known GRR cost less than is
allowed (Cp 1.33); and, the spread of the parts estimated, DO NOT USE where those limits cost
1.95 % and 2 % are allowed. The risk is that of a part on a limit of the tolerance, accepted
by the limits that the study gives.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from grr.formulas.analysis_of_variance import CrossedAnova, components_by_rule
from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import careful_lower_bound, two_sided_limits, upper_bound
from grr.formulas.conformity import Zone, good_parts_refused, limits_and_price
from grr.formulas.pivots import crossed_pivots
from grr.formulas.precision import Design, Shares, df_of_studies, simulated_anova
from grr.model.choices import Decision
from grr.model.estimate import Estimate
from grr.questions.deciding import Criterion, decide

STUDIES, CHUNK = 2000, 250
ALLOWED = 2.0
SHARES = {
    "60/30/10": Shares(0.6, 0.3, 0.1),
    "25/70/5": Shares(0.25, 0.7, 0.05),
    "98/1/1": Shares(0.98, 0.01, 0.01),
}
DESIGNS = (Design(10, 3, 3), Design(5, 6, 3), Design(10, 3, 3, "fixed"))
TRUE = (6.0, 15.0, 20.0, 30.0, 45.0)
CPS = (0.8, 1.0, 1.33)
TOLERANCE = Zone(-0.5, 0.5)


@dataclass(frozen=True)
class Studies:
    """Sds of GRR and PV as multiples of the true GRR: estimated, bounded, and GRR's draws."""

    grr: Array
    lower: Array
    upper: Array
    draws: Array
    part: Array
    part_lower: Array
    mean: Array
    mean_kindest: Array


def studied(design: Design, shares: Shares, studies: int, seed: int, part: float) -> Studies:
    """Simulate studies of parts that truly vary with the sd ``part``, GRR being 1."""
    rng = np.random.default_rng(seed)
    anova = simulated_anova(design, shares, studies, rng)
    p, o, r = design.parts, design.operators, design.trials
    cell = shares.repeatability + r * shares.interaction
    ss_part = (cell + o * r * part**2) * rng.chisquare(p - 1, studies)
    variance = part**2 / p + shares.operator / o
    variance += (shares.interaction + shares.repeatability / r) / (p * o)
    mean = rng.normal(0.0, np.sqrt(variance), studies)
    anova: CrossedAnova = replace(anova, ss_part=ss_part, mean=mean)
    # As a verdict has them: with fewer degrees of freedom of repeatability where scatter looks
    # uneven, and from even points in place of draws.
    pivots = crossed_pivots(
        anova,
        operators=design.operators_are,
        df_error=df_of_studies(design, studies, seed),
        even=True,
    )
    draws = np.sqrt(np.maximum(pivots.grr, 0.0))
    found, _ = components_by_rule(anova)
    return Studies(
        grr=np.sqrt(found.grr),
        lower=careful_lower_bound(draws, 0.95),
        upper=upper_bound(draws, 0.95),
        draws=draws,
        part=np.sqrt(np.maximum(found.part, 1e-12)),
        part_lower=np.sqrt(np.maximum(careful_lower_bound(pivots.part, 0.95), 1e-12)),
        mean=mean,
        mean_kindest=np.clip(0.0, *two_sided_limits(pivots.mean, 0.95)),
    )


def decided(found: Studies, true: float, cp: float, *, known: bool = True) -> list[Decision]:
    """Return the decision of each study of a gauge that truly takes ``true`` percent."""
    one = true / 600.0  # GRR's true sd; the tolerance is 1 wide
    sd = np.full(found.grr.shape, 1.0 / (6.0 * cp))
    priced = limits_and_price(
        TOLERANCE,
        found.draws * one,
        grr_sd=found.grr * one,
        grr_at_least=found.lower * one,
        process_mean=0.0 if known else found.mean * one,
        process_sd=sd if known else found.part * one,
        process_at_least=(0.0, sd)
        if known
        else (found.mean_kindest * one, np.minimum(found.part_lower, found.part) * one),
    )
    answers = []
    for i in range(found.grr.size):
        bounds = (true * float(found.lower[i]), true * float(found.upper[i]))
        ratio = Criterion("", true * float(found.grr[i]), 10.0, 30.0, *bounds, 0.5, 0.5)
        low, high = (100.0 * float(x[i]) for x in (priced.at_least, priced.at_most))
        asked = {"most_refused": ALLOWED, "purpose": "accept"}
        price = Estimate(low, low, high, "%")
        answers.append(decide(ratio, price, one_operator=False, must_mend=False, **asked))
    return answers


def share(answers: list[Decision], *wanted: Decision) -> float:
    return 100.0 * sum(answer in wanted for answer in answers) / len(answers)


def row(design: Design, shares: Shares, studies: int, seed: int = 211) -> dict[str, float | str]:
    """Return what the studies of one design come to, in percent."""
    chunks = [
        studied(design, shares, min(CHUNK, studies - first), seed + first, part=5.0)
        for first in range(0, studies, CHUNK)
    ]

    def answers(true: float, cp: float) -> list[Decision]:
        return [one for chunk in chunks for one in decided(chunk, true, cp)]

    guards = np.concatenate([_guard(chunk) for chunk in chunks])
    risks = 100.0 * ndtr(-guards)
    found: dict[str, float | str] = {
        "USE at 6": share(answers(6.0, 1.33), Decision.USE),
        "wrong USE at 10.1": share(answers(10.1, 1.33), Decision.USE),
        "wrong DO NOT USE at 29.5": share(answers(29.5, 1.33), Decision.DO_NOT_USE),
        "mean risk at the limit": float(risks.mean()),
        "risk over 10": 100.0 * float((risks > 10.0).mean()),
        "guard/sd, median": float(np.median(guards)),
    }
    for cp in CPS:
        for true in TRUE[1:]:
            given = answers(true, cp)
            one = (Decision.USE, Decision.LIKE_THIS, Decision.WITH_LIMITS)
            parts = (share(given, *group) for group in (one, (Decision.NOT_DECIDED,)))
            yes, no = parts
            against = abs(100.0 - yes - no)
            found[f"Cp {cp:g}, {true:g} %"] = f"{yes:.0f}/{no:.0f}/{against:.0f}"
    return found


def _guard(found: Studies) -> Array:
    return limits_and_price(
        TOLERANCE,
        found.draws,
        grr_sd=1.0,
        grr_at_least=1.0,
        process_mean=0.0,
        process_sd=1.0,
        process_at_least=(0.0, 1.0),
    ).guard


def cp_of_price(true: float, price: float) -> float:
    """Return the Cp at which the limits of a known GRR refuse this share of good parts."""
    sd = true / 600.0

    def excess(cp: float) -> float:
        refused = good_parts_refused(
            TOLERANCE,
            float(ndtri(0.95)) * sd,
            process_mean=0.0,
            process_sd=1.0 / (6.0 * cp),
            grr_sd=sd,
        )
        return float(refused) - price

    return float(brentq(excess, 0.3, 3.0))


def wrong_if_parts_are_estimated(
    design: Design, shares: Shares, true: float, studies: int, seed: int = 223
) -> float:
    """Return how often DO NOT USE is said though the limits truly cost 1.95 %, in percent."""
    cp = cp_of_price(true, 0.0195)
    part = 100.0 / (true * cp)
    answers = [
        one
        for first in range(0, studies, CHUNK)
        for one in decided(
            studied(design, shares, min(CHUNK, studies - first), seed + first, part),
            true,
            cp,
            known=False,
        )
    ]
    return share(answers, Decision.DO_NOT_USE)


def main() -> None:
    lines = [
        "# The five answers: how often each is given, and how often wrongly",
        "",
        f"Made by `tests/coverage/decisions.py`: {STUDIES} studies a line, even draws, seeded; "
        "what the columns are stands there. Percent of studies; standard error at 5 %: "
        f"{100 * (0.05 * 0.95 / STUDIES) ** 0.5:.2f}. Columns by Cp and true GRR: USE, USE LIKE "
        "THIS or USE WITH LIMITS / NOT DECIDED YET / DO NOT USE; the process is known there, and "
        f"{ALLOWED:g} % of good parts may be refused.",
        "",
    ]
    head = None
    for name, shares in SHARES.items():
        for design in DESIGNS:
            found: dict[str, float | str] = row(design, shares, STUDIES)
            for true in (20.0, 29.0):
                found[f"wrong DO NOT USE, PV estimated, {true:g}"] = wrong_if_parts_are_estimated(
                    design, shares, true, STUDIES
                )
            if head is None:
                head = list(found)
                lines += [
                    f"| design | people | shares | {' | '.join(head)} |",
                    "|---|---|---|" + "---|" * len(head),
                ]
            cells = " | ".join(x if isinstance(x, str) else f"{x:.1f}" for x in found.values())
            size = f"{design.parts} × {design.operators} × {design.trials}"
            lines.append(f"| {size} | {design.operators_are} | {name} | {cells} |")
            print(lines[-1], file=sys.stderr)
    Path(__file__).with_suffix(".md").write_text("\n".join([*lines, ""]), encoding="utf-8")


if __name__ == "__main__":
    main()
