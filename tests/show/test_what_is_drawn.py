"""The places of bars, marks and zones, against numbers computed on another way."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from studies import M5, SHAPES, invented

import grr
from grr.show.axes import APART


def data(figure: object) -> list[dict]:
    return figure.to_plotly_json()["data"]


def read_off(trace: dict, lane: int, per_unit: float) -> np.ndarray:
    """Turn heights in a lane back into values, given the height of one unit."""
    return (np.array(trace["y"]) + APART * lane) / per_unit


def unit_of(figure: object) -> float:
    """Height of one unit, from two numbered ticks of the first lane."""
    axis = figure.layout.yaxis
    number = float(axis.ticktext[2].replace("−", "-"))
    return (axis.tickvals[2] - axis.tickvals[1]) / number


def test_bars_are_as_long_as_the_spreads() -> None:
    study = invented(8, 3, 3, sd=(1.5e-3, 0.4e-3, 0.2e-3), tolerance=M5)
    result = grr.anova(study, interaction="keep")
    bars = data(grr.show.spread_sources(result))[0]
    expected = 6000.0 * np.sqrt(result.sources["variance"])
    assert bars["x"] == pytest.approx(expected.tolist(), rel=1e-8)
    assert "base" not in bars


def test_sources_say_the_spread_and_the_largest_part() -> None:
    study = invented(8, 3, 3, sd=(1.5e-3, 0.9e-3, 0.1e-3), tolerance=M5)
    result = grr.anova(study)
    answer = grr.show.spread_sources(result).layout.meta["answer"]
    grr_um = 6000.0 * np.sqrt(result.value("GRR", "variance"))
    assert f"over {grr_um:.1f}\u00a0µm (6 sd)" in answer
    assert f"{result.value('GRR', 'percent_tolerance'):.1f}\u00a0%" in answer
    assert "is reproducibility (AV)" in answer


def test_a_source_that_is_not_estimated_says_why() -> None:
    result = grr.anova(SHAPES["one operator"]())
    figure = grr.show.spread_sources(result)
    notes = [note.text.replace("<br>", " ") for note in figure.layout.annotations]
    assert result.reasons["AV"] == result.reasons["INT"]
    assert sum(f"not estimated: {result.reasons['AV']}" in note for note in notes) == 1
    assert data(figure)[0]["x"][1] is None


def test_zones_reach_half_the_spread_to_either_side_of_each_limit() -> None:
    result = grr.anova(SHAPES["inch"]())
    zones = [t for t in data(grr.show.tolerance_ruler(result)) if "fillpattern" in t]
    half = 3e6 * np.sqrt(result.value("GRR", "variance"))
    for zone, limit in zip(zones, (0.0, 160.0), strict=True):
        assert min(zone["x"]) == pytest.approx(limit - half, rel=1e-7)
        assert max(zone["x"]) == pytest.approx(limit + half, rel=1e-7)


def test_ruler_counts_from_the_only_limit_down_and_says_the_share() -> None:
    study = SHAPES["upper limit only"]()
    result = grr.anova(study)
    figure = grr.show.tolerance_ruler(result)
    zones = [t for t in data(figure) if "fillpattern" in t]
    assert len(zones) == 1
    assert (min(zones[0]["x"]) + max(zones[0]["x"])) / 2 == pytest.approx(0.0, abs=1e-9)
    half = 3.0 * np.sqrt(result.value("GRR", "variance"))
    share = 100.0 * half / (10.014 - study.readings["reading"].mean())
    assert f"{share:.1f}\u00a0% of" in figure.layout.meta["answer"]
    assert "upper limit" in figure.layout.xaxis.title.text
    assert "−1" in " ".join(figure.layout.xaxis.ticktext)


@pytest.mark.parametrize("shape", ["manual", "inch", "20 parts, 10 operators", "lower limit only"])
def test_parts_stand_where_their_means_are(shape: str) -> None:
    study = SHAPES[shape]()
    marks = data(grr.show.tolerance_ruler(grr.anova(study)))[-1]
    factor = {"mm": 1e3, "in": 1e6, "": 1.0}[study.unit]
    means = study.readings.groupby("part")["reading"].mean()[list(study.parts)]
    expected = (means - study.tolerance.lower) * factor
    assert marks["x"] == pytest.approx(expected.tolist(), rel=1e-6)


def test_ruler_is_numbered_with_sizes_and_distances() -> None:
    figure = grr.show.tolerance_ruler(grr.anova(SHAPES["two of each"]()))
    axis = figure.layout.xaxis
    assert axis.ticktext[0] == "10.006<br>0"
    assert axis.ticktext[-1] == "10.012<br>+6"
    assert list(axis.tickvals) == pytest.approx(list(range(7)))


def test_ruler_tells_what_is_left_clear() -> None:
    result = grr.anova(SHAPES["two of each"]())
    clear = 6.0 - 6e3 * np.sqrt(result.value("GRR", "variance"))
    answer = grr.show.tolerance_ruler(result).layout.meta["answer"]
    assert f"leaves {clear:.1f}\u00a0µm clear" in answer
    meet = grr.show.tolerance_ruler(grr.anova(SHAPES["GRR over the tolerance"]()))
    assert meet.layout.meta["answer"].startswith("Nowhere")


def test_part_far_outside_is_counted_not_drawn() -> None:
    table = SHAPES["two of each"]().readings
    table.loc[table["part"] == "2", "reading"] += 1.0
    study = grr.Study(table, unit="mm", resolution=1e-4, tolerance=M5)
    figure = grr.show.tolerance_ruler(grr.anova(study))
    assert "1 beyond" in " ".join(n.text for n in figure.layout.annotations)


def test_no_tolerance_says_what_is_needed() -> None:
    figure = grr.show.tolerance_ruler(grr.anova(SHAPES["no tolerance"]()))
    assert not figure.data
    assert "Give" in figure.layout.meta["answer"]


def test_readings_and_means_are_drawn_from_the_parts_mean() -> None:
    study = SHAPES["manual"]()
    figure = grr.show.parts_by_operators(grr.anova(study))
    per_unit = unit_of(figure)
    table = study.readings
    table["from"] = table["reading"] - table.groupby("part")["reading"].transform("mean")
    readings = [t for t in data(figure) if t["marker"]["symbol"] == "circle-open"]
    means = [t for t in data(figure) if isinstance(t["marker"]["symbol"], list)]
    for lane, name in enumerate(study.operator_names):
        own = table[table["operator"] == name]
        own = own.assign(place=own["part"].astype(int) - 1).sort_values(["place", "trial"])
        assert readings[lane]["x"] == own["place"].tolist()
        drawn = read_off(readings[lane], lane, per_unit)
        assert drawn == pytest.approx(own["from"].to_numpy(), abs=1e-6)
        mean = own.groupby("place")["from"].mean()
        assert read_off(means[lane], lane, per_unit) == pytest.approx(mean.to_numpy(), abs=1e-6)


def test_agreement_counts_the_means_outside() -> None:
    study = SHAPES["manual"]()
    result = grr.anova(study)
    table = study.readings
    table["from"] = table["reading"] - table.groupby("part")["reading"].transform("mean")
    means = table.groupby(["part", "operator"])["from"].mean()
    band = 3.0 * result.value("EV", "sd") * np.sqrt((1 - 1 / 3) / 3)
    outside = int((means.abs() > band).sum())
    answer = grr.show.parts_by_operators(result).layout.meta["answer"]
    assert outside > 0
    assert f"{outside} of 30 means" in answer
    assert "0.44 apart" in answer


def test_a_slip_is_drawn_at_the_edge_not_to_scale() -> None:
    table = invented(6, 3, 3).readings
    table.loc[5, "reading"] *= 25.4
    study = grr.Study(table, unit="mm", tolerance=M5)
    arrows = [
        trace["marker"]["symbol"]
        for trace in data(grr.show.in_order(study))
        if "triangle-up" in trace["marker"]["symbol"]
    ]
    assert len(arrows) == 1
    axis = grr.show.in_order(study).layout.yaxis
    assert max(float(text.replace("−", "-")) for text in axis.ticktext) < 10.0


@pytest.mark.parametrize("shape", ["manual", "one operator", "readings missing"])
def test_ranges_are_drawn_where_they_are(shape: str) -> None:
    study = SHAPES[shape]()
    factor = {"mm": 1e3, "": 1.0}[study.unit]
    grouped = study.readings.groupby(["operator", "part"])["reading"]
    ranges = (grouped.max() - grouped.min())[grouped.count() == study.trials]
    figure = grr.show.trial_ranges(study)
    for trace, name in zip(data(figure), study.operator_names, strict=True):
        assert sorted(trace["x"]) == pytest.approx(sorted(ranges[name] * factor), rel=1e-6)
    assert f" {len(ranges)} ranges" in figure.layout.meta["answer"]


def test_range_beyond_the_limit_is_named() -> None:
    # Published: the manual's example has one range beyond 0.88 (AIAG MSA, 4th ed., chapter
    # III section B, range chart): part 4, operator B.
    figure = grr.show.trial_ranges(SHAPES["manual"]())
    answer = figure.layout.meta["answer"]
    for fact in ("1 of 30", "limit of 0.88 (2.57 × ", "part 4 by B"):
        assert fact in answer
    looks = [trace["marker"] for trace in data(figure)]
    assert [size for look in looks for size in look["size"]].count(13) == 1
    assert len({(look["color"], look["symbol"]) for look in looks}) == 3  # one look an operator


def test_one_trial_has_no_range() -> None:
    figure = grr.show.trial_ranges(SHAPES["one trial"]())
    assert not figure.data
    assert "twice" in figure.layout.meta["answer"]


def test_order_is_followed_and_a_drift_is_told() -> None:
    table = invented(8, 2, 3, step=None).readings
    steady = grr.show.in_order(grr.Study(table, unit="mm"))
    assert steady.layout.meta["answer"].startswith("No drift")
    table["reading"] += 0.002 * table["order"] / len(table)
    study = grr.Study(table.sample(frac=1.0, random_state=1), unit="mm")
    drifting = grr.show.in_order(study)
    assert drifting.layout.meta["answer"].startswith("Yes: ")
    assert any(trace["line"].get("dash") == "dash" for trace in data(drifting))
    orders = [int(t.split(":")[0].split()[1]) for t in data(drifting)[0]["hovertext"]]
    assert orders == sorted(orders)
    assert data(drifting)[0]["x"] == list(range(1, 25))


def test_drift_is_that_of_a_general_purpose_fit() -> None:
    # statsmodels: least squares on part-by-operator cells and order, operator by operator.
    import statsmodels.formula.api as smf

    table = invented(8, 2, 3, step=None).readings
    table["reading"] += 0.003 * table["order"] / len(table)
    slopes = [
        smf.ols("reading ~ C(part) + order", own).fit().params["order"]
        for _, own in table.groupby("operator")
    ]
    answer = grr.show.in_order(grr.Study(table, unit="mm")).layout.meta["answer"]
    assert f"rises by {1e3 * 24.0 * np.mean(slopes):.1f}\u00a0µm" in answer


@pytest.mark.parametrize("seed", range(6))
def test_the_order_the_drift_and_the_operators_say_the_same(seed: int) -> None:
    table = invented(8, 3, 3, step=None).readings
    noise = np.random.default_rng(seed).normal(0.0, 0.00015, len(table))
    table["reading"] += noise + 0.000004 * seed * table["order"]
    study = grr.Study(table, unit="mm")
    drift, answer = grr.drift(study), grr.show.in_order(study).layout.meta["answer"]
    drifts = any("drifts" in c.findings for c in grr.compare_operators(study).conclusions)
    assert drifts == (not drift.headline.startswith("No drift"))
    assert drifts == answer.startswith("Yes: what")
    told = drift.headline.removeprefix("What the gauge reads ").rstrip(".")
    assert told in answer or not drifts


def test_a_shift_between_trials_is_told_and_is_no_drift() -> None:
    table = invented(8, 2, 3, step=None).readings
    table.loc[table["trial"] > 1, "reading"] += 0.005
    answer = grr.show.in_order(grr.Study(table, unit="mm")).layout.meta["answer"]
    assert "trials 2 and 3 read 5.1\u00a0µm higher" in answer
    assert "no drift" in answer


def test_time_gives_the_order_where_no_order_is_kept() -> None:
    table = invented(5, 2, 2).readings
    by_order = grr.show.in_order(grr.Study(table, unit="mm"))
    start = pd.Timestamp("2030-01-01T08:00:00Z")
    times = [start + pd.Timedelta(minutes=int(order)) for order in table["order"]]
    timed = table.drop(columns="order").assign(time=times)
    by_time = grr.show.in_order(grr.Study(timed, unit="mm"))
    # how fast a drift may be is told a minute, not a reading
    assert [trace.to_plotly_json() for trace in by_time.data] == [
        trace.to_plotly_json() for trace in by_order.data
    ]


def test_no_order_says_what_is_needed() -> None:
    figure = grr.show.in_order(grr.Study(invented(5, 2, 2).readings.drop(columns="order")))
    assert not figure.data
    assert "column order" in figure.layout.meta["answer"]


def with_intervals(monkeypatch: pytest.MonkeyPatch, low: float, high: float) -> grr.GaugeResult:
    """Return a result whose sds lie between so many times their estimates."""

    def intervals(result: grr.GaugeResult, level: float = 0.95) -> pd.DataFrame:
        sd = result.sources["sd"]
        index = pd.MultiIndex.from_product([sd.index, ["sd"]], names=["quantity", "measure"])
        columns = {"estimate": sd, "lower": low * sd, "upper": high * sd}
        return pd.DataFrame({name: v.to_numpy() for name, v in columns.items()}, index)

    monkeypatch.setattr(grr.GaugeResult, "intervals", intervals, raising=False)
    return grr.anova(SHAPES["manual"]())


def test_intervals_reach_over_the_end_of_a_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    result = with_intervals(monkeypatch, 0.8, 1.25)
    figure = grr.show.spread_sources(result)
    lines = [t for t in data(figure) if t["type"] == "scatter"]
    spread = 6.0 * result.value("GRR", "sd")
    row = [line["x"] for line in lines if line["y"] == [3, 3]]
    assert row == [pytest.approx([0.8 * spread, 1.25 * spread])]
    assert "95\u00a0% confidence" in figure.layout.xaxis.title.text


def test_intervals_of_the_parts_are_told_on_pointing_and_not_drawn() -> None:
    figure = grr.show.spread_sources(grr.anova(SHAPES["manual"]()))
    assert [line["y"][0] for line in data(figure) if line["type"] == "scatter"] == [0, 1, 2, 3]
    assert "with 95\u00a0% confidence" in data(figure)[0]["hovertext"][4]


def test_why_no_interval_is_known_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise grr.StudyError("The limits cannot be computed", "Measure again")

    monkeypatch.setattr(grr.GaugeResult, "intervals", refuse)
    result = grr.anova(SHAPES["inch"]())
    sources, ruler = grr.show.spread_sources(result), grr.show.tolerance_ruler(result)
    assert not [line for line in data(sources) if line["type"] == "scatter"]
    assert "the limits cannot" in sources.layout.meta["answer"]
    assert "the limits cannot" in ruler.layout.meta["answer"]


def test_an_interval_past_the_picture_ends_in_an_arrow(monkeypatch: pytest.MonkeyPatch) -> None:
    figure = grr.show.spread_sources(with_intervals(monkeypatch, 0.5, 9.0))
    last = data(figure)[-1]
    assert last["marker"]["symbol"][1] == "triangle-right"
    assert last["x"][1] == pytest.approx(figure.layout.xaxis.range[1])


def test_ruler_shows_how_far_the_doubt_may_reach(monkeypatch: pytest.MonkeyPatch) -> None:
    result = with_intervals(monkeypatch, 0.8, 1.25)
    figure = grr.show.tolerance_ruler(result)
    dotted = [t for t in data(figure) if t.get("line", {}).get("dash") == "dot"]
    reach = 1.25 * 3.0 * result.value("GRR", "sd")
    assert [t["x"][1] for t in dotted] == pytest.approx([reach, 8.0 + reach])
    assert f"±{reach:.1f}" in figure.layout.meta["answer"]
