"""Many studies on many machines: `grr.analyse_many` on the partitions of a Parquet data set.

Needs Dask: ``pip install grr[cluster]``.
"""

from __future__ import annotations

from importlib import import_module
from os import PathLike
from pathlib import Path
from typing import Any

import pandas as pd

from grr.files.allowed_files import refuse_irregular
from grr.many.analyse import analyse_many as analyse_table
from grr.many.table import read_table, specifications
from grr.model.errors import StudyError


def analyse_many(
    path: str | PathLike[str],
    by: str = "study",
    tolerances: object = None,
    *,
    client: Any = None,
    split: str = "repartition",
    **options: Any,
) -> pd.DataFrame:
    """Analyse the studies of a partitioned Parquet data set, the partitions side by side.

    Parameters
    ----------
    path : str or path
        A Parquet file or a folder of them, in any place that every worker can read.
    by : str
    tolerances : optional
        As in `grr.analyse_many`.
    client : dask.distributed.Client, optional
        The cluster to work on; the current one, or else this machine's own threads.
    split : {"repartition", "error"}
        What to do where the readings of one study lie in two partitions: bring each
        study together first, or refuse.
    **options
        As in `grr.analyse_many`: intervals, checks, purpose, rules and so on.

    Returns
    -------
    DataFrame
        As from `grr.analyse_many`, in the order of the partitions.

    Raises
    ------
    StudyError
        Dask is not installed, the data set cannot be read, or a study is split and
        ``split`` is "error".
    """
    if split not in ("repartition", "error"):
        raise StudyError(
            "split is not a word known here", "Use one of: repartition, error", value=split
        )
    dask = _dask()
    try:
        if Path(path).exists():  # elsewhere (a data lake) there are no pipes
            refuse_irregular(Path(path))
        table = dask.dataframe.read_parquet(str(path))
    except StudyError:
        raise
    except (OSError, ValueError, IndexError) as error:
        raise StudyError(
            "The data set cannot be read", "Name a folder of Parquet files", file=path, value=error
        ) from None
    if by not in table.columns:
        raise StudyError(
            f"The readings have no column {by}", "Name the column of the studies with by", file=path
        )
    names = _names_by_partition(table, by, client)
    counts = pd.concat(names, ignore_index=True).value_counts()
    divided = list(counts.index[counts > 1])
    if divided and split == "error":
        raise StudyError(
            f"{len(divided)} studies are split over partitions",
            "Write each study into one partition, or give split='repartition'",
            file=path,
            value=divided[0],
        )
    if divided:
        table = table.shuffle(on=by, npartitions=table.npartitions)
    if isinstance(tolerances, (str, PathLike)):
        tolerances = read_table(Path(tolerances), labels=(by,))
    specs = specifications(tolerances, counts.index.to_numpy(dtype=object), by)
    known = pd.DataFrame(vars(specs), index=counts.index).dropna(how="all")
    parts = [
        part
        for part in _computed(
            [_partition(piece, by, known, options) for piece in table.to_delayed()], client
        )
        if len(part)
    ]
    if not parts:
        raise StudyError("There are no readings", "Name a data set with readings", file=path)
    found: pd.DataFrame = pd.concat(parts, ignore_index=True)
    return found


def _dask() -> Any:
    try:
        import_module("dask.dataframe")
        return import_module("dask")
    except ImportError:
        raise StudyError(
            "Work on a cluster needs Dask, which is not installed here",
            "Install it: pip install grr[cluster]",
        ) from None


def _partition(piece: Any, by: str, known: pd.DataFrame, options: dict[str, Any]) -> Any:
    return _dask().delayed(_analysed)(piece, by, known, options)


def _analysed(
    table: pd.DataFrame, by: str, known: pd.DataFrame, options: dict[str, Any]
) -> pd.DataFrame:
    """Return the rows of one partition; this runs on a worker."""
    if len(table) == 0:
        return pd.DataFrame()
    here = known[known.index.isin(table[by].unique())]
    return analyse_table(table, by, here if len(here) else None, **options)


def _names_by_partition(table: Any, by: str, client: Any) -> list[pd.Series[Any]]:
    """Return the studies of each partition."""
    delayed = _dask().delayed
    return _computed([delayed(_names)(piece, by) for piece in table.to_delayed()], client)


def _names(table: pd.DataFrame, by: str) -> pd.Series[Any]:
    return pd.Series(table[by].dropna().unique())


def _computed(pieces: list[Any], client: Any) -> list[Any]:
    if client is not None:
        return list(client.gather(client.compute(pieces)))
    return list(_dask().compute(*pieces))
