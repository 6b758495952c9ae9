"""Figures and pages, each titled by the question that it answers.

Plotly is loaded when the first figure is drawn.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from grr.show.acceptance_figure import acceptance_ruler as acceptance_ruler
    from grr.show.budget_figure import uncertainty_sources as uncertainty_sources
    from grr.show.cells_figure import parts_by_operators as parts_by_operators
    from grr.show.checks_figure import checks_over_time as checks_over_time
    from grr.show.drift_figure import drift_over_time as drift_over_time
    from grr.show.gauges_figure import worst_gauges as worst_gauges
    from grr.show.label import gauge_label as gauge_label
    from grr.show.legs_figure import weakest_leg as weakest_leg
    from grr.show.methods_figure import methods_by_part as methods_by_part
    from grr.show.operators_figure import operators_side_by_side as operators_side_by_side
    from grr.show.order_figure import in_order as in_order
    from grr.show.planning_figures import certainty_bought as certainty_bought
    from grr.show.range_figure import over_range as over_range
    from grr.show.ranges_figure import trial_ranges as trial_ranges
    from grr.show.reference_figure import on_reference as on_reference
    from grr.show.ruler_figure import tolerance_ruler as tolerance_ruler
    from grr.show.sources_figure import spread_sources as spread_sources
    from grr.show.still.picture import figure_svg as figure_svg
    from grr.show.svg_ruler import tolerance_ruler_svg as tolerance_ruler_svg
    from grr.show.svg_sources import spread_sources_svg as spread_sources_svg
    from grr.show.turn_figure import screw_turn as screw_turn

#: Public name → the module that defines it.
_HOMES = {
    "figure_svg": "grr.show.still.picture",
    "worst_gauges": "grr.show.gauges_figure",
    "drift_over_time": "grr.show.drift_figure",
    "methods_by_part": "grr.show.methods_figure",
    "operators_side_by_side": "grr.show.operators_figure",
    "certainty_bought": "grr.show.planning_figures",
    "gauge_label": "grr.show.label",
    "weakest_leg": "grr.show.legs_figure",
    "acceptance_ruler": "grr.show.acceptance_figure",
    "uncertainty_sources": "grr.show.budget_figure",
    "checks_over_time": "grr.show.checks_figure",
    "screw_turn": "grr.show.turn_figure",
    "over_range": "grr.show.range_figure",
    "on_reference": "grr.show.reference_figure",
    "in_order": "grr.show.order_figure",
    "parts_by_operators": "grr.show.cells_figure",
    "spread_sources": "grr.show.sources_figure",
    "spread_sources_svg": "grr.show.svg_sources",
    "tolerance_ruler": "grr.show.ruler_figure",
    "tolerance_ruler_svg": "grr.show.svg_ruler",
    "trial_ranges": "grr.show.ranges_figure",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'grr.show' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
