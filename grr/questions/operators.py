"""`grr.compare_operators`: who reads high, who scatters, and who needs what?

Sources: Montgomery, Design and Analysis of Experiments, sections 3.5.7 and 13.3 (Tukey's
test; mixed model); ISO 5725-2 and ASTM E691 (Cochran's C, h and k). Causes and ways to
confirm them are common practice at a micrometer; no source.
"""

from __future__ import annotations

import math
from dataclasses import KW_ONLY, dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import Cells, cells_of, harmonic_count
from grr.formulas.confidence_limits import sd_interval, sd_ratio_interval
from grr.formulas.drift_rate import scatter_trend
from grr.formulas.operator_comparison import (
    InteractionCells,
    OperatorMeans,
    bartlett,
    cochran_c,
    cochran_limit,
    from_others_limits,
    h_ceiling,
    h_limit,
    h_statistic,
    interaction_cells,
    k_limit,
    k_statistic,
    largest_against_rest,
    operator_means,
    tukey_p,
    tukey_pairs,
)
from grr.formulas.second_look import went_on
from grr.model.blocks import Block, Bullets, Callout, Fold, Heading, Prose, Table
from grr.model.choices import FIX_FIRST, WHOLE
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.frames import frame
from grr.model.names import LONGEST_NAME, begun, shortened
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import (
    JOIN,
    figures,
    length,
    length_and_half,
    listed,
    p_cell,
    p_text,
    percent,
)
from grr.model.study import Cube, Study, checked_study
from grr.model.values import number
from grr.questions.causes import Cause, causes_of
from grr.questions.check import RUINED, check
from grr.questions.drift import DriftNumbers, bump_words, drift_or_reason, length_and_share
from grr.questions.gauge import result_of_record
from grr.questions.scatter import read_by_everyone
from grr.questions.sittings import further_sources, has_own_sessions, within_sessions
from grr.questions.trial_changes import TrialChange, change_words, trial_changes

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: What is found about an operator.
OperatorFinding = Literal[
    "agrees",
    "reads between the others",
    "reads high",
    "reads low",
    "scatters more",
    "depends on the part",
    "drifts",
    "shifts while measuring",
    "scatters more and more",
]
AGREES: Final = "agrees"
BETWEEN: Final = "reads between the others"
HIGH: Final = "reads high"
LOW: Final = "reads low"
SCATTERS: Final = "scatters more"
DEPENDS: Final = "depends on the part"
DRIFTS: Final = "drifts"
SHIFTS: Final = "shifts while measuring"
TIRES: Final = "scatters more and more"

#: What usually lies behind a finding at a micrometer.
CAUSES: dict[OperatorFinding, str] = {
    HIGH: "too little or uneven force at the ratchet, a part tilted between the faces, dirt on "
    "the faces, or another habit of zeroing",
    LOW: "more force at the ratchet or turning the thimble instead of it, a frame warmed by the "
    "hand, or another habit of zeroing",
    SCATTERS: "uneven force at the ratchet, a part that is not aligned the same way each time, "
    "another spot on the part each time, or a hand that moves while reading",
    DEPENDS: "where on the part is measured (taper, out-of-round, a burr), or parts that one "
    "hand holds better than another",
    DRIFTS: "a gauge or parts that warm in the hand, a zero that moves, or a habit that settles "
    "while measuring",
    SHIFTS: "a zero or a setting that was touched, a gauge bumped or dropped, parts or a room at "
    "another temperature",
    TIRES: "fatigue or haste: the session may be too long",
}
#: How to find out, without guessing.
CONFIRM: dict[OperatorFinding, str] = {
    HIGH: "Let everyone zero the gauge alike and measure one gauge block near this size "
    "five times: it shows who reads high or low, not only that they differ.",
    SCATTERS: "Let this operator repeat one marked part ten times, by hand and in a stand, with "
    "the same number of ratchet clicks each time, and compare.",
    DEPENDS: "Mark the spot on the parts named, look at them for taper, burrs and roundness, and "
    "let everyone measure there once more.",
    DRIFTS: "Check zero on a part-sized master at the start, in the middle and at the end; "
    "notebook 7, Stand or handheld, says how fast it goes.",
    SHIFTS: "Ask what happened at that moment, check zero on a part-sized master, and measure that "
    "trial again.",
    TIRES: "Split the session in two on different days and compare.",
}
CONFIRM[LOW] = CONFIRM[HIGH]

#: Consistency statistics are flagged at this level (ISO 5725-2: an outlier).
CONSISTENCY_LEVEL = 0.99
#: What is left over below this share of the largest is rounding of the computer.
NOISE = 1e-9
NO_BLAME = (
    "These sentences are about how the gauge is handled, not about persons. Confirm a finding "
    "before acting on it."
)


def compare_operators(study: Study, *, level: float = 0.95) -> OperatorComparison:
    """Compare the operators of a study: offset, scatter, part by part, and over time.

    Each operator's mean is compared with the others on the same parts, the error being
    the part-by-operator interaction; all pairs by Tukey's test. Repeatabilities are
    compared by Bartlett's and Cochran's tests on the pooled variance within cells.

    Parameters
    ----------
    study : Study
        Readings by one method; take one of several with ``study.for_method``.
    level : float
        Confidence of the intervals; each question is asked of all operators together at
        1 − level.

    Returns
    -------
    OperatorComparison

    Raises
    ------
    StudyError
        Two methods, one operator, fewer than three parts, or a part that somebody did not
        measure.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, sections 3.5.7 and 13.3
    (Tukey's test; mixed model); ISO 5725-2 and ASTM E691 (Cochran's C, h and k).

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> compared = grr.compare_operators(study)
    >>> (1000 * compared.to_frame()["from_others"]).round(2)
    operator
    Ilka    -0.04
    Jonas   -0.02
    Miro     0.05
    Name: from_others, dtype: float64
    """
    checked_study(study)
    level = number("level", level, above=0.5, below=1.0)
    return study.once(("compare_operators", level), lambda: _compared(study, level))


def _compared(study: Study, level: float) -> OperatorComparison:
    numbers = _operator_numbers(study, level)
    findings = check(study)
    if findings.ruined:
        nothing = tuple(_not_judged(numbers, name) for name in study.operator_names)
        return OperatorComparison(numbers, nothing, FIX_FIRST, findings.look_first)
    conclusions = tuple(_conclusion(numbers, name) for name in study.operator_names)
    return OperatorComparison(numbers, conclusions, _headline(numbers, conclusions))


@dataclass(frozen=True, eq=False, repr=False)
class OperatorComparison(Printed):
    """How the operators of a study compare.

    Attributes
    ----------
    numbers : OperatorNumbers
        Every figure behind it: ``numbers.table``, ``numbers.pairs``,
        ``numbers.scatter_tests``, ``numbers.cells``.
    conclusions : tuple of OperatorConclusion
        One an operator: findings, a sentence, usual causes, how to confirm.
    headline : str
        The answer in one sentence.
    look_first : tuple of str
        Where wrong readings ruin the comparison: what to look at. Nothing is concluded then.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> list(grr.compare_operators(study).to_frame().index)
    ['Ilka', 'Jonas', 'Miro']
    """

    numbers: OperatorNumbers
    conclusions: tuple[OperatorConclusion, ...]
    headline: str
    look_first: tuple[str, ...] = ()

    @property
    def study(self) -> Study:
        """The study compared."""
        return self.numbers.study

    def about(self, operator: str) -> OperatorConclusion:
        """Return the conclusion about one operator."""
        return next(c for c in self.conclusions if c.operator == operator)

    def plot(self) -> Figure:
        """Return the figure of `grr.show.operators_side_by_side`."""
        from grr.show import operators_side_by_side

        return operators_side_by_side(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row an operator: the figures, and the findings in words."""
        findings = [", ".join(c.in_words) for c in self.conclusions]
        return self.numbers.table.assign(findings=findings)

    def blocks(self) -> list[Block]:
        """Return the answer, operator by operator, with causes, pairs and consistency."""
        numbers, study = self.numbers, self.study
        method = f", method {study.methods[0]}" if study.methods else ""
        poor = listed([f"part {part}" for part in numbers.left_out])
        without = f", without {poor}, which nobody repeats well" if poor else ""
        opening = [*([EXAMPLE] if study.example else []), f"{study.summary}{method}{without}"]
        common = [numbers.common_drift] if numbers.common_drift else []
        blocks: list[Block] = [Prose(opening), Heading(self.headline, 3)]
        if self.look_first:
            return [*blocks, RUINED, Heading("Look at this first"), Bullets(list(self.look_first))]
        blocks += [
            Table(*_operator_rows(numbers, self.conclusions), narrow=4),
            Bullets([*filter(None, [one.sentence for one in self.conclusions]), *common]),
        ]
        if help_with := _advice(self.conclusions):
            title = "What usually causes it, and how to confirm it"
            blocks.append(Callout(title, help_with, "#00527a"))
        unseen = [f"Drift was not looked for: {numbers.no_drift}."] if numbers.no_drift else []
        if has_own_sessions(study):
            unseen.append("Operators are judged against what a person's own sessions differ by.")
        if went_on(study) and study.plan and len(study.parts) < len(study.plan.parts):
            unseen.append("Operators are compared on the parts that all of them measured.")
        tests: list[Block] = [_pair_table(numbers), Prose([_test_sentence(numbers)])]
        note, detail = Prose([_consistency_note(numbers)]), _consistency_table(numbers)
        return [
            *blocks,
            Prose([*unseen, NO_BLAME]),
            Fold("Every pair, and the tests of equal scatter", tests),
            Fold("In detail: consistency part by part, h and k", [note, detail], brief=True),
        ]


@dataclass(frozen=True)
class OperatorConclusion:
    """What the study says about one operator.

    Attributes
    ----------
    operator : str
    findings : tuple of OperatorFinding
        "agrees", or some of the others; none where readings must be fixed first.
    sentence : str
    offset : OperatorOffset
        How far the operator reads from the others, how sure that is, and whether it matters.
    agrees_with : tuple of str
        Those whose readings agree with this operator's, where others' do not.
    """

    operator: str
    findings: tuple[OperatorFinding, ...]
    sentence: str
    offset: OperatorOffset
    agrees_with: tuple[str, ...] = ()

    @property
    def in_words(self) -> tuple[str, ...]:
        """The findings as they are shown: "agrees with Jonas" where only Jonas is meant."""
        kinds = tuple(kind for kind in self.findings if kind != AGREES)
        if not self.findings:
            return ("readings to fix first",)
        if self.agrees_with:
            names = [shortened(name, LONGEST_NAME) for name in self.agrees_with]
            return (f"agrees with {listed(names, 3)}", *kinds)
        return kinds or (AGREES if self.offset.agrees else "no difference shows",)

    @property
    def reads_apart(self) -> bool:
        """Whether the operator reads high or low."""
        return bool({HIGH, LOW}.intersection(self.findings))

    @property
    def causes(self) -> tuple[str, ...]:
        """What usually causes it."""
        return tuple(CAUSES[kind] for kind in self.findings if kind in CAUSES)

    @property
    def confirm(self) -> tuple[str, ...]:
        """How to find out."""
        return tuple(dict.fromkeys(CONFIRM[kind] for kind in self.findings if kind in CONFIRM))


@dataclass(frozen=True, eq=False)
class OperatorNumbers:
    """What a study says about its operators; lengths in the unit of the study.

    Attributes
    ----------
    study : Study
    table : DataFrame
        One row an operator: mean; from_others, from_others_lower, from_others_upper (its
        mean minus that of the others); sd, sd_lower, sd_upper (repeatability);
        scatter_ratio (its sd over that of the others pooled), scatter_ratio_lower,
        scatter_ratio_upper, scatter_p; interaction_share, interaction_p; trend columns
        (see `_trends`). NaN where not estimated.
    pairs : DataFrame
        first, second, difference, lower, upper, p: Tukey's, family-wise.
    scatter_tests : DataFrame
        Bartlett and Cochran: statistic, limit, p. Empty where nothing was repeated.
    cells : DataFrame
        One row a part and operator: mean, sd, h, k, residual (what is left of the mean
        once part and operator are taken off), residual_limit, residual_p.
    h_limit, h_ceiling, k_limit : float
        Limits of |h| and k at 99 %, and what |h| cannot exceed; k's is NaN where numbers
        of readings differ.
    level : float
        Confidence of intervals and, family-wise, of tests.
    drift : DriftNumbers or None
        What `grr.drift` says of these readings; None where it cannot tell.
    no_drift : str
        Why it cannot tell, as the rest of a sentence; "" where it can.
    changes : tuple of TrialChange
        Between trials, where no drift explains them.
    causes : tuple of Cause
        The operators' offsets that make GRR large, by `grr.assess`.
    matters_from : float
        The offset with which one operator alone would take GRR to the limit of a good gauge;
        NaN where nothing says what GRR may take.
    left_out : tuple of str
        Parts that nobody repeats well: their scatter says nothing about an operator.
    """

    _: KW_ONLY
    study: Study
    table: pd.DataFrame = frame()
    pairs: pd.DataFrame = frame()
    scatter_tests: pd.DataFrame = frame()
    cells: pd.DataFrame = frame()
    h_limit: float
    h_ceiling: float
    k_limit: float
    level: float
    drift: DriftNumbers | None
    no_drift: str
    changes: tuple[TrialChange, ...]
    causes: tuple[Cause, ...]
    matters_from: float
    left_out: tuple[str, ...] = ()

    def value(self, operator: str, column: str) -> float:
        """Return one cell of the table; NaN where not estimated."""
        return float(self.__dict__["table"].at[operator, column])

    def estimate(self, operator: str, column: str, unit: str = "") -> Estimate:
        """Return one cell of the table with its limits."""
        low, high = (self.value(operator, f"{column}_{end}") for end in ("lower", "upper"))
        return Estimate(self.value(operator, column), low, high, unit)

    @property
    def common_drift(self) -> str:
        """How fast everyone's readings drift, where the operators drift alike; else ""."""
        return "" if self.drift is None else _drifting(self.drift)

    def differences_of(self, operator: str) -> dict[str, tuple[float, float]]:
        """Return other operator → how much higher this one reads, and its p value."""
        found, pairs = {}, self.__dict__["pairs"]
        columns = (pairs[name].tolist() for name in ("first", "second", "difference", "p"))
        for first, second, difference, p in zip(*columns, strict=True):
            if operator == first:
                found[second] = (difference, p)
            elif operator == second:
                found[first] = (-difference, p)
        return found


def _operator_numbers(whole: Study, level: float) -> OperatorNumbers:
    everyone = read_by_everyone(whole)
    _cube(everyone)
    causes = causes_of(whole).causes
    study, left_out = _repeated_well(everyone, causes)
    cube = _cube(study)
    cells = cells_of(within_sessions(study).cube().values, cell_axes=2)
    means = _against_sessions(operator_means(cells.means, step=study.resolution or 0.0), study)
    names = pd.Index(study.operator_names, name="operator")
    origin = float(cells.origin.flat[0])
    low, high = from_others_limits(means, level=level)
    pairs = tukey_pairs(means.means, means.error_of_mean, means.df, level=level)
    scatter, tests, residuals = _scatter(cells, level)
    drift, no_drift = drift_or_reason(study, level=level)
    columns = {
        "mean": means.means + origin,
        "from_others": means.from_others,
        "from_others_lower": low,
        "from_others_upper": high,
        **scatter,
        "interaction_share": np.nan if residuals is None else residuals.share,
        "interaction_p": np.nan if residuals is None else residuals.operator_p,
    }
    counts = cells.counts
    equal = bool((counts == counts.flat[0]).all()) and int(counts.flat[0]) > 1
    changes = [] if drift is None else [one for of in drift.changes.values() for one in of]
    return OperatorNumbers(
        study=study,
        table=pd.DataFrame(columns, index=names).join(_trends(study, cube, drift)),
        pairs=pd.DataFrame(
            {
                "first": [names[i] for i in pairs.first],
                "second": [names[i] for i in pairs.second],
                "difference": pairs.difference,
                "lower": pairs.lower,
                "upper": pairs.upper,
                "p": tukey_p(pairs.difference, means.error_of_mean, means.operators, means.df),
            }
        ),
        scatter_tests=tests,
        cells=_cell_table(study, cells, residuals, origin),
        h_limit=h_limit(len(names), CONSISTENCY_LEVEL),
        h_ceiling=h_ceiling(len(names)),
        k_limit=k_limit(len(names), int(counts.flat[0]), CONSISTENCY_LEVEL) if equal else math.nan,
        level=level,
        drift=drift,
        no_drift=no_drift,
        changes=tuple(trial_changes(study) if drift is None else changes),
        causes=tuple(c for c in causes if c.kind == "operator_offset"),
        matters_from=_matters_from(whole),
        left_out=left_out,
    )


def _repeated_well(study: Study, causes: tuple[Cause, ...]) -> tuple[Study, tuple[str, ...]]:
    """Return the study without the parts whose scatter is a cause by itself, and those parts."""
    poor = {cause.part for cause in causes if cause.kind == "part"}
    kept = [part for part in study.parts if part not in poor]
    if not poor or len(kept) < 3:
        return study, ()
    left_out = tuple(part for part in study.parts if part in poor)
    return replace(study, readings=study.readings[study.readings["part"].isin(kept)]), left_out


def _matters_from(study: Study) -> float:
    """Return the offset with which one operator alone would take GRR to the good limit.

    One of o operators d from the others is a variance of d²/o·(1 − 1/N) between operators,
    where N people will ever measure.
    """
    result = result_of_record(study)
    measure = study.judged_by
    sd, share = result.value("GRR", "sd"), result.value("GRR", measure)
    if not (sd > 0.0 and share > 0.0):
        return math.nan
    allowed = study.rules.good_percent * sd / share
    return allowed * math.sqrt(len(study.operator_names) / (1.0 - 1.0 / study.people))


def _against_sessions(means: OperatorMeans, study: Study) -> OperatorMeans:
    """Return the means, judged by what a person's own sessions differ by where these are known.

    The mean of an operator holds sessions of that person only, and scatters with the mean
    square of sessions within operators (see `grr.formulas.further_sources`).
    """
    further = further_sources(study)
    if further is None or further.squares is None or not has_own_sessions(study):
        return means
    squares = further.squares
    at = list(squares.mean_sq).index("operator")
    of_cell = squares.mean_sq["session"] * squares.levels["part"] / squares.expected[at, at]
    if not of_cell > means.mean_square:
        return means
    return replace(means, mean_square=of_cell, df=squares.df["session"])


def _cube(study: Study) -> Cube:
    if len(study.methods) > 1:
        raise StudyError(
            "The study holds readings by more than one method",
            f'Compare the operators by one of them: study = study.for_method("{study.methods[0]}")',
            value=", ".join(study.methods),
        )
    if study.design == "nested":
        raise StudyError(
            "In a nested study no two operators measured the same part, so they cannot be compared",
            "Let every operator measure the same parts",
        )
    cube = study.cube()
    empty = ~np.isfinite(cube.values).any(axis=-1)
    if empty.any():
        part, operator = (int(i) for i in np.argwhere(empty)[0])
        raise StudyError(
            f"Operator {cube.operators[operator]} did not measure part {cube.parts[part]}, and "
            "operators are compared on the same parts",
            "Take that reading, or leave the part out of the readings",
        )
    return cube


def _scatter(
    cells: Cells, level: float
) -> tuple[dict[str, Any], pd.DataFrame, InteractionCells | None]:
    """Return each operator's repeatability, the tests of whether they differ, and what is left.

    Of the cells' means once part and operator are taken off; None where nothing scatters.
    """
    df = (cells.counts - 1).sum(axis=0).astype(np.float64)
    columns = ["sd", "sd_lower", "sd_upper", "scatter_ratio"]
    columns += ["scatter_ratio_lower", "scatter_ratio_upper", "scatter_p"]
    if (df < 1).any():
        tests = pd.DataFrame(columns=["statistic", "limit", "p"], dtype=np.float64)
        return dict.fromkeys(columns, np.nan), tests, None
    variances = cells.within.sum(axis=0) / df
    sd = np.sqrt(variances)
    limits = np.array([sd_interval(s, d, level=level) for s, d in zip(sd, df, strict=True)]).T
    ratio, p = largest_against_rest(variances, df)
    of_ratio = sd_ratio_interval(np.sqrt(ratio), df, df.sum() - df, level=level)
    statistic, bartlett_p = bartlett(variances, df)
    limit = cochran_limit(len(df), float(df[0]), level) if (df == df[0]).all() else math.nan
    tests = pd.DataFrame(
        {
            "statistic": [float(statistic), float(cochran_c(variances))],
            "limit": [math.nan, limit],
            "p": [float(bartlett_p), min(1.0, len(df) * float(p.min()))],
        },
        index=pd.Index(["Bartlett", "Cochran"], name="test"),
    )
    residuals = None
    if float(cells.within.sum()) > 0.0:
        trials = harmonic_count(cells, cell_axes=2)
        residuals = interaction_cells(cells.means, trials, variances, df, level=level)
    values = (sd, *limits, np.sqrt(ratio), *of_ratio, p)
    return dict(zip(columns, values, strict=True)), tests, residuals


def _cell_table(
    study: Study, cells: Cells, residuals: InteractionCells | None, origin: float
) -> pd.DataFrame:
    df = (cells.counts - 1).astype(np.float64)
    variances = np.where(df > 0, cells.within / np.maximum(df, 1), np.nan)
    left: tuple[Any, ...] = (np.nan,) * 3
    if residuals is not None:
        left = (residuals.residual, residuals.limit, residuals.p)
    columns: dict[str, Any] = {
        "mean": cells.means + origin,
        "sd": np.sqrt(variances),
        "h": h_statistic(cells.means),
        "k": k_statistic(variances, df),
        **dict(zip(("residual", "residual_limit", "residual_p"), left, strict=True)),
    }
    return pd.DataFrame(
        {name: np.broadcast_to(of, df.shape).ravel() for name, of in columns.items()},
        index=pd.MultiIndex.from_product(
            [study.parts, study.operator_names], names=["part", "operator"]
        ),
    )


#: Column of a trend → that of the drift's table which it quotes.
TREND = {
    "trend": "slope",
    "trend_lower": "lower",
    "trend_upper": "upper",
    "trend_p": "p",
    "trend_over": "over",
}


def _trends(study: Study, cube: Cube, drift: DriftNumbers | None) -> pd.DataFrame:
    """Return what changes while an operator measures: the readings, and how they scatter.

    Returns
    -------
    DataFrame
        One row an operator: trend, trend_lower, trend_upper (change of the readings per
        minute, or from one reading to the next), trend_p, trend_over (change over the
        longest session); scatter_growth (scatter of the last trials over that of the
        first), scatter_growth_p. NaN where not estimated.
    """
    names = [*TREND, "scatter_growth", "scatter_growth_p"]
    found = {operator: dict.fromkeys(names, math.nan) for operator in study.operator_names}
    for place, name in enumerate(cube.operators):
        readings = cube.values[:, place]
        if np.isfinite(readings).all():
            ratio, p = scatter_trend(readings)
            found[name] |= {"scatter_growth": float(ratio), "scatter_growth_p": float(p)}
    if drift is not None:
        (method,) = drift.methods
        for name in drift.operators(method):
            for column, quoted in TREND.items():
                found[name][column] = drift.value(method, name, quoted)
    rows = [list(row.values()) for row in found.values()]
    return pd.DataFrame(rows, index=pd.Index(list(found), name="operator"), columns=names)


def _conclusion(numbers: OperatorNumbers, name: str) -> OperatorConclusion:
    """Return the conclusion about one operator.

    Each question (offset, scatter, part, trend) is asked of all operators together at the
    family-wise level of the comparison. Offsets are judged by `OperatorOffset`; scatter is
    Cochran's test, asked of each operator; an operator depends on the part where their own
    share of the interaction is beyond chance and not smaller than an equal share.
    """
    offset = operator_offset(numbers, name)
    alike = () if offset.differs else _agreeing(numbers, name)
    said = _offset_finding(numbers, offset, alike)
    alpha = (1.0 - numbers.level) / len(numbers.table)
    if numbers.value(name, "scatter_p") < alpha:
        times = numbers.estimate(name, "scatter_ratio")
        spread = length(numbers.value(name, "sd"), numbers.study.unit)
        said[SCATTERS] = (
            f"{name} scatters more than the others by a factor {times} ({100 * numbers.level:g} % "
            f"interval {times:l} to {times:u}; standard deviation {spread})."
        )
        if math.isinf(times.value):
            said[SCATTERS] = f"{name}'s readings scatter; the others' repeat to the last digit."
    said |= _part_finding(numbers, name)
    drift = numbers.drift
    if drift is not None and name in drift.drifters(next(iter(drift.methods))):
        said[DRIFTS] = _drifting(drift, name)
    changes = [one for one in numbers.changes if name in one.operators]
    moved = [change_words(change, numbers.study) for change in changes]
    if drift is not None and not moved:
        moved = [bump_words(drift, bump) for bump in drift.bumps if bump.operator == name]
    if moved:
        said[SHIFTS] = f"{name}: {listed(moved)}."
    growth = numbers.value(name, "scatter_growth")
    if numbers.value(name, "scatter_growth_p") < alpha and growth > 1.0:
        said[TIRES] = (
            f"{name}'s last trials scatter {figures(growth)} times as much as the first ones."
        )
    kinds = tuple(kind for kind in said if kind != AGREES) or (AGREES,)
    return OperatorConclusion(name, kinds, " ".join(filter(None, said.values())), offset, alike)


def _not_judged(numbers: OperatorNumbers, name: str) -> OperatorConclusion:
    """Return a conclusion that says nothing: readings must be fixed first."""
    size, none = Estimate(math.nan, unit=numbers.study.unit), math.nan
    offset = OperatorOffset(name, size, none, numbers.level, none, None, none)
    return OperatorConclusion(name, (), "", offset)


def _part_finding(numbers: OperatorNumbers, name: str) -> dict[OperatorFinding, str]:
    """Return on which parts an operator reads otherwise than elsewhere; empty where on none."""
    alpha, cells, parts = 1.0 - numbers.level, numbers.__dict__["cells"], numbers.study.parts
    own = slice(numbers.study.operator_names.index(name), None, len(numbers.table))
    residuals, p = (cells[c].to_numpy()[own].tolist() for c in ("residual", "residual_p"))
    # the two ways to be noticed share the level
    noticed = numbers.value(name, "interaction_p") < alpha / 2 or min(p) < alpha / 2
    if not noticed or numbers.value(name, "interaction_share") < 1.0 / len(numbers.table):
        return {}
    beyond = [i for i in range(len(parts)) if p[i] < alpha]
    beyond = beyond or [max(range(len(parts)), key=lambda i: abs(residuals[i]))]
    shown = [
        f"part {parts[i]} ({length(abs(residuals[i]), numbers.study.unit)} "
        f"{'higher' if residuals[i] > 0 else 'lower'})"
        for i in beyond
    ]
    return {
        DEPENDS: f"How far {name} is from the others depends on the part: most on "
        f"{listed(shown)} than {name} otherwise reads."
    }


def _drifting(drift: DriftNumbers, name: str = "") -> str:
    """Return how fast an operator's readings drift; "" where everyone's do alike.

    Without a name how fast those of all do, where several drift and none otherwise; else "".
    """
    ((method, found),) = drift.methods.items()
    unlike = bool(drift.fastest(method)) and found.curve is None
    alike = not unlike and len(drift.drifters(method)) > 1
    if alike == bool(name):
        return ""
    change, rate = drift.change(method), float(found.slope.slope)
    if unlike:
        change, rate = (drift.value(method, name, column) for column in ("over", "slope"))
    whose = f"{name}'s" if name else "Everyone's"
    text = f"{whose} readings {'rise' if change > 0 else 'fall'} while measuring"
    size = length_and_share(change, drift.study)
    if found.curve is not None:
        return f"{text}, by {size} over a session, most of it at its start."
    return f"{text}, by {length(abs(rate), drift.study.unit)} {drift.per}: over a session {size}."


@dataclass(frozen=True)
class OperatorOffset:
    """How far an operator reads from the others: is it chance, and does it matter here?

    The one rule of agreement: whatever speaks of operators who read alike or apart speaks
    from here. Chance first, then the tolerance; the last digit of the gauge plays no part,
    since a mean of many readings shows less than a digit.

    Attributes
    ----------
    operator : str
    size : Estimate
        The operator's mean minus that of the others, with its interval; that of the cause
        "operator_offset" where `grr.assess` names this operator.
    p : float
        Of no difference: for all pairs together, or for everything that was looked at where
        it is a cause.
    level : float
    matters_from : float
        The offset with which one operator alone would take GRR to the limit of a good gauge;
        NaN where nothing is said to judge by.
    without : Estimate or None
        GRR in percent were this operator to read like the others; None where it is no cause.
    as_read : float
        The same as ``size.value`` before what other causes explain is taken off.
    """

    operator: str
    size: Estimate
    p: float
    level: float
    matters_from: float
    without: Estimate | None
    as_read: float

    @property
    def differs(self) -> bool:
        """Whether chance does not explain it."""
        return self.p < 1.0 - self.level

    @property
    def largest(self) -> float:
        """How far off the operator may be at most, either way."""
        return max(abs(self.size.lower), abs(self.size.upper))

    @property
    def matters(self) -> Literal["yes", "no", "open", "not known"]:
        """Whether it is shown to be more, or less, than what matters here."""
        if math.isnan(self.matters_from):
            return "not known"
        if self.largest < self.matters_from:
            return "no"
        beyond = self.size.lower > self.matters_from or self.size.upper < -self.matters_from
        return "yes" if beyond else "open"

    @property
    def agrees(self) -> bool:
        """Whether nothing shows, and no more than what does not matter is possible."""
        return not self.differs and self.matters == "no"


def operator_offset(numbers: OperatorNumbers, name: str) -> OperatorOffset:
    """Return how far an operator reads from the others, by the one rule of agreement.

    The operator differs where more than half of the others do from this operator (Tukey's
    test of all pairs), or where it is a cause of a large GRR.
    """
    size = numbers.estimate(name, "from_others", numbers.study.unit)
    as_read, without = size.value, None
    others = numbers.differences_of(name)
    same_way = sorted(p for d, p in others.values() if d * size.value > 0.0)
    p = dict(enumerate(same_way)).get(len(others) // 2, 1.0)
    for cause in numbers.causes:
        if cause.operator is None or (cause.operator == name and cause.size.value * as_read > 0.0):
            sign = -1.0 if cause.operator is None and name == numbers.study.operator_names[0] else 1
            low, high = sorted((sign * cause.size.lower, sign * cause.size.upper))
            size = Estimate(sign * cause.size.value, low, high, numbers.study.unit)
            p, without = cause.sure, cause.without
    return OperatorOffset(name, size, p, numbers.level, numbers.matters_from, without, as_read)


def _offset_finding(
    numbers: OperatorNumbers, offset: OperatorOffset, alike: tuple[str, ...]
) -> dict[OperatorFinding, str]:
    """Return what is said of an operator's mean: chance first, then whether it matters.

    Agreement is said only where no difference can matter.
    """
    name, study = offset.operator, numbers.study
    others = list(numbers.differences_of(name))
    the_others = "the mean of the others" if len(others) > 1 else others[0]
    if offset.differs:
        kind: OperatorFinding = HIGH if offset.size.value > 0.0 else LOW
        text = (
            f"{name} {kind}: {offset.size:+} against {the_others} ({100 * numbers.level:g}{JOIN}% "
            f"interval {offset.size:+l} to {offset.size:+u}, {p_text(offset.p)})"
        )
        if len(others) > 1:
            return {kind: " ".join([f"{text}.", *_practical(numbers, offset)])}
        text += "; which of the two is right, this study cannot say."
        last = name == study.operator_names[-1]  # what it means is said of the two once
        return {kind: " ".join([text, *(_practical(numbers, offset) if last else [])])}
    different = _different(numbers, name)
    if different:
        pairs = listed(
            [
                f"{length(abs(d), study.unit)} {'higher' if d > 0 else 'lower'} than {other}"
                for other, d in different.items()
            ]
        )
        rest = listed([other for other in others if other not in different])
        if not rest:
            return {BETWEEN: f"{name} reads {pairs}."}
        if alike:
            return {AGREES: f"{name} agrees with {rest}, but reads {pairs}."}
        return {AGREES: f"{name} reads {pairs}; no difference from {rest} shows beyond chance."}
    most, margin = length(offset.largest, study.unit), _margin_words(numbers)
    seen = f"no difference from {the_others} beyond chance"
    if offset.agrees:
        whom = "the other operators" if len(others) > 1 else others[0]
        return {
            AGREES: f"{name} agrees with {whom}: {seen}, and at most {most}, less than {margin}."
        }
    if offset.matters == "not known":
        return {AGREES: f"{name}: {seen}; it is at most {most}."}
    return {
        AGREES: f"{name}: {seen}; but up to {most} is not ruled out, and {margin} would matter."
    }


def _practical(numbers: OperatorNumbers, offset: OperatorOffset) -> list[str]:
    """Return what an offset that is no chance means here."""
    study, size = numbers.study, abs(offset.size.value)
    lines = []
    if offset.matters != "not known":
        width = None if study.tolerance is None else study.tolerance.width
        share = "" if width is None else f"{percent(100.0 * size / width)} of the tolerance, "
        against = _margin_words(numbers)
        lines.append(
            {
                "yes": f"That is {share}more than {against}.",
                "no": f"That is {share}less than {against}: it is shown, and does not matter here.",
                "open": f"That is {share}and {against} lies in the interval.",
            }[offset.matters]
        )
    if study.resolution is not None and size < study.resolution:
        lines.append(
            f"It is less than the last digit of the gauge ({length(study.resolution, study.unit)})"
            ", which a mean of many readings still shows."
        )
    if offset.without is not None and offset.without.known:
        of = WHOLE[study.judged_by]
        lines.append(f"Reading alike, GRR would take {offset.without:i} of {of}.")
    if length(abs(offset.as_read), study.unit) != length(size, study.unit):
        lines.append(
            f"As read it is {Estimate(offset.as_read, unit=study.unit):+}: other causes explain "
            "the rest."
        )
    return lines


def _margin_words(numbers: OperatorNumbers) -> str:
    study = numbers.study
    return (
        f"the {length(numbers.matters_from, study.unit)} at which one operator alone would bring "
        f"GRR to {study.rules.good_percent:g}{JOIN}%"
    )


def _different(numbers: OperatorNumbers, name: str) -> dict[str, float]:
    """Return who reads otherwise beyond chance, and by how much this operator is higher."""
    return {
        other: difference
        for other, (difference, p) in numbers.differences_of(name).items()
        if p < 1.0 - numbers.level
    }


def _agreeing(numbers: OperatorNumbers, name: str) -> tuple[str, ...]:
    """Return those who agree with an operator from whom others differ; else none.

    Agreement is no difference beyond chance, and none possible that matters.
    """
    different = _different(numbers, name)
    alike = tuple(other for other in numbers.differences_of(name) if other not in different)
    if not different or not alike:
        return ()
    pairs = numbers.pairs[["first", "second", "lower", "upper"]]
    close = all(
        max(abs(low), abs(high)) < numbers.matters_from
        for first, second, low, high in pairs.itertuples(index=False, name=None)
        if name in (first, second) and {first, second} & set(alike)
    )
    return alike if close else ()


def _headline(numbers: OperatorNumbers, conclusions: tuple[OperatorConclusion, ...]) -> str:
    """Return what was found, finding by finding, and who agrees: with everyone, or with whom."""
    people = {c.operator: shortened(c.operator, LONGEST_NAME) for c in conclusions}
    by_finding = _people_by_finding(conclusions)
    alike = by_finding.pop(AGREES, [])
    if numbers.common_drift:
        by_finding.pop(DRIFTS, None)
    partly = [c for c in conclusions if c.agrees_with]
    if not by_finding and not partly:
        return _all_agree(numbers, conclusions)
    phrases = [
        f"{listed([people[name] for name in names])} {_in_plural(finding, len(names))}"
        for finding, names in by_finding.items()
    ]
    group = {c.operator for c in partly}
    shown = {c.operator for c in conclusions if c.offset.agrees}
    beside = [name for name in alike if name not in group]
    if alike := [people[name] for name in beside if name in shown]:
        phrases.append(f"{listed(alike)} {_in_plural(AGREES, len(alike))}")
    if not_shown := [people[name] for name in beside if name not in shown]:
        phrases.append(f"no difference shows for {listed(not_shown)}")
    if len(group) > 1 and all({c.operator, *c.agrees_with} == group for c in partly):
        phrases.append(f"{listed([people[c.operator] for c in partly])} agree with each other")
    else:
        phrases += [
            f"{people[c.operator]} agrees with {listed([people[n] for n in c.agrees_with], 3)}"
            for c in partly
        ]
    return (
        "; ".join(
            [*phrases, *(["everyone's readings drift alike"] if numbers.common_drift else [])]
        )
        + "."
    )


def _all_agree(numbers: OperatorNumbers, conclusions: tuple[OperatorConclusion, ...]) -> str:
    """Return the headline where nobody reads high or low."""
    nobody = f"nobody scatters more{'' if numbers.no_drift else ', drifts'} or shifts"
    if numbers.common_drift:
        nobody = "nobody scatters more or shifts; everyone's readings drift alike"
    most = length(max(c.offset.largest for c in conclusions), numbers.study.unit)
    pairs = numbers.pairs[numbers.pairs["p"] < 1.0 - numbers.level]
    if not pairs.empty:
        apart = listed([*(pairs["first"] + " and " + pairs["second"])], 3)
        return f"{begun(apart)} read apart; {nobody}."
    if all(c.offset.agrees for c in conclusions):
        return f"The operators agree: no difference beyond chance, and at most {most}; {nobody}."
    return (
        f"No difference between the operators shows beyond chance; up to {most} is not ruled out. "
        f"{nobody[0].upper()}{nobody[1:]}."
    )


def _people_by_finding(
    conclusions: tuple[OperatorConclusion, ...],
) -> dict[OperatorFinding, list[str]]:
    people: dict[OperatorFinding, list[str]] = {}
    for conclusion in conclusions:
        for kind in conclusion.findings:
            people.setdefault(kind, []).append(conclusion.operator)
    return people


def _advice(conclusions: tuple[OperatorConclusion, ...]) -> list[tuple[str, str]]:
    """Return each finding with its operators, and its usual causes and how to confirm it."""
    return [
        (
            "Everyone's readings drift"
            if kind == DRIFTS and 1 < len(names) == len(conclusions)
            else f"{listed(names)} {_in_plural(kind, len(names))}",
            f"Usual causes: {CAUSES[kind]}. To confirm: {CONFIRM[kind]}",
        )
        for kind, names in _people_by_finding(conclusions).items()
        if kind in CAUSES
    ]


def _in_plural(finding: str, people: int) -> str:
    """Return "reads high" as it is said of one person, and "read high" of several."""
    if people == 1:
        return finding
    verb, _, rest = finding.partition(" ")
    return f"{verb.removesuffix('s')} {rest}".strip()


def _operator_rows(
    numbers: OperatorNumbers, conclusions: tuple[OperatorConclusion, ...]
) -> tuple[list[str], list[list[str]]]:
    unit = numbers.study.unit
    rows = []
    for conclusion in conclusions:
        offset = conclusion.offset.size
        sd, ratio = (numbers.value(conclusion.operator, c) for c in ("sd", "scatter_ratio"))
        rows.append(
            [
                conclusion.operator,
                length_and_half(offset.value, offset.upper - offset.value, unit),
                "—" if math.isnan(sd) else length(sd, unit),
                "—" if math.isnan(ratio) else figures(ratio),
                ", ".join(conclusion.in_words),
            ]
        )
    head = ["Operator", "from the others", "repeatability (sd)", "times the others'", "finding"]
    return head, rows


def _pair_table(numbers: OperatorNumbers) -> Table:
    head = ["Pair", "difference", f"{100 * numbers.level:g} % interval, all pairs", "p"]
    rows = []
    for first, second, difference, low, high, p in numbers.pairs.itertuples(index=False, name=None):
        found = Estimate(difference, low, high, numbers.study.unit)
        rows.append([f"{first} − {second}", f"{found:+}", f"{found:+l} to {found:+u}", p_cell(p)])
    return Table(head, rows, caption="All pairs (Tukey)")


def _consistency_table(numbers: OperatorNumbers) -> Table:
    """Return h and k; a star marks what lies beyond its limit."""
    columns = numbers.cells[["h", "k", "residual"]].reset_index()
    noise = NOISE * columns["residual"].abs().max()
    columns.loc[columns["residual"].abs() < noise, "residual"] = 0.0
    never = len(numbers.table) < 4  # h cannot pass its ceiling by enough to mean anything

    def starred(value: float, beyond: bool) -> str:
        text = f"{value:.2f}".replace("-", "−") + (" *" if beyond else "")
        return "—" if math.isnan(value) else text

    rows = [
        [
            part,
            operator,
            starred(h, not never and abs(h) > numbers.h_limit),
            starred(k, k > numbers.k_limit),
            "—" if math.isnan(residual) else f"{Estimate(residual, unit=numbers.study.unit):+}",
        ]
        for part, operator, h, k, residual in columns.itertuples(index=False, name=None)
    ]
    return Table(["Part", "operator", "h", "k", "left over"], rows, left=2)


def _consistency_note(numbers: OperatorNumbers) -> str:
    """Return what h and k are, and their limits."""
    text = (
        "h: how far an operator's mean of a part is from all operators' mean of it, in their "
        "standard deviations; k: an operator's scatter on a part over everyone's (ISO 5725-2, "
        "ASTM E691). Left over: what remains of a mean once part and operator are taken off. "
    )
    count = len(numbers.table)
    if count < 4:
        text += f"With {count} operators |h| cannot exceed {figures(numbers.h_ceiling, 4)}, so it "
        text += "is shown and never marked. "
    else:
        text += f"Limit of |h| {figures(numbers.h_limit, 3)}. "
    if not math.isnan(numbers.k_limit):
        text += f"Limit of k {figures(numbers.k_limit, 3)}. "
    level = f"{100 * (1 - CONSISTENCY_LEVEL):g}"
    return f"{text}A star marks what lies beyond; one in a hundred does by chance ({level} %)."


def _test_sentence(numbers: OperatorNumbers) -> str:
    """Return the tests of equal scatter in one sentence."""
    tests = numbers.scatter_tests
    if tests.empty:
        return "Nothing was repeated, so the operators' scatter cannot be compared."
    c, limit = (float(tests[column]["Cochran"]) for column in ("statistic", "limit"))
    if math.isnan(c):
        return "The readings repeat to the last digit, so the operators' scatter is hidden."
    bound = "" if math.isnan(limit) else f" (limit {figures(limit, 3)})"
    bartlett_p, cochran_p = (p_text(float(tests["p"][name])) for name in ("Bartlett", "Cochran"))
    return (
        f"Is the scatter equal? Bartlett's test: {bartlett_p}; Cochran's C = "
        f"{figures(c, 3)}{bound}, {cochran_p}."
    )
