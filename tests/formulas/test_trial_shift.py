"""The test of trial means: against statsmodels, and by how often it alarms for nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from grr.formulas.change_points import LEVEL, trial_shifts


def clean(seed: int, shape=(10, 3, 3), missing: float = 0.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    readings = 10.0 + rng.normal(0, 20, (shape[0], 1, 1)) + rng.normal(0, 1, shape)
    readings[rng.random(shape) < missing] = np.nan
    return readings


@pytest.mark.parametrize("missing", [0.0, 0.1])
@pytest.mark.parametrize("trials", [2, 3])
def test_f_is_that_of_statsmodels(missing: float, trials: int) -> None:
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    readings = clean(3, (8, 2, trials), missing)
    readings[:, 1, 1:] += 5.0
    part, operator, trial = np.nonzero(np.isfinite(readings))
    table = pd.DataFrame(
        {"y": readings[part, operator, trial], "part": part, "j": operator, "t": trial}
    )
    (found,) = trial_shifts(readings)
    assert (found.operator, found.trials) == (1, tuple(range(1, trials)))
    own = table[table["j"] == 1]
    fit = [smf.ols(f"y ~ C(part){more}", own).fit() for more in ("", " + C(t)")]
    expected = anova_lm(*fit).iloc[1]
    assert_allclose([found.f, found.p], [expected["F"], expected["Pr(>F)"]], rtol=1e-8)
    assert found.scatter == pytest.approx(float(np.sqrt(fit[1].scale)))
    step = smf.ols("y ~ C(part) + (t > 0)", own).fit().params["t > 0[T.True]"]
    assert found.size == pytest.approx(step)


def test_all_together_is_statsmodels_beside_the_interaction_with_operators() -> None:
    import statsmodels.formula.api as smf

    readings = clean(11)
    readings[:, :, 1] += 0.75  # too little to be seen in one operator's readings
    (found,) = trial_shifts(readings)
    assert found.operator is None
    part, operator, trial = np.indices(readings.shape).reshape(3, -1)
    table = pd.DataFrame({"y": readings.ravel(), "c": part * 3 + operator, "t": trial})
    cells, common = (smf.ols(f"y ~ {m}", table).fit() for m in ("C(c)", "C(c) + C(t)"))
    # trials by operator taken out of what is left: each operator's own fit
    own = [smf.ols("y ~ C(c) + C(t)", table[operator == j]).fit() for j in range(3)]
    left = sum(fit.ssr for fit in own) / sum(fit.df_resid for fit in own)
    f = (cells.ssr - common.ssr) / 2.0 / left
    assert found.f == pytest.approx(f, rel=1e-8)
    assert found.trials == (1,) and found.size == pytest.approx(0.75, abs=0.7)


@pytest.mark.parametrize(
    ("shape", "missing"), [((10, 3, 3), 0.0), ((5, 2, 2), 0.0), ((10, 3, 2), 0.05)]
)
def test_few_studies_in_which_nothing_moves_alarm(shape: tuple[int, ...], missing: float) -> None:
    # 3,000 studies of each shape: 0.6 to 1.2 %; here with room for four standard errors
    studies = 250
    alarms = sum(bool(trial_shifts(clean(seed, shape, missing))) for seed in range(studies))
    assert alarms <= studies * LEVEL + 4.0 * np.sqrt(studies * LEVEL)


def test_a_shift_of_a_few_sd_is_found_in_nearly_every_study() -> None:
    found = 0
    for seed in range(40):
        readings = clean(seed)
        readings[:, 2, 2] += 2.5
        found += [s.operator for s in trial_shifts(readings)] == [2]
    assert found >= 38


def test_nothing_repeated_or_nothing_scattering_says_nothing() -> None:
    assert trial_shifts(clean(1, (10, 3, 1))) == []
    flat = np.broadcast_to(np.arange(5.0)[:, None, None], (5, 2, 3)).copy()
    assert trial_shifts(flat) == []
    flat[:, 0, 2] += 1.0
    (found,) = trial_shifts(flat)
    assert (found.operator, found.trials, found.scatter, found.p) == (0, (2,), 0.0, 0.0)
    assert found.size == pytest.approx(1.0)


def test_parts_that_nobody_measured_do_not_matter() -> None:
    readings = clean(2)
    readings[:, 0, 0] -= 6.0
    expected = trial_shifts(readings[1:])
    readings[0] = np.nan
    assert trial_shifts(readings) == expected
