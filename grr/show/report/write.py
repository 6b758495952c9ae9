"""`grr.report`: write the report of a study."""

from __future__ import annotations

import datetime as dt
from os import PathLike
from pathlib import Path

from grr.analysis.anova import anova
from grr.analysis.ranges import average_range
from grr.analysis.result import GaugeResult
from grr.errors import StudyError
from grr.files.atomic import write_whole
from grr.judge.verdict import verdict
from grr.show.cells_figure import parts_by_operators
from grr.show.order_figure import in_order
from grr.show.ranges_figure import trial_ranges
from grr.show.report.front import Signatures, front_page
from grr.show.report.how import how_section
from grr.show.report.numbers import numbers_section, readings_section
from grr.show.report.page import figure_html, section, whole_page
from grr.show.report.pdf import print_pdf
from grr.show.report.provenance import provenance_section, signature_section
from grr.show.sources_figure import spread_sources
from grr.study import Study


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
) -> Path:
    """Write the report of a study as one page of HTML, or as PDF.

    Parameters
    ----------
    study : Study
    path : str or path
        Ends in .html or .pdf. A PDF is printed by an installed Chromium, Chrome or Edge.
    date : date, optional
        The day to print; today by default. The same study and date give the same bytes.
    prepared_by, approved_by, revision, supersedes, deviations : str
        Printed on the first page.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    StudyError
        Another ending, a study that cannot be analysed, no browser for a PDF, or a place
        that cannot be written.
    """
    target = Path(path)
    if target.suffix.lower() not in {".html", ".htm", ".pdf"}:
        raise StudyError(
            "A report is written as .html or .pdf", "Give the path such an ending", file=target
        )
    day = (date or dt.datetime.now(tz=dt.UTC).date()).isoformat()
    signatures = Signatures(prepared_by, approved_by, revision, supersedes, deviations)
    on_paper = target.suffix.lower() == ".pdf"
    page = report_page(study, day, signatures, on_paper=on_paper)
    if on_paper:
        print_pdf(page, target, day)
    else:
        write_whole(target, page)
    return target


def report_page(study: Study, date: str, signatures: Signatures, *, on_paper: bool) -> str:
    """Return the report as a page of HTML."""
    result = _of_record(study)
    judged = verdict(result)
    body = [
        front_page(judged, signatures, date),
        section("Is the data what it claims to be?", judged.findings._repr_html_(), new_page=True),
        section(
            "The study in pictures",
            figure_html(spread_sources(result)),
            figure_html(parts_by_operators(result)),
            figure_html(trial_ranges(study)),
            figure_html(in_order(study)),
            new_page=True,
        ),
        numbers_section(result),
        how_section(result, unfolded=on_paper),
        readings_section(study),
        provenance_section(study),
        signature_section(signatures),
    ]
    return whole_page(study.title or "Gauge study", "".join(body), with_figures=True)


def _of_record(study: Study) -> GaugeResult:
    """Return the result by the method of record."""
    return (average_range if study.rules.method_of_record == "average_range" else anova)(study)
