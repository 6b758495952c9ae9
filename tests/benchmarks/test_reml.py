"""One unbalanced study by restricted likelihood, beside statsmodels' MixedLM."""

import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from grr.numerics.reml import reml, reml_components

READINGS = pd.read_csv(Path(__file__).parents[1] / "fixtures" / "lme4" / "readings.csv")


def columns(name):
    table = READINGS[READINGS.study == name]
    return [table[column].to_numpy() for column in ("reading", "part", "operator")]


def by_mixedlm(name):
    import statsmodels.formula.api as smf

    model = smf.mixedlm(
        "reading ~ 1",
        READINGS[READINGS.study == name].assign(everything=1),
        groups="everything",
        vc_formula={
            "part": "0 + C(part)",
            "operator": "0 + C(operator)",
            "interaction": "0 + C(part):C(operator)",
        },
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return model.fit(reml=True)


def seconds(work, times):
    """Shortest of several runs: on a shared machine the one least disturbed."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


@pytest.mark.parametrize("name", ["a_tenth_lost", "interaction_at_zero", "all_at_zero"])
def test_one_study(benchmark, capsys, name):
    study = columns(name)
    by_mixedlm(name)
    benchmark(reml, *study)
    theirs = seconds(lambda: by_mixedlm(name), 9)
    ours = seconds(lambda: reml(*study), 31)
    with capsys.disabled():
        print(
            f"\n{name}: reml {ours * 1e3:.1f} ms from many starts, MixedLM {theirs * 1e3:.1f} ms "
            f"from one: {theirs / ours:.0f} times as fast"
        )


def test_refits_of_one_design(benchmark, capsys):
    _, part, operator = columns("a_tenth_lost")
    rng = np.random.default_rng(1)
    studies = 1000
    readings = (
        rng.normal(0, 3, (studies, 11))[:, part]
        + rng.normal(0, 1, (studies, 4))[:, operator]
        + rng.normal(0, 1, (studies, len(part)))
    )
    benchmark.pedantic(reml_components, args=(readings, part, operator), rounds=5)
    taken = seconds(lambda: reml_components(readings, part, operator), 3)
    with capsys.disabled():
        print(f"\n{studies} refits: {taken:.2f} s, {taken / studies * 1e3:.2f} ms each")
