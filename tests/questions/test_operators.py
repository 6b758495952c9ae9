"""Operators of studies with a known truth: what is found, and in which words."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from snapshot import assert_snapshot

import grr
from grr.formulas.operator_comparison import h_statistic
from grr.model.blocks import Fold, Table

DEMO = Path(__file__).parents[2] / "demo_data"


def study(
    offsets=(0.0, 0.0, 0.0),
    scatters=(1.0, 1.0, 1.0),
    *,
    touch=(0.0, 0.0, 0.0),
    parts=10,
    trials=3,
    seed=1,
    **settings,
):
    """A study in µm; operators A, B, C … with an offset, a scatter and a touch each."""
    rng = np.random.default_rng(seed)
    sizes = rng.normal(0, 5, parts)
    rows = []
    for name, offset, scatter, by_part in zip("ABCDEF", offsets, scatters, touch, strict=False):
        extra = rng.normal(0, by_part, parts)
        for trial in range(1, trials + 1):
            for part in rng.permutation(parts):
                value = sizes[part] + offset + extra[part] + rng.normal(0, scatter)
                rows.append((part + 1, name, trial, value, len(rows) + 1))
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading", "order"])
    return grr.Study(table, **{"unit": "µm", "tolerance": grr.Tolerance(-30.0, 30.0), **settings})


def findings(result):
    return {c.operator: c.findings for c in result.conclusions}


def test_operators_who_are_alike_agree():
    result = grr.compare_operators(study(seed=5))
    assert findings(result) == dict.fromkeys("ABC", ("agrees",))
    assert all(one.offset.agrees for one in result.conclusions)


def test_few_studies_of_alike_operators_raise_an_alarm():
    # Four questions at a family-wise 5 % each.
    alarms = sum(
        any(f != ("agrees",) for f in findings(grr.compare_operators(study(seed=s))).values())
        for s in range(25)
    )
    assert alarms <= 10


def test_one_who_reads_high_is_named_and_the_others_are_not():
    result = grr.compare_operators(study(offsets=(0.0, 2.5, 0.0)))
    assert findings(result) == {"A": ("agrees",), "B": ("reads high",), "C": ("agrees",)}
    row = result.to_frame().loc["B"]
    assert row["from_others_lower"] < 2.5 < row["from_others_upper"]
    assert result.about("B").offset.differs
    assert row["from_others"] == pytest.approx(2.5, abs=0.5)
    assert result.about("B").offset.size.value == pytest.approx(row["from_others"])
    lower, p = result.numbers.differences_of("A")["B"]
    assert lower < 0.0 and p < 0.05
    assert "gauge block" in result.about("B").confirm[0]


def test_who_agrees_only_with_some_is_told_with_whom():
    result = grr.compare_operators(study((0.0, 2.5, 0.0), scatters=(0.5, 0.5, 0.5), seed=2))
    assert [c.in_words for c in result.conclusions] == [
        ("agrees with C",),
        ("reads high",),
        ("agrees with A",),
    ]
    assert result.to_frame()["findings"].tolist() == [
        "agrees with C",
        "reads high",
        "agrees with A",
    ]
    figure = grr.show.operators_side_by_side(result)
    assert figure.layout.meta["answer"] == result.headline
    shown = [
        note["text"].split("<br>")[0] for note in figure.to_plotly_json()["layout"]["annotations"]
    ]
    assert {"agrees with C", "reads high", "agrees with A"} <= set(shown)


def test_a_digit_is_no_reason_to_call_a_difference_agreement():
    def found(resolution):
        source = study((0.0, 0.0, 0.8), scatters=(0.5, 0.5, 0.5), seed=6)
        table = source.readings.assign(reading=source.readings["reading"].round(1))
        return grr.compare_operators(grr.Study(table, unit="µm", resolution=resolution))

    assert findings(found(0.1))["C"] == ("reads high",)
    coarse = found(0.1)
    offset = coarse.numbers.value("C", "from_others")
    assert 0.5 < offset < 1.1
    # the same readings from a gauge whose digit is larger than what they differ by
    table = coarse.study.readings
    table["reading"] = (table["reading"] / 2.0).round() * 2.0
    below = grr.compare_operators(grr.Study(table, unit="µm", resolution=2.0))
    assert below.numbers.pairs["p"].min() < 0.05
    assert below.about("C").offset.p < 0.05
    assert abs(below.about("C").offset.size.value) < 2.0
    assert findings(below)["C"] == ("reads high",)
    assert "last digit" in below.about("C").sentence


def means_of(offsets, digit=None, *, width=60.0):
    """A study of 10 parts in which the operators' means lie at these offsets, to the digit."""
    rng = np.random.default_rng(8)
    rows = []
    noise = rng.normal(0.0, 0.35, (10, len(offsets), 3))
    noise -= noise.mean(axis=(0, 2), keepdims=True)
    for part in range(10):
        for j, offset in enumerate(offsets):
            for trial in range(3):
                value = 7.3 * part + offset + noise[part, j, trial]
                value = value if digit is None else round(value / digit) * digit
                rows.append((f"{part + 1}", "ABC"[j], trial + 1, value))
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])
    tolerance = grr.Tolerance(-width / 2, width / 2)
    return grr.Study(table, unit="µm", tolerance=tolerance, resolution=digit)


def test_three_quarters_of_a_micrometre_each_way_is_told_at_a_digit_of_one():
    # Offsets of about +0.70 and -0.75 µm against the others, known to about 0.2 µm.
    result = grr.compare_operators(means_of((0.467, 0.033, -0.5), digit=1.0, width=20.0))
    high, low = result.about("A").offset, result.about("C").offset
    assert high.size.value > 0.4 and high.differs and low.size.value < -0.4 and low.differs
    assert high.size.upper - high.size.lower < 0.8
    assert findings(result)["A"] == ("reads high",) and findings(result)["C"] == ("reads low",)
    assert "agree" not in result.headline


def test_chance_and_what_matters_are_two_questions():
    # One of three who stand for many, d from the others: a variance of d²/3 between operators,
    # and 6·d/√3 = 10 % of the tolerance at d = 0.02887 of it.
    assert grr.compare_operators(means_of((0, 0, 0))).numbers.matters_from == pytest.approx(
        0.1 * 60.0 * 3**0.5 / 6.0
    )
    # If the three are all, the variance is 2·d²/9.
    few = grr.Study(
        means_of((0, 0, 0)).readings,
        unit="µm",
        tolerance=grr.Tolerance(-30.0, 30.0),
        operators="fixed",
    )
    assert grr.compare_operators(few).numbers.matters_from == pytest.approx(
        0.1 * 60.0 / 6.0 * 3 / 2**0.5
    )
    said = {}
    for width in (600.0, 24.0, 5.0):
        offset = grr.compare_operators(means_of((0, 0, 0.7), width=width)).about("C").offset
        assert offset.differs
        said[width] = offset.matters
    assert said == {600.0: "no", 24.0: "open", 5.0: "yes"}
    alike = grr.compare_operators(means_of((0, 0, 0), width=5.0)).about("C").offset
    assert not alike.differs and alike.matters == "open" and not alike.agrees
    unknown = grr.Study(means_of((0, 0, 0)).readings, unit="µm")
    result = grr.compare_operators(unknown)
    assert result.about("C").offset.matters == "not known" and "agree" not in result.headline
    assert result.about("A").in_words == ("no difference shows",)


def test_the_comparison_and_the_causes_never_contradict_each_other():
    told = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        people = int(rng.integers(2, 6))
        offsets = rng.choice([0.0, 0.0, 1.5, -2.5], people)
        scatters = rng.choice([1.0, 1.0, 3.0], people)
        source = study(
            tuple(offsets), tuple(scatters), parts=int(rng.integers(3, 11)), trials=2, seed=seed
        )
        result = grr.compare_operators(source)
        for cause in grr.assess(source).causes:
            if cause.kind == "operator_offset":
                told += 1
                check_one(result, cause)
    assert told >= 5


def check_one(result, cause):
    """The comparison says of a cause's operator what the cause says."""
    for name in [cause.operator] if cause.operator else result.study.operator_names:
        offset = result.about(name).offset
        assert offset.differs and not offset.agrees and offset.p == cause.sure
        assert abs(offset.size.value) == pytest.approx(abs(cause.size.value))
        wide = cause.size.upper - cause.size.lower
        assert offset.size.upper - offset.size.lower == pytest.approx(wide)
        assert offset.without == cause.without
        word = "reads high" if offset.size.value > 0 else "reads low"
        assert word in result.about(name).findings
        if cause.operator:
            assert offset.size.value == cause.size.value


def test_one_in_the_middle_reads_between_the_others():
    result = grr.compare_operators(study((-3.0, 0.0, 3.0), scatters=(0.5, 0.5, 0.5)))
    assert findings(result) == {
        "A": ("reads low",),
        "B": ("reads between the others",),
        "C": ("reads high",),
    }
    from_c, from_a = (result.numbers.differences_of("B")[name][0] for name in "CA")
    assert from_c < 0.0 < from_a


def test_one_who_scatters_is_named():
    result = grr.compare_operators(study(scatters=(1.0, 1.0, 3.0)))
    assert findings(result)["C"] == ("scatters more",)
    row = result.to_frame().loc["C"]
    assert row["scatter_ratio_lower"] < 3.0 < row["scatter_ratio_upper"]
    assert f"{row['scatter_ratio']:.2g}"[:3] in result.about("C").sentence


def test_one_who_depends_on_the_part_is_named_with_the_parts():
    result = grr.compare_operators(study(touch=(0.0, 3.0, 0.0), seed=2))
    assert findings(result)["B"] == ("depends on the part",)
    assert findings(result)["A"] == findings(result)["C"] == ("agrees",)
    worst = result.numbers.cells["residual"].abs().unstack()["B"].idxmax()
    assert f"part {worst} " in result.about("B").sentence


def test_a_drift_is_seen_from_the_order_alone():
    source = study(seed=3)
    table = source.readings
    table["reading"] += np.where(table["operator"] == "A", -0.15 * table["order"], 0.0)
    result = grr.compare_operators(grr.Study(table, unit="µm"))
    assert "drifts" in findings(result)["A"]
    assert result.numbers.drift.taken.unit == "reading"
    row = result.to_frame().loc["A"]
    assert row["trend_lower"] < -0.15 < row["trend_upper"]


def test_with_two_operators_nobody_is_right():
    result = grr.compare_operators(study(offsets=(0.0, 3.0), scatters=(1.0, 1.0), seed=2))
    assert findings(result) == {"A": ("reads low",), "B": ("reads high",)}
    assert "cannot say" in result.about("A").sentence


def test_the_numbers_are_those_of_the_definitions():
    source = study(offsets=(0.0, 1.0, 0.0))
    numbers = grr.compare_operators(source).numbers
    table = source.readings
    means = table.groupby(["part", "operator"])["reading"].mean().unstack()
    assert numbers.value("B", "mean") == pytest.approx(means["B"].mean())
    others = means[["A", "C"]].to_numpy().mean()
    assert numbers.value("B", "from_others") == pytest.approx(means["B"].mean() - others)
    within = table.groupby(["part", "operator"])["reading"].var().unstack()["B"].mean() ** 0.5
    assert numbers.value("B", "sd") == pytest.approx(within)
    h = numbers.cells["h"].unstack().loc[list(source.parts)].to_numpy()
    assert h == pytest.approx(h_statistic(means.loc[list(source.parts)].to_numpy()))
    assert numbers.h_ceiling == pytest.approx(2 / 3**0.5)


def test_h_of_three_operators_is_never_marked():
    result = grr.compare_operators(study(offsets=(0.0, 9.0, 0.0)))
    html = result._repr_html_()
    assert result.numbers.h_ceiling == pytest.approx(1.1547, abs=1e-4)
    h = result.numbers.cells["h"].abs()
    assert h.max() > 1.15
    assert "1.15 *" not in html


def test_text_fits_a_terminal_and_names_are_escaped():
    source = study(offsets=(0.0, 9.0, 0.0))
    table = source.readings.replace({"operator": {"B": "<b>Bo & Co with a rather long name</b>"}})
    result = grr.compare_operators(grr.Study(table, unit="µm"))
    assert max(map(len, str(result).splitlines())) <= 80
    html = result._repr_html_()
    assert "<b>Bo" not in html and "&lt;b&gt;Bo &amp; Co" in html


def test_missing_readings_are_allowed_while_no_cell_is_empty():
    source = study(offsets=(0.0, 2.5, 0.0))
    table = source.readings
    table.loc[[3, 40], "reading"] = np.nan
    result = grr.compare_operators(grr.Study(table, unit="µm"))
    assert findings(result)["B"] == ("reads high",)


def test_one_trial_compares_means_only():
    result = grr.compare_operators(study(offsets=(0.0, 9.0, 0.0), trials=1))
    assert findings(result)["B"] == ("reads high",)
    assert np.isnan(result.numbers.value("B", "sd"))
    assert result.numbers.scatter_tests.empty


def test_readings_that_never_differ_hide_the_scatter():
    source = study()
    table = source.readings
    table["reading"] = table["part"].astype(float)
    numbers = grr.compare_operators(grr.Study(table)).numbers
    assert np.isnan(numbers.scatter_tests["statistic"]["Cochran"])


def test_why_no_drift_was_looked_for_is_told():
    source = study(seed=1)
    assert grr.compare_operators(source).numbers.no_drift == ""
    bare = grr.Study(source.readings.drop(columns="order"), unit="µm")
    result = grr.compare_operators(bare)
    assert result.numbers.no_drift
    assert "drifts" not in result.headline


def test_a_comparison_is_worked_out_once_and_nobody_can_change_it():
    source = study()
    assert grr.compare_operators(source) is grr.compare_operators(source)
    own = grr.compare_operators(source).numbers.table
    own["sd"] = 0.0
    assert grr.compare_operators(source).numbers.table["sd"].all()


def test_bad_input_is_told_with_a_remedy():
    with pytest.raises(grr.StudyError, match="one operator"):
        grr.compare_operators(study(offsets=(0.0,), scatters=(1.0,)))
    with pytest.raises(grr.StudyError, match="three parts"):
        grr.compare_operators(study(parts=2))
    table = study().readings
    gone = (table["part"] == "4") & (table["operator"] == "B")
    with pytest.raises(grr.StudyError, match=r"Operator B.*part 4"):
        grr.compare_operators(grr.Study(table[~gone]))
    with pytest.raises(grr.StudyError, match="nested"):
        grr.compare_operators(study(design="nested"))
    two = pd.concat([table.assign(method="stand"), table.assign(method="handheld")])
    with pytest.raises(grr.StudyError, match=r'more than one method.*for_method\("stand"\)'):
        grr.compare_operators(grr.Study(two))


def test_the_demo_operators_are_told_apart_and_the_intervals_hold_the_truth():
    demo = grr.open_study(DEMO / "pins_two_ways")
    truth = tomllib.loads((DEMO / "pins_two_ways" / "truth.toml").read_text(encoding="utf-8"))
    people = truth["operators_in_micrometres"]
    result = grr.compare_operators(demo.for_method("stand"))
    assert findings(result)["Jonas"] == ("reads high",)
    assert findings(result)["Miro"] == ("scatters more",)
    assert findings(result)["Ilka"] == ("agrees",)
    table = result.to_frame()
    for name in ("Ilka", "Jonas", "Miro"):
        offset = people[f"{name}, stand"]["offset"]
        others = [people[f"{o}, stand"]["offset"] for o in table.index if o != name]
        low, high = table.loc[name, ["from_others_lower", "from_others_upper"]] * 1000
        assert low < offset - np.mean(others) < high
        # a repeat scatters, and is rounded to 0.1 µm
        sd = np.hypot(people[f"{name}, stand"]["scatter"], 0.1 / np.sqrt(12))
        assert table.loc[name, "sd_lower"] * 1000 < sd < table.loc[name, "sd_upper"] * 1000
    assert_snapshot(str(result), "operators")


def test_a_part_that_nobody_repeats_well_accuses_no_operator():
    """By chance alone 16 of 100 clean studies are told something of somebody."""
    accused = bumped = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        repeats = np.where(np.arange(10) == 6, 3.0, 0.3)[:, None, None]
        y = 5.0 * rng.standard_normal((10, 1, 1)) + repeats * rng.standard_normal((10, 3, 3))
        k, j, _ = (n.ravel() for n in np.indices((3, 3, 10)))
        i = np.concatenate([rng.permutation(10) for _ in range(9)])
        table = pd.DataFrame(
            {
                "part": (i + 1).astype(str),
                "operator": np.array(["A", "B", "C"])[j],
                "trial": k + 1,
                "reading": y[i, j, k],
                "order": np.arange(90),
            }
        )
        source = grr.Study(table, unit="µm")
        assert [c.part for c in grr.assess(source).causes if c.kind == "part"] == ["7"]
        result = grr.compare_operators(source)
        assert result.numbers.left_out == ("7",)
        accused += any(one.findings != ("agrees",) for one in result.conclusions)
        assert result.numbers.value("A", "sd") == pytest.approx(
            np.sqrt(np.delete(y, 6, axis=0)[:, 0].var(axis=-1, ddof=1).mean())
        )
        bumped += bool(grr.drift(source).numbers.bumps)
    assert accused <= 4  # 12 where the part is counted in
    assert bumped <= 1  # 5


def test_nothing_is_concluded_about_people_from_readings_that_are_wrong():
    table = study().readings
    table.loc[4, "reading"] *= 10.0
    source = grr.Study(table, unit="µm", tolerance=grr.Tolerance(-20.0, 20.0))
    assert grr.check(source).ruined
    result = grr.compare_operators(source)
    assert result.look_first == grr.check(source).look_first
    assert set(findings(result).values()) == {()}
    assert not any(isinstance(block, Table | Fold) for block in result.blocks())
