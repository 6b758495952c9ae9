"""Variance components of crossed studies, by the method of moments."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.formulas.crossed import CrossedAnova
from grr.model.errors import StudyError


@dataclass(frozen=True)
class Components:
    """Variances, in the unit of the readings squared; each of shape (...).

    ``part``, ``operator`` and ``interaction`` may be negative as estimated: the parts
    shown to a person are truncated at 0 (see `truncated`), ``grr`` is formed before.
    A component that the design cannot estimate is NaN.
    """

    part: Array
    operator: Array
    interaction: Array
    repeatability: Array
    grr: Array

    @property
    def truncated(self) -> Components:
        """The same components with negative estimates set to 0."""
        return Components(
            *(
                np.maximum(value, 0.0)
                for value in (
                    self.part,
                    self.operator,
                    self.interaction,
                    self.repeatability,
                    self.grr,
                )
            )
        )


def interaction_kept(anova: CrossedAnova) -> Components:
    """Return the components of the model with interaction.

    GRR is [MS_O + (p−1)·MS_PO + p(r−1)·MS_E] / (pr), the sum of the untruncated
    parts, so that a part estimated below zero does not push GRR up.

    Parameters
    ----------
    anova : CrossedAnova
        At least two operators and two trials.

    Raises
    ------
    StudyError
        One operator or one trial: the interaction cannot be told apart.

    Notes
    -----
    Source: Burdick, Borror & Montgomery, Design and Analysis of Gauge R&R Studies
    (SIAM 2005), section 3.2; AIAG MSA, 4th ed., appendix A.
    """
    p, o, r = anova.parts, anova.operators, anova.trials
    if o < 2 or r < 2:
        raise StudyError(
            "The interaction needs at least two operators and two trials",
            "Leave the interaction out, or measure again with two of each",
            value=f"{o} operators, {r} trials",
        )
    ms_p, ms_o, ms_po, ms_e = (
        anova.ms_part,
        anova.ms_operator,
        anova.ms_interaction,
        anova.ms_error,
    )
    return Components(
        part=(ms_p - ms_po) / (o * r),
        operator=(ms_o - ms_po) / (p * r),
        interaction=(ms_po - ms_e) / r,
        repeatability=ms_e,
        grr=(ms_o + (p - 1) * ms_po + p * (r - 1) * ms_e) / (p * r),
    )


def interaction_pooled(anova: CrossedAnova) -> Components:
    """Return the components of the model without interaction.

    Interaction and error are pooled into one mean square for repeatability. With one
    operator the reproducibility is NaN and GRR is the repeatability; there the
    interaction stays in the part variation.

    Raises
    ------
    StudyError
        One operator and one trial: nothing was repeated.

    Notes
    -----
    Source: AIAG MSA, 4th ed., appendix A (pooling where the interaction is not
    significant).
    """
    p, o, r = anova.parts, anova.operators, anova.trials
    df = anova.df_interaction + anova.df_error
    if df == 0:
        raise StudyError(
            "Nothing was measured twice, so repeatability cannot be estimated",
            "Measure each part at least twice",
        )
    repeatability = (anova.ss_interaction + anova.ss_error) / df
    part = (anova.ms_part - repeatability) / (o * r)
    nothing = np.full_like(part, np.nan)
    if o < 2:
        return Components(part, nothing, nothing, repeatability, repeatability)
    operator = (anova.ms_operator - repeatability) / (p * r)
    grr = repeatability + np.maximum(operator, 0.0)
    interaction = nothing if r < 2 else np.zeros_like(part)
    return Components(part, operator, interaction, repeatability, grr)


def operators_fixed(
    components: Components, operators: int, pooled: Mask | bool = False
) -> Components:
    """Return the components when the operators are all who will ever measure.

    Reproducibility is then no variance of a population but the mean square of the
    operators' own differences, Σα²/o; the estimate for a random sample of operators
    is Σα²/(o−1). GRR changes by the same amount; where the interaction was ``pooled`` GRR
    was formed with a negative AV counted as 0, so there it changes by nothing. The
    interaction with random parts stays a variance.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 13.3 (two-factor
    mixed model, operators fixed, parts random); the divisor o, since every operator
    is known and each measures an equal share, is the variance of a finite population.
    """
    operator = components.operator * (operators - 1) / operators
    change = components.operator - operator
    return Components(
        components.part,
        operator,
        components.interaction,
        components.repeatability,
        components.grr - np.where(pooled, np.maximum(change, 0.0), change),
    )


def select(pooled: Mask, if_pooled: Components, if_kept: Components) -> Components:
    """Return, study by study, the pooled components where ``pooled`` is true."""
    return Components(
        *(np.where(pooled, a, b) for a, b in zip(_fields(if_pooled), _fields(if_kept), strict=True))
    )


def _fields(components: Components) -> tuple[Array, ...]:
    return (
        components.part,
        components.operator,
        components.interaction,
        components.repeatability,
        components.grr,
    )
