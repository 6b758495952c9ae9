"""`grr.anova`: chooses the estimator that fits the study, and says which."""

from __future__ import annotations

import numpy as np

from grr.model.errors import StudyError
from grr.model.study import Cube, Study, checked_study
from grr.model.values import number, one_of
from grr.questions.balanced import balanced_anova
from grr.questions.incomplete import incomplete_result
from grr.questions.nested import nested_result
from grr.questions.result import GaugeResult


def anova(
    study: Study,
    *,
    interaction: str | None = None,
    pool_above: float | None = None,
    spread: float | None = None,
) -> GaugeResult:
    """Split the variation of a study into its sources by analysis of variance.

    Parameters
    ----------
    study : Study
    interaction : {"auto", "keep", "pool"}, optional
        What is done with the part-by-operator interaction; the study's rule by default.
    pool_above : float, optional
        With "auto", pool when the interaction's p value is above this; 0.25 by default.
    spread : float, optional
        How many standard deviations make the spread; 6 by default.

    Returns
    -------
    GaugeResult

    Raises
    ------
    StudyError
        Nothing was repeated, or the design cannot tell the sources apart.

    Notes
    -----
    Complete crossed studies: analysis of variance. Readings missing: restricted maximum
    likelihood, from all that are there. Nested studies (``design="nested"``): each part
    belongs to one operator. `GaugeResult.estimator` says which was used.

    Source: AIAG MSA, 4th ed., chapter III section B and appendix A; Burdick, Borror &
    Montgomery (SIAM 2005), chapter 3; Searle, Casella & McCulloch, Variance Components
    (1992), chapter 6.
    """
    rules = checked_study(study).rules
    interaction = one_of(
        "interaction",
        rules.interaction if interaction is None else interaction,
        ("auto", "keep", "pool"),
    )
    pool_above = number(
        "pool_above", rules.pool_above if pool_above is None else pool_above, above=0.0, below=1.0
    )
    spread = number("spread", rules.spread if spread is None else spread, above=0.0)
    if study.design == "nested":
        return nested_result(study, spread=spread)
    cube = study.cube()
    estimate = balanced_anova if cube.complete else incomplete_result
    if not cube.complete:
        _refuse_nested(cube)
    return estimate(study, interaction=interaction, pool_above=pool_above, spread=spread)


def _refuse_nested(cube: Cube) -> None:
    seen = np.isfinite(cube.values).any(axis=2)
    if seen.shape[1] > 1 and (seen.sum(axis=1) < 2).all():
        raise StudyError(
            "No part was measured by two operators, so operators cannot be told from parts",
            "If that was meant (measuring destroys the part, say), give design='nested'; "
            "otherwise let every operator measure the same parts",
        )
