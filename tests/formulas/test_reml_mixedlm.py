"""Why the likelihood is maximised here and not by statsmodels: it stops early at a zero."""

import warnings
from pathlib import Path

import pandas as pd
import pytest

from grr.formulas.reml import reml

READINGS = pd.read_csv(Path(__file__).parents[1] / "fixtures" / "lme4" / "readings.csv")


def by_mixedlm(table):
    """Crossed random effects as one group's variance components (statsmodels manual)."""
    import statsmodels.formula.api as smf

    model = smf.mixedlm(
        "reading ~ 1",
        table.assign(everything=1),
        groups="everything",
        vc_formula={
            "part": "0 + C(part)",
            "operator": "0 + C(operator)",
            "interaction": "0 + C(part):C(operator)",
        },
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = model.fit(reml=True)
    return dict(zip(model.exog_vc.names, fit.vcomp, strict=True)), float(fit.scale), float(fit.llf)


def both(name):
    table = READINGS[READINGS.study == name]
    ours = reml(*(table[c].to_numpy() for c in ("reading", "part", "operator")))
    return ours, *by_mixedlm(table)


@pytest.mark.parametrize("name", ["a_tenth_lost", "unequal_trials", "half_lost"])
def test_they_agree_where_every_component_is_positive(name):
    ours, variances, scale, log_likelihood = both(name)
    assert ours.log_likelihood == pytest.approx(log_likelihood, abs=1e-6)
    for component, variance in variances.items():
        assert getattr(ours.components, component) == pytest.approx(variance, rel=1e-3)
    assert ours.components.repeatability == pytest.approx(scale, rel=1e-3)


@pytest.mark.parametrize(
    "name",
    ["interaction_at_zero", "operator_and_interaction_at_zero", "all_at_zero"],
)
def test_mixedlm_stops_early_where_a_component_is_zero(name):
    ours, variances, _, log_likelihood = both(name)
    assert ours.log_likelihood > log_likelihood + 0.05
    assert ours.components.interaction == 0.0
    assert variances["interaction"] > 1e-3
