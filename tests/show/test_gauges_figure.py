"""Many gauges in one picture: what the bars mean is said where it is seen."""

from __future__ import annotations

import pandas as pd
import pytest

import grr


def found() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "study": ["a", "b"],
            "GRR_percent_tolerance": [50.0, 20.0],
            "EV_sd": [3.0, 1.0],
            "AV_sd": [4.0, 0.0],
            "INT_sd": [0.0, 0.0],
        }
    )


def test_pieces_are_shares_of_the_variance_and_the_answer_says_so() -> None:
    figure = grr.show.worst_gauges(found()).to_plotly_json()
    pieces = {trace["name"][:2]: trace for trace in figure["data"]}
    assert pieces["EV"]["x"] == pytest.approx([20.0, 50.0 * 9 / 25])
    assert pieces["EV"]["customdata"] == pytest.approx([100.0, 36.0])
    assert "of the variance" in pieces["EV"]["hovertemplate"]
    answer = figure["layout"]["meta"]["answer"]
    assert "Only the whole bar is to scale: it is divided by the shares of the variance" in answer


def test_the_legend_stands_above_the_bars() -> None:
    layout = grr.show.worst_gauges(found()).to_plotly_json()["layout"]
    assert layout["legend"]["y"] > 1.0 and layout["legend"]["yanchor"] == "bottom"
