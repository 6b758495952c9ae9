"""Figures and pages, each titled by the question that it answers.

Plotly is loaded when the first figure is drawn.
"""

from __future__ import annotations

import warnings
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from grr.page.label import gauge_label as gauge_label
    from grr.questions.drift import in_order as in_order
    from grr.show.gauge_figures import nearest_limit as nearest_limit
    from grr.show.gauge_figures import on_reference as on_reference
    from grr.show.gauge_figures import over_range as over_range
    from grr.show.gauge_figures import screw_turn as screw_turn
    from grr.show.gauge_figures import uncertainty_sources as uncertainty_sources
    from grr.show.gauge_figures import worst_gauges as worst_gauges
    from grr.show.method_figures import method_rulers as method_rulers
    from grr.show.method_figures import methods_by_part as methods_by_part
    from grr.show.operator_figures import operators_side_by_side as operators_side_by_side
    from grr.show.operator_figures import parts_by_operators as parts_by_operators
    from grr.show.operator_figures import trial_ranges as trial_ranges
    from grr.show.planning_figures import certainty_bought as certainty_bought
    from grr.show.ruler_figures import acceptance_ruler as acceptance_ruler
    from grr.show.ruler_figures import tolerance_ruler as tolerance_ruler
    from grr.show.ruler_figures import tolerance_ruler_svg as tolerance_ruler_svg
    from grr.show.spread_figures import spread_sources as spread_sources
    from grr.show.spread_figures import spread_sources_svg as spread_sources_svg
    from grr.show.static import figure_svg as figure_svg
    from grr.show.time_figures import checks_over_time as checks_over_time
    from grr.show.time_figures import drift_over_time as drift_over_time

#: Public name → the module that defines it; the label is a page to print, and
#: the readings in order show the drift that `grr.drift` finds.
_HOMES = {
    "acceptance_ruler": "grr.show.ruler_figures",
    "certainty_bought": "grr.show.planning_figures",
    "checks_over_time": "grr.show.time_figures",
    "drift_over_time": "grr.show.time_figures",
    "figure_svg": "grr.show.static",
    "gauge_label": "grr.page.label",
    "in_order": "grr.questions.drift",
    "method_rulers": "grr.show.method_figures",
    "methods_by_part": "grr.show.method_figures",
    "nearest_limit": "grr.show.gauge_figures",
    "on_reference": "grr.show.gauge_figures",
    "operators_side_by_side": "grr.show.operator_figures",
    "over_range": "grr.show.gauge_figures",
    "parts_by_operators": "grr.show.operator_figures",
    "screw_turn": "grr.show.gauge_figures",
    "spread_sources": "grr.show.spread_figures",
    "spread_sources_svg": "grr.show.spread_figures",
    "tolerance_ruler": "grr.show.ruler_figures",
    "tolerance_ruler_svg": "grr.show.ruler_figures",
    "trial_ranges": "grr.show.operator_figures",
    "uncertainty_sources": "grr.show.gauge_figures",
    "worst_gauges": "grr.show.gauge_figures",
}

#: Name of version 0.1 → what it is called now; the old one goes on for a version.
_RENAMED = {"weakest_leg": "nearest_limit"}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    if name in _RENAMED:
        new = _RENAMED[name]
        message = f"grr.show.{name} is now called grr.show.{new}"
        warnings.warn(message, DeprecationWarning, stacklevel=2)
        name = new
    if name not in _HOMES:
        raise AttributeError(f"module 'grr.show' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
