"""Probabilities in words."""

import math

import pytest

from grr.model.chance import chance, chances


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
