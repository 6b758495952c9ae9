"""Against R and lme4; the fixtures' script and the versions are in tests/fixtures/lme4."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from grr.formulas.reml import nested_reml, reml, reml_components

FIXTURES = Path(__file__).parents[1] / "fixtures" / "lme4"
READINGS = pd.read_csv(FIXTURES / "readings.csv")
ESTIMATES = pd.read_csv(FIXTURES / "estimates.csv").set_index("study")
MEANS = pd.read_csv(FIXTURES / "means.csv").set_index("study")
NAMES = ("part", "operator", "interaction", "repeatability")
#: Where lme4's estimate is 0: below this share of the total.
ZERO = 1e-8


def fitted(name):
    table = READINGS[READINGS.study == name]
    model = ESTIMATES.loc[name, "model"]
    columns = [table[c].to_numpy() for c in ("reading", "part", "operator")]
    operators = "fixed" if model.startswith("0 + operator") else "random"
    if "operator:part" in model:
        return nested_reml(*columns, operators=operators)
    return reml(*columns, interaction="part:operator" in model, operators=operators)


def differences(name):
    """Relative difference of each component that lme4 has."""
    fit = fitted(name)
    expected = ESTIMATES.loc[name, list(NAMES)].dropna()
    found = np.array([float(getattr(fit.components, c)) for c in expected.index])
    expected = expected.to_numpy(dtype=float)
    total = expected.sum()
    zero = expected < ZERO * total
    assert (found[zero] == 0.0).all(), "a component that is 0 is exactly 0"
    assert (found[~zero] > 0.0).all()
    return fit, np.abs(found[~zero] / expected[~zero] - 1.0)


def test_the_fixtures_hold_what_they_should():
    zeros = ESTIMATES[list(NAMES)].lt(ZERO, axis=0).any(axis=1)
    assert len(ESTIMATES) >= 20
    assert zeros.sum() >= 8
    for _, table in READINGS.groupby("study"):
        counts = table.groupby(["part", "operator"]).size().unstack(fill_value=0)
        assert counts.nunique().max() > 1 or counts.T.nunique().max() > 1, "unbalanced"


@pytest.mark.parametrize("name", ESTIMATES.index)
def test_components_are_lme4s(name):
    fit, relative = differences(name)
    assert relative.max() < 1e-5
    assert bool(fit.converged)


@pytest.mark.parametrize("name", ESTIMATES.index)
def test_the_likelihood_is_lme4s_and_never_lower(name):
    found = float(fitted(name).log_likelihood)
    expected = ESTIMATES.loc[name, "log_likelihood"]
    assert found == pytest.approx(expected, abs=1e-7)
    assert found > expected - 1e-10


@pytest.mark.parametrize("name", ESTIMATES.index)
def test_means_and_their_errors_are_lme4s(name):
    fit, expected = fitted(name), MEANS.loc[[name]]
    if len(expected) == 1:
        found, error = [float(fit.mean)], [float(fit.mean_error)]
    else:
        found, error = fit.operator_means, np.sqrt(np.diagonal(fit.operator_covariance))
    assert np.asarray(found) == pytest.approx(expected.estimate.to_numpy(), rel=1e-5, abs=1e-7)
    assert np.asarray(error) == pytest.approx(expected.error.to_numpy(), rel=1e-5)


def test_boundary_flags_say_which_component_was_estimated_at_zero():
    fit = fitted("operator_and_interaction_at_zero")
    assert (bool(fit.part_at_zero), bool(fit.operator_at_zero)) == (False, True)
    assert bool(fit.interaction_at_zero)
    assert bool(fitted("nested_part_at_zero").part_at_zero)


def test_one_search_finds_the_same():
    for name in ESTIMATES.index[~ESTIMATES.model.str.contains("operator:part|0 \\+")]:
        table = READINGS[READINGS.study == name]
        columns = [table[c].to_numpy() for c in ("reading", "part", "operator")]
        interaction = "part:operator" in ESTIMATES.loc[name, "model"]
        quick = reml_components(*columns, interaction=interaction)
        slow = fitted(name).components
        for component in NAMES:
            assert getattr(quick, component) == pytest.approx(
                getattr(slow, component), rel=1e-8, abs=1e-12, nan_ok=True
            )
