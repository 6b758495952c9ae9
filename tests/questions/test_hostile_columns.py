"""Whatever stands in a table: a result, or one StudyError with a remedy."""

import datetime as dt
import math

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import grr

numbers = st.floats(-1e9, 1e9, allow_subnormal=False)
cells = st.one_of(
    numbers,
    st.sampled_from([None, "", " ", "10,01", "10.01", "1e3", "abc", "=1+1", "NaN", "∞", True]),
    st.sampled_from([math.nan, math.inf, -math.inf, 0, 10, 25.4]),
    st.text(max_size=4),
)
near = st.one_of(st.floats(9.99, 10.01), st.just(10.0), st.none())
columns = st.one_of(st.lists(cells, max_size=12), st.lists(near, min_size=2, max_size=12))
days = st.one_of(
    st.dates(dt.date(2000, 1, 1), dt.date(2030, 1, 1)).map(str),
    st.sampled_from(["", None, "15.1.2024", "2024-01-01T10:00:00Z", "soon", 45000]),
)
fast = settings(deadline=None, max_examples=60)


def settled(make):
    """Return the result, or None where it was refused as it should be."""
    try:
        return make()
    except grr.StudyError as error:
        assert error.problem and error.remedy
        return None


@fast
@given(columns, st.sampled_from([None, 0.0001, 0.001]))
def test_reference_readings(readings, resolution):
    result = settled(
        lambda: grr.reference_study(
            readings,
            reference=10.0,
            unit="mm",
            resolution=resolution,
            tolerance=grr.Tolerance(9.99, 10.01),
        )
    )
    if result is not None:
        assert "nan" not in str(result) and result.to_frame().shape == (10, 4)


@fast
@given(st.lists(st.tuples(cells, cells), max_size=16), st.sampled_from([None, 0.5]))
def test_blocks_of_any_kind(rows, pitch):
    table = pd.DataFrame(rows, columns=["reference", "reading"], dtype=object)
    result = settled(lambda: grr.linearity(table, unit="mm", mpe=0.001, pitch=pitch))
    assert result is None or "nan" not in str(result)


@fast
@given(st.lists(st.tuples(st.floats(0, 25), st.floats(-1e-3, 1e-3)), min_size=3, max_size=16))
def test_blocks_with_any_bias(rows):
    table = pd.DataFrame(rows, columns=["reference", "reading"])
    table["reading"] += table["reference"]
    result = settled(lambda: grr.linearity(table, unit="mm", mpe=0.001, bias_limit=0.001))
    if result is not None:
        assert "nan" not in str(result)
        assert result.largest_possible_bias >= result.largest_bias - 1e-12


@fast
@given(st.lists(st.tuples(days, cells), max_size=12))
def test_checks_of_any_kind(rows):
    table = pd.DataFrame(rows, columns=["time", "reading"], dtype=object)
    result = settled(lambda: grr.stability(table, unit="mm", rules=("WE 1", "WE 2")))
    assert result is None or "nan" not in str(result)


@settings(deadline=None, max_examples=25)
@given(st.lists(st.sampled_from([10.0, 10.0001, 10.0002]), min_size=6, max_size=30))
def test_checks_in_whole_digits(readings):
    times = pd.date_range("2027-01-01", periods=len(readings), freq="7D").strftime("%Y-%m-%d")
    table = pd.DataFrame({"time": times, "reading": readings})
    tolerance = grr.Tolerance(9.99, 10.01)
    result = settled(
        lambda: grr.stability(table, unit="mm", resolution=0.0001, tolerance=tolerance)
    )
    if result is not None:
        assert "nan" not in str(result) and len(result.to_frame()) == len(readings)


@pytest.mark.parametrize("size", [1e-12, 1e-3, 1e6])
def test_any_scale_gives_the_same_ratios(size):
    readings = [size * (10.0 + 1e-4 * k) for k in (0, 1, -1, 2, 0, 1, 0, -2, 1, 0)]
    tolerance = grr.Tolerance(9.99 * size, 10.01 * size)
    result = grr.reference_study(readings, reference=10.0 * size, tolerance=tolerance)
    # sd of the ten whole numbers: √(11.6/9) = 1.1352924
    assert result.cg == pytest.approx(0.2 * 0.02 / (6 * 1.1352924e-4), rel=1e-5)
