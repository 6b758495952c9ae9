"""Where a study has them: operators against each other, methods, and drift."""

from __future__ import annotations

from grr.judge.compare_operators import compare_operators
from grr.judge.drift import drift
from grr.show.drift_figure import drift_over_time
from grr.show.operators_figure import operators_side_by_side
from grr.show.report.page import figure_block, heading, or_reason
from grr.study import Study


def operators_html(study: Study, suffix: str = "") -> str:
    """Return who reads high, who scatters, and who needs what."""

    def compared() -> str:
        found = compare_operators(study)
        return figure_block(operators_side_by_side(found), suffix=suffix) + found._repr_html_()

    return or_reason(compared, "The operators cannot be compared: ")


def drift_html(study: Study) -> str:
    """Return whether the readings drift while measuring, and when to zero again."""

    def looked_at() -> str:
        found = drift(study)
        return figure_block(drift_over_time(found)) + found._repr_html_()

    return heading("Drift while measuring") + or_reason(looked_at, "Drift cannot be seen: ")
