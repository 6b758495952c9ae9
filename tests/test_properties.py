"""What must hold for every study, whatever its readings: checked on random ones."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

import grr
from grr.formulas.analysis_of_variance import components_by_rule, crossed_anova
from grr.formulas.reml import reml

LENGTHS = ["EV", "AV", "INT", "GRR", "PV", "TV"]
few = settings(max_examples=25, deadline=None)
shapes = st.tuples(st.integers(2, 8), st.integers(1, 4), st.integers(1, 4)).filter(
    lambda shape: shape[1] * shape[2] > 1
)
seeds = st.integers(0, 2**32 - 1)
rules = st.sampled_from(["auto", "keep", "pool"])
who = st.sampled_from(["random", "fixed"])


def cube_of(shape: tuple[int, int, int], seed: int) -> np.ndarray:
    """Return readings in which every source of variation is large, small or absent."""
    p, o, _ = shape
    rng = np.random.default_rng(seed)
    part, operator, both, repeat = rng.uniform(0.0, 3.0, size=4)
    return (
        part * rng.normal(size=(p, 1, 1))
        + operator * rng.normal(size=(1, o, 1))
        + both * rng.normal(size=(p, o, 1))
        + (repeat + 0.1) * rng.normal(size=shape)
    )


def table_of(cube: np.ndarray) -> pd.DataFrame:
    part, operator, trial = np.indices(cube.shape).reshape(3, -1)
    return pd.DataFrame(
        {
            "part": np.char.add("P", part.astype(str)),
            "operator": np.char.add("O", operator.astype(str)),
            "trial": trial + 1,
            "reading": cube.ravel(),
        }
    ).dropna()


def analysed(table: pd.DataFrame, **options: object) -> grr.GaugeResult:
    return grr.anova(grr.Study(table, **options))


def assert_same_sources(
    found: grr.GaugeResult, expected: grr.GaugeResult, *, factor: float = 1.0, rtol: float = 1e-6
) -> None:
    names = ["sd", "spread", "percent_contribution", "percent_tv", "percent_tolerance"]
    scaled = expected.sources[names].copy()
    scaled[["sd", "spread"]] *= factor
    size = float(np.nanmax(scaled["sd"]))
    ours = found.sources[names]
    assert_allclose(ours[["sd", "spread"]], scaled[["sd", "spread"]], rtol=rtol, atol=rtol * size)
    assert_allclose(ours[names[2:]], scaled[names[2:]], rtol=rtol, atol=100 * rtol)
    assert found.pooled == expected.pooled
    assert set(found.below_zero) == set(expected.below_zero)


@few
@given(shapes, seeds, who, st.floats(-1e3, 1e3), st.floats(1e-3, 1e3))
def test_results_move_as_units_do(
    shape: tuple[int, int, int], seed: int, operators: str, shift: float, scale: float
) -> None:
    cube = cube_of(shape, seed)
    before = analysed(table_of(cube), tolerance=grr.Tolerance(-20, 20), operators=operators)
    limits = grr.Tolerance(-20 * scale + shift, 20 * scale + shift)
    after = analysed(table_of(scale * cube + shift), tolerance=limits, operators=operators)
    assert_same_sources(after, before, factor=scale)
    assert after.mean == pytest.approx(scale * before.mean + shift, rel=1e-6, abs=1e-6)


@few
@given(shapes, seeds, st.randoms(use_true_random=False), st.booleans())
def test_names_and_the_order_of_rows_do_not_matter(
    shape: tuple[int, int, int], seed: int, random: object, lost: bool
) -> None:
    cube = cube_of(shape, seed)
    if lost and shape[2] > 1 and min(shape) > 1:
        cube[0, 0, 0] = np.nan
    table = table_of(cube)
    before = analysed(table, tolerance=grr.Tolerance(upper=100))
    renamed = table.copy()
    for column in ("part", "operator"):
        names = sorted(set(table[column]))
        others = [f"{column} {n}" for n in range(len(names))]
        random.shuffle(others)  # type: ignore[attr-defined]
        renamed[column] = table[column].map(dict(zip(names, others, strict=True)))
    renamed["trial"] = renamed["trial"].map(lambda n: shape[2] + 1 - n)
    shuffled = renamed.sample(frac=1, random_state=seed % 2**32)
    after = analysed(shuffled, tolerance=grr.Tolerance(upper=100))
    assert_same_sources(after, before, rtol=1e-4 if lost else 1e-9)


@few
@given(shapes, seeds, rules, who)
def test_variances_add_up(
    shape: tuple[int, int, int], seed: int, interaction: str, operators: str
) -> None:
    cube = cube_of(shape, seed)
    found, _ = components_by_rule(crossed_anova(cube), interaction=interaction)
    inside = np.maximum(np.nan_to_num([found.operator, found.interaction]), 0.0)
    assert_allclose(found.grr, found.repeatability + inside.sum(), rtol=1e-9, atol=1e-12)
    result = analysed(table_of(cube), operators=operators, rules=grr.Rules(interaction=interaction))
    variance = result.sources["variance"]
    assert_allclose(variance["TV"], variance["GRR"] + variance["PV"], rtol=1e-9)
    assert (variance.dropna() >= 0).all()
    sums = crossed_anova(cube)
    total = sums.ss_part + sums.ss_operator + sums.ss_interaction + sums.ss_error
    assert_allclose(total, np.square(cube - cube.mean()).sum(), rtol=1e-9)


@few
@given(st.tuples(st.integers(2, 8), st.integers(1, 4), st.integers(1, 3)), seeds)
def test_more_trials_never_lower_the_degrees_of_freedom(
    shape: tuple[int, int, int], seed: int
) -> None:
    p, o, r = shape
    cube = cube_of((p, o, r + 1), seed)
    fewer, more = crossed_anova(cube[:, :, :r]), crossed_anova(cube)
    for name in ("df_part", "df_operator", "df_interaction", "df_error"):
        assert getattr(more, name) >= getattr(fewer, name)
    assert more.df_error > fewer.df_error
    assert more.df_part + more.df_operator + more.df_interaction + more.df_error == cube.size - 1


@few
@given(st.tuples(st.integers(3, 7), st.integers(2, 4), st.integers(2, 3)), seeds, st.booleans())
def test_maximum_likelihood_equals_moments_where_balanced_and_none_is_below_zero(
    shape: tuple[int, int, int], seed: int, interaction: bool
) -> None:
    """Searle, Casella & McCulloch, Variance Components (1992), section 6.6."""
    cube = cube_of(shape, seed)
    moments, _ = components_by_rule(
        crossed_anova(cube), interaction="keep" if interaction else "pool"
    )
    parts = [moments.part, moments.operator, *([moments.interaction] if interaction else [])]
    if min(parts) <= 1e-3 * moments.repeatability:
        return
    fit = reml(cube, interaction=interaction).components
    for name in ("part", "operator", "repeatability", "grr"):
        assert_allclose(getattr(fit, name), getattr(moments, name), rtol=1e-4, err_msg=name)


@pytest.mark.parametrize("seed", range(3))
def test_ranges_and_moments_agree_in_the_limit_without_interaction(seed: int) -> None:
    """With 2,000 parts both find the same repeatability, and AV as the range of three tells it.

    Operators at −a, 0 and a have the sd a and the range 2a; by ranges that is 2a/1.91
    (d2* for one sample of three; AIAG MSA, 4th ed., appendix C).
    """
    rng = np.random.default_rng(seed)
    parts = 2000
    cube = 10 + 0.5 * rng.normal(size=(parts, 3, 3))
    cube += np.array([-0.3, 0.0, 0.3])[None, :, None]
    cube += 2.0 * rng.normal(size=(parts, 1, 1))
    study = grr.Study(table_of(cube), rules=grr.Rules(interaction="pool"))
    moments, ranges = grr.anova(study), grr.average_range(study)
    assert ranges.value("EV", "sd") == pytest.approx(moments.value("EV", "sd"), rel=0.02)
    assert ranges.value("AV", "sd") == pytest.approx(
        moments.value("AV", "sd") * 2.0 / 1.91, rel=0.03
    )
