"""`grr.analyse_many`: one row a study, from a table, a file or a folder of study folders."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from os import PathLike
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pandas as pd

from grr.files.folder import open_study
from grr.files.study_file import STUDY_FILE
from grr.formulas.analysis_of_variance import (
    Components,
    CrossedAnova,
    among_people,
    components_by_rule,
    crossed_anova,
)
from grr.formulas.arrays import Array, Mask
from grr.formulas.coarse_digit import COARSE, COARSE_FOR_GUARD, as_read
from grr.formulas.confidence_limits import quantity_limits, variance_draws
from grr.formulas.pivots import Pivots, crossed_pivots, effective_df, floored_pivots
from grr.formulas.reml import reml_by_rule
from grr.formulas.sources_of_variation import (
    Specification,
    floored_components,
    sources_of_variation,
)
from grr.formulas.unweighted_means import UnweightedMeans, unweighted_means
from grr.many.stack_limits import Given, StackDraws, decisions
from grr.many.stacks import Codes, Shape, Stack, Stacked, laid_out, stacked
from grr.many.table import FILE_ROW, Specifications, read_table, readings_of_studies, specifications
from grr.model.choices import SOURCES, Decision, OperatorsAre, PartsFrom, Purpose
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.readings_table import FURTHER
from grr.model.rules import Rules
from grr.model.study import Cube, Study
from grr.model.tolerance import Tolerance
from grr.model.values import a_path, finer_than, number, one_of, people_who_measure, short_text
from grr.questions.acceptance import NO_PRICE, guard_and_price, priced_parts
from grr.questions.causes import causes_in, largest_causes
from grr.questions.check import check, number_to_mend
from grr.questions.deciding import decide
from grr.questions.gauge import GaugeResult, anova, fit_together
from grr.questions.intervals import interval_frame
from grr.questions.scatter import scatter_forbids_use
from grr.questions.verdict import criterion_from, judged


def analyse_many(
    readings: pd.DataFrame | str | PathLike[str],
    by: str = "study",
    tolerances: object = None,
    *,
    intervals: bool = False,
    level: float = 0.95,
    checks: bool = False,
    purpose: Purpose = "accept",
    operators: OperatorsAre | int = "random",
    parts_from: PartsFrom = "process",
    rules: Rules | None = None,
    progress: bool = False,
) -> pd.DataFrame:
    """Analyse many studies at once and return one row a study.

    Parameters
    ----------
    readings : DataFrame or path
        A long table, one row a reading: the column ``by`` and those of `grr.Study`
        (part, operator, trial, reading). Or the path of such a table as CSV, XLSX or
        Parquet, or of a folder: of Parquet files that are one table, or of study folders.
        Those are each judged by their own ``study.toml``: purpose, operators, parts_from
        and rules given here do not apply to them.
    by : str
        The column that names the study; for study folders the name of that column in
        the result.
    tolerances : optional
        One `Tolerance` for all; a mapping from study to `Tolerance`; or a table, or the
        path of one, with the column ``by`` and any of lower, upper, resolution,
        process_sd and process_mean. Studies not named in it have no tolerance.
    intervals : bool
        Also give limits of every quantity, and the decision.
    level : float
        Confidence of the limits.
    checks : bool
        Look for all that `grr.check` finds in every study, and say in ``flags`` how much must be
        mended, or else the biggest cause, as `grr.assess` names it. A table that gives order,
        time, sessions, places or gauges takes many times as long: each study is then checked
        alone. Without it a complete study is decided as if nothing had to be mended, and its
        column ``checked`` is False.
    purpose, operators, parts_from, rules : optional
        As in `grr.Study`, for all studies of a table.
    progress : bool
        Show a bar.

    Returns
    -------
    DataFrame
        In the order in which the studies first appear: ``by``, parts, operators, trials,
        readings, mean, estimator; sd, percent_contribution, percent_tv and
        percent_tolerance of EV, AV, INT, GRR, PV and TV, as ``GRR_percent_tolerance``;
        ndc_exact, ndc; with ``intervals`` each with ``_lower`` and ``_upper``; dominant
        (the largest of EV, AV and INT); by_manual (good, between, over); decision, and
        checked, whether `grr.check` went into it; flags; error. Lengths in the unit of the
        readings. NaN (<NA> in a count) where a study cannot tell; ``error`` says what is
        wrong with a study that could not be analysed, and the others are not affected.

    Raises
    ------
    StudyError
        The table, the file or an option cannot be used at all.

    Notes
    -----
    The formulas are those of `grr.anova`, which it equals study by study: of 1,050 with planted
    faults, 490 with readings missing, none had another value, decision or flag together than
    alone (``tests/coverage/many_checks.md``). Limits of crossed studies come from 2048 evenly
    spread points in place of 100,000 random draws; where operators are a sample from 256 weighted
    ones, at each of which the mean square that scatters most is taken through all its values. The
    upper limit of GRR's sd then lies 0.3 % away from that of
    `GaugeResult.intervals` with three operators, 0.9 % with two on five parts (root mean square),
    no more than the draws of two seeds differ by, 0.3 and 1.1 %; single limits of a small source
    lie up to 18 % away, with another seed up to 28 %: ``tests/coverage/even_draws.md``. Whatever
    would be decided otherwise were GRR's bounds 0.6 % larger or smaller (more with two operators,
    uneven scatter or for purpose "control") is decided by the draws of `grr.verdict`: no decision
    of 1,000 differed.
    With a level or a confidence over 0.99 every study takes the draws. The scatter of the repeats
    is tested without the order of measuring unless ``checks`` is asked for.

    Examples
    --------
    >>> readings = pd.concat(
    ...     grr.open_study(f"demo_data/{name}").readings.assign(study=name)
    ...     for name in ("dowel_pin", "dowel_pin_handheld")
    ... )
    >>> limits = {"study": ["dowel_pin", "dowel_pin_handheld"], "lower": 10.006, "upper": 10.012}
    >>> table = grr.analyse_many(readings, tolerances=pd.DataFrame(limits), progress=False)
    >>> table.set_index("study")["GRR_percent_tolerance"].round(1)
    study
    dowel_pin              6.9
    dowel_pin_handheld    40.8
    Name: GRR_percent_tolerance, dtype: float64
    """
    short_text("by", by)
    options = Options(
        purpose=purpose,
        operators=operators,
        parts_from=parts_from,
        rules=Rules() if rules is None else rules,
        intervals=intervals,
        level=level,
        checks=checks,
    )
    if isinstance(tolerances, (str, PathLike)):
        tolerances = read_table(a_path(tolerances), labels=(by,))
    if isinstance(readings, (str, PathLike)):
        path = a_path(readings)
        if path.is_dir() and any(path.rglob(STUDY_FILE)):
            if tolerances is not None:
                raise StudyError(
                    "Study folders have tolerances of their own",
                    "Leave tolerances out; change study.toml where one is wrong",
                    file=path,
                )
            return _analyse_folders(path, by, options, progress=progress)
        readings = read_table(path, labels=(by, "part", "operator", "method"))
    return _analyse_table(readings, by, tolerances, options, progress=progress)


@dataclass(frozen=True)
class Options:
    """See `grr.analyse_many` for each."""

    purpose: Purpose = "accept"
    operators: OperatorsAre | int = "random"
    parts_from: PartsFrom = "process"
    rules: Rules = field(default_factory=Rules)
    intervals: bool = False
    level: float = 0.95
    checks: bool = False

    @property
    def decides(self) -> bool:
        """Whether each study is decided."""
        return self.intervals or self.checks

    def __post_init__(self) -> None:
        one_of("purpose", self.purpose, get_args(Purpose))
        people_who_measure(self.operators, 1)
        one_of("parts_from", self.parts_from, get_args(PartsFrom))
        if not isinstance(self.rules, Rules):
            raise StudyError(
                "The rules are no Rules", "Write grr.Rules(limit_percent=...)", value=self.rules
            )
        number("level", self.level, above=0.0, below=1.0)


#: The columns of a row: what was studied, …
FIRST = ("parts", "operators", "trials", "readings", "mean", "estimator")
#: … what came out for each source, …
ROW_MEASURES = ("sd", "percent_contribution", "percent_tv", "percent_tolerance")
QUANTITIES = (
    *(f"{source}_{measure}" for source in SOURCES for measure in ROW_MEASURES),
    "ndc_exact",
    "ndc",
)
#: … their limits, and what follows from it all, decisions only where they were asked for.
LAST = ("dominant", "by_manual", "decision", "checked", "flags", "error")
_OF_DECISIONS = ("decision", "checked")
#: Whole numbers, also where a study has none.
_COUNTS = ("parts", "operators", "trials", "readings", "ndc")
#: What GRR is made of.
_INSIDE = ("EV", "AV", "INT")
#: By whether the interaction was pooled; one operator has none.
_ESTIMATORS = {True: "anova, interaction pooled", False: "anova, interaction kept"}
_ONE_OPERATOR = "anova, one operator"
_BELOW_ZERO = "{} estimated below zero, taken as 0"
_HIDDEN = "repeatability hidden by rounding"

_Row = dict[str, object]


def _analyse_table(
    readings: pd.DataFrame,
    by: str,
    tolerances: object,
    options: Options,
    *,
    progress: bool = False,
) -> pd.DataFrame:
    """Return one row a study from a long table of the readings of all studies.

    See `grr.analyse_many`.
    """
    table = readings_of_studies(readings, by)
    studies = stacked(table, by)
    specs = specifications(tolerances, studies.names, by)
    blocks = []
    with _progress_bar(len(studies.names), shown=progress) as bar:
        for stack in _stacks_of(studies, table, options):
            plain = _may_stack(stack, specs, options)
            if plain.any():
                kept = stack if plain.all() else stack.where(plain)
                try:
                    blocks.append(_rows_of_stack(kept, specs, options, bar))
                except StudyError:  # of one in which readings are missing: each gets its own
                    continue
        done = np.concatenate([[], *(block["number"] for block in blocks)]).astype(np.intp)
        left = np.ones(len(studies.names), dtype=np.bool_)
        left[done] = False
        alone = np.flatnonzero(left)
        each = _readings_of(table, by, studies, alone)
        for start in range(0, len(each), _TOGETHER):
            some = each[start : start + _TOGETHER]
            blocks.append(pd.DataFrame(_rows_of_readings(some, specs, options, bar)))
    blocks.append(_without_a_study(studies, by))
    blocks = [block for block in blocks if len(block)]
    found = blocks[0]
    if len(blocks) > 1:
        found = pd.concat(blocks, ignore_index=True).sort_values("number", ignore_index=True)
    found.insert(0, by, [*studies.names, None][: len(found)])
    return _ordered(found.drop(columns="number"), by)


def _readings_of(
    table: pd.DataFrame, by: str, studies: Stacked, alone: Codes
) -> list[tuple[int, pd.DataFrame]]:
    """Return the readings of the studies that are taken one by one."""
    if len(alone) == 0:
        return []
    wanted = np.isin(studies.codes, alone)
    groups = table[wanted].drop(columns=by).groupby(studies.codes[wanted], sort=True)
    return [(int(str(number)), group) for number, group in groups]


def _without_a_study(studies: Stacked, by: str) -> pd.DataFrame:
    """Return a row with the error where readings name no study."""
    count = int((studies.codes < 0).sum())
    error = StudyError(
        f"{count} readings name no study", "Write the study beside each reading", column=by
    )
    row = {"number": len(studies.names), "readings": count, "error": str(error)}
    return pd.DataFrame([row] if count else [])


def _analyse_folders(top: Path, by: str, options: Options, *, progress: bool) -> pd.DataFrame:
    """Return one row for each study folder under ``top``, named by its path in it."""
    folders = sorted(file.parent for file in top.rglob(STUDY_FILE))
    rows = []
    with _progress_bar(len(folders), shown=progress) as bar:
        for folder in folders:
            name = folder.relative_to(top).as_posix() if folder != top else folder.name
            rows.append({by: name, **_row_of_folder(folder, options)})
            bar.update(1)
    return _ordered(pd.DataFrame(rows), by)


def _row_of_folder(folder: Path, options: Options) -> _Row:
    try:
        return _row_of_result(anova(open_study(folder)), options)
    except StudyError as error:
        return {"error": str(error)}


def _ordered(table: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return the rows with every column in its place; counts whole, texts never NaN."""
    first = [by, *FIRST, *QUANTITIES]
    limits = [name for name in table if name not in (*first, *LAST)]
    last = [name for name in LAST if name in table or name not in _OF_DECISIONS]
    table = table.reindex(columns=[*first, *limits, *last])
    texts = ["estimator", *(name for name in last if name != "checked")]
    table = table.astype(dict.fromkeys(texts, object) | dict.fromkeys(_COUNTS, "Int64"))
    for name in texts:
        table[name] = table[name].fillna("")
    if "checked" in table:
        table["checked"] = table["checked"].eq(True)
    return table


def _progress_bar(studies: int, *, shown: bool) -> Any:
    """Return a bar that counts studies."""
    from tqdm import tqdm

    return tqdm(total=studies, unit=" studies", disable=not shown)


def _stacks_of(studies: Stacked, table: pd.DataFrame, options: Options) -> list[Stack]:
    """Return the stacks; none to be checked where a check would ask for the order.

    Studies in which readings are missing are checked whenever they are decided.
    """
    known = [name for name in ("order", "time", *FURTHER) if name in table]
    without_order = not table[known].notna().any(axis=None)
    wanted = [] if options.checks else list(studies.stacks)
    alike: list[tuple[Codes, Shape]] = []
    if options.checks and without_order:
        alike += [(stack.studies, stack.shape) for stack in studies.stacks]
    if without_order or not options.decides:
        alike += studies.incomplete
    for members, shape in alike:
        stack = laid_out(members, shape, studies.codes, table)
        places = np.arange(len(stack.studies))
        wanted += [stack.where(places[n : n + _TOGETHER]) for n in places[::_TOGETHER]]
    return wanted


def _may_stack(stack: Stack, specs: Specifications, options: Options) -> Mask:
    """Return which studies of a stack need no look of their own."""
    too_few_people = (
        not isinstance(options.operators, str) and options.operators < stack.readings.shape[2]
    )
    if too_few_people:
        return np.zeros(len(stack.studies), dtype=np.bool_)
    plain = specs.usable[stack.studies]
    step = specs.resolution[stack.studies]
    if np.isfinite(step).any():
        finer = finer_than(stack.readings, step[:, None, None, None])
        plain = plain & ~finer.any(axis=(1, 2, 3))
    return plain


# Studies of one shape, a stack at a time.


def _rows_of_stack(stack: Stack, specs: Specifications, options: Options, bar: Any) -> pd.DataFrame:
    found = _stack_result(stack, specs, options)
    block = pd.DataFrame({"number": found.stack.studies, **found.columns})
    if not options.decides:
        bar.update(len(block))
        return block
    rows = _limits_and_decisions(found, found.stack.studies, specs, options, done=bar.update)
    if options.checks or found.incomplete:
        to_mend, said = _checked(found, specs, options)
        block["flags"] = [
            "; ".join(filter(None, both)) for both in zip(block["flags"], said, strict=True)
        ]
        rows.loc[to_mend > 0, "decision"] = Decision.NOT_DECIDED
        rows["checked"] = True
    return pd.concat([block, rows], axis=1)


def _checked(
    found: _StackResult, specs: Specifications, options: Options
) -> tuple[Codes, list[str]]:
    """Return how much must be mended in each study, and its flag: that, or the largest cause."""
    stack, of = found.stack, found.stack.studies
    shown = np.square(found.columns["GRR_sd"])
    people = people_who_measure(options.operators, found.squares.operators)
    given = (vars(specs)[name][of] for name in ("resolution", "lower", "upper"))
    to_mend = number_to_mend(stack.readings, *given)
    flags = [f"{number} to mend" if number else "" for number in to_mend]
    well = np.flatnonzero((to_mend == 0) & options.checks)
    causes = largest_causes(
        stack.readings[well],
        specs.resolution[of[well]],
        shown=shown[well],
        floored=found.hidden[well],
        people=people,
    )
    for n, cause in zip(well, causes, strict=True):
        if cause is not None:
            operator = None if cause.operator is None else stack.operators[n][cause.operator]
            flags[n] = _cause_flag(cause.kind, operator, stack.parts[n][list(cause.parts)])
    return to_mend, flags


Squares = CrossedAnova | UnweightedMeans


@dataclass(frozen=True)
class _StackResult:
    """What was computed for one stack.

    Attributes
    ----------
    columns : dict
        Name → one value for all studies, or one for each.
    stack : Stack
        The studies that could be analysed.
    squares : CrossedAnova or UnweightedMeans
    hidden : ndarray
        Where the repeatability is hidden by the rounding of the gauge.
    """

    columns: dict[str, Any]
    stack: Stack
    squares: Squares
    hidden: Mask

    @property
    def incomplete(self) -> bool:
        """Whether readings are missing."""
        return isinstance(self.squares, UnweightedMeans)


def _stack_result(stack: Stack, specs: Specifications, options: Options) -> _StackResult:
    """Return the columns of the studies in one stack, and what their intervals need."""
    rules, (_, _, operators, trials) = options.rules, stack.readings.shape
    people = people_who_measure(options.operators, operators)
    how: dict[str, Any] = {"interaction": rules.interaction, "pool_above": rules.pool_above}
    incomplete = bool(np.isnan(stack.readings.min()))
    squares: Squares
    if incomplete:
        packed = Cube(stack.readings, (), (), ()).packed
        operators_are = "fixed" if people == operators else "random"
        fit, pooled = reml_by_rule(packed, operators=operators_are, **how)
        if not fit.converged.all():  # those that did not are told why one by one
            return _stack_result(stack.where(fit.converged), specs, options)
        squares = unweighted_means(packed)
        found, mean, known = fit.components, fit.mean, people != operators
    else:
        squares = crossed_anova(stack.readings)
        found, pooled = components_by_rule(squares, **how)
        mean, known = squares.mean, operators > 1
    if known:
        found = among_people(found, people)
    found, hidden = floored_components(found, specs.resolution[stack.studies])
    kept = [
        text.replace("anova", "reml") if incomplete else text
        for text in (_ESTIMATORS[True], _ESTIMATORS[False], _ONE_OPERATOR)
    ]
    columns: dict[str, Any] = {
        "parts": squares.parts,
        "operators": operators,
        "trials": trials,
        "readings": np.isfinite(stack.readings).sum(axis=(1, 2, 3))
        if incomplete
        else stack.readings[0].size,
        "mean": mean,
        "estimator": np.where(pooled, kept[0], kept[1]) if operators > 1 else kept[2],
    }
    columns |= _source_columns(found, mean, stack.studies, specs, options)
    inside = np.nan_to_num([columns[f"{source}_sd"] for source in _INSIDE])
    columns["dominant"] = np.array(_INSIDE)[np.argmax(inside, axis=0)]
    columns["by_manual"] = _by_manual(columns[_judged_by(options.purpose)], rules)
    fixed = ["readings missing"] * incomplete + _design_flags(operators, trials)
    flags = [(hidden, _HIDDEN)]
    flags += [
        (np.asarray(value < 0), _BELOW_ZERO.format(name))
        for name, value in (("AV", found.operator), ("INT", found.interaction), ("PV", found.part))
    ]
    columns["flags"] = _stack_flags(fixed, flags)
    return _StackResult(columns, stack, squares, hidden)


def _source_columns(
    found: Components, mean: Array, studies: Codes, specs: Specifications, options: Options
) -> dict[str, Array]:
    """Return EV to TV × `ROW_MEASURES`, and ndc."""
    sources = sources_of_variation(
        found,
        mean=mean,
        spread=options.rules.spread,
        lower=specs.lower[studies],
        upper=specs.upper[studies],
        process_mean=specs.process_mean[studies],
        process_sd=specs.process_sd[studies],
        parts_represent=options.parts_from == "process",
    )
    columns = {
        f"{source}_{measure}": getattr(sources, measure)[:, place]
        for place, source in enumerate(SOURCES)
        for measure in ROW_MEASURES
    }
    return {**columns, "ndc_exact": sources.ndc_exact, "ndc": sources.ndc}


def _stack_flags(fixed: list[str], flags: list[tuple[Mask, str]]) -> list[str]:
    """Return what holds of all studies, and of each."""
    number = sum((mask.astype(int) << i for i, (mask, _) in enumerate(flags)), start=0)
    words = {
        int(n): "; ".join([*fixed, *(w for i, (_, w) in enumerate(flags) if int(n) >> i & 1)])
        for n in np.unique(number)
    }
    return pd.Series(np.atleast_1d(number)).map(words).to_list()


#: Studies at a time.
_CHUNK = 200

#: Over this confidence too few of the evenly spread points lie beyond a limit.
_SURE = 0.99


def _limits_and_decisions(
    found: _StackResult,
    studies: Codes,
    specs: Specifications,
    options: Options,
    *,
    done: Callable[[int], object],
) -> pd.DataFrame:
    """Return lower and upper limits of every quantity, and the decision, a row a study.

    Parameters
    ----------
    found : _StackResult
    studies : ndarray
        Positions of the stack's studies among all.
    specs : Specifications
    options : Options
    done : callable
        Told how many studies have been finished.
    """
    if max(options.level, options.rules.confidence) > _SURE:
        rows = []
        for place in range(len(studies)):
            row = _exactly(
                found, place, int(studies[place]), specs, options, limits=options.intervals
            )
            rows.append(row)
            done(1)
        return pd.DataFrame(rows)
    one_limit = np.isnan(specs.lower[studies]) != np.isnan(specs.upper[studies])
    alike, blocks = [np.flatnonzero(one_limit), np.flatnonzero(~one_limit)], []
    for some in alike:
        for start in range(0, len(some), _CHUNK):
            here = some[start : start + _CHUNK]
            blocks.append(_evenly(found, here, studies[here], specs, options))
            done(len(here))
    back = np.argsort(np.concatenate(alike))
    return pd.DataFrame(
        {name: np.concatenate([b[name] for b in blocks])[back] for name in blocks[0]}
    )


def _evenly(
    found: _StackResult, here: Codes, studies: Codes, specs: Specifications, options: Options
) -> dict[str, Any]:
    """Return limits and decisions of some studies of a stack, from evenly spread points."""
    values = {name: np.asarray(found.columns[name])[here] for name in (*QUANTITIES, "mean")}
    given = Given(**{name: value[studies] for name, value in vars(specs).items()})
    readings, hidden, trials = (
        found.stack.readings[here],
        found.hidden[here],
        found.stack.readings.shape[-1],
    )
    draws = StackDraws(
        _studies_of(found.squares, here),
        effective_df(readings).used if trials > 1 else None,
        given,
        hidden=hidden,
        grr_sd=values["GRR_sd"],
        operators=options.operators,
        spread=options.rules.spread,
    )
    columns: dict[str, Any] = {}
    stated = ~np.isnan(given.process_sd)
    limits_of = draws.limits(0.5 * (1.0 - options.level)) if options.intervals else {}
    for name, limits in limits_of.items():
        none = np.isnan(values[_COLUMN_OF.get(name, name)])
        if name.startswith("EV_"):
            none |= hidden
        if name.startswith(("PV_", "TV_")) and options.parts_from == "chosen":
            none |= ~stated
        columns[f"{name}_lower"] = np.where(none, np.nan, limits[0])
        columns[f"{name}_upper"] = np.where(none, np.nan, limits[1])

    def forbids_use(rows: Codes) -> Mask:
        if trials == 1:
            return np.zeros(len(rows), dtype=np.bool_)
        return scatter_forbids_use(readings[rows], given.resolution[rows])

    decided = decisions(
        draws,
        values,
        forbids_use,
        rules=options.rules,
        purpose=options.purpose,
        parts_from=options.parts_from,
    )
    decision = decided.decision
    for place in np.flatnonzero(decided.close):
        exact = _exactly(found, int(here[place]), int(studies[place]), specs, options, limits=False)
        decision[place] = exact["decision"]
    return {**columns, "decision": decision, "checked": np.zeros(len(here), dtype=np.bool_)}


#: Which estimate says whether a quantity without a column of its own has limits.
_COLUMN_OF = {"ndc": "ndc_exact", "ICC": "PV_percent_contribution"}


def _exactly(
    found: _StackResult,
    place: int,
    study: int,
    specs: Specifications,
    options: Options,
    *,
    limits: bool,
) -> _Row:
    """Return the decision of one study of a stack, and its limits, from the draws of `grr.verdict`.

    Parameters
    ----------
    found : _StackResult
    place, study : int
        Its position in the stack, and among all.
    specs : Specifications
    options : Options
    limits : bool
        Whether the limits are wanted as well.
    """
    squares = _studies_of(found.squares, place)
    df = effective_df(found.stack.readings[place])
    less, trials = df.used < df.counted, found.stack.readings.shape[-1]
    pivots = crossed_pivots(
        squares, operators=options.operators, df_error=float(df.used) if less else None
    )
    values = {name: float(np.asarray(found.columns[name])[place]) for name in QUANTITIES}
    hidden = bool(found.hidden[place])
    step = float(specs.resolution[study])
    plain = pivots
    if hidden:
        pivots = floored_pivots(pivots, step)

    def read(below: float) -> Pivots:
        seen = as_read(plain, values["GRR_sd"], step, below=below)
        return pivots if seen is plain else seen

    specification = Specification(spread=options.rules.spread, **specs.of(study))
    row: _Row = {}
    if limits:
        row |= _stack_limits(pivots, specification, values, options, hidden=hidden)
    decision = Decision.NOT_DECIDED
    ratio = values[_judged_by(options.purpose)]
    if not np.isnan(ratio):
        judged_by = criterion_from(
            ratio,
            pivots,
            specification,
            options.rules,
            options.purpose,
            read=read(COARSE),
        )
        how: dict[str, Any] = {
            "most_refused": options.rules.most_refused_percent,
            "purpose": options.purpose,
            "one_operator": squares.operators == 1,
            "must_mend": False,
            "scatter_forbids": judged_by.by_confidence == "good"
            and trials > 1
            and bool(
                scatter_forbids_use(found.stack.readings[[place]], specs.resolution[[study]])[0]
            ),
        }
        decision = decide(judged_by, NO_PRICE, **how)
        if decision == Decision.NOT_DECIDED:
            price = _price(
                pivots,
                values,
                read=read(COARSE_FOR_GUARD),
                mean=float(np.asarray(found.columns["mean"])[place]),
                specification=specification,
                tolerance=specs.tolerance(study),
                options=options,
            )
            decision = decide(judged_by, price, **how)
    return {**row, "decision": decision, "checked": False}


def _price(
    pivots: Pivots,
    values: dict[str, float],
    *,
    read: Pivots,
    mean: float,
    specification: Specification,
    tolerance: Tolerance | None,
    options: Options,
) -> Estimate:
    """Return what acceptance limits would cost, as `grr.verdict` counts it."""
    if options.purpose != "accept" or tolerance is None or not values["GRR_sd"] > 0.0:
        return NO_PRICE
    parts = priced_parts(
        tolerance,
        mean=mean,
        part_sd=values["PV_sd"],
        pivots=pivots,
        confidence=options.rules.confidence,
        process_mean=specification.process_mean,
        process_sd=specification.process_sd,
        parts_from=options.parts_from,
    )
    draws, as_it_is_read = (
        np.sqrt(variance_draws(one, "GRR", specification)) for one in (pivots, read)
    )
    return guard_and_price(
        tolerance,
        draws,
        values["GRR_sd"],
        read=as_it_is_read,
        parts=parts,
        rules=options.rules,
    )[1]


def _studies_of(squares: Squares, here: Codes | int) -> Squares:
    each: dict[str, Any] = {name: v[here] for name, v in vars(squares).items() if np.ndim(v)}
    return replace(squares, **each)


def _stack_limits(
    pivots: Pivots,
    specification: Specification,
    values: dict[str, float],
    options: Options,
    *,
    hidden: bool,
) -> _Row:
    """Return the limits under the names of their columns; NaN where a result gives none."""
    without = {"EV"} if hidden else set()
    if options.parts_from == "chosen" and specification.process_sd is None:
        without |= {"PV", "TV"}
    row: _Row = {}
    limits_of = quantity_limits(pivots, specification, level=options.level)
    for (quantity, measure), limits in limits_of.items():
        if measure not in (*ROW_MEASURES, "value"):
            continue
        name = quantity if measure == "value" else f"{quantity}_{measure}"
        none = quantity in without or np.isnan(values[_COLUMN_OF.get(name, name)])
        row[f"{name}_lower"] = np.nan if none else float(limits.lower)
        row[f"{name}_upper"] = np.nan if none else float(limits.upper)
    return row


# Studies that do not stack, and those in folders: one at a time, as `grr.anova` takes them.


#: So many are fitted, and checked, at once.
_TOGETHER = 200


def _rows_of_readings(
    each: list[tuple[int, pd.DataFrame]], specs: Specifications, options: Options, bar: Any
) -> list[_Row]:
    """Return the rows of some studies; a study that cannot be analysed gives its error."""
    made: list[Study | _Row] = [_study_or_error(*one, specs, options) for one in each]
    fit_together([study for study in made if isinstance(study, Study)])
    rows = []
    for (place, readings), study in zip(each, made, strict=True):
        if isinstance(study, Study):
            try:
                row = _row_of_result(anova(study), options)
            except StudyError as error:
                row = _error_row(error, readings)
        else:
            row = study
        rows.append({"number": place, **row})
        bar.update(1)
    return rows


def _study_or_error(
    number: int, readings: pd.DataFrame, specs: Specifications, options: Options
) -> Study | _Row:
    try:
        return Study(
            readings,
            rules=options.rules,
            purpose=options.purpose,
            operators=options.operators,
            parts_from=options.parts_from,
            **specs.options(number),
        )
    except StudyError as error:
        return _error_row(error, readings)


def _error_row(error: StudyError, readings: pd.DataFrame) -> _Row:
    return {"readings": len(readings), "error": str(_with_row_of_file(error, readings))}


def _with_row_of_file(error: StudyError, readings: pd.DataFrame) -> StudyError:
    """Return the error with the row of the file in place of the row among the study's own."""
    if error.row is None or readings.index.name != FILE_ROW:
        return error
    row = int(readings.index[error.row - 1])
    return error.at(row=row)


def _row_of_result(result: GaugeResult, options: Options) -> _Row:
    """Return the columns of one result, as a stack gives them."""
    study = result.study
    row: _Row = {
        "parts": len(study.parts),
        "operators": len(study.operator_names),
        "trials": study.trials,
        "readings": study.taken,
        "mean": result.mean,
        "estimator": _estimator(result),
    }
    for source in SOURCES:
        for measure in ROW_MEASURES:
            row[f"{source}_{measure}"] = result.value(source, measure)
    row["ndc_exact"] = result.ndc_exact
    row["ndc"] = np.nan if result.ndc is None else result.ndc
    row["dominant"] = result.dominant_source
    ratio = np.asarray(row[_judged_by(study.purpose)])
    row["by_manual"] = str(_by_manual(ratio, study.rules))
    flags = _flags_of_one(result)
    if options.intervals:
        row |= _limits_of_one(result, options.level)
    if options.intervals or options.checks:
        to_mend = sum(finding.severity == "mend" for finding in check(study))
        if to_mend:
            flags.append(f"{to_mend} to mend")
        elif options.checks:
            for cause in causes_in(result).named[:1]:
                parts = [] if cause.part is None else [cause.part]
                flags.append(_cause_flag(cause.kind, cause.operator, parts))
        _, decision = judged(result)
        row |= {"decision": decision, "checked": True}
    row["flags"] = "; ".join(flags)
    return row


def _cause_flag(kind: str, operator: str | None, parts: Iterable[str]) -> str:
    """Return the biggest cause by the words of `grr.assess`: "cause: operator_offset (Jan)"."""
    which = ", ".join(parts)
    names = [name for name in (operator, which and f"part {which}") if name]
    return f"cause: {kind}" + (f" ({', '.join(names)})" if names else "")


def _estimator(result: GaugeResult) -> str:
    if result.study.design == "nested":
        return "nested"
    one = len(result.study.operator_names) < 2
    moments = _ONE_OPERATOR if one else _ESTIMATORS[result.pooled]
    return moments if result.study.balanced else moments.replace("anova", "reml")


def _flags_of_one(result: GaugeResult) -> list[str]:
    study = result.study
    flags = [] if study.balanced or study.design == "nested" else ["readings missing"]
    flags += _design_flags(len(study.operator_names), study.trials)
    if result.floored:
        flags.append(_HIDDEN)
    order = [name for name in ("AV", "INT", "PV") if name in result.below_zero]
    return [*flags, *(_BELOW_ZERO.format(name) for name in order)]


def _limits_of_one(result: GaugeResult, level: float) -> _Row:
    limits = interval_frame(result, level=level, even=level <= _SURE)
    row: _Row = {}
    for key, lower, upper in zip(limits.index, limits["lower"], limits["upper"], strict=True):
        quantity, measure = str(key[0]), str(key[1])
        if measure in (*ROW_MEASURES, "value"):
            name = quantity if measure == "value" else f"{quantity}_{measure}"
            row[f"{name}_lower"], row[f"{name}_upper"] = lower, upper
    return row


# What both kinds of row share.


def _by_manual(ratio: Array, rules: Rules) -> Array:
    """Return the manual's class of each ratio: good, between or over; "" where there is none."""
    return np.select(
        [ratio < rules.good_percent, ratio <= rules.limit_percent, ratio > rules.limit_percent],
        ["good", "between", "over"],
        default="",
    )


def _judged_by(purpose: str) -> str:
    """Return the column that a study for this purpose is judged by."""
    return "GRR_percent_tolerance" if purpose == "accept" else "GRR_percent_tv"


def _design_flags(operators: int, trials: int) -> list[str]:
    """Return what the design of a study cannot show."""
    return ["one operator"] * (operators < 2) + ["one trial"] * (trials < 2)
