"""Sums of squares against certified values, exact arithmetic and statsmodels."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.formulas.analysis_of_variance import crossed_anova, interaction_test
from grr.model.errors import StudyError

# NIST Statistical Reference Datasets, one-way analysis of variance. The files, with their
# certified values, ship inside scipy. A one-way layout with equal replicates is our two-way
# layout with one operator: groups are parts, replicates are trials.
NIST = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova"
BALANCED = ["SiRstv", "AtmWtAg", *(f"SmLs0{i}" for i in range(1, 10))]


def read_nist(name: str) -> tuple[np.ndarray, float]:
    lines = (NIST / f"{name}.dat").read_text().splitlines()
    certified = next(line for line in lines if line.strip().startswith("Between"))
    values = [line.split() for line in lines[60:] if line.strip()]
    table = pd.DataFrame(values, columns=["group", "y"]).astype({"group": int, "y": float})
    groups = [group["y"].to_numpy() for _, group in table.groupby("group")]
    return np.array(groups)[:, None, :], float(certified.split()[-1])


def one_way_f(cube: np.ndarray) -> float:
    table = crossed_anova(cube)
    return float(table.ms_part / table.ms_error)


def exact_f(cube: np.ndarray) -> float:
    groups = [[Fraction(float(y)) for y in group] for group in cube[:, 0, :]]
    k, n = len(groups), len(groups[0])
    means = [sum(group) / n for group in groups]
    grand = sum(means) / k
    between = n * sum((mean - grand) ** 2 for mean in means) / (k - 1)
    within = sum((y - m) ** 2 for g, m in zip(groups, means, strict=True) for y in g)
    return float(between / (within / (k * (n - 1))))


@pytest.mark.parametrize("name", BALANCED)
def test_certified_f(name: str) -> None:
    cube, certified = read_nist(name)
    # SmLs07-09 put a 13-digit constant before the variation: rounding the data to doubles
    # alone costs the certified F all but 4 digits, so there exact arithmetic on the doubles
    # is the yardstick.
    digits = {"SmLs07": 3.8, "SmLs08": 3.8, "SmLs09": 3.8, "SmLs04": 9, "SmLs05": 8, "SmLs06": 8}
    agreed = -math.log10(max(abs(one_way_f(cube) / certified - 1.0), 1e-16))
    assert agreed >= digits.get(name, 9)
    assert one_way_f(cube) == pytest.approx(exact_f(cube), rel=1e-9)


@settings(deadline=None, max_examples=40)
@given(
    seed=st.integers(0, 2**32 - 1),
    shape=st.tuples(st.integers(2, 7), st.integers(2, 4), st.integers(2, 4)),
    offset=st.sampled_from([0.0, 10.0, -250.0]),
)
def test_equal_to_statsmodels(seed: int, shape: tuple[int, int, int], offset: float) -> None:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    p, o, _ = shape
    rng = np.random.default_rng(seed)
    cube = (
        offset
        + rng.normal(size=(p, 1, 1))
        + rng.normal(size=(1, o, 1))
        + rng.normal(size=(p, o, 1))
        + rng.normal(size=shape)
    )
    part, operator, _ = np.indices(shape)
    data = pd.DataFrame({"y": cube.ravel(), "p": part.ravel(), "o": operator.ravel()})
    theirs = anova_lm(ols("y ~ C(p) * C(o)", data).fit())
    ours = crossed_anova(cube)
    for row, ss, df in (
        ("C(p)", ours.ss_part, ours.df_part),
        ("C(o)", ours.ss_operator, ours.df_operator),
        ("C(p):C(o)", ours.ss_interaction, ours.df_interaction),
        ("Residual", ours.ss_error, ours.df_error),
    ):
        assert float(ss) == pytest.approx(theirs.loc[row, "sum_sq"], rel=1e-7)
        assert df == theirs.loc[row, "df"]
    f, p_value = interaction_test(ours)
    assert float(f) == pytest.approx(theirs.loc["C(p):C(o)", "F"], rel=1e-7)
    assert float(p_value) == pytest.approx(theirs.loc["C(p):C(o)", "PR(>F)"], rel=1e-6, abs=1e-12)


def test_a_stack_gives_what_each_study_gives() -> None:
    stack = np.random.default_rng(5).normal(10.0, 0.001, size=(3, 2, 6, 3, 2))
    together = crossed_anova(stack)
    for place in np.ndindex(3, 2):
        alone = crossed_anova(stack[place])
        for name in ("mean", "ss_part", "ss_operator", "ss_interaction", "ss_error"):
            assert getattr(together, name)[place] == pytest.approx(
                float(getattr(alone, name)), rel=1e-12
            )


def test_sums_of_squares_add_up() -> None:
    cube = np.random.default_rng(6).normal(size=(5, 4, 3))
    table = crossed_anova(cube)
    total = table.ss_part + table.ss_operator + table.ss_interaction + table.ss_error
    assert float(total) == pytest.approx(float(np.sum((cube - cube.mean()) ** 2)), rel=1e-12)


def test_refusals() -> None:
    with pytest.raises(StudyError, match="one part"):
        crossed_anova(np.zeros((1, 3, 3)))
    gap = np.zeros((3, 3, 3))
    gap[1, 1, 1] = np.nan
    with pytest.raises(StudyError, match="missing"):
        crossed_anova(gap)


def test_what_a_design_does_not_repeat_has_no_mean_square() -> None:
    one_operator = crossed_anova(np.random.default_rng(7).normal(size=(4, 5, 1, 2)))
    assert one_operator.ms_operator.shape == one_operator.ms_interaction.shape == (4,)
    assert np.isnan(one_operator.ms_operator).all() and np.isnan(one_operator.ms_interaction).all()
    one_trial = crossed_anova(np.random.default_rng(7).normal(size=(4, 5, 3, 1)))
    assert one_trial.ms_error.shape == (4,) and np.isnan(one_trial.ms_error).all()
    assert np.isfinite(one_trial.ms_interaction).all()
