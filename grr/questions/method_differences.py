"""How do two methods differ, on the same parts in the hands of the same operators?

Sources: Montgomery, Design and Analysis of Experiments, sections 5.4 and 13.3 (three
factors, mixed model); Bland & Altman (1986 and 1999, limits of agreement); Mann & Whitney,
Annals of Mathematical Statistics 18 (1947), 50-60 (time for a reading).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import KW_ONLY, dataclass, replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import (
    cells_of,
    effect_tests,
    method_components,
    three_factor_anova,
)
from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import sd_ratio_interval, two_sided_limits
from grr.formulas.improvement import GrrVariances
from grr.formulas.method_comparison import (
    Agreement,
    MethodDifference,
    grr_variance_draws,
    method_difference,
    rank_sum_p,
    replicated_agreement,
)
from grr.formulas.pivots import SEED, chi_square_pivot, seeded
from grr.model.blocks import Table
from grr.model.choices import OperatorsAre
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.frames import frame
from grr.model.names import begun, shortened
from grr.model.rounding import JOIN, counted, figures, listed
from grr.model.study import Study
from grr.questions.drift import DriftNumbers, MethodDrift, drift_or_reason
from grr.questions.gauge import AnovaTable, GaugeResult, anova
from grr.questions.improving import grr_variances
from grr.questions.sittings import (
    further_sources,
    seconds_between,
    sittings,
    timed,
)

#: Draws behind the intervals of ratio and agreement; limits repeat to about a percent.
_DRAWS = 20_000
#: Longest name of a method at the head of a column.
LONGEST_HEAD = 18
#: With fewer degrees of freedom than this, equivalence is hopeless.
FEW_DF = 5.0


@dataclass(frozen=True, eq=False)
class MethodNumbers:
    """What a study says about two methods; lengths in the unit of the study.

    Attributes
    ----------
    study : Study
        With the operators as they are counted here.
    baseline, candidate : str
    results : dict
        Method → `grr.anova` of its readings.
    ev_ratio, grr_ratio : Estimate
        Candidate over baseline; not known, with the reason, where the design cannot give it.
    difference : MethodDifference
        Candidate minus baseline.
    by_operator : DataFrame
        One row an operator: difference, lower, upper.
    by_part : DataFrame
        One row a part: the mean by either method, and difference.
    agreement : Agreement
        Limits for the difference of two single readings.
    anova_table, components : DataFrame or None
        Three-way analysis of variance (see `_anova`); None with one operator, or where
        sessions, places or gauges are sources.
    seconds : dict
        Method → median seconds from one reading to the next; empty without times.
    seconds_p : float
        p value of both methods taking equally long; NaN without times.
    no_seconds : str
        Why there are no times, as the rest of a sentence; "" where there are.
    level : float
    worst : dict
        Method → WorstPoint: what its error reaches over a session, drift included.
    worst_ratio : Estimate
        Candidate over baseline at the worst point of a session.
    price : Estimate
        How much more of the tolerance, as a length, the candidate takes there.
    at_start : MethodDifference
        Candidate minus baseline as zeroed, what drift makes of it taken off.
    drift : DriftNumbers or None
        None where it cannot be told; ``no_drift`` says why.
    no_drift : str
    """

    _: KW_ONLY
    study: Study
    baseline: str
    candidate: str
    results: Mapping[str, GaugeResult]
    ev_ratio: Estimate
    grr_ratio: Estimate
    difference: MethodDifference
    by_operator: pd.DataFrame = frame()
    by_part: pd.DataFrame = frame()
    agreement: Agreement
    anova_table: AnovaTable | None = frame(optional=True)
    components: pd.DataFrame | None = frame(optional=True)
    seconds: Mapping[str, float]
    seconds_p: float
    no_seconds: str
    level: float
    worst: Mapping[str, WorstPoint]
    worst_ratio: Estimate
    price: Estimate
    at_start: MethodDifference
    drift: DriftNumbers | None
    no_drift: str

    @property
    def methods(self) -> tuple[str, str]:
        """Baseline and candidate."""
        return self.baseline, self.candidate

    @property
    def mean_difference(self) -> Estimate:
        """Candidate minus baseline on average, with its interval."""
        low, high = (float(limit) for limit in self.difference.limits(self.level))
        return Estimate(float(self.difference.mean), low, high, self.study.unit)

    @property
    def quicker(self) -> str | None:
        """The method whose readings take less time beyond chance; None where none does."""
        if self.no_seconds or not self.seconds_p < 1.0 - self.level:
            return None
        base, candidate = (round(self.seconds[name], 1) for name in self.methods)
        if base == candidate:
            return None
        return self.baseline if base < candidate else self.candidate


@dataclass(frozen=True)
class WorstPoint:
    """What a method's error reaches over a working session; lengths in the unit of the study.

    Attributes
    ----------
    steady : float
        GRR were there no drift, over GRR as read.
    drift : float
        How far the readings drift within a session, by the operator who drifts fastest; 0
        where no drift shows.
    zone : float
        From the lowest to the highest error: the larger of the spread of GRR as read, and of
        the spread without drift plus the drift.
    """

    steady: float
    drift: float
    zone: float

    def reached(self, spread: Array) -> Array:
        """Return the zones for spreads of GRR as read, such as draws."""
        return np.maximum(spread, self.steady * spread + self.drift)


def worst_point(result: GaugeResult, drift: DriftNumbers | None, method: str) -> WorstPoint:
    """Return what a method's error reaches over a session."""
    spread = result.study.rules.spread * result.value("GRR", "sd")
    if drift is None or method not in drift.methods or not spread > 0.0:
        return WorstPoint(1.0, 0.0, spread)
    found, change = drift.methods[method], abs(drift.change(method))
    if change == 0.0:
        return WorstPoint(1.0, 0.0, spread)
    after = without_drift(result, found)
    steady = math.sqrt(float(after.grr)) / result.value("GRR", "sd")
    at_worst = WorstPoint(steady, change, math.nan)
    return replace(at_worst, zone=float(at_worst.reached(np.asarray(spread))))


def without_drift(result: GaugeResult, drift: MethodDrift) -> GrrVariances:
    """Return the variances if the readings scattered about a drift that is no more."""
    now = grr_variances(result)
    ev = min(float(now.repeatability), drift.scatter**2)
    gone = float(now.repeatability) - ev
    return replace(now, repeatability=ev, grr=max(ev, float(now.grr) - gone))


def method_numbers(
    study: Study,
    baseline: str,
    candidate: str,
    *,
    operators: OperatorsAre | int = "fixed",
    level: float = 0.95,
) -> MethodNumbers:
    """Compare two methods of a study.

    Raises
    ------
    StudyError
        See `_readings`; fewer than three parts; fewer than three operators where
        they are a sample; nothing repeated by either method.
    """
    study = study.counting(operators)
    values, studies = _readings(study, baseline, candidate)
    people: OperatorsAre = "fixed" if study.all_studied else "random"
    results = {name: anova(one) for name, one in studies.items()}
    cells, origin = _cells(values, results, people)
    differences = cells.means[..., 1] - cells.means[..., 0]
    difference = method_difference(differences, operators=people)
    drift, no_drift = drift_or_reason(study)
    worst = {name: worst_point(result, drift, name) for name, result in results.items()}
    ev_ratio, grr_ratio, worst_ratio, price = _compared(cells, results, worst, study, level)
    drifting = {} if drift is None else drift.methods
    by_drift = [drifting[name].mean if name in drifting else 0.0 for name in results]
    further = any({"SES", "GAU", "WPV"} & {*result.source_names} for result in results.values())
    table, components = (None, None) if further else _anova(values, studies[baseline])
    seconds, seconds_p, no_seconds = _seconds(study, baseline, candidate)
    low, high = difference.limits_by_operator(level)
    by_part = cells.means.mean(axis=1)
    return MethodNumbers(
        study=study,
        baseline=baseline,
        candidate=candidate,
        results=MappingProxyType(results),
        ev_ratio=ev_ratio,
        grr_ratio=grr_ratio,
        difference=difference,
        by_operator=pd.DataFrame(
            {"difference": difference.by_operator, "lower": low, "upper": high},
            index=pd.Index(study.operator_names, name="operator"),
        ),
        by_part=pd.DataFrame(
            {
                baseline: by_part[:, 0] + origin,
                candidate: by_part[:, 1] + origin,
                "difference": by_part[:, 1] - by_part[:, 0],
            },
            index=pd.Index(studies[baseline].parts, name="part"),
        ),
        agreement=replicated_agreement(
            differences,
            cells.within / np.maximum(cells.df, 1),
            cells.trials,
            cells.df,
            operators=people,
            level=level,
            draws=_DRAWS,
        ),
        anova_table=table,
        components=components,
        seconds=MappingProxyType(seconds),
        seconds_p=seconds_p,
        no_seconds=no_seconds,
        level=level,
        worst=MappingProxyType(worst),
        worst_ratio=worst_ratio,
        price=price,
        at_start=replace(difference, mean=difference.mean - (by_drift[1] - by_drift[0])),
        drift=drift,
        no_drift=no_drift,
    )


@dataclass(frozen=True)
class _Cells:
    """Cell means and scatter of both methods; the last axis is baseline, candidate."""

    means: Array
    within: Array
    trials: tuple[float, float]
    df: tuple[int, int]
    operators: str


def _cells(
    values: Array, results: Mapping[str, GaugeResult], operators: str
) -> tuple[_Cells, float]:
    """Return the cells and what was taken off every reading.

    Their scatter is that of repeats at one place, with one gauge, in one session.
    """
    cells = cells_of(values, cell_axes=3)
    trials = 1.0 / (1.0 / cells.counts).mean(axis=(0, 1))
    df = (cells.counts - 1).sum(axis=(0, 1)).tolist()
    within = cells.within.sum(axis=(0, 1))
    for at, result in enumerate(results.values()):
        further = further_sources(result.study)
        if further is not None and further.squares is not None:
            df[at] = further.squares.df["error"]
            within[at] = df[at] * result.value("EV", "variance")
    both = (float(trials[0]), float(trials[1]))
    return _Cells(cells.means, within, both, (df[0], df[1]), operators), float(cells.origin.flat[0])


def _compared(
    cells: _Cells,
    results: Mapping[str, GaugeResult],
    worst: Mapping[str, WorstPoint],
    study: Study,
    level: float,
) -> tuple[Estimate, Estimate, Estimate, Estimate]:
    """Return the ratios of EV, of GRR and of the zones at the worst point, and their difference."""
    below, above = (result.value("GRR", "sd") for result in results.values())
    base, other = (point.zone for point in worst.values())
    why = "" if min(cells.df) >= 1 else "nothing was repeated"
    if not why and not (cells.within > 0.0).all():
        why = "by one of the methods nothing scatters"
    ev_ratio = Estimate(math.nan, why=why)
    if not why:
        ev = [float(ss) / n for ss, n in zip(cells.within, cells.df, strict=True)]
        ratio = math.sqrt(ev[1] / ev[0])
        low, high = sd_ratio_interval(ratio, cells.df[1], cells.df[0], level=level)
        ev_ratio = Estimate(ratio, float(low), float(high))
    people = cells.means.shape[1]
    if not why and any({"SES", "GAU"} & {*result.source_names} for result in results.values()):
        why = "what sessions or gauges differ by is a source of its own"
    if why or not (below > 0.0 and above > 0.0):
        why = why or "by one of the methods nothing scatters"
        unknown = Estimate(math.nan, why=why)
        price = Estimate(other - base, unit=study.unit, why=why)
        return ev_ratio, unknown if people > 1 else ev_ratio, unknown, price
    if people > 1:
        drawn = grr_variance_draws(
            cells.means,
            cells.within,
            cells.trials,
            cells.df,
            operators=cells.operators,
            draws=_DRAWS,
        )
    else:  # of one operator those of repeatability
        rng = seeded(_DRAWS, SEED)
        pairs = zip(cells.within, cells.df, strict=True)
        drawn = np.stack([chi_square_pivot(ss, df, _DRAWS, rng) for ss, df in pairs])
    draws = np.sqrt(drawn)
    zones = [
        point.reached(study.rules.spread * of)
        for point, of in zip(worst.values(), draws, strict=True)
    ]

    def estimate(value: float, drawn: Array, unit: str = "") -> Estimate:
        low, high = (float(limit) for limit in two_sided_limits(drawn, level))
        return Estimate(value, low, high, unit)

    return (
        ev_ratio,
        estimate(above / below, draws[1] / draws[0]) if people > 1 else ev_ratio,
        estimate(other / base, zones[1] / zones[0]),
        estimate(other - base, zones[1] - zones[0], study.unit),
    )


def _seconds(study: Study, baseline: str, candidate: str) -> tuple[dict[str, float], float, str]:
    """Return method → seconds a reading, the p value of no difference, and why there are none."""
    if not timed(study):
        return {}, math.nan, "the readings carry no times"
    gaps = seconds_between(sittings(study))
    seconds = {method: float(np.median(of)) for method, of in gaps.items()}
    lone = [method for method in (baseline, candidate) if method not in gaps]
    if lone:
        return seconds, math.nan, f"no two readings by {lone[0]} follow each other"
    if np.ptp(np.concatenate([gaps[baseline], gaps[candidate]])) == 0.0:
        return seconds, 1.0, ""
    return seconds, rank_sum_p(gaps[baseline], gaps[candidate]), ""


def _readings(study: Study, baseline: str, candidate: str) -> tuple[Array, dict[str, Study]]:
    """Return the readings of two methods of a study, and method → the study with its readings only.

    As parts × operators × 2 × trials, baseline first, NaN where a reading is missing.

    Raises
    ------
    StudyError
        A method measured by other operators or on other parts, or a combination that was
        never measured.
    """
    studies = {name: study.for_method(name) for name in (baseline, candidate)}
    both_ways = ((baseline, candidate), (candidate, baseline))
    for what, names in (("part", "parts"), ("operator", "operator_names")):
        for one, other in both_ways:
            known = getattr(studies[other], names)
            extra = [name for name in getattr(studies[one], names) if name not in known]
            if extra:
                by = "measured only" if what == "part" else "measuring only"
                were = "was" if len(extra) == 1 else "were"
                raise StudyError(
                    f"{what.capitalize()} {listed(extra)} {were} {by} by {one}, not by {other}",
                    f"Measure the same {what}s by both methods, or leave the others out",
                )
    cubes = [one.cube().values for one in studies.values()]
    trials = max(cube.shape[-1] for cube in cubes)
    padded = [
        np.pad(cube, [(0, 0), (0, 0), (0, trials - cube.shape[-1])], constant_values=np.nan)
        for cube in cubes
    ]
    values = np.stack(padded, axis=2)
    empty = ~np.isfinite(values).any(axis=-1)
    if empty.any():
        part, operator, method = (int(i) for i in np.argwhere(empty)[0])
        first = studies[baseline]
        raise StudyError(
            f"Operator {first.operator_names[operator]} did not measure part "
            f"{first.parts[part]} by {(baseline, candidate)[method]}",
            "Take that reading, or leave the part out of the readings of both methods",
        )
    return values, studies


def named_methods(study: Study, baseline: str | None, candidate: str | None) -> tuple[str, str]:
    """Return baseline and candidate; with two methods, naming one of them is enough.

    Raises
    ------
    StudyError
        One method only, a method that the study does not know, or none named.
    """
    known = study.methods
    if study.design == "nested":
        raise StudyError(
            "In a nested study no part was measured by two operators",
            "Methods are compared on parts that every operator measures by both",
        )
    if len(known) < 2:
        raise StudyError(
            "The readings are by one method only, so there is nothing to compare",
            "Add a column method that names how each reading was taken, such as stand and "
            "handheld, with the same parts and operators under each",
            value=known[0] if known else None,
        )
    for given in (baseline, candidate):
        if given is not None and given not in known:
            raise StudyError(
                "The study knows no such method", f"Use two of: {listed(known)}", value=given
            )
    unnamed = (baseline is None) + (candidate is None)
    if unnamed == 2 or (unnamed and len(known) > 2):
        raise StudyError(
            "It is not said which methods to compare",
            f'Name both: baseline="{known[0]}", candidate="{known[1]}"',
            value=", ".join(known),
        )
    others = [name for name in known if name not in (baseline, candidate)]
    baseline = others[0] if baseline is None else baseline
    candidate = others[0] if candidate is None else candidate
    if baseline == candidate:
        raise StudyError(
            "Baseline and candidate are the same method",
            f"Name two of: {listed(known)}",
            value=baseline,
        )
    return baseline, candidate


def _anova(values: Array, study: Study) -> tuple[AnovaTable | None, pd.DataFrame | None]:
    """Return the table of sums of squares with F tests, and the variance components.

    Parts are random, methods fixed, operators as the study says. F is given where an
    exact denominator exists. None with one operator.

    Returns
    -------
    table : DataFrame or None
        Index part, operator, method, their interactions, error; columns df, sum_sq,
        mean_sq, F, p, tested_against.
    components : DataFrame or None
        Variance and sd of each random source, parts and operators counted as random;
        a variance estimated below zero is shown as it came out, its sd as 0.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, sections 5.4 and 13.3.
    """
    if values.shape[1] < 2:
        return None, None
    anova = three_factor_anova(values)
    tests = effect_tests(anova, operators="fixed" if study.all_studied else "random")
    no_test = (math.nan, math.nan, "")
    told = {name: (float(test.f), float(test.p), test.against) for name, test in tests.items()}
    rows = {
        name: (anova.df[name], float(sum_sq), float(anova.mean_sq[name]), *told.get(name, no_test))
        for name, sum_sq in anova.sum_sq.items()
    }
    columns = ["df", "sum_sq", "mean_sq", "F", "p", "tested_against"]
    table = AnovaTable(pd.DataFrame.from_dict(rows, orient="index", columns=columns))
    table.index.name = "source"
    table.unit = study.unit
    variances = {name: float(v) for name, v in method_components(anova).items()}
    components = pd.DataFrame({"variance": variances})
    components["sd"] = np.sqrt(components["variance"].clip(lower=0.0))
    components.index.name = "source"
    return table, components


def ratio_sentence(numbers: MethodNumbers) -> str:
    """Return how much more the candidate scatters, and how much larger its GRR is."""
    pooled = any(result.pooled for result in numbers.results.values())
    repeats = "repeats within the cells" if pooled else "repeatability"
    phrases = [
        f"{what} × {ratio} ({ratio:l} to {ratio:u})"
        for what, ratio in ((repeats, numbers.ev_ratio), ("GRR", numbers.grr_ratio))
        if ratio.known
    ]
    if not phrases:
        return f"The repeatabilities cannot be compared: {numbers.ev_ratio.why}."
    if len(phrases) == 2 and numbers.ev_ratio is numbers.grr_ratio:
        phrases = phrases[:1]
    return f"{begun(numbers.candidate)} over {numbers.baseline}: {listed(phrases)}."


def agreement_sentence(numbers: MethodNumbers) -> str:
    """Return between what limits single readings by the two methods differ."""
    found, unit = numbers.agreement, numbers.study.unit
    low, high = (Estimate(float(limit), unit=unit) for limit in (found.lower, found.upper))
    return (
        f"95 of 100 single readings by {numbers.candidate} lie between {low:+} and {high:+} of a "
        f"reading by {numbers.baseline}, same part, same operator "
        "(limits of agreement)."
    )


def operators_sentence(numbers: MethodNumbers) -> str:
    """Return how the operators are counted, and what that means."""
    count = counted(len(numbers.study.operator_names), "operator")
    if numbers.study.all_studied:
        return f"The {count} count as all who will ever measure: this holds for them only."
    df = float(numbers.difference.df)
    whom = "those" if math.isinf(numbers.study.people) else f"the {numbers.study.people:.0f} people"
    text = (
        f"The {count} count as a sample of {whom} who will measure; the mean difference then has "
        f"{figures(df)} degrees of freedom"
    )
    return f"{text}." if df >= FEW_DF else f"{text}, with which agreement can hardly be shown."


def time_sentence(numbers: MethodNumbers) -> str:
    """Return how long a reading takes by either method, and which of them is quicker."""
    if numbers.no_seconds:
        return f"Time for a reading: not estimated, {numbers.no_seconds}."
    base, candidate = (round(numbers.seconds[name], 1) for name in numbers.methods)
    text = (
        f"A reading takes {base:.1f}{JOIN}s by {numbers.baseline} and {candidate:.1f}{JOIN}s by "
        f"{numbers.candidate}"
    )
    if numbers.quicker is None:
        return f"{text}: no difference beyond chance."
    return f"{text}: {numbers.quicker} saves {abs(base - candidate):.1f}{JOIN}s a reading."


def operator_table(numbers: MethodNumbers) -> Table:
    """Return each operator's own difference between the methods."""
    rows = []
    for operator, value, low, high in numbers.by_operator.itertuples(name=None):
        found = Estimate(value, low, high, numbers.study.unit)
        rows.append([operator, f"{found:+}", f"{found:+l} to {found:+u}"])
    base, candidate = (shortened(name, LONGEST_HEAD) for name in numbers.methods)
    head = ["Operator", f"{candidate} − {base}", f"{100 * numbers.level:g} % interval"]
    return Table(head, rows)
