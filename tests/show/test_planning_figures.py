"""The picture of readings against certainty."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import grr
from grr.show.planning_figures import certainty_bought


@cache
def comparison(operators_are: str = "random") -> grr.DesignComparison:
    return grr.compare_designs(
        64, operators_are=operators_are, studies=100, progress=False, most_operators=6
    )


def test_lines_go_up_and_stay_within_the_budget() -> None:
    found = comparison()
    figure = certainty_bought(found)
    assert len(figure.data) == 3  # 3, 4 and 6 operators: two are no sample of others
    for line in figure.data:
        assert list(line.y) == sorted(line.y)
        assert list(line.x) == sorted(set(line.x)) and max(line.x) <= 64
    best = 100 * found.table["decides"].max()
    assert max(max(line.y) for line in figure.data) <= best + 1e-6


def test_the_answer_names_the_best_design() -> None:
    found = comparison()
    best = found.table.iloc[0]
    answer = certainty_bought(found).layout.meta["answer"]
    assert f"{best['parts']:.0f} parts × {best['operators']:.0f} operators" in answer
    assert "Three operators" in answer
    assert "Three operators" not in certainty_bought(comparison("fixed")).layout.meta["answer"]


def test_labels_do_not_overlap() -> None:
    for kind in ("random", "fixed"):
        figure = certainty_bought(comparison(kind))
        names = [note for note in figure.layout.annotations if "operator" in note.text]
        heights = sorted(note.y for note in names)
        assert len(heights) == len(figure.data)
        assert all(b - a > 6.0 for a, b in pairwise(heights))
        assert heights[-1] <= 103.0


def test_the_same_figure_every_time() -> None:
    one, two = certainty_bought(comparison()), certainty_bought(comparison())
    assert one.to_json() == two.to_json()
    assert one.layout.meta["id"] == "fig-certainty-bought"
