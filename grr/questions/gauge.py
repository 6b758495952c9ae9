"""`grr.anova`: chooses the estimator that fits the study, and says which."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.formulas import average_range as form
from grr.formulas import sources_of_variation as variation
from grr.formulas.analysis_of_variance import (
    Components,
    CrossedAnova,
    NestedAnova,
    among_people,
    components_by_rule,
    crossed_anova,
    f_test,
    interaction_test,
    nested_anova,
    nested_components,
)
from grr.formulas.arrays import Array, measured
from grr.formulas.further_sources import SourceSquares, source_squares, source_test
from grr.formulas.mixed_model import MixedModelFit, fit_sources
from grr.formulas.pivots import DRAWS, SEED
from grr.formulas.reml import (
    RemlFit,
    boundary_p,
    interaction_likelihood_ratio,
    nested_cube,
    nested_reml,
    reml,
)
from grr.formulas.second_look import went_on
from grr.formulas.sources_of_variation import (
    distinct_categories,
    floored_components,
    whole_categories,
)
from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.choices import MEASURES, NAMES
from grr.model.errors import StudyError
from grr.model.estimate import PERCENT, Estimate
from grr.model.facts import DEVIATION
from grr.model.frames import frame
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import (
    JOIN,
    counted,
    figures,
    length,
    length_beside_percent,
    limits_text,
    p_text,
    p_value,
    size,
    smallest_whole,
    square_unit,
    squares,
)
from grr.model.study import Cube, Study, checked_study
from grr.model.units import conversion, fine_unit
from grr.model.values import number, one_of
from grr.questions.intervals import IntervalTable, coarse_sentence, interval_frame, uneven_sentence
from grr.questions.mistakes import mistakes_in
from grr.questions.sittings import FurtherSources, further_sources, has_sessions

if TYPE_CHECKING:
    from plotly.graph_objects import Figure


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
    belongs to one operator. Where each operator measured in two or more sessions (column
    ``session``), what changes between them is a source of its own, SES, and counts in GRR; so
    do differences between several gauges (column ``gauge``), GAU. Where each part was measured
    at several places (column ``place``), within-part variation, WPV, stands beside GRR. Both are
    estimated by restricted maximum likelihood.
    `GaugeResult.estimator` says which was used.

    Source: AIAG MSA, 4th ed., chapter III section B and appendix A; Burdick, Borror &
    Montgomery (SIAM 2005), chapter 3; Searle, Casella & McCulloch, Variance Components
    (1992), chapter 6.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> result = grr.anova(study)
    >>> result.sources["percent_tolerance"].round(1)
    source
    EV       6.3
    AV       2.4
    INT      0.0
    GRR      6.7
    PV     106.0
    TV     106.2
    Name: percent_tolerance, dtype: float64
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
    key = ("anova", interaction, pool_above, spread)
    return study.once(key, lambda: replace(_anova(study, *key[1:]), key=key))


def _anova(study: Study, interaction: str, pool_above: float, spread: float) -> GaugeResult:
    further = further_sources(study)
    if further is not None and further.squares is not None:
        return further_result(study, further, interaction, pool_above, spread)
    if study.design == "nested":
        result = nested_result(study, spread=spread)
    else:
        cube = study.cube()
        estimate = balanced_anova if cube.complete else incomplete_result
        if not cube.complete:
            _refuse_nested(cube)
        result = estimate(study, interaction=interaction, pool_above=pool_above, spread=spread)
    return result if further is None else replace(result, notes=(*result.notes, *further.untold))


def _refuse_nested(cube: Cube) -> None:
    seen = np.isfinite(cube.values).any(axis=2)
    if seen.shape[1] > 1 and (seen.sum(axis=1) < 2).all():
        raise StudyError(
            "No part was measured by two operators, so operators cannot be told from parts",
            "If that was meant (measuring destroys the part, say), give design='nested'; "
            "otherwise let every operator measure the same parts",
        )


NO_INTERACTION = "the average-and-range method cannot see it"


def average_range(study: Study, *, spread: float | None = None) -> GaugeResult:
    """Split the variation of a study into its sources by ranges and averages.

    Parameters
    ----------
    study : Study
        Complete: every operator measured every part equally often, at least twice.
    spread : float, optional
        How many standard deviations make the spread; 6 by default.

    Returns
    -------
    GaugeResult

    Raises
    ------
    StudyError
        One trial, readings are missing, the study is nested, or places or gauges are sources.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, average and range method.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> result = grr.average_range(study)
    >>> print(f"{result.value('GRR', 'percent_tolerance'):.1f} %")
    6.4 %
    """
    checked_study(study)
    spread = number("spread", study.rules.spread if spread is None else spread, above=0.0)
    if study.design == "nested":
        raise StudyError(
            "The average-and-range method needs a crossed study, and this one is nested",
            "Use grr.anova; for ranges every operator must measure the same parts",
        )
    further = further_sources(study)
    if further is not None and {"place", "gauge"} & {*further.names}:
        raise StudyError(
            "By ranges several places on a part or several gauges would count as repeats, and EV "
            "would hold what they differ by",
            'Use grr.anova (method_of_record="anova"), or leave the columns place and gauge out '
            "where they mean nothing",
        )
    key = ("average_range", spread)
    return study.once(key, lambda: replace(_average_range(study, spread), key=key))


def _average_range(study: Study, spread: float) -> GaugeResult:
    readings = study.cube().packed
    lines = form.average_range(readings)
    reasons = _not_told_apart(lines.operators > 1, True) or {"INT": NO_INTERACTION}
    notes = []
    if lines.operators > 1 and math.isfinite(study.people):
        notes.append("By ranges the operators always count as a sample of those who will measure.")
    further = further_sources(study)
    notes += [] if further is None else further.untold
    if has_sessions(study):
        notes.append(
            "By ranges sessions are not told apart: what changes from session to session is in EV."
        )
    return _result(
        study,
        lines.components,
        method="average_range",
        estimator="Average and range",
        mean=float(np.mean(readings)),
        spread=spread,
        pooled=True,
        reasons=reasons,
        notes=notes,
        no_table="The average-and-range method has no table of sums of squares.",
    )


def result_of_record(study: Study) -> GaugeResult:
    """Return the result by the method that the study's rules name, which judges it."""
    return (average_range if study.rules.method_of_record == "average_range" else anova)(study)


@dataclass(frozen=True, eq=False, repr=False)
class GaugeResult(Printed):
    """Variation of one study, split into its sources.

    Attributes
    ----------
    study : Study
    method : {"anova", "average_range"}
    estimator : str
        How the variances were estimated, as a sentence.
    sources : DataFrame
        Index EV, AV, INT, GRR, PV, TV, with SES (between sessions) and GAU (between gauges)
        before GRR and WPV (within-part variation) before TV where they are sources; columns
        variance, sd, spread (in the unit of the study), percent_contribution, percent_tv,
        percent_tolerance. NaN where not estimated; `reasons` says why.
    reasons : dict
        Source or measure → why it is not estimated.
    below_zero : tuple of str
        Sources whose variance was estimated below zero and is shown as 0.
    anova_table : DataFrame or None
        Index part, operator, interaction, error, total, and session where sessions are a
        source; columns df, sum_sq, mean_sq, F, p, tested_against. None by ranges, and where
        readings are missing or numbers are unequal.
    anova_table_reason : str
        Why there is no such table; "" where there is one.
    pooled : bool
        Whether the interaction was pooled with the error (left out).
    floored : bool
        Whether the repeatability is the rounding error of the gauge (resolution/√12),
        since the readings repeat to the last digit.
    mean, spread : float
    notes : tuple of str
        What the reader must know about these numbers.
    key : tuple
        The method with its options: what tells results of one study apart.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> result = grr.anova(study)
    >>> result
    GaugeResult(anova: GRR sd 6.74e-05 mm, 6.74 % of tolerance)
    >>> result.ndc
    22
    >>> limits = result.intervals().loc[("GRR", "percent_tolerance")]
    >>> print(f"{limits['lower']:.1f} to {limits['upper']:.1f} %")
    5.9 to 8.3 %
    """

    study: Study
    method: str
    estimator: str
    mean: float
    spread: float
    sources: pd.DataFrame = frame()
    reasons: dict[str, str] = field(default_factory=dict)
    below_zero: tuple[str, ...] = ()
    anova_table: pd.DataFrame | None = frame(optional=True)
    anova_table_reason: str = ""
    pooled: bool = False
    floored: bool = False
    notes: tuple[str, ...] = ()
    key: tuple[Hashable, ...] = ()

    @cached_property
    def _cells(self) -> dict[str, dict[str, float]]:
        """The table of sources by column and row."""
        table: pd.DataFrame = self.__dict__["sources"].astype(float)
        return table.to_dict()  # type: ignore[return-value]

    def value(self, source: str, measure: str) -> float:
        """Return one cell of the table of sources; NaN where not estimated.

        Parameters
        ----------
        source : str
            One of `source_names`, such as EV, AV or GRR.
        measure : str
            A column of `to_frame`: variance (unit squared), sd and spread (in the study's unit),
            percent_contribution, percent_tv or percent_tolerance.

        Raises
        ------
        StudyError
            The table has no such row or column.

        Examples
        --------
        >>> result = grr.anova(grr.open_study("demo_data/dowel_pin"))
        >>> round(result.value("GRR", "percent_tolerance"), 1)
        6.7
        """
        sources = self.__dict__["sources"]
        try:
            return self._cells[measure][source]
        except (KeyError, TypeError):
            one_of("The source", source, tuple(sources.index))
            one_of("The measure", measure, tuple(sources.columns))
            raise

    def estimate(self, source: str, measure: str) -> Estimate:
        """Return one cell of the table of sources with its unit, or why it is not estimated.

        ``("ndc", "value")`` is the number of distinct categories, not rounded; see `value`.
        """
        if source == "ndc":
            return Estimate(self.ndc_exact, why=self._why("PV", "percent_tv"))
        unit = {"variance": "", "sd": self.study.unit, "spread": self.study.unit}
        return Estimate(
            self.value(source, measure),
            unit=unit.get(measure, PERCENT),
            why=self._why(source, measure),
        )

    def _why(self, source: str, measure: str) -> str:
        return self.reasons.get(source, self.reasons.get(measure, ""))

    @property
    def source_names(self) -> tuple[str, ...]:
        """The sources in the order of the table."""
        return tuple(self.__dict__["sources"].index)

    @property
    def dominant_source(self) -> str:
        """Which of the sources that make up GRR has the largest variance."""
        inside = self.source_names[: self.source_names.index("GRR")]
        variances = {name: self.value(name, "variance") for name in inside}
        return max(variances, key=lambda name: np.nan_to_num(variances[name]))

    @property
    def estimator_name(self) -> str:
        """How the variances were estimated, in a few words: "Analysis of variance"."""
        return self.estimator.split(",")[0].split(";")[0]

    @property
    def ndc_exact(self) -> float:
        """1.41·PV/GRR, not rounded; NaN where the study cannot give it."""
        if "percent_tv" in self.reasons:
            return math.nan
        return float(distinct_categories(self.value("PV", "sd"), self.value("GRR", "sd")))

    @property
    def ndc(self) -> int | None:
        """Number of distinct categories, rounded down and never below 1; None if not estimated.

        Source: AIAG MSA, 4th ed., chapter III section B.
        """
        exact = self.ndc_exact
        return None if math.isnan(exact) else int(whole_categories(exact))

    def intervals(
        self, level: float = 0.95, *, draws: int = DRAWS, seed: int = SEED
    ) -> IntervalTable:
        """Return estimate and limits of every quantity, indexed by (quantity, measure).

        See `grr.questions.intervals.interval_frame` for rows, columns and source.
        """
        table = IntervalTable(interval_frame(self, level=level, draws=draws, seed=seed))
        table.level, table.unit = level, self.study.unit
        table.uneven = uneven_sentence(self.study)
        table.coarse = coarse_sentence(self, level)
        return table

    def in_short(self) -> str:
        """Return GRR in one line."""
        measure = "percent_tv" if self.study.tolerance is None else "percent_tolerance"
        of = {"percent_tv": "total variation", "percent_tolerance": "tolerance"}[measure]
        share = self.value("GRR", measure)
        size = f"sd {self.value('GRR', 'sd'):.3g} {self.study.unit}".rstrip()
        return f"{self.method}: GRR {size}" + (
            "" if math.isnan(share) else f", {share:.3g} % of {of}"
        )

    def plot(self) -> Figure:
        """Return the tolerance as a ruler; without a tolerance, the sources of variation."""
        from grr.show import spread_sources, tolerance_ruler

        draw = spread_sources if self.study.tolerance is None else tolerance_ruler
        return draw(self)

    def to_frame(self) -> pd.DataFrame:
        """Return the table of sources."""
        return self.sources

    def blocks(self) -> list[Block]:
        """Return which study it is, the table of sources, and what to know about it."""
        return [Prose(opening(self)), Table(*source_rows(self)), Bullets(closing(self))]


def _result(
    study: Study,
    variances: Components,
    *,
    estimator: str,
    mean: float,
    spread: float,
    pooled: bool,
    reasons: dict[str, str],
    notes: Sequence[str] | None = None,
    table: AnovaTable | None = None,
    no_table: str = "",
    method: str = "anova",
) -> GaugeResult:
    """Return what the variances of a study come to, however they were estimated.

    The repeatability is not taken under the gauge's rounding error. ``notes`` stand in place of
    those of a crossed analysis of variance.
    """
    step = math.nan if study.resolution is None else study.resolution
    found, hidden = floored_components(variances, step)
    sources, reasons = _sources(found, study, mean=mean, spread=spread, reasons=reasons)
    below = tuple(name for name, value in variances_of(found).items() if value < 0.0)
    told = [f"{name} ({NAMES[name]}) was estimated below zero and is shown as 0." for name in below]
    told += _crossed_notes(study, found, spread) if notes is None else notes
    if hidden:
        digit = size(step, step)
        told.append(
            "The readings repeat almost to the last digit, so EV is set to the rounding error of "
            f"the gauge, resolution/√12 (resolution {digit} {study.unit}".rstrip()
            + ")."
        )
    return GaugeResult(
        study=study,
        method=method,
        estimator=estimator,
        sources=sources,
        reasons=reasons,
        below_zero=below,
        anova_table=table,
        anova_table_reason=no_table,
        pooled=pooled,
        floored=bool(hidden),
        mean=mean,
        spread=spread,
        notes=tuple(told),
    )


def balanced_anova(
    study: Study, *, interaction: str, pool_above: float, spread: float
) -> GaugeResult:
    """Return the variance components of a complete crossed study by the method of moments."""
    table = crossed_anova(study.cube().packed)
    found, mask = components_by_rule(table, interaction=interaction, pool_above=pool_above)
    if table.operators > 1:
        found = among_people(found, study.people)
    pooled = bool(mask)
    return _result(
        study,
        found,
        estimator=_estimator(table, interaction, pool_above, pooled),
        mean=float(table.mean),
        spread=spread,
        pooled=pooled,
        reasons=_not_told_apart(table.operators > 1, table.trials > 1),
        table=anova_frame(table, pooled, study.unit),
    )


def _not_told_apart(operators: bool, interaction: bool) -> dict[str, str]:
    """Return source → why it is not estimated, where operators or the interaction are not seen."""
    if not operators:
        return {"AV": ONE_OPERATOR, "INT": ONE_OPERATOR}
    return {} if interaction else {"INT": ONE_TRIAL}


def variances_of(components: Components) -> dict[str, float]:
    """Return the components of one study under the names of the sources."""
    known = {
        "EV": components.repeatability,
        "AV": components.operator,
        "INT": components.interaction,
        "SES": components.session,
        "GAU": components.gauge,
        "GRR": components.grr,
        "PV": components.part,
        "WPV": components.place,
    }
    return {name: float(value) for name, value in known.items() if value is not None}


def _estimator(table: CrossedAnova, interaction: str, pool_above: float, pooled: bool) -> str:
    base = "Analysis of variance, parts and operators crossed"
    if table.operators < 2:
        return f"{base[: base.index(',')]}, one operator"
    if table.trials < 2:
        return f"{base}, one trial"
    f, p = (float(value) for value in interaction_test(table))
    if interaction != "auto":
        return base + _done(pooled, " as asked")
    if not math.isfinite(f):
        return base + _done(pooled, " (the repeats do not differ at all)")
    return base + _done(pooled, f" (F = {figures(f, 3)}, ", p, pool_above)


def _done(pooled: bool, why: str = "", p: float | None = None, pool_above: float = 0.0) -> str:
    """Return what was done with the interaction, and the test that decided it."""
    if p is not None:
        sign = "above" if pooled else "not above"
        why += f"p = {p_value(p, pool_above)}, {sign} {pool_above:g})"
    return f"; interaction {'pooled' if pooled else 'kept'}{why}"


NO_TABLE = (
    "Readings are missing, so there is no table of sums of squares: they would depend on the "
    "order of the terms."
)


def incomplete_result(
    study: Study, *, interaction: str, pool_above: float, spread: float
) -> GaugeResult:
    """Return the variance components of a crossed study in which readings are missing."""
    readings = measured(study.cube().packed)
    operators = readings.shape[1]
    separable = operators > 1 and bool((np.isfinite(readings).sum(axis=-1) > 1).any())
    fit, pooled, how = _fit(
        study,
        readings,
        "fixed" if study.all_studied else "random",
        interaction if separable else "pool",
        pool_above,
    )
    require_settled(fit)
    found = fit.components
    reasons = _not_told_apart(operators > 1, separable)
    at_zero = [
        name
        for name, flag in (
            ("PV", fit.part_at_zero),
            ("AV", fit.operator_at_zero),
            ("INT", fit.interaction_at_zero),
        )
        if bool(flag) and name not in reasons
    ]
    missing = study.cube().values.size - study.taken - _left_out_by_plan(study)
    why = "readings are missing" if missing else "the second stage measured some of the parts only"
    result = _result(
        study,
        found if study.all_studied else among_people(found, study.people),
        estimator=f"Restricted maximum likelihood, since {why}{how}",
        mean=float(fit.mean),
        spread=spread,
        pooled=pooled,
        reasons=reasons,
        no_table=NO_TABLE,
    )
    zero = (f"{name} was estimated at zero, the least that a variance can be." for name in at_zero)
    return replace(result, notes=(*_missing_note(missing), *result.notes, *zero))


def _missing_note(missing: int) -> list[str]:
    gone = counted(missing, "planned reading")
    return [f"{gone} missing; all that are there were used."] if missing else []


def _left_out_by_plan(study: Study) -> int:
    """Return how many readings the second stage of a study was not to take."""
    plan = study.plan
    if plan is None or not went_on(study):
        return 0
    cube = study.cube()
    parts = [part not in plan.further_parts for part in cube.parts]
    operators = [name in plan.further_operators for name in cube.operators]
    empty = ~np.isfinite(cube.values[np.ix_(parts, operators)])
    return int(empty.sum())


def require_settled(fit: RemlFit) -> None:
    """Refuse an estimate that the search did not settle on."""
    if not bool(fit.converged):
        raise StudyError(
            "The search for the variances did not settle",
            "Check the readings for mistakes (grr.check), or take the missing readings",
        )


def fit_together(studies: Sequence[Study]) -> None:
    """Fit incomplete studies of one shape at once; `anova` then finds the fits.

    The same numbers as study by study, in a sixth of the time.
    """
    alike: dict[tuple[object, ...], list[tuple[Study, Array]]] = {}
    for study in studies:
        if study.design == "nested" or len(study.methods) > 1 or has_sessions(study):
            continue
        if study.cube().complete:
            continue
        readings = measured(study.cube().packed)
        operators = "fixed" if study.all_studied else "random"
        alike.setdefault((operators, *readings.shape), []).append((study, readings))
    for (how, *_), group in alike.items():
        stack = np.stack([readings for _, readings in group])
        try:
            test = interaction_likelihood_ratio(stack, operators=str(how))
        except StudyError:  # of one of them: each then gets its own
            continue
        for place, (study, _) in enumerate(group):
            study.once(("interaction test", str(how)), partial(test.of, place))


def _fit(
    study: Study, readings: Array, operators: str, interaction: str, pool_above: float
) -> tuple[RemlFit, bool, str]:
    if interaction == "auto":
        test = study.once(
            ("interaction test", operators),
            lambda: interaction_likelihood_ratio(readings, operators=operators),
        )
        fit, mask = test.by_rule(pool_above)
        pooled = bool(mask)
        how = _done(pooled, " by likelihood ratio (", float(test.p), pool_above)
        return fit, pooled, how
    pooled = interaction == "pool"
    fit = reml(readings, interaction=not pooled, operators=operators)
    if readings.shape[1] < 2:
        return fit, True, "; one operator"
    return fit, pooled, _done(pooled)


SESSIONS_UNEQUAL = (
    "Not every part was measured equally often in every session, so there is no table of sums of "
    "squares: they would depend on the order of the terms."
)
_SHARED = {
    "none": "nested in operators",
    "some": "of which operators shared some",
    "all": "crossed with operators",
}
NO_SQUARES = (
    "Places or gauges are sources, so the variances are those of restricted maximum likelihood, "
    "and there is no table of sums of squares."
)


def _likeliest(
    study: Study,
    readings: Array,
    labels: Mapping[str, NDArray[np.int64]],
    interaction: str,
    pool_above: float,
) -> tuple[Components, bool, str, float] | None:
    """Return the components by restricted likelihood, and what was done with the interaction."""
    several = "operator" in labels
    fixed = labels["operator"] if study.all_studied and several else None
    left_out = ("interaction",) if fixed is None else ("interaction", "operator")
    plainly = {name: codes for name, codes in labels.items() if name not in left_out}
    both = labels.get("interaction")
    try:
        kept = (
            fit_sources(readings, {**plainly, "interaction": both}, fixed=fixed)
            if both is not None and interaction != "pool"
            else None
        )
        plain = (
            None
            if interaction == "keep" and kept is not None
            else fit_sources(readings, plainly, fixed=fixed)
        )
    except StudyError:
        return None
    pooled, how = kept is None, _done(kept is None) if several else "; one operator"
    if kept is not None and plain is not None:
        gain = max(0.0, 2.0 * (kept.log_likelihood - plain.log_likelihood))
        p = float(boundary_p(np.asarray(gain)))
        pooled = not p <= pool_above
        how = _done(pooled, " by likelihood ratio (", p, pool_above)
    fit = plain if pooled else kept
    assert fit is not None
    return _fitted_components(study, fit, several, fixed is not None), pooled, how, fit.mean


def _further_moments(
    study: Study, further: FurtherSources, interaction: str, pool_above: float
) -> tuple[Components, bool, str, float]:
    """Return the same by the method of moments."""
    assert further.squares is not None
    pooled, how = True, "; one operator"
    if "operator" in further.labels:
        pooled = interaction == "pool" or "interaction" not in further.labels
        how = _done(pooled, " as asked")
        if interaction == "auto" and "interaction" in further.labels:
            f, p = (float(value) for value in source_test(further.squares, "interaction"))
            pooled = not p <= pool_above
            how = _done(pooled, f" (F = {figures(f, 3)}, ", p, pool_above)
    found = moment_components(study, further, pooled=pooled)
    return found, pooled, how, float(further.squares.mean)


def moment_components(study: Study, further: FurtherSources, *, pooled: bool) -> Components:
    """Return the variances of a study with further sources by the method of moments."""
    labels = {
        name: codes
        for name, codes in further.labels.items()
        if not (pooled and name == "interaction")
    }
    squares = source_squares(further.readings, labels)
    of = squares.variances(squares.mean_sq)
    return among_people(_components(study, of, "operator" in labels), study.people)


def _components(study: Study, of: Mapping[str, Array], several: bool) -> Components:
    """Return variances as components; those between gauges are of the gauges in use."""
    nothing = np.asarray(np.nan)
    gauge = of.get("gauge")
    return Components(
        part=of["part"],
        operator=of.get("operator", nothing),
        interaction=of.get("interaction", np.asarray(0.0) if several else nothing),
        repeatability=of["error"],
        session=of.get("session"),
        gauge=None if gauge is None else np.asarray(gauge * (1.0 - 1.0 / study.gauges_used)),
        place=of.get("place"),
    )


def _fitted_components(study: Study, fit: MixedModelFit, several: bool, fixed: bool) -> Components:
    of = {name: np.asarray(value) for name, value in fit.variances.items()}
    if fixed:
        of["operator"] = np.asarray(fit.own_differences)
    components = _components(study, {**of, "error": np.asarray(fit.error)}, several)
    return components if fixed else among_people(components, study.people)


def further_result(
    study: Study, further: FurtherSources, interaction: str, pool_above: float, spread: float
) -> GaugeResult:
    """Return the variance components of a study with sessions, places or gauges as sources."""
    assert further.squares is not None
    labels, squares = further.labels, further.squares
    balanced = further.balanced_sessions
    fit = None
    if not balanced:
        fit = _likeliest(study, further.readings, labels, interaction, pool_above)
    base = "Restricted maximum likelihood"
    if fit is None:
        base = "Mean squares, one source after the other, since the likelihood has no maximum"
        fit = _further_moments(study, further, interaction, pool_above)
    found, pooled, how, mean = fit
    if "operator" in labels and "interaction" not in labels:
        found = replace(found, interaction=np.asarray(np.nan))
    notes, missing = [], []
    estimator = f"{base}, with {' and '.join(_FURTHER[n] for n in further.names)} as sources{how}"
    if further.only_sessions:
        missing = _missing_note(study.cube().values.size - study.taken)
        base, unequal = ("Analysis of variance", "") if balanced else (base, ", numbers unequal")
        estimator = f"{base}, sessions {_SHARED[further.shared_sessions]}{unequal}{how}"
    if "gauge" in labels:
        notes.append(_gauges_note(study, squares.df["gauge"] + 1))
    if "place" in labels:
        notes.append(
            "WPV is how readings change with the place on a part, such as its taper and roundness: "
            f"{counted(squares.levels['place'], 'place')} on {len(study.parts)} parts. It is no "
            "part of GRR, which is repeatability at one place with reproducibility."
        )
    if "session" in labels:
        notes += _sessions_notes(further, squares)
    result = _result(
        study,
        found,
        estimator=estimator,
        mean=mean,
        spread=spread,
        pooled=pooled,
        reasons=_not_told_apart("operator" in labels, "interaction" in labels),
        table=session_frame(further, squares, pooled, study.unit) if balanced else None,
        no_table=("" if balanced else SESSIONS_UNEQUAL if further.only_sessions else NO_SQUARES),
    )
    return replace(result, notes=(*missing, *result.notes, *further.untold, *notes))


_FURTHER = {"session": "sessions", "place": "places on the parts", "gauge": "gauges"}


def _sessions_notes(further: FurtherSources, squares: SourceSquares) -> list[str]:
    """Return what sessions speak for; where they are shared, whether they look like it."""
    whose, shared = " of a person", further.shared_sessions != "none"
    if shared:
        whose = ", for everyone who shared it"
    notes = [
        f"SES is what changes from one session{whose} to the next, such as the day and the "
        f"zero: {counted(squares.levels['session'], 'session')} in all, so it rests on "
        f"{counted(squares.df['session'], 'difference')}."
    ]
    if not shared:
        return notes
    labels = dict(further.labels)
    both = labels.pop("interaction", None)
    codes = labels["operator"] * squares.levels["session"] + labels["session"]
    labels["own"] = np.unique(codes, return_inverse=True)[1].astype(np.int64)
    if both is not None:
        labels["interaction"] = both
    own = source_squares(further.readings, labels)
    if own.df["own"] and (p := float(source_test(own, "own")[1])) < OWN_WAY:
        notes.append(
            "From one session to the next each operator changes in their own way "
            f"({p_text(p)}), as if each had set a zero of their own: then give each person's "
            "sessions names of their own, so that they count as such."
        )
    return notes


#: Sessions that share a name are said to look like each person's own at this level.
OWN_WAY = 0.01


def _gauges_note(study: Study, gauges: int) -> str:
    """Return what the variance between gauges speaks for."""
    if study.gauges_used == gauges:
        return (
            f"The {gauges} gauges are all that are used: GAU is the mean square of their own "
            "differences."
        )
    if math.isfinite(study.gauges_used):
        return f"{gauges} of the {study.gauges_used:.0f} gauges in use were studied."
    return (
        f"The {gauges} gauges count as a sample of others like them, which makes limits wide; "
        'where they are all that are used, state it: gauges="fixed".'
    )


IN_PARTS = "each part was measured by one operator only, so it cannot be told from part variation"


def nested_result(study: Study, *, spread: float) -> GaugeResult:
    """Return the variance components of a nested study, complete or not."""
    table = study.readings.dropna(subset="reading")
    readings = table["reading"].to_numpy(dtype=np.float64)
    part, operator = table["part"].to_numpy(str), table["operator"].to_numpy(str)
    cube = nested_cube(readings, part, operator)
    if np.isfinite(cube).all():
        anova = nested_anova(cube)
        found = nested_components(anova, people=study.people)
        mean, frame, why = float(anova.mean), nested_frame(anova, study.unit), ""
        estimator = "Analysis of variance, parts nested in operators"
    else:
        everyone = study.all_studied
        fit = nested_reml(readings, part, operator, operators="fixed" if everyone else "random")
        require_settled(fit)
        found = fit.components if everyone else among_people(fit.components, study.people)
        mean, frame, why = float(fit.mean), None, NO_TABLE
        estimator = "Restricted maximum likelihood, parts nested in operators, numbers unequal"
    one = len(study.operator_names) < 2
    return _result(
        study,
        found,
        estimator=estimator,
        mean=mean,
        spread=spread,
        pooled=True,
        reasons={"INT": IN_PARTS, **({"AV": ONE_OPERATOR} if one else {})},
        notes=[
            "Nested: PV contains the interaction, and large differences between parts hide those "
            "between operators."
        ],
        table=frame,
        no_table=why,
    )


def _sources(
    found: Components, study: Study, *, mean: float, spread: float, reasons: Mapping[str, str]
) -> tuple[pd.DataFrame, dict[str, str]]:
    """Return the table of sources from the variances of one study, and why cells are empty.

    Parameters
    ----------
    found : Components
        In the unit of the study squared; NaN where not estimated, negative ones count as 0.
    study : Study
        Gives the tolerance, and the process sd that replaces the study's own total.
    mean : float
        Mean of the readings; the process mean replaces it where given.
    spread : float
        How many standard deviations make the spread.
    reasons : mapping
        Why a source is not estimated.

    Returns
    -------
    table : DataFrame
        Index `SOURCES`, with SES, GAU and WPV where they are sources; columns `MEASURES`. NaN
        where not estimated.
    reasons : dict
        Source (a whole row) or measure (a whole column) → why it is not estimated.
    """
    why = dict(reasons)
    tolerance = study.tolerance
    lower, upper = math.nan, math.nan
    if tolerance is not None:
        lower, upper = _or_nan(tolerance.lower), _or_nan(tolerance.upper)
    sources = variation.sources_of_variation(
        found,
        mean=mean,
        spread=spread,
        lower=lower,
        upper=upper,
        process_mean=_or_nan(study.process_mean),
        process_sd=_or_nan(study.process_sd),
        parts_represent=study.parts_from == "process",
    )
    names = [*variances_of(found), "TV"]
    table = pd.DataFrame(
        np.column_stack([getattr(sources, measure) for measure in MEASURES]),
        index=pd.Index(names, name="source"),
        columns=list(MEASURES),
    )
    if study.process_sd is not None and math.isnan(float(table["variance"]["PV"])):
        why["PV"] = "the given process sd is smaller than the spread of the measuring system alone"
    if study.parts_from == "chosen" and study.process_sd is None:
        why["percent_tv"] = why["percent_contribution"] = (
            "the parts were chosen and do not represent the process; give its standard deviation"
        )
    centre = mean if study.process_mean is None else study.process_mean
    if tolerance is None:
        why["percent_tolerance"] = "no tolerance was given"
    elif not tolerance.two_sided and (centre >= upper or centre <= lower):
        why["percent_tolerance"] = (
            "the mean lies at or past the only limit, so there is no distance to share"
        )
    return table, why


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


class AnovaTable(Printed, pd.DataFrame):
    """The table of sums of squares as a DataFrame that prints rounded for reading.

    ``unit`` is that of the readings; the squares are printed in that of their spread.
    """

    _metadata = ["unit"]  # noqa: RUF012
    unit: str = ""

    def copy(self, deep: bool = True) -> AnovaTable:  # type: ignore[misc]
        """Return a copy that prints as this one does."""
        found = AnovaTable(super().copy(deep))
        found.unit = self.unit
        return found

    @property
    def _constructor(self) -> type[pd.DataFrame]:
        """A part of the table is a plain DataFrame."""
        return pd.DataFrame

    def blocks(self) -> list[Block]:
        """Return the table, and the unit of its squares."""
        sums = squares(self["sum_sq"].tolist(), self.unit)
        means = squares(self["mean_sq"].tolist(), self.unit)
        head = ["Source", "df", "sum of squares", "mean square", "F", "p", "tested against"]
        rows = [
            [
                str(name),
                str(df),
                sums[line],
                means[line],
                "" if math.isnan(f) else figures(f, 4),
                "" if math.isnan(p) else "under 0.001" if p < 0.001 else f"{p:.2g}",
                against,
            ]
            for line, (name, df, _, _, f, p, against) in enumerate(self.itertuples(name=None))
        ]
        told = [Prose([f"Sums of squares and mean squares in {square_unit(self.unit)}."])]
        return [Table(head, rows), *(told if self.unit else [])]


#: Sum of squares and degrees of freedom.
_Squares = tuple[float, int]


def anova_frame(table: CrossedAnova, pooled: bool, unit: str) -> AnovaTable:
    """Return the table of sums of squares of readings in ``unit``, with F tests.

    Parts and operators are tested against the interaction where it is kept, against
    the pooled error where it is not; the interaction against the error.

    Notes
    -----
    Source: AIAG MSA, 4th ed., appendix A; Montgomery, Design and Analysis of
    Experiments, section 13.2 (random effects).
    """
    lines: dict[str, _Squares] = {
        "part": (float(table.ss_part), table.df_part),
        "operator": (float(table.ss_operator), table.df_operator),
        "interaction": (float(table.ss_interaction), table.df_interaction),
        "error": (float(table.ss_error), table.df_error),
    }
    if table.operators > 1 and table.trials > 1:
        against = "pooled error" if pooled else "interaction"
        tested = {"part": against, "operator": against, "interaction": "error"}
        return _frame(lines, tested, pooled, unit)
    lines["error"] = _together(lines.pop("interaction"), lines["error"])
    if table.operators < 2:
        del lines["operator"]
    return _frame(lines, {"part": "error", "operator": "error"}, False, unit)


def session_frame(
    further: FurtherSources, squares: SourceSquares, pooled: bool, unit: str
) -> AnovaTable:
    """Return the table of a balanced study with sessions, with F tests.

    Where sessions are nested in operators and the interaction is kept, no one mean square is
    what operators would be tested against, and there is no F for them.

    Notes
    -----
    Source: the expected mean squares in `grr.formulas.further_sources`.
    """
    lines = {
        name: (float(mean * squares.df[name]), squares.df[name])
        for name, mean in squares.mean_sq.items()
    }
    if "operator" not in lines:
        return _frame(lines, {"part": "error", "session": "error"}, False, unit)
    shared = further.shared_sessions == "all"
    against, of_session = ("pooled error",) * 2 if pooled else ("interaction", "error")
    tested = {"part": against, "session": of_session, "interaction": "error"}
    if shared or pooled:
        tested["operator"] = against if shared else "session"
    return _frame(lines, tested, pooled, unit)


def nested_frame(table: NestedAnova, unit: str) -> AnovaTable:
    """Return the table of a nested study: operators against parts, parts against error.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 14.1 (both random).
    """
    operator = {"operator": (float(table.ss_operator), table.df_operator)}
    lines = {
        **(operator if table.operators > 1 else {}),
        "part": (float(table.ss_part), table.df_part),
        "error": (float(table.ss_error), table.df_error),
    }
    return _frame(lines, {"operator": "part", "part": "error"}, False, unit)


def _together(*lines: _Squares) -> _Squares:
    return sum(sum_sq for sum_sq, _ in lines), sum(df for _, df in lines)


def _frame(
    lines: dict[str, _Squares], tested: Mapping[str, str], pooled: bool, unit: str
) -> AnovaTable:
    """Return the lines with their F tests and the total, the error pooled where it was."""
    total = _together(*lines.values())
    if pooled:
        lines["pooled error"] = _together(lines["interaction"], lines["error"])
    means = {name: sum_sq / df if df else math.nan for name, (sum_sq, df) in lines.items()}
    rows: list[tuple[int, float, float, float, float, str]] = []
    for name, (sum_sq, df) in lines.items():
        against, f, p = tested.get(name, ""), np.asarray(np.nan), np.asarray(np.nan)
        if against:
            other = np.asarray(means[against])
            f, p = f_test(np.asarray(means[name]), df, other, lines[against][1])
        rows.append((df, sum_sq, means[name], float(f), float(p), against))
    rows.append((total[1], total[0], math.nan, math.nan, math.nan, ""))
    table = AnovaTable(
        rows,
        index=pd.Index([*lines, "total"], name="source"),
        columns=["df", "sum_sq", "mean_sq", "F", "p", "tested_against"],
    )
    table.unit = unit
    return table


ONE_OPERATOR = "one operator measured, so GRR speaks for this operator only"
ONE_TRIAL = "each part was measured once by each operator, so it cannot be told from repeatability"


def _crossed_notes(study: Study, found: Components, spread: float) -> list[str]:
    """Return the sentences about a crossed study by analysis of variance."""
    operators = len(study.operator_names)
    notes = []
    further = [one for one in (found.session, found.gauge) if one is not None]
    inside = [found.repeatability, found.operator, found.interaction, *further]
    estimated = float(np.nansum(inside))
    shown, untruncated = (
        length(spread * math.sqrt(max(variance, 0.0)), study.unit, 4)
        for variance in (float(found.grr), estimated)
    )
    if estimated < float(found.grr) and shown != untruncated:
        notes.append(
            f"GRR is the sum of the sources as shown; as estimated, below zero too, it would be "
            f"{f'{untruncated} in place of {shown}' if estimated > 0.0 else 'below zero'}."
        )
    if operators < 2:
        notes.append("With one operator the part variation contains the interaction.")
    elif study.trials < 2 and found.session is None:
        notes.append(
            "One trial: repeatability and interaction cannot be told apart; EV contains both."
        )
    if study.all_studied and operators > 1:
        notes.append(
            "The operators are all who will ever measure: AV is the mean square of their "
            "own differences, not an estimate for others."
        )
    elif math.isfinite(study.people) and operators > 1:
        notes.append(
            f"{operators} of the {study.people:.0f} people who will ever measure were studied: AV "
            f"is the mean square of the differences between all {study.people:.0f}, and the "
            "others are taken to be like these."
        )
    return notes


def titled(title: str, sentence: str, *, example: bool) -> list[str]:
    """Return a result's first sentence after its title, and before it that it is an example."""
    return [*([EXAMPLE] if example else []), f"{title}: {sentence}" if title else sentence]


def tolerance_text(study: Study) -> str:
    """Return the tolerance in words, with its unit."""
    limits = limits_text(study.tolerance, study.resolution, study.unit).replace(JOIN, " ")
    return f"{limits}{_as_drawn(study)}"


def _as_drawn(study: Study) -> str:
    """Return nominal size and deviations as a drawing has them, in brackets; "" if not stated."""
    nominal = study.facts.get("nominal")
    deviates = study.facts.get("readings_are") == DEVIATION
    if nominal is None or study.tolerance is None or not study.unit or deviates:
        return ""
    fine = fine_unit(study.unit)
    factor = conversion(study.unit, fine)
    limits = (study.tolerance.lower, study.tolerance.upper)
    # Ten digits: 10.012 − 10 is 0.01199999999999 in binary.
    shown = [_deviation((limit - nominal) * factor) for limit in limits if limit is not None]
    if len(shown) == 2 and shown[0] == shown[1].replace("+", "−"):
        shown = [f"± {shown[1].removeprefix('+')}"]
    return f" ({nominal:.10g} {study.unit} {'/'.join(shown)} {fine})"


def _deviation(value: float) -> str:
    """Return +6, −4 or 0."""
    shown = f"{value:+.10g}".replace("-", "−")
    return "0" if shown in ("+0", "−0") else shown


def opening(result: GaugeResult) -> list[str]:
    """Return the lines above the numbers: which study, how much, how computed."""
    study = result.study
    lines = [EXAMPLE] if study.example else []
    gauge = study.facts.get("gauge_number")
    lines.append(study.summary + (f", gauge {gauge}" if gauge else ""))
    lines.append(f"Tolerance: {tolerance_text(study)}{_when(study)}")
    lines.append(f"{result.estimator}.")
    return lines


def _when(study: Study) -> str:
    """Return when the readings were taken, as the end of a sentence; "" if not recorded."""
    readings = study.readings
    if "time" not in readings or readings["time"].isna().all():
        return ""
    first, last = (f"{readings['time'].agg(end):%Y-%m-%d}" for end in ("min", "max"))
    return f"; readings taken {first}" + (f" to {last}" if last != first else "")


def spread_text(result: GaugeResult, spread: float, *, sds: float | None = None) -> str:
    """Return a spread of the study's, as every page shows it: its percentages follow from it.

    ``sds``: of how many standard deviations it is; those of the result by default.
    """
    whole = smallest_whole(
        result.value("TV", "spread"),
        result.value("GRR", "spread"),
        result.value("GRR", "percent_tolerance"),
    )
    share = 1.0 if sds is None else sds / result.spread
    return length_beside_percent(spread, result.study.unit, whole * share)


def source_rows(result: GaugeResult) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the table of sources as a person reads it."""
    head = [
        "Source",
        f"spread ({result.spread:g}{JOIN}sd)",
        "of tolerance",
        "of total",
        "of TV's variance",
    ]
    rows = []
    for name in result.source_names:
        label = f"{name} {NAMES[name]}"
        if name in result.below_zero:
            label += " (estimated below zero)"
        spread = result.estimate(name, "spread")
        shares = [
            result.estimate(name, measure)
            for measure in ("percent_tolerance", "percent_tv", "percent_contribution")
        ]
        told = [f"{share}" if share.known else "—" for share in shares]
        shown = spread_text(result, spread.value) if spread.known else f"{spread}"
        rows.append([label, shown, *(told if spread.known else [""] * len(told))])
    return head, rows


def closing(result: GaugeResult) -> list[str]:
    """Return the sentences under the numbers: ndc, what is missing and why, notes."""
    lines = _slips(result.study)
    exact = result.estimate("ndc", "value")
    if not exact.known:
        lines.append(f"Distinct categories (ndc): {exact}.")
    else:
        lines.append(
            f"Distinct categories (ndc): {result.ndc} (1.41·PV/GRR = {exact:.3}, rounded down"
            f"{', but never below 1' if exact.value < 1.0 else ''})."
        )
    said: dict[str, list[str]] = {}
    words = {
        "percent_tv": "Percent of total variation",
        "percent_contribution": "share of TV's variance",
        "percent_tolerance": "Percent of tolerance",
    }
    for name, reason in result.reasons.items():
        said.setdefault(reason, []).append(words.get(name, name))
    lines += [f"{' and '.join(names)}: not estimated, {reason}." for reason, names in said.items()]
    return [*lines, *_one_limit(result), *result.notes]


def _slips(study: Study) -> list[str]:
    """Return which readings are none of their part: they ruin every number (see `grr.check`)."""
    cube = study.cube()
    return [
        f"Fix the data first: the reading {size(cube.values[at], study.resolution)} of part "
        f"{cube.parts[at[0]]}, operator {cube.operators[at[1]]}, trial {cube.trials[at[2]]} is "
        f"{'far off' if slip.factor == 1.0 else 'off by a factor'}, and no number here means "
        "anything before it is settled."
        for slip in mistakes_in(study).slips[:2]
        for at in [(slip.part, slip.operator, slip.trial)]
    ]


def _one_limit(result: GaugeResult) -> list[str]:
    """Return from where percent of tolerance is counted where there is one limit only."""
    study, tolerance = result.study, result.study.tolerance
    if tolerance is None or tolerance.two_sided or "percent_tolerance" in result.reasons:
        return []
    given = study.process_mean is not None
    centre = result.mean if study.process_mean is None else study.process_mean
    fine = None if study.resolution is None else study.resolution / 10.0
    text = (
        f"One limit: percent of tolerance is {result.spread / 2:g} sd against the distance from "
        f"the {'process mean given' if given else 'mean of the readings'}, "
        f"{size(centre, fine, study.unit)}, to the limit."
    )
    if study.parts_from == "chosen" and not given:
        text += (
            " The parts were chosen, so that mean is theirs and not that of the process: state "
            "process_mean before you judge by it."
        )
    return [text]
