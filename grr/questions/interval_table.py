"""Intervals as a table that prints for reading."""

from __future__ import annotations

import math

import pandas as pd

from grr.model import tables
from grr.model.rounding import JOIN, figures, percent
from grr.model.units import conversion, fine_unit
from grr.questions.sources import NAMES, SOURCES

#: What a person reads first: a source by its spread and percentages.
_SHOWN = ("spread", "percent_tolerance", "percent_tv")
_WORDS = ("spread", "% of tolerance", "% of total")


class IntervalTable(pd.DataFrame):
    """A DataFrame of estimates and limits (see `grr.questions.intervals`) that prints well."""

    _metadata = ["level", "unit"]  # noqa: RUF012
    level: float
    unit: str

    @property
    def _constructor(self) -> type[pd.DataFrame]:
        """A part of the table is a plain DataFrame."""
        return pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """Return the numbers as a plain DataFrame."""
        return pd.DataFrame(self)

    def __str__(self) -> str:
        # The code alone, so that three intervals fit beside it.
        rows = [[row[0].split()[0], *row[1:]] for row in self._rows()]
        table = tables.text_table(self._head(), rows)
        closing = [tables.paragraph(line) for line in self._closing()]
        return "\n".join([tables.paragraph(self._opening()), "", table, "", *closing])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return (
            tables.html_prose(self._opening())
            + tables.html_table(self._head(), self._rows())
            + tables.html_list(self._closing())
        )

    def _opening(self) -> str:
        return f"Value, and in brackets the limits at {100 * self.level:g} % confidence."

    def _measures(self) -> list[str]:
        given = self["lower"].notna() | (self["reason"] == "")
        return [m for m in _SHOWN if m != "percent_tolerance" or bool(given["GRR", m])]

    def _head(self) -> list[str]:
        fine = fine_unit(self.unit)
        words = {
            "spread": f"spread, {fine}" if fine else "spread",
            "percent_tolerance": "% of tolerance",
            "percent_tv": "% of total",
        }
        return ["Source", *(words[measure] for measure in self._measures())]

    def _rows(self) -> list[list[str]]:
        return [
            [f"{name} {NAMES[name]}", *(self._cell(name, m) for m in self._measures())]
            for name in SOURCES
        ]

    def _cell(self, quantity: str, measure: str) -> str:
        values = [float(self[name][quantity, measure]) for name in ("estimate", "lower", "upper")]
        if math.isnan(values[0]):
            return "not estimated"
        estimate, lower, upper = (self._written(value, measure) for value in values)
        return estimate if math.isnan(values[1]) else f"{estimate} ({lower} to {upper})"

    def _written(self, value: float, measure: str) -> str:
        if math.isinf(value):
            return "∞"
        if measure.startswith("percent"):
            return percent(value).removesuffix("%").rstrip(JOIN)
        factor = conversion(self.unit, fine_unit(self.unit)) if measure == "spread" else 1.0
        return figures(value * factor, 3 if measure == "value" else 2)

    def _closing(self) -> list[str]:
        lines = [
            f"ndc, not rounded down: {self._cell('ndc', 'value')}.",
            f"ICC: {self._cell('ICC', 'value')}.",
        ]
        said: dict[str, list[str]] = {}
        for measure in self._measures():
            reasons = {name: str(self["reason"][name, measure]) for name in SOURCES}
            if len(set(reasons.values())) == 1 and reasons["GRR"]:
                said[reasons["GRR"]] = [dict(zip(_SHOWN, _WORDS, strict=True))[measure]]
                continue
            for name, reason in reasons.items():
                if reason and name not in said.setdefault(reason, []):
                    said[reason].append(name)
        return [
            *lines,
            *(f"{', '.join(names)}: no limits, {why}." for why, names in said.items() if names),
        ]
