import numpy as np
import pandas as pd
import pytest
from snapshot import assert_snapshot

import grr
from grr.formulas import published
from grr.model.errors import StudyError

#: AIAG MSA, 4th ed., bias example (from memory): reference 6.00.
MANUAL = list(published.BIAS_READINGS)
TOLERANCE = grr.Tolerance(10.006, 10.012)


def made(sd=0.0001, bias=0.0002, n=50, seed=1):
    readings = np.random.default_rng(seed).normal(10.0 + bias, sd, n)
    return np.round(readings, 5)


def studied(readings, **more):
    arguments = {"reference": 10.0, "unit": "mm", "resolution": 0.00001, "tolerance": TOLERANCE}
    return grr.reference_study(readings, **(arguments | more))


def test_the_manuals_example():
    result = grr.reference_study(MANUAL, reference=6.0, unit="mm", resolution=0.1)
    frame = result.to_frame()
    assert frame.at["bias_by_range", "estimate"] == pytest.approx(0.0067, abs=1e-4)
    assert frame.at["bias_by_range", "lower"] == pytest.approx(-0.1186, abs=1e-4)
    assert frame.at["bias_by_range", "upper"] == pytest.approx(0.1320, abs=1e-4)
    assert frame.at["repeatability_sd", "estimate"] == pytest.approx(0.21202, abs=1e-5)
    assert float(result.by_sd.p) == pytest.approx(0.90, abs=0.005)


def test_cg_cgk_and_q_ms_worked_by_hand():
    readings = made()
    result = studied(readings, expanded_uncertainty=0.0001)
    sd, bias = np.std(readings, ddof=1), np.mean(readings) - 10.0
    assert result.cg == pytest.approx(0.2 * 0.006 / (6 * sd))
    assert result.cgk == pytest.approx((0.0006 - abs(bias)) / (3 * sd))
    u = np.sqrt(0.00005**2 + sd**2 + bias**2 / 3)
    assert result.q_ms == pytest.approx(100 * 4 * u / 0.006)
    other = studied(readings, share=0.15, multiple=4)
    assert other.cg == pytest.approx(0.15 * 0.006 / (4 * sd))


def test_q_mp_joins_the_study_on_parts(manual_study):
    result = studied(made(), tolerance=grr.Tolerance(9.99, 10.02))
    table = manual_study.readings
    table["reading"] = 10.0 + 0.001 * table["reading"]
    study = grr.anova(grr.Study(table, unit="mm"))
    ev, av = study.value("EV", "sd"), study.value("AV", "sd")
    # the repeatability on parts is the larger one here
    assert ev > result.sd
    u = np.sqrt(ev**2 + av**2 + result.bias**2 / 3)
    assert result.q_mp(study) == pytest.approx(100 * 4 * u / 0.03)
    with pytest.raises(StudyError, match="another unit"):
        result.q_mp(grr.anova(manual_study))


def test_the_smallest_tolerance_just_passes():
    result = studied(made(), expanded_uncertainty=0.0001)
    least = result.smallest_tolerance
    again = studied(
        made(), expanded_uncertainty=0.0001, tolerance=grr.Tolerance(10.0, 10.0 + least)
    )
    assert min(again.cg, again.cgk) >= 1.33 - 1e-6 and again.q_ms <= 15 + 1e-6
    less = studied(
        made(), expanded_uncertainty=0.0001, tolerance=grr.Tolerance(10.0, 10.0 + 0.99 * least)
    )
    assert min(less.cg, less.cgk) < 1.33 or less.q_ms > 15


def test_the_same_in_micrometres():
    mm = studied(made(), expanded_uncertainty=0.0001)
    um = studied(
        made() * 1000,
        reference=10_000.0,
        unit="µm",
        resolution=0.01,
        tolerance=TOLERANCE.scaled(1000.0),
        expanded_uncertainty=0.1,
    )
    for quantity in ("Cg", "Cgk", "Q_MS"):
        assert um.to_frame().at[quantity, "estimate"] == pytest.approx(
            mm.to_frame().at[quantity, "estimate"], rel=1e-6
        )


def test_readings_may_come_as_a_table_with_gaps():
    table = pd.DataFrame({"Reading": [10.0, 10.0002, None, 10.0001]})
    result = studied(table, resolution=0.0001)
    assert len(result.readings) == 3 and result.missing == 1
    assert "Missing readings: 1" in result.notes[0]


def test_readings_that_repeat_to_the_last_digit():
    result = studied([10.0] * 12, resolution=0.001)
    assert result.floored and result.sd == pytest.approx(0.001 / np.sqrt(12))
    assert np.isnan(result.to_frame().at["Cg", "lower"])
    unknown = studied([10.0] * 12, resolution=None)
    assert np.isnan(unknown.cg) and "do not scatter" in unknown.quantities()["Cg"].why


@pytest.mark.parametrize(
    ("tolerance", "reason"),
    [(None, "no tolerance was given"), (grr.Tolerance(10.0, None), "has one limit")],
)
def test_what_cannot_be_estimated_says_why(tolerance, reason):
    result = studied(made(), tolerance=tolerance)
    assert np.isnan([result.cg, result.cgk, result.q_ms]).all()
    assert all(reason in result.quantities()[name].why for name in ("Cg", "Cgk", "Q_MS"))
    assert reason in " ".join(str(result).split()) and reason in result._repr_html_()


def test_prints_within_eighty_columns_and_says_example():
    result = studied(made(), title="Micrometer <17>", example=True)
    assert max(map(len, str(result).splitlines())) <= 80
    assert str(result).startswith("EXAMPLE")
    assert "&lt;17&gt;" in result._repr_html_() and "<17>" not in result._repr_html_()


def test_its_words():
    plain = studied(made(), expanded_uncertainty=0.0001, title="Micrometer 17", example=True)
    few = studied([10.0] * 5, resolution=0.001, tolerance=None)
    assert_snapshot(f"{plain}\n\n{few}", "reference")


@pytest.mark.parametrize(
    ("readings", "arguments", "message"),
    [
        ([], {}, "There are no readings"),
        ([10.0], {}, "One reading"),
        ([10.0, "ten"], {}, "row 2"),
        ([10.0, np.inf], {}, "infinite"),
        ([[10.0], [10.1]], {}, "not one column"),
        ("10.0", {}, "neither a table nor a list"),
        (7.0, {}, "neither a table nor a list"),
        (pd.DataFrame({"value": [1.0]}), {}, "no column reading"),
        ([10.0, 10.1], {"reference": "x"}, "reference is not a finite number"),
        ([10.0, 10.1], {"expanded_uncertainty": -1.0}, "below 0"),
        ([10.0, 10.1], {"coverage": 0.0}, "coverage must be more than 0"),
        ([10.0, 10.1], {"share": 2.0}, "share must be less than 1"),
        ([10.0, 10.1], {"unit": "furlong"}, "unit"),
        ([10.0, 10.1], {"resolution": 0.0}, "resolution must be more than 0"),
        ([10.0, 10.1], {"tolerance": 0.006}, "not a Tolerance"),
        ([10.0, 10.1], {"level": 95}, "level must be less than 1"),
    ],
)
def test_bad_input_is_one_sentence_with_a_remedy(readings, arguments, message):
    with pytest.raises(StudyError, match=message) as caught:
        studied(readings, **arguments)
    assert caught.value.remedy
