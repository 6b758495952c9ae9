"""`grr.analyse_many`: one row a study, from a table, a file or a folder of study folders."""

from __future__ import annotations

from os import PathLike

import pandas as pd

from grr.files.study_file import STUDY_FILE
from grr.many.analyse import analyse_table
from grr.many.folders import analyse_folders
from grr.many.options import Options
from grr.many.reading import read_table
from grr.model.choices import OperatorsAre, PartsFrom, Purpose
from grr.model.errors import StudyError
from grr.model.rules import Rules
from grr.model.values import a_path, short_text


def analyse_many(
    readings: pd.DataFrame | str | PathLike[str],
    by: str = "study",
    tolerances: object = None,
    *,
    intervals: bool = False,
    level: float = 0.95,
    checks: bool = False,
    purpose: Purpose = "accept",
    operators: OperatorsAre = "random",
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
        Run `grr.check` on every study, and count in ``flags`` what must be mended; it
        takes many times as long. Without it a complete study is decided as if nothing
        had to be mended, and its column ``checked`` is False.
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
    The formulas are those of `grr.anova`, which it equals study by study. Limits of
    complete studies come from 10,000 draws, a tenth of what `GaugeResult.intervals` takes:
    where a bound lies on a limit of the rules, the decision may differ from `grr.verdict`.
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
            return analyse_folders(path, by, options, progress=progress)
        readings = read_table(path, labels=(by, "part", "operator", "method"))
    return analyse_table(readings, by, tolerances, options, progress=progress)
