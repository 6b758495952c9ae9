"""`grr.anova`: chooses the estimator that fits the study, and says which."""

from __future__ import annotations

from grr.analysis.balanced import balanced_anova
from grr.analysis.result import GaugeResult
from grr.errors import StudyError
from grr.study import Study
from grr.values import number, one_of


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
        Nothing was repeated, or readings are missing.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B and appendix A; Burdick, Borror &
    Montgomery (SIAM 2005), chapter 3.
    """
    rules = study.rules
    interaction = one_of(
        "interaction",
        rules.interaction if interaction is None else interaction,
        ("auto", "keep", "pool"),
    )
    pool_above = number(
        "pool_above", rules.pool_above if pool_above is None else pool_above, above=0.0, below=1.0
    )
    spread = number("spread", rules.spread if spread is None else spread, above=0.0)
    if not study.cube().complete:
        raise StudyError(
            "Readings are missing, and this analysis needs every operator to measure every "
            "part equally often",
            "Take the missing readings",
            value=f"{study.taken} of {study.cube().values.size} readings are there",
        )
    return balanced_anova(study, interaction=interaction, pool_above=pool_above, spread=spread)
