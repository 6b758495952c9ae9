import numpy as np
import pandas as pd
import pytest
from scipy import stats
from snapshot import assert_snapshot

import grr
from grr.formulas.control_charts import prediction_reach
from grr.model.errors import StudyError
from grr.questions.stability import NEWEST_RULE, ON_ALARM, first_checks, newest_check

MONTHS = pd.date_range("2024-01-15", periods=24, freq="30D")
TOLERANCE = grr.Tolerance(10.006, 10.012)


def made(shift=0.0, at=15, drift=0.0, sd=0.0001, per_check=1, day_sd=0.0, seed=1):
    rng = np.random.default_rng(seed)
    level = 10.0 + shift * (np.arange(24) >= at) + drift * np.arange(24) / 12.0
    level = level + rng.normal(0, day_sd, 24)
    readings = np.repeat(level, per_check) + rng.normal(0, sd, 24 * per_check)
    return pd.DataFrame(
        {"time": np.repeat(MONTHS.strftime("%Y-%m-%d"), per_check), "reading": readings}
    )


def watched(table, **more):
    return grr.stability(table, **({"unit": "mm", "tolerance": TOLERANCE} | more))


def test_limits_are_frozen_from_the_baseline():
    table = made()
    result = watched(table, baseline=12)
    first = table["reading"][:12].to_numpy()
    sigma = np.abs(np.diff(first)).mean() / (2 / np.sqrt(np.pi))
    assert result.limits.upper == pytest.approx(first.mean() + 3 * sigma)
    by_date = watched(table, baseline="2024-12-15")
    assert by_date.baseline == 12
    later = table.assign(reading=table["reading"] + 0.01 * (np.arange(24) >= 12))
    assert watched(later, baseline=12).limits.upper == result.limits.upper


def test_a_true_shift_is_found_and_placed():
    result = watched(made(shift=0.0008), baseline=12)
    assert result.alarmed and result.alarm_now
    before, after = result.step_between
    assert (before, after) == tuple(MONTHS[14:16].tz_localize("UTC"))
    assert result.step.size == pytest.approx(0.0008, abs=0.0002)
    assert result.last_good <= before
    assert result.next_check is None


def test_a_baseline_ends_before_a_step():
    found = watched(made(shift=0.0008))
    assert found.baseline == 15 and int(found.step.first_after) == 15
    assert found.alarm_now and "15 checks" in found.shortened
    assert found.limits.upper == watched(made(shift=0.0008), baseline=15).limits.upper
    asked = watched(made(shift=0.0008), baseline=20)
    assert asked.baseline == 15 and asked.shortened == found.shortened
    quiet = watched(made())
    assert quiet.baseline == 20 and quiet.shortened == ""


def test_a_step_that_only_the_baseline_shows_ends_it():
    table = made(sd=0.00005)
    table["reading"] += 0.0004 * (np.arange(24) >= 10) - 0.0008 * (np.arange(24) >= 20)
    found = watched(table, baseline=18)
    assert found.baseline == 10 and found.shortened


def test_a_step_before_the_sixth_check_leaves_no_baseline():
    with pytest.raises(StudyError, match="step by") as caught:
        watched(made(shift=0.0008, at=3))
    assert caught.value.value == "2024-04-14" and "later checks" in caught.value.remedy
    assert watched(made(shift=0.0008, at=3)[3:]).baseline == 20


def test_a_wild_check_is_not_in_the_baseline():
    table = made()
    table.loc[12, "reading"] += 0.002
    found = watched(table)
    assert found.baseline == 12 and "+2.0" in found.shortened
    table.loc[3, "reading"] += 0.002
    with pytest.raises(StudyError, match="No limits"):
        watched(table)


def test_a_drift_leaves_the_checks_before_it_shows():
    found = watched(made(drift=0.001, sd=0.00005))
    assert found.baseline == 6 and "drift by" in found.shortened
    assert found.alarm_now
    slow = watched(made(drift=0.00012, sd=0.00008))
    assert 6 < slow.baseline < 20 and "drift by" in slow.shortened


@pytest.mark.parametrize("factor", [25.4, 1 / 25.4, 1000.0, 0.1])
def test_another_unit_or_decimal_point_is_a_slip(factor):
    table = made()
    table.loc[8, "reading"] *= factor
    with pytest.raises(StudyError, match="decimal point") as caught:
        watched(table)
    assert caught.value.row == 9


def test_a_jump_of_a_zero_reading_is_no_slip():
    table = made()
    table["reading"] -= 10.0
    table.loc[22:, "reading"] += 0.003
    assert watched(table).alarm_now


def test_a_sound_gauge_seldom_alarms_within_forty_checks():
    days = pd.date_range("2020-01-01", periods=60, freq="7D").strftime("%Y-%m-%d")
    alarmed = []
    for seed in range(200, 260):
        reading = 10.0 + np.random.default_rng(seed).normal(0, 0.0001, 60)
        try:
            found = grr.stability(pd.DataFrame({"time": days, "reading": reading}), unit="mm")
        except StudyError:  # a baseline that chance makes look broken
            alarmed.append(True)
            continue
        alarmed.append(found.alarmed)
        assert found.months_a_false_alarm == pytest.approx(1000 * 7 / (365.25 / 12))
    assert np.mean(alarmed) < 0.1  # 3.9 % by design; 61 % with all run rules


def test_how_soon_a_shift_is_noticed():
    few, many = watched(made(), baseline=8), watched(made(), baseline=20)
    sigma = float(many.limits.sigma)
    assert many.checks_to_notice(6 * sigma) < many.checks_to_notice(2 * sigma) < 10
    assert few.checks_to_notice(2 * float(few.limits.sigma)) > many.checks_to_notice(2 * sigma)
    assert np.isinf(few.checks_to_notice(0.2 * sigma))
    flat = pd.DataFrame({"time": MONTHS.strftime("%Y-%m-%d"), "reading": 10.0})
    assert watched(flat, resolution=0.0001).checks_to_notice(0.001) < 5
    assert np.isnan(watched(flat).checks_to_notice(0.001))


def test_one_wild_check_is_an_alarm_and_soon_forgotten():
    table = made()
    table.loc[21, "reading"] += 0.002
    found = watched(table, baseline=15)
    assert next(signal.check for signal in found.signals) == 21
    assert found.alarmed and not found.alarm_now


@pytest.mark.parametrize("sd", [0.2, 0.4, 0.5, 0.6, 0.8])
def test_rounding_makes_few_false_alarms(sd):
    rng = np.random.default_rng(8)
    days = pd.date_range("2020-01-01", periods=60, freq="7D").strftime("%Y-%m-%d")
    alarms = 0
    for _ in range(25):
        reading = np.round(rng.uniform(-0.5, 0.5) + rng.normal(0.0, sd, 60)) + 5000.0
        try:
            found = grr.stability(
                pd.DataFrame({"time": days, "reading": reading}), unit="µm", resolution=1.0
            )
        except StudyError:
            continue
        alarms += found.alarmed
    assert alarms <= 4


def test_a_quiet_gauge_raises_no_alarm_and_gets_an_interval():
    result = watched(made(), baseline=20, rules=("WE 1",))
    assert not result.signals and result.step is None
    assert watched(made(), baseline=20).alarms is None
    assert result.alarms.run_length == pytest.approx(370.4, abs=0.01)
    assert result.recheck_days == 30.0  # monthly checks show nothing about longer intervals
    seldom = watched(made().iloc[::4], baseline=6, rules=("WE 1",))
    assert seldom.recheck_days == 120.0
    assert result.next_check > result.times[-1].date()
    assert result.last_good == result.times[-1]


def test_the_chance_of_a_false_alarm_grows_with_a_short_baseline():
    few, many = (watched(made(), baseline=n, rules="western electric") for n in (8, 20))
    assert 0.1 < many.chance_ahead < few.chance_ahead < 0.5
    assert watched(made(per_check=3)).chance_ahead is None


def test_a_drift_shortens_the_interval():
    result = watched(made(drift=0.001, sd=0.00002), baseline=6)
    assert result.drift.lower < 0.001 * 365.25 / 360 < result.drift.upper
    # 10 % of 6 µm at about 12 µm a year: 18 days, at the faster end a little less
    fast = watched(made(drift=0.012, sd=0.00002), baseline=6)
    assert 16 < fast.recheck_days < 0.0006 / 0.012 * 366
    assert watched(made(), baseline=12, longest_days=20).recheck_days == 20.0


def test_mean_and_range_where_checks_hold_several_readings():
    result = watched(made(per_check=3))
    assert result.chart == "mean and range" and result.limits.per_check == 3
    restless = watched(made(per_check=3, day_sd=0.0005))
    assert restless.chart == "individuals"
    assert restless.scatter_p < 0.05 < result.scatter_p
    asked = watched(made(per_check=3, day_sd=0.0005), chart="mean and range")
    assert len(asked.signals) > len(restless.signals)


def test_a_wild_range_is_an_alarm_of_its_own():
    table = made(per_check=3)
    table.loc[table.index[-1], "reading"] += 0.002
    table.loc[table.index[-2], "reading"] -= 0.002
    result = watched(table, baseline=20, rules=("WE 1",))
    assert [s.rule for s in result.signals] == ["range beyond its limit"]
    assert result.to_frame()["rules_met"].iloc[-1] == "range beyond its limit"


def test_a_wild_range_in_the_baseline_is_told():
    table = made(per_check=3)
    table.loc[[9, 10], "reading"] += [0.002, -0.002]
    result = watched(table, baseline=20, chart="mean and range")
    assert [(signal.check, signal.rule) for signal in result.signals] == [
        (3, "range beyond its limit")
    ]
    assert not result.alarmed and result.signals[-1].check < result.baseline


def test_checks_may_be_numbered():
    table = made(per_check=2)
    table["check"] = np.arange(48) // 4
    assert len(watched(table, baseline=6).means) == 12


def test_readings_that_repeat_to_the_last_digit_do_not_alarm():
    table = pd.DataFrame({"time": MONTHS.strftime("%Y-%m-%d"), "reading": 10.0})
    table.loc[20, "reading"] = 10.0001
    result = watched(table, baseline=12, resolution=0.0001, rules=("WE 1",))
    assert not result.signals and result.coarse
    table.loc[21:, "reading"] = 10.0002
    assert watched(table, baseline=12, resolution=0.0001, rules=("WE 1",)).alarm_now


def test_a_chunky_gauge_is_told_to_hide_its_scatter():
    table = made(sd=0.0001)
    table["reading"] = table["reading"].round(4)
    assert watched(table, resolution=0.0001).digits.too_few
    fine = made(sd=0.0001)
    fine["reading"] = fine["reading"].round(5)
    assert not watched(fine, resolution=0.00001).digits.too_few


def test_above_or_below_is_said_and_numbers_are_rounded_to_two_figures():
    table = made(sd=0.00002)
    low = " ".join(str(watched(table, reference=10.0001)).split())
    assert "0.11 µm below" in low
    assert "0.094 µm above" in " ".join(str(watched(table, reference=9.9999)).split())
    shifted = str(watched(made(shift=0.0008, sd=0.00002), baseline=12))
    assert "A step of 0.78 µm" in " ".join(shifted.split())
    flat = pd.DataFrame({"time": MONTHS.strftime("%Y-%m-%d"), "reading": [1.0, 1.1, 1.1, 1.0] * 6})
    assert "Drift 0 µm a year (" in " ".join(str(watched(flat, tolerance=None)).split())


def test_without_a_tolerance_no_interval_is_proposed():
    result = watched(made(), tolerance=None)
    assert result.recheck_days is None and result.next_check is None


def test_order_of_rows_does_not_matter():
    table = made(per_check=2)
    shuffled = table.sample(frac=1.0, random_state=3)
    pd.testing.assert_frame_equal(watched(table).to_frame(), watched(shuffled).to_frame())


def test_prints_within_eighty_columns():
    result = watched(
        made(shift=0.0008, per_check=3), rules="nelson", title="<i>", reference=10.0, example=True
    )
    assert max(map(len, str(result).splitlines())) <= 80
    assert "<i>" not in result._repr_html_()
    assert result.rule_names == "Nelson 1 to 8"


def test_its_words():
    quiet = watched(made(), baseline=20, reference=10.0, title="Gauge 3", example=True)
    shifted = watched(made(shift=0.0008), baseline=12, resolution=0.0001)
    restless = watched(made(per_check=3, day_sd=0.0005), tolerance=None)
    flat = pd.DataFrame({"time": MONTHS.strftime("%Y-%m-%d"), "reading": 10.0})
    coarse = watched(flat, resolution=0.0001)
    assert_snapshot("\n\n".join(map(str, (quiet, shifted, restless, coarse))), "stability")


@pytest.mark.parametrize(
    ("table", "arguments", "message"),
    [
        (made()[:2], {}, "Fewer than three checks"),
        (made().assign(time=""), {}, "row 1"),
        (made().assign(time="15.1.2024"), {}, "not an ISO 8601"),
        (made().drop(columns="time"), {}, "no column time"),
        (made().assign(reading="x"), {}, "reading is not a number"),
        (made(), {"baseline": 1}, "at least two of the checks"),
        (made(), {"baseline": 99}, "from 6 to 24"),
        (made(), {"baseline": 5}, "fewer than 6 checks"),
        (made()[:5], {}, "fewer than 6 checks"),
        (made(), {"baseline": "soon"}, "not a date"),
        (made(), {"rules": "best"}, "rules is not a word known here"),
        (made(), {"rules": ("WE 9",)}, "rules is not a word known here"),
        (made(), {"rules": ()}, "No run rule"),
        (made(), {"chart": "pie"}, "chart is not a word known here"),
        (made(), {"chart": "mean and range"}, "same number of readings"),
        (made(), {"share": 3}, "share must be less than 1"),
        (made(), {"longest_days": 0}, "longest_days must be more than 0"),
        (
            pd.DataFrame({"time": ["2024-01-01"] * 3, "check": [1, 2, 3], "reading": 1.0}),
            {},
            "same time",
        ),
    ],
)
def test_bad_input_is_one_sentence_with_a_remedy(table, arguments, message):
    with pytest.raises(StudyError, match=message) as caught:
        watched(table, **arguments)
    assert caught.value.remedy


def checked(shift=0.0, at=15, recovered=False, count=24):
    rng = np.random.default_rng(3)
    times = pd.date_range("2025-01-15", periods=count, freq="30D")
    high = (np.arange(count) >= at) & ((np.arange(count) < 20) | (not recovered))
    reading = 10.0 + rng.normal(0, 0.0001, count) + shift * high
    table = pd.DataFrame({"time": times.strftime("%Y-%m-%d"), "reading": reading})
    return grr.stability(
        table,
        unit="mm",
        tolerance=grr.Tolerance(9.997, 10.003),
        baseline=12,
        rules=("WE 1",),
    )


def test_an_alarm_sends_back_to_the_last_good_check():
    result = checked(shift=0.001)
    found = grr.after_check(result)
    assert str(result.last_good.date()) in " ".join(found.steps)


def test_a_quiet_check_names_the_next_one():
    result = checked()
    (step,) = grr.after_check(result).steps
    assert not result.alarmed and str(result.next_check) in step


def test_alarms_that_have_gone_are_not_forgotten():
    result = checked(shift=0.002, recovered=True)
    assert result.alarmed and not result.alarm_now
    assert len(grr.after_check(result).steps) == len(grr.after_check(checked()).steps) + 1


@pytest.mark.parametrize("event", ["dropped", "repaired"])
def test_a_fall_and_a_repair_ask_for_a_new_qualification(event):
    found = grr.after_check(event=event)
    assert "ualif" in str(found) and "<" not in "".join(found.steps)
    assert max(map(len, str(found).splitlines())) <= 80
    assert "take precedence" in found._repr_html_()


def test_the_words_of_what_follows():
    alarm, quiet = grr.after_check(checked(shift=0.001)), grr.after_check(checked())
    fallen, repaired = (grr.after_check(event=event) for event in ("dropped", "repaired"))
    assert_snapshot("\n\n".join(map(str, (alarm, quiet, fallen, repaired))), "after_check")


def test_after_check_refuses_bad_input():
    with pytest.raises(StudyError, match="StabilityResult"):
        grr.after_check()
    with pytest.raises(StudyError, match="event"):
        grr.after_check(event="lost")


# The latest check beside the few before it
# -----------------------------------------


def first(count, off=0.0, seed=1):
    """Return the first checks of a gauge, the latest of them off."""
    table = made(sd=0.00015, seed=seed)[:count]
    table["reading"] = table["reading"].round(4)
    table.loc[count - 1, "reading"] += off
    return table


def test_the_prediction_interval_is_the_published_one():
    points = np.array([3.0, 5.0, 4.0, 4.0])
    by_hand = stats.t.ppf(0.975, 3) * np.sqrt(2.0 / 3.0) * np.sqrt(1.25)
    assert prediction_reach(points, 0.0, level=0.95) == pytest.approx(by_hand)
    assert prediction_reach(points, 10.0, level=0.95) == pytest.approx(
        by_hand * 10.0 / np.sqrt(2.0 / 3.0)
    )


@pytest.mark.parametrize("count", [7, 9, 12, 20])
def test_a_latest_check_far_off_is_an_alarm_while_all_are_the_baseline(count):
    good = watched(first(count), resolution=0.0001)
    assert not good.alarm_now and not good.newest.beyond
    assert good.newest.before == count - 1
    assert grr.after_check(good).steps[0].startswith("Go on.")
    off = watched(first(count, 0.003), resolution=0.0001)
    assert off.alarm_now and off.alarmed and off.next_check is None
    assert NEWEST_RULE in off.to_frame()["rules_met"].iloc[-1]
    assert grr.after_check(off).steps[:3] == ON_ALARM
    mean = first(count)["reading"][:-1].mean()
    assert off.newest.off == pytest.approx(first(count, 0.003)["reading"].iloc[-1] - mean)
    for result in (good, off):
        said = result.newest_words
        assert said in " ".join(grr.after_check(result).steps) or result.alarm_now
        assert said in result.plot().layout.meta["answer"]
        assert any(
            said in line for block in result.blocks() for line in getattr(block, "items", ())
        )


def test_before_six_checks_the_latest_is_judged_from_the_fourth_on():
    for count in (1, 2, 3):
        said, steps = first_checks(first(count, 0.002), unit="mm", resolution=0.0001)
        assert said and steps == ()
    for count in (4, 5):
        assert first_checks(first(count), unit="mm", resolution=0.0001)[1] == ()
        said, steps = first_checks(first(count, 0.02), unit="mm", resolution=0.0001)
        assert steps == ON_ALARM
        with pytest.raises(StudyError) as caught:
            watched(first(count, 0.02), resolution=0.0001)
        assert said[1:-1] in caught.value.problem


def test_readings_that_repeat_to_the_last_digit_are_no_first_alarm():
    for digit in (0.0001, None):
        for count in range(4, 21):
            means = np.full(count, 10.0)
            means[-1] += 0.0001
            assert not newest_check(means, count - 1, digit).beyond


def test_few_sound_gauges_alarm_before_they_have_a_baseline():
    """One check in 370, whatever their number; one gauge in 24 within its first twenty checks."""
    means = np.random.default_rng(3).standard_normal((2000, 20))
    alarms = np.array(
        [[newest_check(y[:n], n - 1, 1e-9).beyond for n in range(4, 21)] for y in means]
    )
    assert alarms.mean() == pytest.approx(0.0027, abs=3 * np.sqrt(0.0027 / alarms.size))
    assert alarms.any(axis=1).mean() <= 0.055


@pytest.mark.parametrize("column", ["place", "gauge"])
def test_checks_at_several_places_or_of_several_gauges_are_refused(column):
    days = pd.date_range("2026-01-01", periods=12).repeat(2)
    rng = np.random.default_rng(4)
    table = pd.DataFrame({"time": days, "reading": 10.0 + 0.001 * rng.standard_normal(24)})
    off = np.where(np.arange(24) % 2, 0.01, 0.0)
    table = table.assign(reading=table["reading"] + off, **{column: ["a", "b"] * 12})
    with pytest.raises(StudyError, match=f"several {column}s") as refused:
        grr.stability(table)
    assert refused.value.column == column
    one = grr.stability(table[table[column] == "a"])
    assert one.limits.sigma < 0.003
