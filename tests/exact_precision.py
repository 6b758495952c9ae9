"""What studies of a design would state, each by draws of its own."""

from __future__ import annotations

import numpy as np

from grr.formulas.confidence_limits import (
    careful_lower_bound,
    lower_bound,
    two_sided_limits,
    upper_bound,
)
from grr.formulas.conformity import predictive_guard
from grr.formulas.pivots import SEED, crossed_pivots
from grr.formulas.precision import (
    Design,
    Precision,
    Shares,
    design_components,
    df_of_studies,
    simulated_anova,
)

#: Studies drawn at once, as in the package: so both see the same studies.
CHUNK = 250


def simulated_precision(
    design: Design,
    shares: Shares | None = None,
    *,
    level: float = 0.95,
    confidence: float = 0.95,
    studies: int = 2000,
    seed: int = SEED,
) -> Precision:
    """Simulate studies and judge every one by draws of its own, as a verdict does."""
    split = Shares() if shares is None else shares
    split = split.one_operator if design.operators == 1 else split
    rng = np.random.default_rng(seed)
    known = df_of_studies(design, studies, seed)
    found = []
    done = 0
    for size in [CHUNK] * (studies // CHUNK) + [studies % CHUNK] * bool(studies % CHUNK):
        anova = simulated_anova(design, split, size, rng)
        variance = crossed_pivots(
            anova,
            operators=design.operators_are if design.operators > 1 else "random",
            df_error=None if known is None else known[done : done + size],
            even=True,
        ).grr
        done += size
        sd = np.sqrt(np.maximum(variance, 0.0))
        bounds = (
            careful_lower_bound(sd, confidence),
            upper_bound(sd, confidence),
            lower_bound(sd, confidence),
        )
        estimate = np.sqrt(design_components(anova, design).grr)
        guard = predictive_guard(sd, 1.0 - confidence)
        found.append([*two_sided_limits(sd, level), *bounds, estimate, guard])
    limits = [np.concatenate(parts) for parts in zip(*found, strict=True)]
    return Precision(design, split, level, confidence, *limits)
