"""Confidence intervals of standard deviations, for figures."""

from __future__ import annotations

from typing import Any

from grr.model.errors import StudyError
from grr.questions.result import GaugeResult


def sd_intervals(result: GaugeResult, level: float = 0.95) -> dict[str, tuple[float, float]]:
    """Return source → two-sided interval of its sd; empty where the study gives none."""
    try:
        table: Any = result.intervals(level)
    except StudyError:
        return {}
    return {
        quantity: (float(row["lower"]), float(row["upper"]))
        for (quantity, measure), row in table.iterrows()
        if measure == "sd" and row[["lower", "upper"]].notna().all()
    }
