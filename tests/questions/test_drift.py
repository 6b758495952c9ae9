"""Drift of studies with a known truth: slope, curve, bump, zero, and the words for it."""

from __future__ import annotations

import importlib.util
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from snapshot import assert_snapshot

import grr
from grr.files.events import Event, Events
from grr.files.folder import EVENTS_FILE, save_study
from grr.questions.drift import zero_every

DEMO = Path(__file__).parents[2] / "demo_data"
TOLERANCE = grr.Tolerance(-3.0, 3.0)


def study(drift, *, seed=1, noise=0.1, parts=10, trials=3, methods=("",), times=True, **settings):
    """A study in µm; ``drift(method, operator, minutes, number)`` is added to each reading."""
    rng = np.random.default_rng(seed)
    sizes = rng.normal(0, 1, parts)
    rows = []
    start = pd.Timestamp("2026-05-05T08:00:00Z")
    for method in methods:
        for operator in "ABC":
            minutes = 0.0
            for trial in range(1, trials + 1):
                for part in rng.permutation(parts):
                    minutes += rng.uniform(0.25, 0.45)
                    value = sizes[part] + drift(method, operator, minutes) + rng.normal(0, noise)
                    time = start + pd.Timedelta(minutes=minutes)
                    rows.append((part + 1, operator, trial, method, value, len(rows) + 1, time))
            start += pd.Timedelta(hours=1)
    columns = ["part", "operator", "trial", "method", "reading", "order", "time"]
    table = pd.DataFrame(rows, columns=columns)
    if not times:
        table = table.drop(columns="time")
    if methods == ("",):
        table = table.drop(columns="method")
    return grr.Study(table, **{"unit": "µm", "tolerance": TOLERANCE, **settings})


def plain(result):
    """The text on one line, with plain spaces."""
    return " ".join(str(result).split())


def nothing(method, operator, minutes):
    return 0.0


def falling(method, operator, minutes):
    return -0.05 * minutes if method != "stand" else 0.0


def settling(method, operator, minutes):
    return -0.8 * (1 - np.exp(-minutes / 2.5))


def test_the_example_of_the_re_zero_rule():
    # 0.05 µm a minute against 5 % of 6 µm: 6 minutes.
    result = grr.drift(study(falling, noise=0.02))
    found, when = result.method(""), result.re_zero[""]
    assert found.shape == "straight"
    low, high = found.slope.limits()
    assert low < -0.05 < high
    assert when.allowed == pytest.approx(0.3)
    assert when.estimate == pytest.approx(6.0, abs=0.5)
    assert when.sure < when.estimate
    assert when.share == pytest.approx(0.05)


def test_the_slope_interval_holds_the_truth():
    held = []
    for seed in range(12):
        result = grr.drift(study(falling, seed=seed, noise=0.2))
        series = result.to_frame()
        held += ((series["lower"] <= -0.05) & (series["upper"] >= -0.05)).tolist()
    # 36 intervals; 10,000 of them in tests/formulas/test_drift_rate.py
    assert sum(held) >= 31


def test_no_drift_is_said_with_what_it_could_be():
    result = grr.drift(study(nothing))
    found, when = result.method(""), result.re_zero[""]
    assert result.headline.startswith("No drift")
    assert found.shape == "none" and result.numbers.drifters("") == []
    low, high = found.slope.limits()
    assert low < 0.0 < high
    assert found.span < when.sure < np.inf  # what may still be there, beyond what was watched


def test_where_no_drift_shows_nobody_is_sent_to_zero_again():
    source = study(nothing, noise=0.8)
    result = grr.drift(source)
    when, found = result.re_zero[""], result.method("")
    assert found.shape == "none" and when.estimate == np.inf
    assert when.sure < found.span and when.share == pytest.approx(0.05)
    assert zero_every(source) == ""


def test_an_operator_whose_drift_cannot_be_fitted_is_told_with_the_reason():
    table = study(nothing).readings
    table = table[(table["operator"] != "B") | (table["trial"] == 1)]
    result = grr.drift(grr.Study(table, unit="µm", tolerance=TOLERANCE))
    assert result.numbers.operators("") == ["A", "C"]
    assert "two different" in result.numbers.unfitted["", "B"]
    assert result.numbers.unfitted["", "B"] in plain(result)


def test_a_drift_is_worked_out_once_and_nobody_can_change_it():
    source = study(falling)
    assert grr.drift(source).numbers is grr.drift(source).numbers
    series = grr.drift(source).numbers.series
    series["slope"] = 0.0
    assert grr.drift(source).to_frame()["slope"].all()


def test_a_curve_is_fitted_where_the_data_carry_it():
    result = grr.drift(study(settling, noise=0.08))
    found, when = result.method(""), result.re_zero[""]
    assert found.shape == "settling"
    # Time counts from the first reading, taken 0.2 to 0.5 minutes after picking up.
    left = -0.8 * np.exp(-0.35 / 2.5)
    assert found.curve.amount_limits[0] < left < found.curve.amount_limits[1]
    assert found.curve.time_constant_limits[0] < 2.5 < found.curve.time_constant_limits[1]
    # 0.7·(1 − exp(−t/2.5)) = 0.3 after 1.4 minutes; 0.3 left after 2.1 minutes.
    assert when.estimate == pytest.approx(1.4, abs=0.4)
    assert when.steady == pytest.approx(2.1, abs=0.6)
    assert "settle" in result.sentences[0]


def test_no_curve_where_the_drift_is_straight():
    shapes = [grr.drift(study(falling, seed=s, noise=0.1)).method("").shape for s in range(8)]
    assert shapes.count("straight") >= 7


def test_a_warm_frame_reads_low_and_a_rise_is_something_else():
    low, high = (grr.drift(study(d, noise=0.02)) for d in (falling, lambda m, o, t: 0.05 * t))
    assert low.numbers.change("") == pytest.approx(-0.54, abs=0.05)
    assert high.numbers.change("") == pytest.approx(0.54, abs=0.05)
    # 0.54 µm over 25 mm · 11.5·10⁻⁶/K is 1.9 K.
    told, other = (next(s for s in found.sentences if "K (" in s) for found in (low, high))
    assert "1.9\xa0K" in told
    assert told.split("/K).")[1] != other.split("/K).")[1]


def test_one_operator_who_drifts_is_named_and_sets_the_interval():
    result = grr.drift(study(lambda m, o, t: -0.1 * t if o == "B" else 0.0, noise=0.05))
    assert result.numbers.fastest("") == "B" and result.numbers.drifting("") == ["B"]
    assert result.numbers.drifters("") == ["B"] and result.numbers.change("") < 0.0
    assert result.re_zero[""].estimate == pytest.approx(3.0, abs=0.4)


def test_methods_are_told_apart():
    result = grr.drift(study(falling, methods=("stand", "handheld")))
    assert result.method("stand").shape == "none"
    assert result.method("handheld").shape == "straight"
    assert "stand shows no" in result.headline
    with pytest.raises(grr.StudyError, match="stand, handheld"):
        result.method("clamp")


def test_a_bump_is_found_and_told():
    result = grr.drift(
        study(lambda m, o, t: 0.5 if o == "C" and t > 5.0 else 0.0, noise=0.08, seed=3)
    )
    (bump,) = result.numbers.bumps
    assert bump.operator == "C" and bump.size > 0.0
    row = result.to_frame().loc[("", "C")]
    assert row["bump"] == pytest.approx(0.5, abs=0.2)
    assert row["bump_at"] == pytest.approx(5.0, abs=0.6)


@pytest.mark.parametrize("before", [3, 5, 7, 14])
def test_a_bump_is_placed_after_the_right_reading(before):
    source = study(nothing, times=False, noise=0.05, seed=6)
    table = source.readings.sort_values("order", ignore_index=True)
    own = table.index[table["operator"] == "B"]
    table.loc[own[before:], "reading"] += 1.0
    result = grr.drift(grr.Study(table, unit="µm"))
    (bump,) = result.numbers.bumps
    first = table.loc[own[before]]
    assert (bump.operator, bump.at) == ("B", before)
    assert (bump.part, bump.trial) == (first["part"], first["trial"])
    assert result.sudden and all("B" in words for words in result.sudden)
    assert result.to_frame().loc[("", "B"), "bump_at"] == before
    assert result.sudden[0] in result.headline


def test_a_bump_names_its_session():
    source = study(nothing, times=False, noise=0.05, trials=4, seed=7)
    table = source.readings.sort_values(["trial", "order"], ignore_index=True)
    table["order"] = np.arange(1, len(table) + 1)  # round by round: each trial is a session
    own = table.index[(table["operator"] == "C") & (table["trial"] == 3)]
    table.loc[own[4:], "reading"] -= 0.8
    (bump,) = grr.drift(grr.Study(table, unit="µm")).numbers.bumps
    assert (bump.operator, bump.at, bump.session, bump.trial) == ("C", 4, 3, 3)
    assert bump.sessions > 1


def test_the_order_alone_will_do():
    source = study(falling, times=False)
    result = grr.drift(source)
    assert result.numbers.taken.unit == "reading"
    assert result.numbers.per in result.sentences[0]
    assert result.to_frame()["span"].max() == 30


def test_sessions_begin_anew_after_a_pause_and_at_a_zero(tmp_path):
    source = study(falling, methods=("handheld",))
    folder = tmp_path / "study"
    save_study(source, folder)
    first, table = source.readings["time"].min(), source.readings
    middle = first + pd.Timedelta(minutes=5)
    moments = [("before", first - pd.Timedelta(minutes=1), 0.0), ("again", middle, 0.0)]
    last = table.loc[table["operator"] == "A", "time"].max() + pd.Timedelta(seconds=10)
    Events(folder / EVENTS_FILE).append(
        *(
            Event(
                time=time.isoformat(),
                session="1",
                kind="zero",
                name=name,
                old="master",
                value=str(v),
            )
            for name, time, v in [*moments, ("after", last, -0.3)]
        )
    )
    result = grr.drift(grr.open_study(folder))
    series = result.to_frame()
    assert series.loc[("handheld", "A"), "sessions"] == 2
    assert series.loc[("handheld", "B"), "sessions"] == 1
    taken = result.numbers.taken.table
    assert taken.loc[0, "since"] > 0.99  # counted from the zero, a minute before
    zero = result.method("handheld").zero
    assert zero.mean == pytest.approx(-0.3)
    assert zero.largest == pytest.approx(-0.3)


@pytest.mark.parametrize("known", ["none", "some"])
def test_a_zero_checked_around_readings_without_times_tells_nothing(tmp_path, known):
    source = study(falling)
    table = source.readings
    table.loc[table.index if known == "none" else table.index[5:], "time"] = pd.NaT
    folder = tmp_path / "study"
    save_study(replace(source, readings=table), folder)
    Events(folder / EVENTS_FILE).append(
        *(
            Event(time=f"2026-05-05T{hour}:00:00Z", kind="zero", name=name, old="on", value="0.1")
            for name, hour in (("before", "07"), ("after", "12"))
        )
    )
    opened = grr.open_study(folder)
    assert grr.drift(opened).numbers.taken.unit == "reading"
    grr.report(opened, tmp_path / "report.html")


def test_operators_who_take_turns_share_a_session():
    source = study(falling, trials=3)
    table = source.readings.sort_values(["trial", "part", "operator"], ignore_index=True)
    table["time"] = pd.Timestamp("2026-05-05T08:00:00Z") + pd.to_timedelta(
        20.0 * np.arange(len(table)), unit="s"
    )
    result = grr.drift(grr.Study(table, unit="µm", tolerance=TOLERANCE))
    assert result.numbers.taken.table["sitting"].nunique() == 1


def test_what_may_drift_can_be_given_as_a_length():
    one_sided = study(falling, tolerance=grr.Tolerance(upper=3.0))
    assert grr.drift(one_sided).re_zero == {}
    result = grr.drift(one_sided, allowed=0.5)
    assert result.re_zero[""].estimate == pytest.approx(10.0, abs=1.5)
    of_drift = [line for line in result.sentences if "GRR is" not in line]
    assert "of the tolerance" not in " ".join(of_drift)


def test_bad_input_is_told_with_a_remedy():
    source = study(nothing)
    bare = source.readings.drop(columns=["time", "order"])
    with pytest.raises(grr.StudyError, match="order"):
        grr.drift(grr.Study(bare, unit="µm"))
    once = source.readings[source.readings["trial"] == 1]
    with pytest.raises(grr.StudyError, match="times"):
        grr.drift(grr.Study(once, unit="µm"))
    with pytest.raises(grr.StudyError, match="allowed_share"):
        grr.drift(source, allowed_share=5)


def test_a_spoilt_zero_check_is_told(tmp_path):
    source = study(nothing)
    folder = tmp_path / "study"
    save_study(source, folder)
    Events(folder / EVENTS_FILE).append(Event(kind="zero", name="before", value="nought"))
    with pytest.raises(grr.StudyError, match="nought"):
        grr.drift(grr.open_study(folder))


def test_readings_that_repeat_to_the_last_digit_show_no_drift():
    result = grr.drift(study(nothing, noise=0.0))
    assert result.method("").shape == "none"
    assert "last digit" in plain(result)


def test_text_fits_a_terminal_and_names_are_escaped():
    source = study(falling, methods=("stand", "<i>held & bare"))
    result = grr.drift(source)
    assert max(map(len, str(result).splitlines())) <= 80
    assert "<i>held" not in result._repr_html_()


@pytest.mark.parametrize("name", ["pins_two_ways", "rollers_two_ways"])
def test_the_demo_warms_up_as_it_was_made_to(name):
    truth = tomllib.loads((DEMO / name / "truth.toml").read_text(encoding="utf-8"))
    person = truth["operators_in_micrometres"]["Ilka, handheld"]
    result = grr.drift(grr.open_study(DEMO / name))
    assert result.method("stand").shape == "none"
    found = result.method("handheld")
    assert found.shape == "settling"
    low, high = (1000 * limit for limit in found.curve.amount_limits)
    assert low < -person["warm"] < high
    low, high = found.curve.time_constant_limits
    assert low < person["warm_minutes"] < high
    low, high = 1000 * found.zero.lower, 1000 * found.zero.upper
    # at the end of a session of about 9 minutes 97 % of the warming is done
    assert low < -0.97 * person["warm"] < high
    assert_snapshot(str(result), f"drift_{name}")


def two_places(slope, *, columns=("place", "gauge"), seed=0):
    """Ten parts read at two places each by two gauges, in µm; both differ by much."""
    rng, rows = np.random.default_rng(seed), []
    size, at = rng.normal(0, 1, 10), rng.normal(0, 1, (10, 2))
    start = pd.Timestamp("2026-05-05T08:00:00Z")
    for operator in "ABC":
        minutes = 0.0
        for trial in range(1, 5):
            for part in rng.permutation(10):
                minutes += rng.uniform(0.25, 0.45)
                place, gauge = (trial + part) % 2, (trial // 2 + part) % 2
                value = size[part] + at[part, place] + 0.7 * gauge * ("gauge" in columns)
                value += slope * minutes + rng.normal(0, 0.1)
                time = start + pd.Timedelta(minutes=minutes)
                rows.append((str(part), operator, trial, "uv"[place], "gh"[gauge], value, time))
        start += pd.Timedelta(hours=1)
    names = ["part", "operator", "trial", "place", "gauge", "reading", "time"]
    table = pd.DataFrame(rows, columns=names)
    left = [name for name in ("place", "gauge") if name not in columns]
    return grr.Study(table.drop(columns=left), tolerance=grr.Tolerance(-8.0, 8.0), unit="µm")


def test_places_and_gauges_are_no_scatter_of_a_drift():
    found = grr.drift(two_places(-0.02)).method("")
    assert found.scatter == pytest.approx(0.1, rel=0.15)
    assert found.slope.slope == pytest.approx(-0.02, abs=3 * float(found.slope.error))
    assert found.shape == "straight"
    unnamed = grr.drift(two_places(-0.02, columns=())).method("")
    assert unnamed.scatter > 5 * found.scatter
    assert unnamed.shape == "none"
    # against least squares written out: a mean for each place of a part, each gauge, each sitting
    study = two_places(-0.02)
    one = study.readings[study.readings["operator"] == "A"]
    since = (one["time"] - one["time"].iloc[0]).dt.total_seconds() / 60
    columns = [pd.get_dummies(one["part"] + one["place"]), pd.get_dummies(one["gauge"]), since]
    design = np.column_stack(columns).astype(float)
    slope = np.linalg.lstsq(design, one["reading"], rcond=None)[0][-1]
    assert grr.drift(study).to_frame().at[("", "A"), "slope"] == pytest.approx(slope)


def test_grr_with_the_drift_taken_out_is_that_of_readings_without_it():
    drifted, still = (two_places(slope, columns=("place",)) for slope in (-0.05, 0.0))
    found = grr.drift(drifted).grr()
    assert found.measure == "percent_tolerance"
    assert found.measured.value == grr.anova(drifted).value("GRR", "percent_tolerance")
    truth = grr.anova(still).value("GRR", "percent_tolerance")
    assert found.without.value == pytest.approx(truth, rel=0.1)
    assert found.without.lower < found.without.value < found.without.upper < found.measured.value
    assert grr.drift(still).grr() is None
    said = " ".join(grr.drift(drifted).sentences)
    assert f"{found.measured:i} of" in said and f"{found.without:i}" in said


@pytest.mark.parametrize("rate", [0.29, -0.36, 0.185])
def test_numbers_of_one_sentence_recompute_each_other(rate):
    """Rate times session is the change shown, and that is its percentage of the tolerance."""
    rng = np.random.default_rng(7)
    order = np.concatenate([rng.permutation(10) for _ in range(9)])
    minutes = np.tile(np.cumsum(rng.uniform(0.8, 1.5, 10)), 9)
    start = np.repeat(40.0 * np.arange(9), 10)
    size = 10.0 + 0.003 * rng.standard_normal(10)[order]
    table = pd.DataFrame(
        {
            "part": order,
            "operator": np.repeat(list("ABCABCABC"), 10),
            "trial": np.repeat([1, 2, 3], 30),
            "reading": size + (rate * minutes + 0.3 * rng.standard_normal(90)) / 1000.0,
            "order": np.arange(90),
            "time": pd.Timestamp("2026-03-02") + pd.to_timedelta(start + minutes, unit="min"),
        }
    )
    made = grr.Study(table, tolerance=grr.Tolerance(9.98, 10.02), unit="mm", operators="fixed")
    text = " ".join(str(grr.drift(made)).replace("\xa0", " ").split())
    found = re.search(
        r"by ([\d.]+) µm a minute \(.*?\): ([\d.]+) µm \(([\d.]+) % of the tolerance\) over a "
        r"session of ([\d.]+) min",
        text,
    )
    shown, change, percent, session = map(float, found.groups())
    assert change == pytest.approx(shown * session, rel=0.006)
    assert percent == pytest.approx(100 * change / 40.0, abs=0.075)
    rows = re.findall(r"[ABC] [+−]([\d.]+) µm ± [\d.]+ µm [+−]([\d.]+) µm in ([\d.]+) min", text)
    assert len(rows) == 3
    for rate_shown, moved, minutes_taken in (map(float, row) for row in rows):
        assert moved == pytest.approx(rate_shown * minutes_taken, abs=0.075)


def of_known_drift():
    """Return the module that simulates how often the interval without drift holds."""
    place = Path(__file__).parents[1] / "coverage" / "drift.py"
    spec = importlib.util.spec_from_file_location("drift_coverage", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_assess_tells_the_same_grr_without_the_drift():
    study = of_known_drift().study(np.random.default_rng(8), (0.6, 0.3, 0.1), 4.0, "fixed")
    (cause,) = [one for one in grr.assess(study).causes if one.kind == "drift"]
    told = grr.drift(study).grr()
    assert (cause.without.value, cause.without.lower) == (told.without.value, told.without.lower)
    gone = 1.0 - (told.without.value / told.measured.value) ** 2
    assert cause.share.value == pytest.approx(100.0 * gone)
