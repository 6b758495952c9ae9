"""The short check against tables of F and against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from grr.formulas.recheck import chance_to_notice


@pytest.mark.parametrize(("df", "before"), [(1, 5), (6, 20), (12, 60), (30, 200)])
def test_limit_and_chance_are_those_of_scipys_distribution(df, before):
    ratio, chance = chance_to_notice(df, before, times=2.0, level=0.95)
    limit = stats.f.ppf(0.95, df, before)
    assert ratio == pytest.approx(np.sqrt(limit), rel=1e-12)
    assert chance == pytest.approx(stats.f.sf(limit / 4.0, df, before), rel=1e-12)


def test_published_five_percent_point():
    # F tables: the upper 5 % point with 10 and 20 degrees of freedom is 2.35 (from memory).
    assert chance_to_notice(10, 20)[0] ** 2 == pytest.approx(2.35, abs=0.005)


@pytest.mark.parametrize("times", [1.0, 2.0, 3.0])
def test_simulated_checks_notice_as_often(times):
    rng = np.random.default_rng(11)
    parts, people, trials, runs = 10, 3, 3, 20_000
    before = parts * people * (trials - 1)
    ratio, chance = chance_to_notice(12, before, times=times)
    studied = rng.normal(size=(runs, parts * people, trials)).var(axis=-1, ddof=1).mean(axis=-1)
    pairs = times * rng.normal(size=(runs, 12, 2))
    checked = ((pairs[..., 0] - pairs[..., 1]) ** 2 / 2.0).mean(axis=-1)
    found = float((np.sqrt(checked) > ratio * np.sqrt(studied)).mean())
    assert found == pytest.approx(chance, abs=4.0 * np.sqrt(0.25 / runs))
    if times == 1.0:
        assert chance == pytest.approx(0.05, rel=1e-9)
