"""Restricted maximum likelihood of any sources, against R with lme4."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from grr.formulas.mixed_model import fit_sources
from grr.model.errors import StudyError

FIXTURES = Path(__file__).parents[1] / "fixtures" / "sessions"
READINGS = pd.read_csv(FIXTURES / "readings.csv")
ESTIMATES = pd.read_csv(FIXTURES / "estimates.csv").set_index("study")
MEANS = pd.read_csv(FIXTURES / "means.csv").set_index("study")
SOURCES = ("part", "operator", "interaction", "session", "place")


def fitted(name):
    table = READINGS[READINGS.study == name]
    labels = {
        **{column: table[column] for column in ("part", "operator", "session")},
        "interaction": table.part.astype(str) + " " + table.operator.astype(str),
        "place": table.part.astype(str) + " " + table.place.astype(str),
    }
    used = [source for source in SOURCES if not np.isnan(ESTIMATES.loc[name, source])]
    fixed = table.operator if len(MEANS.loc[[name]]) > 1 else None
    return fit_sources(table.reading, {source: labels[source] for source in used}, fixed=fixed)


@pytest.mark.parametrize("name", ESTIMATES.index)
def test_components_are_lme4s(name):
    fit, expected = fitted(name), ESTIMATES.loc[name]
    found = {**fit.variances, "error": fit.error}
    for source, value in found.items():
        if expected[source] < 1e-8:  # the search of lme4 stops just above zero
            assert value == 0.0, source
        else:
            assert value == pytest.approx(expected[source], rel=1e-5), source
    assert fit.log_likelihood == pytest.approx(expected.log_likelihood, abs=1e-7)


@pytest.mark.parametrize("name", ESTIMATES.index)
def test_means_and_their_errors_are_lme4s(name):
    fit, expected = fitted(name), MEANS.loc[[name]]
    assert fit.effects == pytest.approx(expected.estimate.to_numpy(), rel=1e-5, abs=1e-6)
    errors = np.sqrt(np.diagonal(fit.covariance))
    assert errors == pytest.approx(expected.error.to_numpy(), rel=1e-5)


def test_unit_and_origin_do_not_matter():
    table = READINGS[READINGS.study == "readings_lost"]
    sources = {source: table[source] for source in ("part", "session")}
    plain = fit_sources(table.reading, sources)
    moved = fit_sources(25.0 + table.reading / 1000.0, sources)
    assert moved.error == pytest.approx(plain.error * 1e-6, rel=1e-6)
    assert moved.variances["session"] == pytest.approx(plain.variances["session"] * 1e-6, rel=1e-6)
    assert moved.effects[0] == pytest.approx(25.0 + plain.effects[0] / 1000.0, abs=1e-9)


def test_readings_that_do_not_differ_within_a_cell_are_refused():
    part = np.repeat(np.arange(6), 4)
    session = np.tile([0, 0, 1, 1], 6)
    with pytest.raises(StudyError, match="settle"):
        fit_sources(part + 0.5 * session, {"part": part, "session": session})
