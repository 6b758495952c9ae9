import math
from datetime import date

import numpy as np
import pandas as pd
import pytest
from snapshot import assert_snapshot

import grr
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.questions.acceptance import rounded_inwards
from published import manual_readings

TOLERANCE = grr.Tolerance(9.997, 10.003)
SIZES = np.array([2.5, 5.1, 7.7, 10.3, 12.9, 15.0, 17.6, 20.2, 22.8, 25.0])
STEP = 0.0001


def reference(bias=0.0001, sd=0.00008, n=50, tolerance=TOLERANCE, **more):
    readings = np.random.default_rng(1).normal(10.0 + bias, sd, n)
    arguments = {"expanded_uncertainty": 0.0001, "resolution": STEP, "unit": "mm"} | more
    return grr.reference_study(
        np.round(readings, 4), reference=10.0, tolerance=tolerance, **arguments
    )


def over_range(bias=0.0001, sd=0.0001, **more):
    x = np.repeat(SIZES, 5)
    y = x + bias + np.random.default_rng(2).normal(0, sd, len(x))
    table = pd.DataFrame({"reference": x, "reading": np.round(y, 4)})
    arguments = {"mpe": 0.001, "expanded_uncertainty": 0.0001, "resolution": STEP} | more
    return grr.linearity(table, unit="mm", **arguments)


def on_parts(scale=0.0003, tolerance=TOLERANCE, **facts):
    table = manual_readings()
    table["reading"] = np.round(10.0 + scale * table["reading"], 4)
    study = grr.Study(
        table, tolerance=tolerance, unit="mm", resolution=STEP, operators="fixed", facts=facts
    )
    return grr.anova(study)


def budget(size=0.0003):
    return grr.UncertaintyBudget([grr.Contribution("all", size)], unit="mm")


def checks(shift=0.0, n=24, at=20):
    rng = np.random.default_rng(3)
    times = pd.date_range("2025-01-15", periods=n, freq="30D")
    reading = 10.0 + rng.normal(0, 0.0001, n) + shift * (np.arange(n) >= at)
    table = pd.DataFrame({"time": times.strftime("%Y-%m-%d"), "reading": reading})
    return grr.stability(
        table, unit="mm", tolerance=TOLERANCE, baseline=min(20, n), rules=("WE 1",)
    )


def page(**results):
    given = {
        "reference": reference(),
        "linearity": over_range(),
        "budget": budget(),
        "study": on_parts(),
        "stability": checks(),
    } | results
    return grr.qualify(TOLERANCE, unit="mm", gauge="M-17", **given)


def test_everything_passes():
    found = page()
    assert {one.outcome for one in found.requirements} == {"pass"}
    assert found.decision == "USE"
    assert [one.name for one in found.requirements] == list(found.to_frame().index)
    assert found.weakest.used == max(one.used for one in found.requirements)


def test_the_page_fills_step_by_step():
    empty = grr.qualify(TOLERANCE, unit="mm")
    assert empty.decision == "NOT DECIDED YET"
    assert [one.outcome for one in empty.requirements].count("not done") == 6
    one = grr.qualify(TOLERANCE, unit="mm", reference=reference())
    assert (
        one.requirement("Bias").outcome == "pass"
        and one.requirement("Resolution").outcome == "pass"
    )
    assert one.decision == "NOT DECIDED YET"
    assert any("grr.linearity" in step for step in one.next_steps)


def test_a_new_gauge_passes_on_condition_that_it_is_watched():
    found = page(stability=None)
    assert found.decision == "USE LIKE THIS"
    assert found.requirement("Stability").outcome == "conditional"
    assert any("first day" in condition for condition in found.conditions)
    assert found.weakest.name != "Stability"


@pytest.mark.parametrize(
    ("name", "results", "outcome"),
    [
        ("Resolution", {"resolution": 0.001}, "fail"),
        ("Bias", {"reference": reference(bias=0.002)}, "fail"),
        ("Bias", {"reference": reference(bias=0.0006, sd=0.0003)}, "can't tell"),
        ("Bias", {"reference": reference(expanded_uncertainty=0.002)}, "can't tell"),
        ("Repeatability on a reference", {"reference": reference(sd=0.0005)}, "fail"),
        ("Repeatability on a reference", {"reference": reference(sd=0.0001, n=8)}, "can't tell"),
        ("Linearity over the range", {"linearity": over_range(bias=0.002)}, "fail"),
        ("Linearity over the range", {"linearity": over_range(bias=0.0005)}, "can't tell"),
        ("Linearity over the range", {"linearity": over_range(mpe=0.00035)}, "can't tell"),
        ("Linearity over the range", {"linearity": over_range(mpe=0.0001)}, "fail"),
        ("Uncertainty", {"budget": budget(0.0006)}, "conditional"),
        ("Uncertainty", {"budget": budget(0.002)}, "fail"),
        ("GR&R on real parts", {"study": on_parts(scale=0.0008)}, "conditional"),
        ("GR&R on real parts", {"study": on_parts(scale=0.003)}, "fail"),
        ("Stability", {"stability": checks(shift=0.001)}, "fail"),
        ("Stability", {"stability": checks(n=12)}, "conditional"),
    ],
)
def test_each_can_be_what_is_wrong(name, results, outcome):
    one = grr.qualify(TOLERANCE, unit="mm", **results).requirement(name)
    assert one.outcome == outcome
    assert one.todo and one.why


@pytest.mark.parametrize(
    ("results", "decision", "weakest"),
    [
        ({"budget": budget(0.0006)}, "USE LIKE THIS", "Uncertainty"),
        ({"linearity": over_range(mpe=0.00035)}, "NOT DECIDED YET", "Linearity over the range"),
        ({"linearity": None}, "NOT DECIDED YET", "Linearity over the range"),
        (
            {"stability": checks(shift=0.001), "linearity": None},
            "DO NOT USE FOR THIS TOLERANCE",
            "Stability",
        ),
    ],
)
def test_the_worst_decides(results, decision, weakest):
    found = page(**results)
    assert (found.decision, found.weakest.name) == (decision, weakest)


def test_acceptance_limits_are_a_condition_and_rounded_inwards():
    found = page(budget=with_line(reference(), corrected=True, size=0.0006))
    # 1.645·0.6 µm = 0.987 µm inside each limit
    assert any("9.9980 to 10.0020" in c.replace("\u00a0", " ") for c in found.conditions), (
        found.conditions
    )


def test_the_label_carries_the_acceptance_limits():
    found = page(budget=with_line(reference(), corrected=True, size=0.0006))
    assert found.decision == "USE LIKE THIS"
    lines = dict(grr.show.gauge_label(found).lines)
    assert "9.9980 to 10.0020" in lines["accept"].replace("\u00a0", " ")


def test_readings_all_alike_cannot_be_judged_without_the_resolution():
    alike = grr.reference_study([10.0] * 20, reference=10.0, unit="mm", tolerance=TOLERANCE)
    one = grr.qualify(TOLERANCE, unit="mm", reference=alike).requirement(
        "Repeatability on a reference"
    )
    assert one.outcome == "can't tell" and "resolution" in one.todo


def test_alarms_that_have_gone_leave_the_history_open():
    rng = np.random.default_rng(3)
    reading = 10.0 + rng.normal(0, 0.0001, 24) + 0.002 * (np.arange(24) == 21)
    times = pd.date_range("2025-01-15", periods=24, freq="30D").strftime("%Y-%m-%d")
    table = pd.DataFrame({"time": times, "reading": reading})
    watched = grr.stability(
        table, unit="mm", tolerance=TOLERANCE, rules=("WE 1",), chart="individuals"
    )
    one = grr.qualify(TOLERANCE, unit="mm", stability=watched).requirement("Stability")
    assert (one.outcome, watched.alarm_now) == ("can't tell", False)


def test_conditions_come_from_the_study_and_the_use():
    study = on_parts(gauge_number="M-9", holding="stand", soak_minutes=30, zeroed_on="master")
    found = grr.qualify(
        TOLERANCE, unit="mm", study=study, mean_of=3, rezero_minutes=10, stability=checks()
    )
    assert found.gauge == "M-9"
    text = " ".join(found.conditions)
    for words in ("stand", "30 minutes", "mean of 3", "every 10 minutes"):
        assert words in text
    assert "closed faces" not in text
    closed = grr.qualify(TOLERANCE, unit="mm", study=on_parts())
    assert any("closed faces" in condition for condition in closed.conditions)


def test_valid_until_the_earlier_of_calibration_and_next_check():
    watched = checks()

    def until(**given):
        return grr.qualify(TOLERANCE, unit="mm", **given).valid_until

    assert until() is None
    assert until(stability=watched) == watched.next_check
    assert until(stability=watched, facts={"calibration_due": "2025-12-31"}) == date(2025, 12, 31)
    late = until(stability=watched, facts={"calibration_due": "2029-12-31"})
    assert late == watched.next_check


def test_it_prints_within_eighty_columns_and_escapes():
    found = grr.qualify(
        TOLERANCE, unit="mm", gauge="<b>", characteristic="Ø 10", report="Q-1", example=True
    )
    assert max(map(len, str(found).splitlines())) <= 80
    assert "<b>" not in found._repr_html_()
    assert "EXAMPLE" in str(found) and "Q-1" in str(found)


def test_its_words():
    passes = page(example=True, characteristic="diameter", report="Q-1")
    wrong = page(stability=None, budget=budget(0.0006), linearity=over_range(mpe=0.0001))
    empty = grr.qualify(TOLERANCE, unit="mm")
    assert_snapshot("\n\n".join(map(str, (passes, wrong, empty))), "qualify")


@pytest.mark.parametrize(
    ("tolerance", "results", "message"),
    [
        (grr.Tolerance(upper=1.0), {}, "two limits"),
        (0.006, {}, "not a Tolerance"),
        (TOLERANCE, {"unit": "µm", "reference": reference()}, "another unit"),
        (grr.Tolerance(9.0, 11.0), {"reference": reference()}, "another tolerance"),
        (TOLERANCE, {"reference": reference(tolerance=None)}, "another tolerance"),
        (TOLERANCE, {"bias_share": 1.5}, "bias_share"),
        (TOLERANCE, {"confidence": 0.4}, "confidence"),
        (TOLERANCE, {"mean_of": 0}, "mean_of"),
        (TOLERANCE, {"rezero_minutes": -1}, "rezero_minutes"),
        (TOLERANCE, {"facts": {"calibration_due": "soon"}}, "calibration"),
    ],
)
def test_bad_input_is_one_sentence_with_a_remedy(tolerance, results, message):
    with pytest.raises(StudyError, match=message) as caught:
        grr.qualify(tolerance, **({"unit": "mm"} | results))
    assert caught.value.remedy


def test_a_day_that_is_none_is_refused_where_the_study_is_made():
    with pytest.raises(StudyError, match="Calibration due"):
        on_parts(calibration_due="soon")


def with_line(result, *, corrected, size=0.00028):
    line = grr.MicrometerLines(10.0, "mm").bias(result, corrected=corrected)
    return grr.UncertaintyBudget([grr.Contribution("all", size), line], unit="mm")


def test_a_bias_that_nobody_corrects_is_in_the_uncertainty():
    # U 0.56 µm and a bias of 0.7 µm on ±6 µm: each alone would pass
    wide = grr.Tolerance(9.994, 10.006)
    biased = reference(bias=0.0007, tolerance=wide)
    silent = grr.qualify(wide, unit="mm", reference=biased, budget=budget(0.00028))
    one = silent.requirement("Uncertainty")
    assert "1.3" in one.found.replace("\u00a0", " ")  # 0.56 + 0.7 µm
    assert one.used == pytest.approx(100 * 2 * (2 * 0.00028 + 0.0007) / 0.012 / 30, rel=0.03)
    assert silent.bias.value == pytest.approx(biased.bias)
    said = grr.qualify(wide, unit="mm", reference=biased, budget=with_line(biased, corrected=False))
    assert said.requirement("Uncertainty").used == pytest.approx(one.used, rel=1e-6)
    narrow = reference(bias=0.0007)
    found = grr.qualify(TOLERANCE, unit="mm", reference=narrow, budget=budget(0.00028))
    assert found.requirement("Uncertainty").outcome == "conditional"
    assert "bias of" in found.requirement("Uncertainty").why


def test_a_corrected_bias_leaves_its_uncertainty_and_a_condition():
    biased = reference(bias=0.002)
    found = grr.qualify(
        TOLERANCE, unit="mm", reference=biased, budget=with_line(biased, corrected=True)
    )
    assert found.requirement("Bias").outcome == "pass"
    assert found.requirement("Repeatability on a reference").outcome == "pass"
    assert found.requirement("Uncertainty").outcome == "pass"
    blocks = over_range(bias=0.002, mpe=0.003)
    raw = grr.qualify(TOLERANCE, unit="mm", reference=biased, linearity=blocks)
    both = grr.qualify(
        TOLERANCE,
        unit="mm",
        reference=biased,
        linearity=blocks,
        budget=with_line(biased, corrected=True),
    )
    assert raw.requirement("Linearity over the range").outcome == "fail"
    assert both.requirement("Linearity over the range").outcome == "pass"
    assert found.bias.value == 0.0 and found.bias.upper < 0.0001
    assert any("−2.0" in c for c in found.conditions)


def test_the_bias_of_the_range_counts_at_the_size_of_the_parts():
    found = grr.qualify(TOLERANCE, unit="mm", linearity=over_range(bias=0.0005))
    assert found.requirement("Bias").outcome == "pass"
    assert found.bias.value == pytest.approx(0.0005, abs=0.00005)
    assert found.bias.lower < found.bias.value < found.bias.upper
    elsewhere = grr.qualify(grr.Tolerance(49.997, 50.003), unit="mm", linearity=over_range())
    assert elsewhere.requirement("Bias").outcome == "not done"
    assert not elsewhere.bias.known and elsewhere.bias.why


def test_the_share_used_up_and_the_outcome_never_disagree():
    for results in (
        {},
        {"stability": checks(shift=0.001)},
        {"reference": reference(bias=0.002)},
        {"reference": reference(bias=0.0006, sd=0.0003)},
        {"linearity": over_range(mpe=0.00035)},
        {"linearity": over_range(mpe=0.0001)},
        {"budget": budget(0.0006)},
        {"study": on_parts(scale=0.003)},
        {"resolution": 0.001},
    ):
        found = page(**results)
        for one in found.requirements:
            assert (one.used <= 1.0) if one.outcome == "pass" else (one.used >= 1.0), one
        shares = [one.used for one in found.in_order if one.outcome == "fail"]
        assert shares == sorted(shares, reverse=True)
        assert found.weakest is found.in_order[0]


def test_a_drift_that_uses_up_its_share_between_two_checks_asks_for_more_checks():
    days = pd.date_range("2024-01-15", periods=24, freq="90D").strftime("%Y-%m-%d")
    reading = 10.0 + np.random.default_rng(3).normal(0, 0.0001, 24)
    table = pd.DataFrame({"time": days, "reading": reading})
    watched = grr.stability(table, unit="mm", tolerance=TOLERANCE, share=0.001)
    one = grr.qualify(TOLERANCE, unit="mm", stability=watched).requirement("Stability")
    assert one.outcome == "conditional" and one.used > 1.0 and "at least every" in one.todo


def test_a_study_with_limits_makes_the_page_one_with_limits():
    study = on_parts(scale=0.0008)
    assert grr.verdict(study).decision == "USE WITH LIMITS"
    found = page(study=study)
    one = found.requirement("GR&R on real parts")
    assert (found.decision, one.outcome) == ("USE WITH LIMITS", "conditional")
    assert one.used <= 1.0  # the price of the limits is what is allowed, not GRR
    assert sum(line.startswith("Accept parts") for line in found.conditions) == 1
    judged = grr.verdict(study, bias=found)
    within = rounded_inwards(judged.acceptance_limits, STEP)
    told = next(line for line in found.conditions if line.startswith("Accept parts"))
    assert f"{within.lower:.4f}" in told and f"{within.upper:.4f}" in told


@pytest.mark.parametrize("given", ["reference", "qualification", "estimate"])
def test_a_known_bias_moves_the_acceptance_limits_of_the_verdict(given):
    study, measured = on_parts(scale=0.0008), reference(bias=0.0003)
    bias = {
        "reference": measured,
        "qualification": page(reference=measured),
        "estimate": measured.known_bias,
    }[given]
    apart, known = grr.verdict(study), grr.verdict(study, bias=bias)
    most = measured.known_bias.upper
    # 0.3 µm of bias, and what 50 readings and the block's U of 0.1 µm leave open: t x u
    u = math.hypot(measured.sd / math.sqrt(50), 0.00005)
    assert most == pytest.approx(measured.bias + 1.66 * u, rel=0.02)
    moved = known.acceptance_limits.lower - apart.acceptance_limits.lower
    assert moved == pytest.approx(most, rel=1e-6)
    assert known.price.upper > apart.price.upper


def test_a_bias_that_is_none_is_refused():
    study = on_parts()
    for wrong in (0.001, Estimate(0.001, unit="in"), Estimate(math.nan, why="none")):
        with pytest.raises(StudyError, match="bias"):
            grr.verdict(study, bias=wrong)
