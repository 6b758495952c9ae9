"""Places on a part and several gauges as sources of variation, from readings to verdict."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import grr
from grr.model.settings import Settings
from grr.questions.planning import chances_of_plan
from grr.questions.sittings import further_sources

FIXTURES = Path(__file__).parents[1] / "fixtures" / "further_sources"
READINGS = pd.read_csv(FIXTURES / "readings.csv")
ESTIMATES = pd.read_csv(FIXTURES / "estimates.csv").set_index("study")


def table(name):
    """Return one study's readings; trials count on over the sessions of a person."""
    found = READINGS[READINGS.study == name].drop(columns="study")
    if np.isnan(ESTIMATES.loc[name, "SES"]):
        return found.drop(columns="session")
    days = found.groupby("operator")["session"].transform(lambda s: s.rank(method="dense"))
    return found.assign(trial=found.trial + (days.astype(int) - 1) * found.trial.max())


def made(
    seed=1, *, parts=8, people=("Asa", "Bela", "Cem"), places=("a", "b"), gauges=("M1",), **sd
):
    """Return readings in mm, every one at each place and with each gauge twice."""
    of = {"part": 8.0, "place": 3.0, "operator": 0.6, "gauge": 1.0, "error": 0.8, **sd}
    rng = np.random.default_rng(seed)
    frames = [
        np.indices((2, len(people), len(places), len(gauges), parts)).reshape(5, -1),
    ]
    trial, operator, place, gauge, part = frames[0]
    value = (
        rng.normal(0, of["part"], parts)[part]
        + rng.normal(0, of["operator"], len(people))[operator]
        + rng.normal(0, of["place"], (parts, len(places)))[part, place]
        + rng.normal(0, of["gauge"], len(gauges))[gauge]
        + rng.normal(0, of["error"], len(part))
    )
    return pd.DataFrame(
        {
            "part": part + 1,
            "operator": np.array(people)[operator],
            "trial": trial + 1,
            "place": np.array(places)[place],
            "gauge": np.array(gauges)[gauge],
            "reading": np.round(20.0 + 1e-3 * value, 4),
        }
    )


def study(readings, **settings):
    given = {"tolerance": grr.Tolerance(19.96, 20.04), "unit": "mm", "operators": "fixed"}
    return grr.Study(readings, resolution=0.0001, **(given | settings))


@pytest.mark.parametrize("name", ESTIMATES.index)
def test_components_are_lme4s(name):
    result = grr.anova(grr.Study(table(name)), interaction="keep")
    expected = ESTIMATES.loc[name].dropna()
    assert set(expected.index) == set(result.sources.index[result.sources.variance.notna()]) - {
        "GRR",
        "TV",
    }
    for source, value in expected.items():
        found = result.value(source, "variance")
        # The search of lme4 stops just above zero.
        assert found == (0.0 if value < 1e-8 else pytest.approx(value, rel=1e-5)), source


def test_grr_holds_gauges_and_not_the_parts_own_variation():
    result = grr.anova(study(made(gauges=("M1", "M2", "M3"))))
    variance = result.sources["variance"]
    inside = variance[["EV", "AV", "INT", "GAU"]].sum()
    assert variance["GRR"] == pytest.approx(inside)
    assert variance["TV"] == pytest.approx(inside + variance["PV"] + variance["WPV"])
    assert result.sources["percent_contribution"]["TV"] == pytest.approx(100.0)


def test_a_given_process_sd_is_all_three():
    result = grr.anova(study(made(), process_sd=0.009))
    variance = result.sources["variance"]
    assert variance["TV"] == pytest.approx(0.009**2)
    assert variance[["GRR", "PV", "WPV"]].sum() == pytest.approx(0.009**2)


def test_one_place_and_one_gauge_say_nothing_new():
    readings = made(places=("a",))
    plain = grr.anova(study(readings.drop(columns=["place", "gauge"])))
    named = grr.anova(study(readings))
    pd.testing.assert_frame_equal(named.sources, plain.sources)
    assert named.notes == plain.notes
    assert str(grr.verdict(study(readings))) == str(
        grr.verdict(study(readings.drop(columns=["place", "gauge"])))
    )


def test_gauges_that_are_all_there_are_count_less_and_are_known_better():
    readings = made(places=("a",), gauges=("M1", "M2"), seed=4)
    sample, fixed = (study(readings, gauges=how) for how in ("random", "fixed"))
    results = grr.anova(sample), grr.anova(fixed)
    variances = [result.value("GAU", "variance") for result in results]
    assert variances[1] == pytest.approx(0.5 * variances[0])
    upper = [result.intervals().loc[("GRR", "sd"), "upper"] for result in results]
    assert upper[1] < 0.2 * upper[0]
    three = grr.anova(study(readings, gauges=3)).value("GAU", "variance")
    assert three == pytest.approx(2.0 / 3.0 * variances[0])


def test_limits_hold_the_estimates():
    result = grr.anova(study(made(gauges=("M1", "M2", "M3")), gauges="fixed"))
    limits = result.intervals()
    known = limits[limits["lower"].notna()]
    assert {"GAU", "WPV"} <= set(known.index.get_level_values(0))
    below = known["lower"] <= known["estimate"] * (1.0 + 1e-9)
    above = known["estimate"] * (1.0 - 1e-9) <= known["upper"]
    assert (below & above).all(), known[~(below & above)]


def test_trials_are_numbered_on_over_places_and_gauges():
    readings = made(gauges=("M1", "M2"))
    found = study(readings)
    assert found.trials == 8
    assert sorted(found.readings["trial"].unique()) == list(range(1, 9))
    twice = pd.concat([readings, readings.iloc[[5]]])
    with pytest.raises(grr.StudyError, match="same place"):
        study(twice)


def confounded(kind):
    readings = made()
    if kind == "place and operator":
        return readings.assign(place=readings.place + " of " + readings.operator)
    if kind == "gauge and operator":
        return readings.assign(gauge="M of " + readings.operator)
    if kind == "gauge and part":
        return readings.assign(gauge=readings.part % 2)
    return readings.assign(gauge="M at " + readings.place)


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        ("place and operator", "the interaction"),
        ("gauge and operator", "operators"),
        ("gauge and part", "parts"),
        ("gauge and place", "places"),
    ],
)
def test_what_cannot_be_told_apart_is_said(kind, word):
    result = grr.anova(study(confounded(kind)))
    (untold,) = further_sources(result.study).untold
    assert word in untold and untold in result.notes
    assert ("WPV" if kind.startswith("place") else "GAU") not in result.source_names
    grr.verdict(result)


def test_places_measured_once_only_are_in_repeatability():
    readings = made(people=("Asa",)).query("trial == 1")
    result = grr.anova(study(readings))
    (untold,) = further_sources(result.study).untold
    assert untold in result.notes
    assert "WPV" not in result.source_names


def test_a_reading_without_a_place_among_others_is_refused():
    readings = made()
    readings.loc[3, "place"] = None
    with pytest.raises(grr.StudyError, match="has no place") as refused:
        study(readings)
    assert refused.value.row == 4


def test_fewer_gauges_than_studied_are_refused():
    with pytest.raises(grr.StudyError, match="2 gauges"):
        study(made(gauges=("M1", "M2")), gauges=1)


def test_the_verdict_says_what_within_part_variation_takes():
    found = grr.verdict(study(made()))
    (said,) = [reason for reason in found.reasons if "within-part variation" in reason]
    takes = found.result.value("WPV", "percent_tolerance")
    assert f"{takes:.0f}" in said
    assert "within-part" in str(grr.explain("taper"))


def test_differing_gauges_are_a_cause():
    readings = made(places=("a",), gauges=("M1", "M2", "M3"), gauge=4.0)
    found = grr.assess(study(readings, gauges="fixed"))
    first = found.causes[0]
    result = found.result
    assert first.kind == "gauges"
    assert first.share.value == pytest.approx(
        100.0 * result.value("GAU", "variance") / result.value("GRR", "variance")
    )
    alike = grr.assess(study(made(places=("a",), gauges=("M1", "M2", "M3"), gauge=0.0)))
    assert "gauges" not in [cause.kind for cause in alike.causes]


def test_places_are_no_scatter_of_the_repeats():
    found = grr.assess(study(made(place=6.0)))
    assert [cause.kind for cause in found.causes] == ["repeatability"]


def test_a_file_carries_place_and_gauge(tmp_path):
    readings = made(gauges=("M1", "M2"))
    path = tmp_path / "bush.csv"
    readings.to_csv(path, index=False)
    read = study(grr.read_readings(path), gauges="fixed")
    expected = grr.anova(study(readings, gauges="fixed")).sources
    pd.testing.assert_frame_equal(grr.anova(read).sources, expected)


def test_the_check_takes_places_and_gauges_for_no_scatter_of_the_repeats():
    for readings in (made(place=6.0), made(places=("a",), gauges=("M1", "M2", "M3"), gauge=6.0)):
        topics = [finding.topic for finding in grr.check(study(readings)).findings]
        assert "repeats scatter alone" not in topics


def test_many_studies_tell_places_and_gauges_apart_also_where_trials_are_numbered_on():
    numbered = study(made(gauges=("M1", "M2"))).readings  # the table as a study keeps it
    plain = made(places=("a",), seed=3)
    both = pd.concat([numbered.assign(study="x"), plain.assign(study="y")], ignore_index=True)
    found = grr.analyse_many(both, progress=False).set_index("study")
    for name, readings in (("x", numbered), ("y", plain)):
        expected = grr.anova(grr.Study(readings)).sources["sd"]
        for source in ("EV", "GRR", "TV"):
            assert found.loc[name, f"{source}_sd"] == pytest.approx(expected[source], rel=1e-9)


def test_repeatability_by_two_methods_is_compared_at_one_place():
    readings = pd.concat(
        [
            made(seed, error=error).assign(method=method)
            for seed, error, method in ((5, 0.8, "stand"), (5, 1.6, "hand"))
        ],
        ignore_index=True,
    )
    numbers = grr.compare_methods(study(readings), baseline="stand", candidate="hand").numbers
    below, above = (numbers.results[name].value("EV", "sd") for name in ("stand", "hand"))
    assert numbers.ev_ratio.value == pytest.approx(above / below)
    for ratio in (numbers.ev_ratio, numbers.grr_ratio):
        assert ratio.lower < ratio.value < ratio.upper
    assert numbers.anova_table is None


def test_with_several_gauges_the_ratio_of_two_methods_is_of_repeatability_alone():
    readings = pd.concat(
        [
            made(5, places=("a",), gauges=("M1", "M2"), error=error).assign(method=method)
            for error, method in ((0.8, "stand"), (1.6, "hand"))
        ],
        ignore_index=True,
    )
    numbers = grr.compare_methods(study(readings), baseline="stand", candidate="hand").numbers
    assert numbers.ev_ratio.known and not numbers.grr_ratio.known
    assert "gauges" in numbers.grr_ratio.why


def test_with_several_gauges_the_method_that_repeats_better_is_recommended():
    readings = pd.concat(
        [
            made(5, places=("a",), gauges=("M1", "M2"), error=error).assign(method=method)
            for error, method in ((0.4, "stand"), (1.6, "hand"))
        ],
        ignore_index=True,
    )
    found = grr.compare_methods(study(readings, gauges="fixed"), baseline="hand")
    assert found.case.better == "stand"
    assert (found.recommendation, found.recommended) == ("use", "stand")
    times = found.numbers.worst["hand"].zone / found.numbers.worst["stand"].zone
    assert f"{times:.1f} times" in found.answer
    conditions = grr.verdict(found.study.for_method("stand")).conditions
    assert any("M1 and M2" in condition for condition in conditions)


@pytest.mark.parametrize(
    ("gauges", "told"),
    [
        ("fixed", "gauges studied: M1, M2 and M3."),
        (5, "5 gauges of which 3 were"),
        ("random", "kind as M1, M2 and M3"),
    ],
)
def test_the_conditions_say_for_which_gauges_and_places_it_holds(gauges, told):
    readings = made(gauges=("M1", "M2", "M3"), gauge=0.05)
    found = grr.verdict(study(readings, gauges=gauges))
    assert found.decision in {grr.Decision.USE, grr.Decision.LIKE_THIS, grr.Decision.WITH_LIMITS}
    (line,) = [one for one in found.conditions if "gauges" in one]
    assert told in line
    assert any("studied: a and b" in one for one in found.conditions)
    stated = study(readings, gauges=gauges, facts={"measuring_place": "at the collar"})
    assert not any("places studied" in one for one in grr.verdict(stated).conditions)


def test_by_ranges_places_and_gauges_are_refused_everywhere(tmp_path):
    by_ranges = grr.Rules(method_of_record="average_range")
    for readings in (made(), made(places=("a",), gauges=("M1", "M2"))):
        with pytest.raises(grr.StudyError, match="repeats"):
            grr.average_range(study(readings))
        with pytest.raises(grr.StudyError, match="repeats"):
            grr.verdict(study(readings, rules=by_ranges))
        found = grr.assess(study(readings, rules=by_ranges))
        assert "repeats" in str(found)
    written = grr.report(study(made()), tmp_path / "report.html")
    assert "average and range" not in written.read_text(encoding="utf-8")


def test_what_would_narrow_it_down_names_the_sources_that_are_a_sample():
    readings = made(places=("a",), gauges=("M1", "M2"), gauge=2.0)
    narrow = {"tolerance": grr.Tolerance(19.985, 20.015)}
    found = grr.verdict(study(readings, **narrow))
    assert found.decision == grr.Decision.NOT_DECIDED
    assert any("More gauges" in one for one in found.next_steps)
    everyone = grr.verdict(study(readings, gauges="fixed", **narrow))
    assert not any("More " in one for one in everyone.next_steps)


@pytest.mark.parametrize(("gauges", "tells"), [("fixed", True), ("random", False), (3, False)])
def test_a_plan_whose_gauges_stand_for_others_promises_nothing(gauges, tells):
    plan = grr.Plan(tuple("12345"), ("A", "B", "C"), 1, places=("a", "b"), gauges=("M1", "M2"))
    settings = Settings(plan=plan, operators_are="fixed", gauges_are=gauges)
    if tells:
        assert chances_of_plan(settings).design.trials == 4
        return
    with pytest.raises(grr.StudyError, match="stand for others"):
        chances_of_plan(settings)


def test_a_nested_study_says_that_places_are_in_its_sources():
    readings = made()
    own = readings.operator + readings.part.astype(str)
    result = grr.anova(study(readings.assign(part=own), design="nested"))
    assert any("places nor gauges" in note for note in result.notes)


def test_what_gauges_differ_by_is_said_beside_the_changes():
    result = grr.anova(study(made(places=("a",), gauges=("M1", "M2", "M3"), gauge=6.0)))
    notes = " ".join(grr.what_would_help(result).notes)
    left = result.value("GRR", "variance") - result.value("GAU", "variance")
    share = result.value("GRR", "percent_tolerance") * np.sqrt(
        left / result.value("GRR", "variance")
    )
    assert f"without it GRR would take {share:.1f} %".replace(" %", "") in notes.replace(
        "\xa0", " "
    )


def test_a_plan_that_ranges_could_not_judge_is_told_before_anyone_measures():
    plan = grr.Plan(("1", "2", "3"), ("A", "B"), 2, places=("head", "tail"))
    settings = Settings(plan=plan, rules=grr.Rules(method_of_record="average_range"))
    with pytest.raises(grr.StudyError, match="method of record") as refused:
        chances_of_plan(settings)
    assert refused.value.column == "method_of_record"
