"""One unbalanced study by restricted likelihood, beside statsmodels' MixedLM and R's lme4."""

import shutil
import subprocess
import tracemalloc
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from timing import least_cpu_seconds, seconds_each

from grr.formulas.reml import reml
from grr.formulas.reml_fit import checked_codes, cube_of_codes

READINGS = pd.read_csv(Path(__file__).parents[1] / "fixtures" / "lme4" / "readings.csv")


def columns(name):
    table = READINGS[READINGS.study == name]
    return [table[column].to_numpy() for column in ("reading", "part", "operator")]


def cube(readings, part, operator):
    values, codes = checked_codes(readings, part, operator)
    return cube_of_codes(values, *codes)


#: The processor's seconds of lme4's fit, the least of several.
LME4 = """
suppressMessages(library(lme4))
path <- commandArgs(TRUE)[1]
d <- read.csv(path)
d$part <- factor(d$part)
d$operator <- factor(d$operator)
d$both <- interaction(d$part, d$operator, drop = TRUE)
fit <- function() lmer(reading ~ 1 + (1 | part) + (1 | operator) + (1 | both), d)
taken <- function() { t <- system.time(fit()); t[["user.self"]] + t[["sys.self"]] }
cat(min(replicate(if (nrow(d) < 5e4) 3 else 1, taken())))
"""


def by_lme4(study, path):
    """Return how long lme4 takes; None where R or lme4 is missing."""
    if shutil.which("Rscript") is None:
        return None
    there = ~np.isnan(study)
    part, operator, _ = np.nonzero(there)
    table = pd.DataFrame({"part": part, "operator": operator, "reading": study[there]})
    table.to_csv(path, index=False)
    command = ["Rscript", "-e", LME4, str(path)]
    found = subprocess.run(command, capture_output=True, text=True, check=False)
    return float(found.stdout) if found.returncode == 0 else None


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


@pytest.mark.parametrize("name", ["a_tenth_lost", "interaction_at_zero", "all_at_zero"])
def test_one_study(benchmark, side_by_side, name):
    study = cube(*columns(name))
    by_mixedlm(name)
    benchmark(reml, study)
    theirs = min(seconds_each(lambda: by_mixedlm(name), 9))
    ours = min(seconds_each(lambda: reml(study), 31))
    side_by_side.faster(f"REML, {name}", ours, "MixedLM, from one start", theirs, "5 × as fast")


def test_refits_of_one_design(benchmark, side_by_side):
    _, part, operator = columns("a_tenth_lost")
    rng = np.random.default_rng(1)
    studies = 1000
    readings = (
        rng.normal(0, 3, (studies, 11))[:, part]
        + rng.normal(0, 1, (studies, 4))[:, operator]
        + rng.normal(0, 1, (studies, len(part)))
    )
    study = cube(readings, part, operator)
    benchmark.pedantic(reml, args=(study,), rounds=2)
    taken = min(seconds_each(lambda: reml(study), 2))
    side_by_side.alone(f"{studies} REML refits", f"{taken / studies * 1e3:.2f} ms each")


@pytest.mark.parametrize("shape", [(10, 3, 3), (100, 20, 5), (300, 30, 3), (1000, 50, 3)])
def test_large_studies(benchmark, side_by_side, shape, tmp_path):
    p, o, r = shape
    rng = np.random.default_rng(1)
    study = (
        rng.normal(0, 3, (p, 1, 1))
        + rng.normal(0, 1, (1, o, 1))
        + rng.normal(0, 0.7, (p, o, 1))
        + rng.normal(0, 1, shape)
    )
    study[rng.random(shape) < 0.05] = np.nan
    benchmark.pedantic(reml, args=(study,), rounds=3)
    taken = least_cpu_seconds(lambda: reml(study), 3)
    theirs = by_lme4(study, tmp_path / "readings.csv")
    what = f"REML, {p} × {o} × {r}"
    if theirs is None:
        side_by_side.alone(what, f"{1e3 * taken:.0f} ms")
    else:
        side_by_side.faster(what, taken, "lme4 in R", theirs, "3 × as fast")


def test_memory_is_linear(benchmark, side_by_side):
    shapes = [(100, 20, 5), (1000, 50, 2), (5000, 50, 4)]
    peaks = []
    for shape in shapes:
        rng = np.random.default_rng(1)
        study = rng.normal(size=shape) + rng.normal(0, 3, (shape[0], 1, 1))
        study[rng.random(shape) < 0.05] = np.nan
        tracemalloc.start()
        reml(study)
        peaks.append(tracemalloc.get_traced_memory()[1] / study.size)
        tracemalloc.stop()
    benchmark.pedantic(lambda: None, rounds=1)
    told = ", ".join(f"{peak:.0f}" for peak in peaks) + " bytes each"
    side_by_side.alone("REML, 10,000, 100,000, 1,000,000 readings, peak memory", told, "level")
