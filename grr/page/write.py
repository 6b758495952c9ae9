"""`grr.report`: write the report of a study."""

from __future__ import annotations

import datetime as dt
from os import PathLike
from pathlib import Path

from grr.files.disk import write_whole
from grr.model.errors import StudyError
from grr.model.study import Study
from grr.model.values import needs, one_of
from grr.page.contents import report_body
from grr.page.cover import Cover
from grr.page.page import PAPERS, unfolded, whole_page
from grr.page.pdf import print_pdf
from grr.page.provenance import readings_fingerprint
from grr.page.target import target_file
from grr.questions.operator_codes import Codes
from grr.questions.operator_codes import code_operators as coded


def report(
    study: Study,
    path: str | PathLike[str],
    *,
    date: dt.date | None = None,
    prepared_by: str = "",
    approved_by: str = "",
    revision: str = "",
    supersedes: str = "",
    deviations: str = "",
    code_operators: bool = False,
    baseline: str | None = None,
    paper: str = "A4",
    overwrite: bool = False,
) -> Path:
    """Write the report of a study as one page of HTML, or as PDF.

    Parameters
    ----------
    study : Study
        By one method of measuring, or by several: then the report compares them.
    path : str or path
        Ends in .html or .pdf. A PDF is printed by an installed Chromium, Chrome or Edge.
    date : date, optional
        The day to print; today by default. The same study and date give the same bytes.
    prepared_by, approved_by, revision, supersedes : str
        Printed on the first page.
    deviations : str
        What was done otherwise than planned, besides what the files tell.
    code_operators : bool
        Whether operators are called "Operator 1" and so on, in notes and records as well.
    baseline : str, optional
        Of several methods the one that the others are compared with; the first of the
        plan by default.
    paper : {"A4", "Letter"}
        Of a PDF.
    overwrite : bool
        Whether a file that grr did not make may be replaced.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    StudyError
        Another ending, a study that cannot be analysed, no browser for a PDF, or a place
        that cannot be written or holds a file that grr did not make.
    """
    target = target_file(path, ".html", ".pdf", overwrite=overwrite)
    needs(study, Study)
    if baseline is not None and baseline not in study.methods:
        raise StudyError(
            "The baseline is none of the methods of the study",
            f"Name one of: {', '.join(study.methods)}"
            if study.methods
            else "Leave it out: the study has one method",
            value=baseline,
        )
    one_of("paper", paper, tuple(PAPERS))
    day = (dt.date.today() if date is None else needs(date, dt.date, "date")).isoformat()
    shown = study
    if code_operators:
        shown, key = coded(study)
        deviations = Codes({name: code for code, name in key.items()}).text(deviations)
    cover = Cover(day, prepared_by, approved_by, revision, supersedes, deviations)
    body = report_body(study, shown, cover, baseline=baseline)
    title = shown.title or "Gauge study"
    foot = f"report of {day}, readings {readings_fingerprint(study)[:16]}"
    if target.suffix.lower() == ".pdf":
        print_pdf(whole_page(title, unfolded(body), foot=foot, paper=paper), target, day)
    else:
        write_whole(target, whole_page(title, body, foot=foot))
    return target
