"""What a gauge may be used for all the same, where its scatter differs by operator or by size.

Each claim has a bound of its own, from the scatter that it is about.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from grr.formulas.analysis_of_variance import among_people, components_by_rule, crossed_anova
from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import (
    careful_lower_bound,
    percent_tolerance_draws,
    percent_tv_draws,
    upper_bound,
)
from grr.formulas.pivots import (
    Pivots,
    at_least,
    chi_square_pivot,
    crossed_pivots,
    effective_df,
)
from grr.formulas.scatter_tests import residuals
from grr.model.choices import Decision
from grr.model.estimate import PERCENT, Estimate
from grr.model.names import shortened
from grr.model.rounding import listed, percent, size
from grr.questions.causes import LONGEST_NAME, Causes
from grr.questions.gauge import GaugeResult
from grr.questions.intervals import specification_of
from grr.questions.scatter import scatter_of

#: Draws behind each bound.
_DRAWS, _SEED = 20_000, 2018
#: Parts whose repeats are pooled: one part alone is known too badly.
WINDOW = 3


@dataclass(frozen=True)
class OperatorUse:
    """What one operator may use the gauge for.

    Attributes
    ----------
    operator : str
    decision : Decision
        By this operator's own bound.
    percent : Estimate
        GRR with this operator's own repeatability, in percent of what the purpose judges by;
        ``upper`` and ``lower`` are one-sided bounds with half of the study's doubt each, as
        several operators are named at once.
    """

    operator: str
    decision: Decision
    percent: Estimate


def by_operator(result: GaugeResult, causes: Causes) -> tuple[OperatorUse, ...]:
    """Return each operator's own decision, where one of them scatters more than the others.

    GRR's draws with the repeatability replaced by the operator's own, which is known with
    p(r−1) degrees of freedom at most. A named person is no sample of others, so the differences
    between operators count as they were found; for those who scatter like each other they are
    taken among these. Simulated: how often a named operator at 10.5 % is called USE
    (``tests/coverage/scatter.py``).
    """
    loud = {cause.operator for cause in causes.named if cause.kind == "operator_scatter"}
    study = result.study
    cube = study.cube()
    if not (loud and cube.complete) or _moved(result):
        return ()
    y = cube.packed
    quiet = [n for n, operator in enumerate(cube.operators) if operator not in loud]
    among = y[:, quiet] if len(quiet) > 1 else y
    of_all = result.value("GRR", "variance") - result.value("EV", "variance")
    kept = among_people(components_by_rule(crossed_anova(among))[0], len(quiet))
    of_quiet = float(kept.grr - kept.repeatability) if len(quiet) > 1 else of_all
    beside = ((of_all, _pivots(y)), (of_quiet, _pivots(among)))  # of the loud, of the others
    confidence = 0.5 * (1.0 + study.rules.confidence)
    found = []
    for place, operator in enumerate(cube.operators):
        own = y[:, [place]]
        variance = float(np.square(residuals(own)).mean()) * own.shape[2] / (own.shape[2] - 1)
        df = float(effective_df(own).used)
        apart, pivots = beside[place in quiet]
        ratio = _with_own(result, pivots, variance, df)
        value = result.value("GRR", result.study.judged_by) * math.sqrt(
            (variance + apart) / result.value("GRR", "variance")
        )
        upper = float(upper_bound(ratio, confidence))
        lower = float(careful_lower_bound(ratio, study.rules.confidence))
        found.append(
            OperatorUse(
                operator,
                _decided(result, value, lower, upper),
                Estimate(value, min(lower, value), max(upper, value), PERCENT),
            )
        )
    return tuple(found)


def operator_sentence(uses: tuple[OperatorUse, ...], result: GaugeResult) -> str:
    """Return "A and B: USE (at most 6 %); C: not decided yet (at most 17 %)", how sure."""
    told = []
    for decision in Decision:
        names = [use for use in uses if use.decision == decision]
        if not names:
            continue
        bounds = [percent(use.percent.upper) for use in names]
        most = bounds[0] if len(set(bounds)) == 1 else listed(bounds)
        who = listed([shortened(use.operator, LONGEST_NAME) for use in names])
        word = "not decided yet" if decision == Decision.NOT_DECIDED else str(decision)
        told.append(f"{who}: {word} (at most {most})")
    sure = 50.0 * (1.0 + result.study.rules.confidence)
    return f"By operator: {'; '.join(told)}; {sure:g} % confidence each."


def usable_up_to(result: GaugeResult, causes: Causes) -> Estimate:
    """Return up to which size the gauge is shown to be good, where scatter grows with size.

    From the smallest part upwards GRR is judged with the pooled repeats of `WINDOW` parts, at
    and above it; the first that fails ends it. A fixed sequence, so that many looks cost
    nothing; it takes for granted only that scatter does not fall with size (simulated: too far
    in at most 5 % of studies).
    """
    nothing = Estimate(math.nan, unit=result.study.unit, why="scatter does not grow with size")
    if not any(cause.kind == "size" for cause in causes.named) or _moved(result):
        return nothing
    study = result.study
    cube = study.cube()
    if not cube.complete:
        return nothing
    y = cube.packed
    sizes = y.mean(axis=(1, 2))
    order = sizes.argsort()
    squares = np.square(residuals(y)).sum(axis=(1, 2))[order]
    if float(np.corrcoef(sizes[order], squares)[0, 1]) < 0.0:
        return nothing
    each = y.shape[1] * (y.shape[2] - 1)
    last = math.nan
    for place in range(len(order)):
        window = squares[place : place + WINDOW]
        df = each * len(window)
        # Operators and interaction by the parts so far, which scatter no more than the window.
        so_far = y[order[: max(place + WINDOW, (len(order) + 1) // 2)]]
        several = study.operators if y.shape[1] > 1 else "random"
        pivots = crossed_pivots(crossed_anova(so_far), draws=_DRAWS, operators=several)
        ratio = _with_own(result, pivots, float(window.sum()) / df, df)
        if not float(upper_bound(ratio, study.rules.confidence)) <= study.rules.good_percent:
            break
        last = float(sizes[order[place]])
    if math.isnan(last):
        return replace(nothing, why="not even for the smallest part is it shown")
    return Estimate(last, unit=study.unit)


def size_sentence(up_to: Estimate, result: GaugeResult) -> str:
    """Return up to which size the gauge may be used."""
    study = result.study
    return (
        f"USE up to {size(up_to.value, study.resolution, study.unit)}: so far GRR is shown to be "
        f"under {study.rules.good_percent:g} % ({100 * study.rules.confidence:g} % confidence), if "
        "scatter does not fall with size."
    )


def _moved(result: GaugeResult) -> bool:
    """Whether repeats hide, or hold, more than scatter: then nobody's own can be told."""
    scatter = scatter_of(result.study)
    return scatter.back_to_back or "place" in scatter.found


def _pivots(y: Array) -> Pivots:
    df = float(effective_df(y).used)
    return crossed_pivots(crossed_anova(y), draws=_DRAWS, operators="fixed", df_error=df)


def _with_own(result: GaugeResult, pivots: Pivots, variance: float, df: float) -> Array:
    """Return draws of the ratio that is judged by, with another repeatability in GRR."""
    squares = np.asarray(variance * df)
    own = chi_square_pivot(squares, df, pivots.grr.shape[-1], np.random.default_rng(_SEED))
    grr = at_least(pivots.grr - pivots.repeatability + own, own)
    total = pivots.total - pivots.grr + grr
    changed = replace(pivots, repeatability=own, grr=grr, total=total)
    accept = result.study.purpose == "accept"
    draws = percent_tolerance_draws if accept else percent_tv_draws
    return draws(changed, "GRR", specification_of(result))


def _decided(result: GaugeResult, value: float, lower: float, upper: float) -> Decision:
    rules = result.study.rules
    if lower > rules.limit_percent:
        return Decision.DO_NOT_USE
    if upper <= rules.good_percent:
        return Decision.USE
    if upper <= rules.limit_percent and value < rules.good_percent:
        return Decision.LIKE_THIS
    return Decision.NOT_DECIDED
