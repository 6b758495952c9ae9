"""A table in which every study has the rows of the first is read like any other."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from many.test_even_limits import varied

import grr
from grr.many import stacks


def as_text(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(
        study="G" + table["study"].astype(str), part="P" + table["part"].astype(str)
    )


@pytest.mark.parametrize(
    "kept",
    [
        as_text,
        lambda t: t,
        lambda t: as_text(t).astype({"study": "category"}),
        lambda t: as_text(t).astype({"study": object, "part": object, "operator": object}),
    ],
)
@pytest.mark.parametrize("row_order", ["sorted", "turned"])
def test_it_equals_the_way_of_any_layout(
    kept: Callable[[pd.DataFrame], pd.DataFrame],
    row_order: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    table = kept(varied(9, (4, 3, 2)))
    if row_order == "turned":
        table = table.sort_values(["study", "trial", "part"], kind="stable", ignore_index=True)
    assert stacks._regular(table, "study") is not None
    straight = grr.analyse_many(table)
    monkeypatch.setattr(stacks, "_regular", lambda table, by: None)
    pd.testing.assert_frame_equal(straight, grr.analyse_many(table))


def swapped(table: pd.DataFrame) -> pd.DataFrame:
    table.loc[[30, 31], "trial"] = table.loc[[31, 30], "trial"].to_numpy()
    return table


def twice_the_name(table: pd.DataFrame) -> pd.DataFrame:
    return table.replace({"study": {5: 1}})


def lost(table: pd.DataFrame) -> pd.DataFrame:
    table.loc[40, "reading"] = np.nan
    return table


def other_name(table: pd.DataFrame) -> pd.DataFrame:
    table["study"] = table["study"].astype(float)
    table.loc[30, "study"] = 77.0
    return table


@pytest.mark.parametrize("spoil", [swapped, twice_the_name, lost, other_name])
def test_what_is_not_regular_is_looked_at_row_by_row(
    spoil: Callable[[pd.DataFrame], pd.DataFrame],
) -> None:
    assert stacks._regular(spoil(varied(9, (4, 3, 2))), "study") is None
