"""A folder of study folders: each is judged by its own ``study.toml``."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from grr.files.folder import open_study
from grr.files.study_file import STUDY_FILE
from grr.many.analyse import ordered, progress_bar
from grr.many.one import Row, result_row
from grr.many.options import Options
from grr.model.errors import StudyError
from grr.questions.gauge import anova


def analyse_folders(top: Path, by: str, options: Options, *, progress: bool) -> pd.DataFrame:
    """Return one row for each study folder under ``top``, named by its path in it."""
    folders = sorted(file.parent for file in top.rglob(STUDY_FILE))
    rows = []
    with progress_bar(len(folders), shown=progress) as bar:
        for folder in folders:
            name = folder.relative_to(top).as_posix() if folder != top else folder.name
            rows.append({by: name, **_row(folder, options)})
            bar.update(1)
    return ordered(pd.DataFrame(rows), by)


def _row(folder: Path, options: Options) -> Row:
    try:
        return result_row(anova(open_study(folder)), options)
    except StudyError as error:
        return {"error": str(error)}
