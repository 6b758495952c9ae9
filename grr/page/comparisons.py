"""Where a study has them: operators against each other, methods, and drift."""

from __future__ import annotations

from grr.model import tables
from grr.model.study import Study
from grr.page.page import figure_block, heading, or_reason
from grr.questions.drift import drift
from grr.questions.operators import (
    NO_BLAME,
    OperatorComparison,
    advice,
    compare_operators,
    operator_rows,
    pair_rows,
    test_sentence,
)
from grr.show.operator_figures import operators_side_by_side
from grr.show.time_figures import drift_over_time

DRIFT = "Drift while measuring"


def operators_html(study: Study, suffix: str = "") -> str:
    """Return who reads high, who scatters, and who needs what."""

    def compared() -> str:
        found = compare_operators(study)
        figure = figure_block(operators_side_by_side(found), suffix=suffix)
        return figure + _details(found)

    return or_reason(compared, "The operators cannot be compared: ")


def _details(found: OperatorComparison) -> str:
    sentences = [conclusion.sentence for conclusion in found.conclusions]
    help_with = advice(found.conclusions)
    title = "What usually causes it, and how to confirm it"
    return "".join(
        [
            tables.html_table(*operator_rows(found.numbers, found.conclusions)),
            tables.html_list(sentences),
            tables.html_callout(title, help_with, colour="#00527a") if help_with else "",
            tables.html_prose(NO_BLAME),
            heading("Every pair, and is the scatter equal?"),
            tables.html_table(*pair_rows(found.numbers)),
            tables.html_prose(test_sentence(found.numbers)),
        ]
    )


def drift_html(study: Study) -> str:
    """Return whether the readings drift while measuring, and when to zero again."""

    def looked_at() -> str:
        found = drift(study)
        return figure_block(drift_over_time(found)) + found._repr_html_()

    return heading(DRIFT) + or_reason(looked_at, "Drift cannot be seen: ")
