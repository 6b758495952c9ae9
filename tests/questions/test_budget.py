import math
from dataclasses import replace

import numpy as np
import pytest
from snapshot import assert_snapshot

import grr
from grr.model.errors import StudyError

#: JCGM 100:2008 (GUM), example H.1, table H.1: the influences on the end gauge's length
#: (nm, 1/K, K), their standard uncertainties and degrees of freedom.
H1 = [
    grr.Contribution("standard", 25.0, df=18, estimate=50_000_623.0, sensitivity=None),
    grr.Contribution("repeats", 5.8, "readings", df=24, estimate=215.0, sensitivity=None),
    grr.Contribution("comparator, random", 3.9, "readings", df=5, sensitivity=None),
    grr.Contribution("comparator, systematic", 6.7, df=8, sensitivity=None),
    grr.Contribution("alpha", 2e-6, "rectangular", estimate=11.5e-6, sensitivity=None),
    grr.Contribution("bed", 0.2, estimate=-0.1, sensitivity=None),
    grr.Contribution("cycle", 0.5, "u-shaped", sensitivity=None),
    grr.Contribution("d alpha", 1e-6, "rectangular", limit_half_width=0.1e-6, sensitivity=None),
    grr.Contribution("d theta", 0.05, "rectangular", limit_half_width=0.025, sensitivity=None),
]


def end_gauge(x):
    """GUM equation (H.2)."""
    difference = x["repeats"] + x["comparator, random"] + x["comparator, systematic"]
    warmed = x["d alpha"] * (x["bed"] + x["cycle"]) + x["alpha"] * x["d theta"]
    return x["standard"] + difference - x["standard"] * warmed


def gum_h1():
    return grr.UncertaintyBudget(H1, unit="nm", model=end_gauge, level=0.99)


def test_gum_h1_to_the_published_digits():
    budget = gum_h1()
    made = {name: abs(value) for name, value in budget.contributions.items()}
    assert made["standard"] == pytest.approx(25.0, abs=0.05)
    assert math.hypot(
        made["repeats"], made["comparator, random"], made["comparator, systematic"]
    ) == pytest.approx(9.7, abs=0.05)
    assert made["d alpha"] == pytest.approx(2.9, abs=0.05)
    assert made["d theta"] == pytest.approx(16.6, abs=0.05)
    assert [round(made[name], 9) for name in ("alpha", "bed", "cycle")] == [0.0, 0.0, 0.0]
    assert round(budget.standard_u) == 32
    assert math.floor(budget.df) == 16
    assert budget.coverage == pytest.approx(2.92, abs=0.005)
    assert budget.coverage * 32 == pytest.approx(93, abs=0.6)
    assert budget.estimate == pytest.approx(50_000_838.0)


def test_gum_h1_does_not_agree_with_monte_carlo():
    # JCGM 101:2008, 9.5 rounds the comparison's uncertainties to 6, 4 and 7 nm and draws t
    # distributions; u is about 36 nm there against 32 nm by the formula
    budget = gum_h1()
    for name, u in (
        ("standard", 25.0),
        ("repeats", 6.0),
        ("comparator, random", 4.0),
        ("comparator, systematic", 7.0),
    ):
        line = replace(budget.line(name), size=u, distribution="readings")
        budget = budget.with_line(line)
    check = budget.monte_carlo(most_draws=1_000_000)
    assert budget.standard_u == pytest.approx(31.7, abs=0.1)
    assert check.run.standard_u == pytest.approx(35.8, abs=0.1)
    assert not check.agrees and check.agreement.tolerance == 0.5


def test_a_plain_sum_agrees_with_monte_carlo():
    lines = [grr.Contribution(name, 1.0) for name in "abcd"]
    check = grr.UncertaintyBudget(lines, unit="µm").monte_carlo()
    assert check.agrees and check.run.settled
    assert list(check.to_frame().index) == ["formula", "monte carlo"]


def test_the_larger_of_two_counts_and_never_both():
    repeats = grr.Contribution("repeatability", 2.0, "readings", df=9)

    def with_digit(half, in_study):
        digit = grr.Contribution(
            "resolution", half, "rectangular", inside="repeatability", in_study=in_study
        )
        return grr.UncertaintyBudget([repeats, digit], unit="µm")

    small, large = with_digit(1.0, True), with_digit(9.0, True)
    assert small.standard_u == pytest.approx(2.0)
    assert small.left_out == {"resolution": "already in repeatability, which is larger"}
    assert large.standard_u == pytest.approx(9.0 / math.sqrt(3.0))
    assert list(large.left_out) == ["repeatability"]
    apart, open_question = with_digit(1.0, False), with_digit(1.0, None)
    assert apart.standard_u == open_question.standard_u == pytest.approx(math.sqrt(4 + 1 / 3))
    assert "in the study?" in str(open_question)
    assert "in the study?" not in str(apart)


def test_correlated_lines_add_up_by_their_sizes():
    lines = [grr.Contribution("a", 3.0), grr.Contribution("b", 4.0, sensitivity=-1.0)]
    for r, expected in ((1.0, 1.0), (-1.0, 7.0)):
        budget = grr.UncertaintyBudget(lines, unit="nm", correlations={("a", "b"): r})
        assert budget.standard_u == pytest.approx(expected)
        check = budget.monte_carlo(digits=1, most_draws=200_000)
        assert check.run.standard_u == pytest.approx(expected, rel=0.01)
    assert budget.without("a").correlations == {}


def test_lines_can_be_changed_and_taken_out():
    budget = grr.UncertaintyBudget([grr.Contribution("a", 3.0), grr.Contribution("b", 4.0)])
    assert budget.with_line(grr.Contribution("a", 0.0)).standard_u == pytest.approx(4.0)
    assert budget.with_line(grr.Contribution("c", 12.0)).standard_u == pytest.approx(13.0)
    assert budget.without("b").standard_u == pytest.approx(3.0)
    assert [line.name for line in budget.with_line(grr.Contribution("a", 1.0)).lines] == ["a", "b"]
    with pytest.raises(StudyError, match="no such line"):
        budget.without("z")


def test_certificates_and_readings():
    certificate = grr.Contribution.from_certificate("blocks", 0.08, 2.0)
    assert certificate.standard_u == pytest.approx(0.04)
    mean = grr.Contribution.from_readings("mean", 0.3, 10, mean_of=9)
    assert (mean.standard_u, mean.df) == (pytest.approx(0.1), 9.0)


def test_a_tolerance_its_ratio_and_its_acceptance_limits():
    budget = grr.UncertaintyBudget([grr.Contribution("a", 0.5)], unit="µm", k=2.0)
    use = budget.against(grr.Tolerance(0.0, 20.0))
    assert use.ratio == pytest.approx(10.0)
    assert use.q_mp == pytest.approx(10.0)
    # ISO 14253-1: 1.645·u at each limit
    assert use.acceptance.lower == pytest.approx(0.8224, abs=1e-3)
    assert use.acceptance.upper == pytest.approx(20.0 - 0.8224, abs=1e-3)
    assert use.left_percent == pytest.approx(100 * (1 - 2 * 0.8224 / 20), abs=0.01)
    one = budget.against(grr.Tolerance(upper=20.0))
    assert one.acceptance.lower is None and math.isnan(one.ratio)
    none = budget.against(grr.Tolerance(0.0, 1.0))
    assert none.acceptance is None and none.left_percent == 0.0


def test_the_use_of_a_tolerance_as_a_table_and_without_any_uncertainty():
    use = grr.UncertaintyBudget([grr.Contribution("a", 0.5)], unit="µm").against(
        grr.Tolerance(0.0, 20.0)
    )
    row = use.to_frame().iloc[0]
    assert (row["accept_from"], row["accept_to"]) == (use.acceptance.lower, use.acceptance.upper)
    assert "0.82" in use._repr_html_()
    exact = grr.UncertaintyBudget([grr.Contribution("a", 0.0)], unit="µm", k=2.0)
    whole = exact.against(grr.Tolerance(0.0, 20.0))
    assert whole.left_percent == 100.0 and math.isinf(whole.ratio)


def test_an_infinite_spread_is_said():
    budget = grr.UncertaintyBudget([grr.Contribution("a", 1.0, "readings", df=2)], unit="µm")
    assert budget.monte_carlo(most_draws=200_000).few_df


def test_prints_within_eighty_columns():
    lines = [grr.Contribution("a <b>" + "x" * 30, 1e-4), grr.Contribution("b", 1.0, unit="K")]
    budget = grr.UncertaintyBudget(lines, unit="mm", title="<i>", example=True)
    assert max(map(len, str(budget).splitlines())) <= 80
    assert "<i>" not in budget._repr_html_() and "a <b>" not in budget._repr_html_()


def test_its_words():
    lines = grr.MicrometerLines(10.0, "mm")
    repeats = grr.Contribution("repeatability", 0.0003, "readings", df=9)
    made = [
        repeats,
        lines.resolution(0.0001),
        lines.zero_setting(0.0002),
        lines.body_heat(1.0, in_study=False),
        lines.away_from_20(3.0),
    ]
    budget = grr.UncertaintyBudget(
        made, unit="mm", correlations={("body heat", "zero setting"): 0.3}, example=True
    )
    use, none = (budget.against(grr.Tolerance(10.0, 10.0 + width)) for width in (0.01, 0.001))
    check = budget.monte_carlo(digits=1, most_draws=200_000)
    endless = grr.UncertaintyBudget([grr.Contribution("a", 1.0, "readings", df=2)], unit="µm")
    few = endless.monte_carlo(digits=1, most_draws=200_000)
    assert_snapshot("\n\n".join(map(str, (budget, use, none, check, few))), "budget")


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: grr.UncertaintyBudget([]), "at least one"),
        (lambda: grr.UncertaintyBudget([1.0]), "made of contributions"),
        (lambda: grr.UncertaintyBudget([grr.Contribution("a", 1)] * 2), "have one name"),
        (
            lambda: grr.UncertaintyBudget([grr.Contribution("a", 1, sensitivity=None)]),
            "left to a model",
        ),
        (
            lambda: grr.UncertaintyBudget([grr.Contribution("a", 1)], correlations={("a", "z"): 1}),
            "not in the budget",
        ),
        (lambda: grr.UncertaintyBudget([grr.Contribution("a", 1)], level=95), "level"),
        (lambda: grr.UncertaintyBudget([grr.Contribution("a", 1)], unit="K"), "unit"),
        (lambda: grr.Contribution("", 1.0), "no name"),
        (lambda: grr.Contribution("a", "x"), "size is not a finite number"),
        (lambda: grr.Contribution("a", -1.0), "below 0"),
        (lambda: grr.Contribution("a", 1.0, "bell"), "distribution is not a word"),
        (lambda: grr.Contribution("a", 1.0, df=0), "not above 0"),
        (lambda: grr.Contribution("a", 1.0, limit_half_width=2.0), "less certain than"),
        (lambda: grr.Contribution.from_certificate("a", 1.0, 0.0), "coverage"),
        (lambda: grr.Contribution.from_readings("a", 1.0, 1), "readings must be more"),
        (
            lambda: grr.UncertaintyBudget([grr.Contribution("a", 1)]).monte_carlo(digits=3),
            "neither 1 nor 2",
        ),
        (
            lambda: grr.UncertaintyBudget([grr.Contribution("a", 1)]).against(0.1),
            "not a Tolerance",
        ),
    ],
)
def test_bad_input_is_one_sentence_with_a_remedy(make, message):
    with pytest.raises(StudyError, match=message) as caught:
        make()
    assert caught.value.remedy


def test_the_frame_names_every_line_and_its_formula():
    frame = gum_h1().to_frame()
    assert frame.index[0] == "standard"
    assert frame["share_percent"].sum() == pytest.approx(100.0)
    assert np.isfinite(frame["contribution"]).all()


def test_a_bias_left_in_the_readings_is_added_to_u():
    # by hand, JCGM 100:2008, F.2.4.5: U = k·u + |bias| = 2·0.5 + 0.7
    left = grr.Contribution.of_bias(-0.7, 0.3, corrected=False, unit="µm")
    budget = grr.UncertaintyBudget([grr.Contribution("a", 0.4), left], unit="µm", k=2.0)
    assert budget.standard_u == pytest.approx(0.5) and budget.spread == pytest.approx(1.0)
    assert budget.expanded == pytest.approx(1.7) and budget.bias == pytest.approx(-0.7)
    use = budget.against(grr.Tolerance(0.0, 20.0))
    assert use.guard == pytest.approx(1.6449 * 0.5 + 0.7, rel=1e-4)
    assert use.q_mp == pytest.approx(100 * 2 * 1.7 / 20)
    assert use.ratio == pytest.approx(20 / (2 * 1.7))
    assert budget.to_frame().loc["bias", "bias"] == pytest.approx(-0.7)
    assert budget.monte_carlo(digits=1).expanded == pytest.approx(1.0)


def test_a_corrected_bias_leaves_its_uncertainty_alone():
    line = grr.Contribution.of_bias(-0.7, 0.3, corrected=True, unit="µm")
    budget = grr.UncertaintyBudget([grr.Contribution("a", 0.4), line], unit="µm", k=2.0)
    assert budget.expanded == pytest.approx(1.0) and budget.bias == 0.0
    assert "+0.70" in line.formula
