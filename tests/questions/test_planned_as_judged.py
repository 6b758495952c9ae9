"""What planning promises is what a verdict would then say."""

from __future__ import annotations

import numpy as np
import pytest
from exact_precision import simulated_precision

from grr.formulas.pivots import crossed_pivots
from grr.formulas.precision import (
    Design,
    Shares,
    df_of_studies,
    simulated_anova,
)
from grr.model.rules import Rules
from grr.questions.verdict import bounded


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_shares_of_studies_shown_good_and_bad(operators: str) -> None:
    design, studies, seed = Design(10, 3, 3, operators), 200, 5
    planned = simulated_precision(design, studies=studies, seed=seed)
    anova = simulated_anova(design, Shares(), studies, np.random.default_rng(seed))
    # A plan reckons with the degrees of freedom that studies of even scatter show.
    known = df_of_studies(design, studies, seed)
    pivots = crossed_pivots(anova, operators=operators, df_error=known, even=True)
    relative = np.sqrt(np.maximum(pivots.grr, 0.0))  # the true GRR is 1
    shown = {"good": 0, "over": 0}
    for draw in relative:
        for true, word in ((8.0, "good"), (40.0, "over")):
            shown[word] += (
                bounded(true, true * draw, true * draw, Rules(), "accept").by_confidence == word
            )
    assert planned.assurance_under(10.0, 8.0) == shown["good"] / studies
    assert planned.assurance_over(30.0, 40.0) == shown["over"] / studies
    assert 0 < shown["over"] < studies
