"""What makes GRR large: the causes that `grr.assess` names, and GRR without them.

The full simulation is tests/coverage/causes.py; here is a short one.
"""

from __future__ import annotations

import importlib.util
import math
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from snapshot import assert_snapshot

import grr
from grr.formulas.cause_tests import LEVEL, battery, scores, seen_from, trial_shapes
from grr.formulas.scatter_tests import normal_studies
from grr.questions.causes import causes_of

SCRIPT = Path(__file__).parents[1] / "coverage" / "causes.py"
SHAPE = (10, 3, 3)


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("causes_coverage", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def named(study):
    return [c for c in grr.assess(study).causes if c.kind != "repeatability"]


def even(offsets=(0.0, 0.0, 0.0), parts=6, half=1.0):
    """Return readings without chance: every cell holds its mean ± half, and no interaction."""
    y = np.arange(parts)[:, None, None] * 10.0 + np.array(offsets)[None, :, None]
    first = np.where(np.indices((parts, len(offsets))).sum(axis=0) % 2, 1.0, -1.0)[..., None]
    return y + half * first * np.array([-1.0, 1.0])


def as_study(y, **settings):
    i, j, k = (n.ravel() for n in np.indices(y.shape))
    table = pd.DataFrame(
        {"part": i + 1, "operator": [f"op {n}" for n in j], "trial": k + 1, "reading": y.ravel()}
    ).astype({"part": str})
    settings.setdefault("tolerance", grr.Tolerance(lower=0.0, upper=100.0))
    return grr.Study(table, **settings)


def test_every_planted_cause_is_named_first(script):
    rng = np.random.default_rng(14)
    for kind in script.PLANTED:
        for _ in range(1):
            truth = script.planted(kind, 0.8, SHAPE, rng, 0.0)
            first = named(truth.study)[0]
            assert first.kind == truth.kind
            assert truth.operator in (None, first.operator)
            assert first.sure < 0.05
            assert first.share.lower <= first.share.value <= first.share.upper


def test_nine_of_ten_are_first_and_intervals_hold(script):
    first = held = seen = studies = 0
    rng = np.random.default_rng(12)
    for kind in script.PLANTED:
        for share in (0.5, 0.75):
            for _ in range(3):
                place, found, inside = script.named_first(
                    script.planted(kind, share, SHAPE, rng, 0.0)
                )
                first, seen, held = first + place, seen + found, held + inside
                studies += 1
    assert first >= 0.9 * studies
    assert held >= 0.9 * seen  # the full simulation has the numbers to ask for more


def test_few_clean_studies_are_accused(script):
    accused, _ = script.clean_row(40, "10x3x3")
    assert accused <= 5  # of 40, where one in twenty is allowed: 2 % chance of more


@pytest.mark.parametrize("shape", [(10, 3, 3), (5, 3, 3), (10, 2, 2), (5, 6, 2)])
def test_all_tests_together_accuse_one_clean_study_in_twenty(shape):
    tests = battery(*shape, trial_shapes(*shape), normal_studies(shape))
    y = np.random.default_rng(13).standard_normal((4000, *shape))
    p = np.min([score for score, _ in scores(y, tests).values()], axis=0)
    assert 0.033 < np.mean(p < LEVEL) < 0.057


@pytest.mark.parametrize(
    ("operators", "reproducibility"),
    # Offsets 0, 0, 6 about their mean: sum of squares 24, over o - 1 for a sample of many,
    # over o where these are all, and (1 - 1/6) x 24/2 for 3 of 6.
    [("random", 12.0), ("fixed", 8.0), (6, 10.0)],
)
def test_grr_without_an_offset_by_hand(operators, reproducibility):
    study = as_study(even((0.0, 0.0, 6.0)), operators=operators)
    cause = named(study)[0]
    assert (cause.kind, cause.operator, cause.part) == ("operator_offset", "op 2", None)
    assert cause.size.value == pytest.approx(6.0)
    # Repeats of a cell differ by 2: variance 2. No interaction at all lowers AV.
    assert cause.share.value == pytest.approx(100.0 * reproducibility / (reproducibility + 2.0))


def test_without_agrees_with_the_share():
    a = grr.assess(grr.open_study(demo("dowel_pin_handheld")))
    now = a.result.value("GRR", "percent_tolerance")
    for cause in a.causes:
        left = now * math.sqrt(1.0 - cause.share.value / 100.0)
        assert cause.without.value == pytest.approx(left)


def test_without_one_cause_no_less_is_left_than_without_all(script):
    rng = np.random.default_rng(21)
    for kind in ("operator_offset", "step", "interaction with one part"):
        for _ in range(4):
            truth = script.planted(kind, 0.6, SHAPE, rng, 0.5)
            found = grr.assess(truth.study)
            together = causes_of(truth.study).together
            for cause in found.causes:
                if cause.kind not in ("repeatability", "digit"):
                    assert cause.without.value >= together.value - 1e-9


def demo(name):
    return Path(__file__).parents[2] / "demo_data" / name


def test_two_operators_apart_are_not_told_which_is_off():
    rng = np.random.default_rng(3)
    y = rng.normal(0.0, 5.0, (10, 1, 1)) + rng.standard_normal((10, 2, 3))
    y[:, 1] += 4.0
    cause = named(as_study(y + 50.0))[0]
    assert cause.kind == "operator_offset"
    assert cause.operator is None
    assert "Op 0 and op 1" in cause.sentence


def test_a_decimal_slip_is_first_and_hides_nothing_else():
    rng = np.random.default_rng(4)
    y = 50.0 + rng.normal(0.0, 5.0, (10, 1, 1)) + rng.standard_normal((10, 3, 3))
    y[:, 1] += 4.0
    y[3, 0, 1] *= 10.0
    first, second, *_ = named(as_study(y))
    assert (first.kind, first.operator, first.part, first.trials) == ("slip", "op 0", "4", (2,))
    assert (second.kind, second.operator) == ("operator_offset", "op 1")
    assert second.share.value > 50.0


def test_several_methods_name_the_one_that_repeats_worse(script):
    truth = script.two_methods(0.9, SHAPE, np.random.default_rng(5))
    a = grr.assess(truth.study)
    first = a.causes[0]
    assert (first.kind, first.method) == ("method", "hand")
    assert set(a.by_method) == {"stand", "hand"}
    assert a.result is None
    assert "method" in a.reasons["result"]


def test_everything_else_is_the_same_as_asked_alone():
    study = grr.open_study(demo("dowel_pin"))
    a = grr.assess(study)
    assert a is grr.assess(study)
    assert a.result is grr.anova(study)
    assert a.verdict is grr.verdict(study)
    assert a.operators is grr.compare_operators(study)
    assert a.check is grr.check(study)
    assert a.drift is not None
    assert a.risks is not None
    assert a.intervals is not None
    assert a.by_ranges is not None
    assert list(a.reasons) == ["methods"]


def test_the_background_is_last_and_no_finding():
    rng = np.random.default_rng(6)
    y = 50.0 + rng.normal(0.0, 5.0, (10, 1, 1)) + rng.standard_normal((10, 3, 3))
    a = grr.assess(as_study(y))
    assert [c.kind for c in a.causes] == ["repeatability"]
    assert math.isnan(a.causes[-1].sure)
    assert "Nothing" in str(a)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("who_repeats", ["nobody but one", "all but one", "few cells"])
@pytest.mark.parametrize("digit", [None, 0.0001, 0.0005])
def test_who_does_not_scatter_is_no_trouble(who_repeats, digit):
    """No cause names scatter that is not there, and none is infinite in words."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        shape = ((10, 3, 3), (5, 3, 2), (4, 2, 2))[seed % 3]
        errors = 0.0006 * rng.standard_normal(shape)
        alike = rng.random(shape[:2]) < 0.8
        if who_repeats != "few cells":
            alike = np.zeros(shape[:2], bool)
            alike[:, 1] = True
            alike ^= who_repeats == "nobody but one"
        errors[alike] = 0.0
        readings = 10.0 + np.round(0.004 * rng.standard_normal((shape[0], 1, 1)), 3) + errors
        readings[2, 0, 1] += 0.003
        if digit is not None:
            readings = np.round(np.round(readings / digit) * digit, 6)
        part, operator, trial = (index.ravel() for index in np.indices(shape))
        columns = {
            "part": part + 1,
            "operator": np.array(list("ABC"))[operator],
            "trial": trial + 1,
        }
        made = grr.Study(
            pd.DataFrame({**columns, "reading": readings.ravel()}),
            tolerance=grr.Tolerance(9.98, 10.02),
            unit="mm",
            resolution=digit,
            operators="fixed",
        )
        found = grr.assess(made)
        assert "inf " not in str(found)
        for cause in found.causes:
            if cause.kind in ("operator_scatter", "part"):
                assert cause.size.value > 1.0


def test_what_cannot_be_looked_for_is_said():
    rng = np.random.default_rng(7)
    y = 50.0 + rng.normal(0.0, 5.0, (10, 1, 1)) + rng.standard_normal((10, 3, 3))
    y[0, 0, 0] = np.nan
    a = grr.assess(as_study(y))
    assert any("1 missing" in note for note in a.notes)
    assert any("order" in note for note in a.notes)
    once = grr.assess(as_study(y[:, :, 1:2]))
    assert any("not tested" in note for note in once.notes)
    alone = grr.assess(as_study(y[:, 1:2]))
    assert alone.causes[-1].kind == "repeatability"
    y[:5, 0] = np.nan
    assert "missing" in grr.assess(as_study(y)).notes[0]
    table = as_study(y[:, 1:]).readings
    table["part"] = table["operator"] + table["part"]
    nested = grr.Study(table, design="nested")
    assert "one operator" in grr.assess(nested).notes[0]
    assert grr.assess(nested).causes == ()


def test_without_a_tolerance_the_reason_is_there():
    cause = named(as_study(even((0.0, 0.0, 6.0)), tolerance=None))[0]
    assert not cause.without.known
    assert "tolerance" in cause.without.why
    control = named(as_study(even((0.0, 0.0, 6.0)), tolerance=None, purpose="control"))[0]
    assert control.without.lower < control.without.upper < 100.0


def test_table_and_words():
    a = grr.assess(grr.open_study(demo("dowel_pin_handheld")))
    table = a.to_frame()
    each = [cause.to_frame().loc[0, ["kind", "share"]].tolist() for cause in a.causes]
    assert each == table[["kind", "share"]].to_numpy().tolist()
    assert list(table["kind"])[-1] == "repeatability"
    assert {"size", "share_lower", "without_upper", "unit", "sure"} <= set(table.columns)
    assert table["share"].iloc[:-1].is_monotonic_decreasing
    assert_snapshot(str(a), "causes")
    assert "<" in a._repr_html_()


def test_it_is_fast_once_the_design_is_known(script):
    rng = np.random.default_rng(8)
    spent = []
    for _ in range(4):
        study = script.study_of(30.0 + rng.standard_normal(SHAPE), script.order_of(SHAPE, 0))
        began = time.process_time()
        assert grr.assess(study).causes
        spent.append(time.process_time() - began)
    assert min(spent) < 0.2


@pytest.mark.parametrize(("kind", "least"), [("step", 0.6), ("operator_offset", 0.85)])
def test_a_step_is_told_from_an_offset(script, kind, least):
    """Both move the operator's mean; half of the steps were called offsets by the tests alone."""
    rng = np.random.default_rng(61)
    truths = [script.planted(kind, 0.4, SHAPE, rng, 0.0) for _ in range(40)]
    first = [named(truth.study)[:1] for truth in truths]
    right = [
        bool(one) and (one[0].kind, one[0].operator) == (kind, truth.operator)
        for one, truth in zip(first, truths, strict=True)
    ]
    assert np.mean(right) >= least


def test_from_how_much_scatter_on_nine_in_ten_are_named():
    rng = np.random.default_rng(62)
    limit = 0.03 / 6 / 3  # the share of one of six tests, for three operators
    ratio = seen_from(3, 20)
    assert ratio == pytest.approx(
        math.sqrt(stats.f.isf(limit, 20, 40) / stats.f.ppf(0.1, 20, 40)), rel=1e-9
    )
    truth = 1.0 + 3.0 * np.array([0.576 / (1.0 - 0.576)])  # as a share of GRR's variance
    assert math.sqrt(truth[0]) == pytest.approx(ratio, abs=0.01)
    y = rng.standard_normal((200, *SHAPE))
    y[:, :, 0] *= ratio
    tests = battery(*SHAPE, [], normal_studies(SHAPE))
    p, who = scores(y, tests)["operator_scatter"]
    assert 0.85 <= np.mean((p < LEVEL) & (who == 0)) <= 0.97


def test_an_offset_that_another_hides_is_said_to_be_so():
    """C reads between the others as long as D counts; a comparison must not say otherwise."""
    rng = np.random.default_rng(2)
    offsets = np.array([-2.0, -2.0, 1.0, 12.0])[None, :, None]
    y = 50.0 + rng.normal(0.0, 9.0, (12, 1, 1)) + offsets + rng.standard_normal((12, 4, 2))
    i, j, k = (n.ravel() for n in np.indices(y.shape))
    columns = {"part": i, "operator": np.array(list("ABCD"))[j], "trial": k + 1}
    table = pd.DataFrame({**columns, "reading": y.ravel()})
    study = grr.Study(table, tolerance=grr.Tolerance(0.0, 100.0))
    first, hidden = (
        next(c for c in grr.assess(study).causes if c.operator == name) for name in "DC"
    )
    raw = grr.compare_operators(study).about("C").offset.size.value
    assert hidden.size.value * raw < 0.0
    assert "with D put right" in hidden.what
    assert "put right" not in first.what
