"""What is filed besides a study: every other result, by the blocks and the table that it has.

A qualification, a bias study on a reference, linearity, stability, an uncertainty budget, a
comparison of operators or methods, drift, and the table of many studies take the same way into
report, workbook and JSON.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum
from hashlib import sha256
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from grr.model.blocks import Banner, Block, Prose, Table
from grr.model.errors import StudyError
from grr.model.glossary import explain
from grr.model.names import shortened
from grr.model.printed import Printed
from grr.model.rounding import limits_text, with_unit
from grr.model.study import Study
from grr.model.text_blocks import as_text
from grr.model.tolerance import Tolerance
from grr.page.conduct import versions
from grr.page.gauge_file import GaugeFile
from grr.questions.budget import UncertaintyBudget
from grr.questions.drift import Drift
from grr.questions.gauge import GaugeResult
from grr.questions.linearity import LinearityResult
from grr.questions.methods import MethodComparison
from grr.questions.operators import OperatorComparison
from grr.questions.qualify import Qualification
from grr.questions.reference import ReferenceResult
from grr.questions.stability import StabilityResult
from grr.show.gauge_figures import (
    nearest_limit,
    on_reference,
    over_range,
    uncertainty_sources,
    worst_gauges,
)
from grr.show.method_figures import methods_by_part
from grr.show.operator_figures import operators_side_by_side
from grr.show.time_figures import checks_over_time, drift_over_time

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

FORMAT, VERSION = "grr filed result", 1
#: Columns of the table of many studies that are shown on paper; the files hold all of them.
_SHOWN = ("GRR_percent_tolerance", "GRR_percent_tv", "ndc", "dominant", "by_manual", "decision")
_HEADS = ("GRR, % of tolerance", "GRR, % of total", "ndc", "dominated by", "by rule", "decision")
#: Studies that a report lists.
MOST_STUDIES = 200
_GUM = ("uncertainty", "standard deviation (sd)")
_REFERENCE = ("bias", "Cg and Cgk", "Q_MS and Q_MP", "resolution", *_GUM)
_LINEARITY = ("bias", "linearity", "maximum permissible error (MPE)", *_GUM)
_STABILITY = ("stability", "run rules", "standard deviation (sd)")


@dataclass(frozen=True)
class Kind:
    """One kind of result.

    Parameters
    ----------
    name : str
        In files.
    title : str
        Of a report on a result that has none.
    figure : callable
        Draws its answer; None where its blocks are the page.
    terms : tuple of str
        Of the glossary: the formulas behind it.
    told : tuple of (str, str)
        What a report says it was judged by: in words, and the attribute.
    """

    name: str
    title: str
    figure: Callable[[Any], Figure] | None
    terms: tuple[str, ...]
    told: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, eq=False, repr=False)
class ManyStudies(Printed):
    """The table of `grr.analyse_many`, for filing."""

    table: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """Return the table, a row a study."""
        return self.table.set_index(self.table.columns[0])

    def blocks(self) -> list[Block]:
        """Return how many were decided how, then every study, the largest GRR first."""
        named, good = self.named, self.table[self.table["error"] == ""]
        failed = self.table[self.table["error"] != ""]
        decided = "decision" if "decision" in good else "by_manual"
        found = good[decided].value_counts(sort=False).sort_index()
        told = [
            f"{number} {word or 'without a ratio to judge by'}" for word, number in found.items()
        ]
        told += [f"{len(failed)} not analysed"] if len(failed) else []
        total = "1 study" if len(self.table) == 1 else f"{len(self.table)} studies"
        worst = good.sort_values("GRR_percent_tolerance", ascending=False, kind="stable")
        rows = [
            [str(row[named]), *(_in_words(row.get(column)) for column in _SHOWN)]
            for row in worst.head(MOST_STUDIES).to_dict("records")
        ]
        paragraphs = [f"{total}: {', '.join(told)}."]
        if len(good) > MOST_STUDIES:
            paragraphs.append(
                f"Shown are the {MOST_STUDIES} with the largest GRR; the table has all."
            )
        errors = [[str(row[named]), str(row["error"])] for row in failed.to_dict("records")]
        return [
            Prose(paragraphs),
            Table([named, *_HEADS], rows, left=1),
            *([Table([named, "not analysed because"], errors, left=2)] if errors else []),
        ]

    @property
    def named(self) -> str:
        """The column that names the study."""
        return str(self.table.columns[0])


def _in_words(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return f"{value:.1f}" if isinstance(value, float) else str(value)


_TOLERANCE, _DIGIT, _MISSING = (
    ("Tolerance", "tolerance"),
    ("Last digit", "resolution"),
    ("Readings missing", "missing"),
)
KINDS: dict[type[Printed], Kind] = {
    Qualification: Kind(
        "qualification",
        "Qualification of a gauge",
        nearest_limit,
        (*_REFERENCE, "linearity", "GRR", "percent of tolerance", "guard band"),
        (
            *(_TOLERANCE, _DIGIT, ("Characteristic", "characteristic")),
            *(("Report of the study", "report"), ("Valid until", "valid_until")),
        ),
    ),
    ReferenceResult: Kind(
        "reference",
        "Study on a reference part",
        on_reference,
        _REFERENCE,
        (
            *(("Reference value", "reference"), ("Its standard uncertainty", "reference_u")),
            *(_TOLERANCE, _DIGIT, _MISSING),
        ),
    ),
    LinearityResult: Kind(
        "linearity",
        "Bias over the range",
        over_range,
        _LINEARITY,
        (("Limit of the bias", "bias_limit"), ("MPE", "mpe"), _DIGIT, _MISSING),
    ),
    StabilityResult: Kind(
        "stability",
        "Checks over time",
        checks_over_time,
        _STABILITY,
        (
            *(("Reference value", "reference"), ("Checks in the baseline", "baseline")),
            *(("Longest gap, days", "longest_gap"), _TOLERANCE, _DIGIT, _MISSING),
        ),
    ),
    OperatorComparison: Kind(
        "operators",
        "Comparison of operators",
        operators_side_by_side,
        ("reproducibility (AV)", "repeatability (EV)"),
    ),
    MethodComparison: Kind(
        "methods",
        "Comparison of two methods",
        methods_by_part,
        ("GRR", "percent of tolerance", "repeatability (EV)"),
    ),
    Drift: Kind("drift", "Drift over time", drift_over_time, ("drift",)),
    UncertaintyBudget: Kind("budget", "Uncertainty budget", uncertainty_sources, _GUM),
    GaugeFile: Kind("gauge file", "Gauge file", None, ("GRR", "percent of tolerance")),
    ManyStudies: Kind(
        "many studies",
        "Many gauge studies",
        lambda found: worst_gauges(found.table, found.named),
        ("GRR", "percent of tolerance", "percent of total variation", "ndc"),
    ),
}
_LENGTHS = ("reference", "reference_u", "resolution", "bias_limit", "mpe")


def as_filed(subject: object) -> Study | Printed:
    """Return a study, or a result that is filed by its blocks and its table.

    Parameters
    ----------
    subject : Study or result
        A gauge result stands for its study, a table of `grr.analyse_many` for all in it.

    Raises
    ------
    StudyError
        It is neither.
    """
    if isinstance(subject, Study):
        return subject
    if isinstance(subject, GaugeResult):
        return subject.study
    if isinstance(subject, Printed) and type(subject) in KINDS:
        return subject
    many = {"error", "by_manual", "GRR_percent_tolerance"}
    if isinstance(subject, pd.DataFrame) and many <= set(subject.columns) and len(subject):
        return ManyStudies(subject)
    raise StudyError(
        "A study or a result is needed",
        "Give a study, what grr.anova, grr.qualify, grr.reference_study, grr.linearity or "
        "grr.stability returned, a budget, a comparison, drift, or the table of grr.analyse_many",
        value=type(subject).__name__,
    )


def told_of(result: Printed, name: str) -> Any:
    """Return the title, seal, example or facts of a result, or of the study that it is taken from.

    None where neither tells.
    """
    study = getattr(getattr(result, "numbers", None), "study", None)
    if name == "seal" and isinstance(study, Study):
        return study.record.seal if study.record else None
    return getattr(result, name, None) or getattr(study, name, None)


def kind_of(result: Printed) -> Kind:
    """Return what kind of result this is."""
    return KINDS[type(result)]


def table_of(result: Printed) -> pd.DataFrame:
    """Return the table of a result, its index as the first columns."""
    table: pd.DataFrame = result.to_frame().reset_index()  # type: ignore[attr-defined]
    return table


def answer_of(result: Printed) -> list[Banner]:
    """Return the decision of a result, where it makes one."""
    return [block for block in result.blocks() if isinstance(block, Banner)][:1]


def stated(result: Printed) -> list[tuple[str, str]]:
    """Return what the result was judged by, in words: tolerance, last digit and so on."""
    unit = str(getattr(result, "unit", ""))
    entries = []
    for label, name in kind_of(result).told:
        value = getattr(result, name)
        if isinstance(value, Tolerance):
            text = limits_text(value, getattr(result, "resolution", None), unit)
        elif name in _LENGTHS and value is not None:
            text = with_unit(np.format_float_positional(value, 9, fractional=False, trim="-"), unit)
        elif isinstance(value, float):
            text = f"{value:g}"
        else:
            text = "" if value in (None, "") else f"{value}"
        entries.append((label, shortened(text, 110) if text else ""))
    return entries


def formulas_of(result: Printed) -> Table:
    """Return the formulas behind a result, each with its published source."""
    terms = [explain(term).to_frame().iloc[0] for term in kind_of(result).terms]
    rows = [[str(e["term"]), str(e["formula"]), str(e["source"])] for e in terms]
    return Table(["Quantity", "Formula", "Source"], rows, left=3)


def fingerprint(result: Printed) -> str:
    """Return the SHA-256 of the table as it is attached: every number with all its digits."""
    return sha256(table_text(result).encode("utf-8")).hexdigest()


def table_text(result: Printed) -> str:
    """Return the table as CSV, floats with all their digits."""
    return str(table_of(result).to_csv(index=False, lineterminator="\n", float_format="%.17g"))


def result_document(result: Printed) -> dict[str, Any]:
    """Return everything in a result as plain values, by ``filed.schema.json``."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "kind": kind_of(result).name,
        "software": versions(),
        "seal": told_of(result, "seal") or None,
        "title": str(told_of(result, "title") or ""),
        "example": bool(told_of(result, "example")),
        "fingerprint_sha256": fingerprint(result),
        "values": {
            name: plain(value)
            for name, value in _given(result).items()
            if not isinstance(value, pd.DataFrame)
        },
        "table": [plain(row) for row in table_of(result).to_dict("records")],
        "said": as_text(result.blocks()),
    }


def _given(result: Any) -> dict[str, Any]:
    return {field.name: getattr(result, field.name) for field in fields(result)}


def plain(value: Any) -> Any:
    """Return a value for JSON: null where missing, "unbounded" where infinite.

    A record becomes an object of its fields, an array a list; a function of a budget's model
    is named as such, since no file can hold it.
    """
    if isinstance(value, Enum):
        value = value.value
    if value is None or value is pd.NaT or isinstance(value, (str, bool)):
        return value if isinstance(value, (str, bool)) else None
    if isinstance(value, Study):  # named, not repeated: it is filed by itself
        record = value.record
        return {"title": value.title, "seal": None if record is None else record.seal or None}
    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in value.to_dict("records")]
    if is_dataclass(value) and not isinstance(value, type):
        return {name: plain(one) for name, one in _given(value).items()}
    if isinstance(value, tuple) and hasattr(value, "_asdict"):
        return plain(value._asdict())
    if isinstance(value, Mapping):
        return {_key(name): plain(one) for name, one in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (Sequence, pd.Index, set, frozenset)):
        return [plain(one) for one in value]
    if hasattr(value, "isoformat"):
        return value.isoformat()
    if callable(value):
        return "a function"
    number = value.item() if hasattr(value, "item") else value
    if isinstance(number, float) and not math.isfinite(number):
        return None if math.isnan(number) else "unbounded"
    return number


def _key(name: Any) -> str:
    return ", ".join(map(str, name)) if isinstance(name, tuple) else str(name)
