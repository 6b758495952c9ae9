"""Numbers as a person reads them."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest

import grr
from grr.model import rounding as r
from grr.model.rounding import chance, chances
from grr.questions.gauge import source_rows, spread_text


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.0123456, 2, "0.012"),
        (0.0999, 2, "0.10"),
        (9.96, 2, "10"),
        (1234.0, 2, "1234"),
        (0.0, 2, "0"),
        (-0.0123, 2, "-0.012"),
        (1.5e-9, 2, "1.5e-09"),
        (2.5e12, 2, "2.5e+12"),
        (4.8605, 3, "4.86"),
        (math.nan, 2, "not estimated"),
    ],
)
def test_figures(value: float, digits: int, text: str) -> None:
    assert r.figures(value, digits) == text


def test_a_value_is_stated_to_the_decimal_of_its_spread() -> None:
    # JCGM 100:2008 (GUM), clause 7.2.6: 10.057 62 Ω with 27 mΩ is stated as 10.058 Ω.
    assert r.same_decimals(10.05762, 0.027) == "10.058"


@pytest.mark.parametrize(
    ("resolution", "decimals"),
    [(0.0001, 4), (0.001, 3), (0.0005, 4), (1.0, 0), (5e-5, 5), (None, 4)],
)
def test_reading_decimals(resolution: float | None, decimals: int) -> None:
    assert r.reading_decimals(resolution) == decimals


def test_lengths_are_shown_in_the_unit_that_reads_best() -> None:
    assert r.length(0.00042, "mm") == f"0.42{r.JOIN}µm"
    assert r.length(0.000016, "in") == f"16{r.JOIN}µin"
    assert r.length(0.42, "") == "0.42"


def test_what_is_left_of_a_difference_of_equal_numbers_is_0():
    for unit, fine in (("mm", "µm"), ("in", "µin"), ("m", "µm")):
        for value in (5.9e-16, -2.0e-16, 4.5e-21):
            assert r.length(value, unit) == r.signed_length(value, unit) == f"0{r.JOIN}{fine}"
    assert r.signed_length(-4.5e-18, "") == "0"
    assert r.length(-2e-9, "mm") == f"-0.0000020{r.JOIN}µm"
    assert r.signed_length(-0.00042, "mm") == f"−0.42{r.JOIN}µm"
    assert r.signed_length(-0.42, "") == "−0.42"


def test_a_column_of_squares_is_told_in_one_unit() -> None:
    assert r.squares([3.832e-3, 5.014e-7, math.nan, 0.0], "mm") == ["3832", "0.5014", "", "0"]
    assert r.square_unit("mm") == "µm²"
    assert r.squares([9.869e-7], "in") == ["986900"]


def test_squares_without_a_unit_all_have_an_exponent_or_none() -> None:
    assert r.squares([3.832e-3, 5.014e-7, 0.0], "") == ["3.832e-03", "5.014e-07", "0"]
    assert r.squares([3.832, 0.5014], "") == ["3.832", "0.5014"]
    assert r.square_unit("") == ""


def test_percent() -> None:
    assert r.percent(22.678) == f"22.7{r.JOIN}%"
    assert r.percent(99.96) == f"100{r.JOIN}%"
    assert r.percent(9999.4) == f"9999{r.JOIN}%"
    assert r.percent(960_038.0) == f"over 9999{r.JOIN}%"
    assert r.percent(math.nan) == "not estimated"


def test_lists() -> None:
    assert r.listed(["a"]) == "a"
    assert r.listed(["a", "b", "c"]) == "a, b and c"
    assert r.listed([*"abcdefgh"], most=4) == "a, b, c and 5 more"
    assert r.counted(1, "part") == "1 part"


def test_a_p_value_shows_on_which_side_of_its_level_it_is() -> None:
    assert r.p_value(0.39, 0.25) == "0.39"
    assert r.p_value(0.2506, 0.25) == "0.251"
    assert r.p_value(0.24996, 0.25) == "0.24996"
    assert r.p_value(0.25, 0.25) == "0.25"


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.0, "under 0.001 ppm"),
        (5e-10, "under 0.001 ppm"),
        (2.5e-8, "0.025 ppm"),
        (0.00004, "40 ppm"),
        (0.0312, "3.1 %"),
        (0.5, "50.0 %"),
        (0.994, "99.4 %"),
        (0.99986, "99.99 %"),
        (0.99996, "99.996 %"),
        (1.0, "over 99.999 %"),
        (math.nan, "not estimated"),
    ],
)
def test_chance(probability, words):
    assert chance(probability).replace("\u00a0", " ") == words


def test_an_interval_names_both_ends_once():
    assert chances(1e-12, 1e-11).replace("\u00a0", " ") == "under 0.001 ppm"
    assert chances(0.01, 0.02).replace("\u00a0", " ") == "1.0 % to 2.0 %"
    assert chances(math.nan, 0.1) == "not estimated"


def test_percentages_shown_follow_from_the_spreads_shown() -> None:
    """In 200 random studies the tables' percentages recompute from the spreads beside them.

    Within half a unit of the percentage's last digit, its own rounding, and a quarter of one
    for that of the spread.
    """
    rng = np.random.default_rng(7)
    for _ in range(200):
        p, o, r = int(rng.integers(3, 9)), int(rng.integers(1, 4)), int(rng.integers(2, 4))
        width = float(10.0 ** rng.uniform(-3.0, 1.0))
        sds = width * 10.0 ** rng.uniform(-3.0, -0.7, 3)
        y = sds[0] * rng.standard_normal((p, 1, 1)) + sds[1] * rng.standard_normal((1, o, 1))
        y = y + sds[2] * rng.standard_normal((p, o, r))
        i, j, k = (index.ravel() for index in np.indices(y.shape))
        columns = {"part": i.astype(str), "operator": j.astype(str), "trial": k + 1}
        study = grr.Study(
            pd.DataFrame({**columns, "reading": 5.0 + y.ravel()}),
            tolerance=grr.Tolerance(5.0 - width / 2, 5.0 + width / 2),
            unit="mm",
        )
        result = grr.anova(study)
        _, rows = source_rows(result)
        total = shown_number(next(row for row in rows if row[0].startswith("TV"))[1])
        for _, spread, of_tolerance, of_total, _ in rows:
            if not spread or "estimated" in spread or "—" in (of_tolerance, of_total):
                continue
            for whole, told in ((1000.0 * width, of_tolerance), (total, of_total)):
                if "over" in told:
                    continue
                unit = 0.1 if "." in told else 1.0
                again = 100.0 * shown_number(spread) / whole
                assert abs(again - shown_number(told)) <= 0.76 * unit, (spread, told, whole)


def shown_number(text: str) -> float:
    return float(text.split("\u00a0", maxsplit=1)[0])


def test_a_spread_has_the_same_digits_on_every_page(manual_study: grr.Study) -> None:
    study = dataclasses.replace(manual_study, unit="mm", tolerance=grr.Tolerance(-4.0, 4.0))
    result = grr.anova(study)
    shown = spread_text(result, result.value("GRR", "spread"))
    verdict = grr.verdict(result)
    assert any(shown in reason for reason in verdict.reasons)
    assert shown in str(grr.what_would_help(result))
    number = shown.split("\u00a0")[0]
    assert f"{number} (" in str(result.intervals())


@pytest.mark.parametrize(
    ("value", "half", "digits", "text"),
    [
        (0.00053, 0.000099, 0, "+0.530 µm ± 0.099 µm"),
        (-0.00124, 0.0017, 0, "−1.2 µm ± 1.7 µm"),
        (0.000245, 0.0017, 3, "+0.245 µm ± 1.700 µm"),
        (0.0000012, 0.0017, 3, "+0.001 µm ± 1.700 µm"),
        (-0.0112, 0.12, 0, "−11 µm ± 120 µm"),
    ],
)
def test_a_value_and_its_half_interval_end_at_the_same_place(value, half, digits, text):
    assert r.length_and_half(value, half, "mm", digits).replace("\u00a0", " ") == text
