import numpy as np
import pandas as pd
import pytest
from snapshot import assert_snapshot

import grr
from grr.formulas.published import linearity_table
from grr.model.errors import StudyError

SIZES = np.array([2.5, 5.1, 7.7, 10.3, 12.9, 15.0, 17.6, 20.2, 22.8, 25.0])


def manual():
    """AIAG MSA, 4th ed., linearity example."""
    reference, bias = linearity_table()
    return pd.DataFrame({"reference": reference, "reading": reference + bias})


def made(bias=lambda x: 0.0 * x, sd=0.0001, repeats=5, block_sd=0.0, seed=1):
    rng = np.random.default_rng(seed)
    x = np.repeat(SIZES, repeats)
    own = np.repeat(rng.normal(0, block_sd, len(SIZES)), repeats)
    return pd.DataFrame({"reference": x, "reading": x + bias(x) + own + rng.normal(0, sd, len(x))})


def test_the_manuals_example():
    result = grr.linearity(manual(), unit="mm")
    assert result.line.slope == pytest.approx(-0.131667, abs=1e-6)
    assert result.line.intercept == pytest.approx(0.736667, abs=1e-6)
    assert result.to_frame()["bias"].to_list() == pytest.approx(
        [0.491667, 0.125, 0.025, -0.291667, -0.616667], abs=1e-6
    )
    assert not result.zero_inside and not result.line.by_block


def test_lack_of_fit_puts_the_blocks_in_the_place_of_readings():
    result = grr.linearity(made(block_sd=0.0003), unit="mm")
    assert result.line.by_block and result.line.df == 8
    assert result.lack_of_fit_shown
    asked = grr.linearity(made(block_sd=0.0003), unit="mm", lack_of_fit_level=1e-60)
    assert asked.lack_of_fit_shown and not asked.line.by_block and asked.line.df == 48


def test_block_means_used_to_be_safe_are_not_called_a_lack_of_fit():
    unlikely = grr.linearity(made(seed=29), unit="mm")
    assert 0.05 < float(unlikely.lack_of_fit.p) < 0.25
    assert unlikely.line.by_block and not unlikely.lack_of_fit_shown


def test_zero_inside_a_wide_band_is_no_pass():
    wide = grr.linearity(made(sd=0.003, repeats=3, seed=3), unit="mm", bias_limit=0.001)
    assert wide.zero_inside
    assert wide.against(0.001) == "open"


def test_a_bias_is_within_beyond_or_open():
    good = grr.linearity(made(sd=0.00005), unit="mm", bias_limit=0.001)
    assert good.against(0.001) == "within"
    tilted = grr.linearity(made(lambda x: 2e-4 * x), unit="mm", bias_limit=0.001)
    assert tilted.against(0.001) == "beyond"
    one = made()
    one.loc[one["reference"] == 12.9, "reading"] += 0.003
    assert grr.linearity(one, unit="mm").against(0.001) == "beyond"


def test_the_blocks_uncertainty_widens_every_statement():
    plain = grr.linearity(made(), unit="mm", mpe=0.001)
    sure = grr.linearity(made(), unit="mm", mpe=0.001, expanded_uncertainty=0.0001)
    unsure = grr.linearity(made(), unit="mm", mpe=0.001, expanded_uncertainty=0.002)
    widths = [float(np.mean(r.band.upper - r.band.lower)) for r in (plain, sure, unsure)]
    assert widths == sorted(widths) and widths[0] < widths[1]
    assert plain.mpe_state == "conforms" and sure.mpe_state == "conforms"
    assert unsure.mpe_state == "open"
    high = made(lambda x: 0.003 + 0 * x)
    assert grr.linearity(high, mpe=0.001, expanded_uncertainty=0.0002).mpe_state == (
        "does not conform"
    )


def test_the_permissible_error_is_used_up_where_conformity_ends():
    for mpe, expanded in ((0.001, 0.0), (0.001, 0.0001), (0.0004, 0.0001), (0.001, 0.002)):
        found = grr.linearity(made(), unit="mm", mpe=mpe, expanded_uncertainty=expanded)
        assert (found.mpe_used <= 1.0) == (found.mpe_state == "conforms")
    exact = grr.linearity(made(), unit="mm", mpe=0.001)
    assert exact.mpe_used == pytest.approx(np.abs(exact.largest_errors).max() / 0.001)
    assert np.isnan(grr.linearity(made(), unit="mm").mpe_used)


def test_an_unknown_correlation_counts_at_its_worse_end():
    given = [
        grr.linearity(made(), expanded_uncertainty=0.001, block_correlation=r)
        for r in (0.0, 0.5, 1.0)
    ]
    unknown = grr.linearity(made(), expanded_uncertainty=0.001)
    for one in given:
        assert (unknown.band.upper >= one.band.upper - 1e-12).all()


def test_the_slope_has_the_blocks_uncertainty_in_it():
    plain, unsure = made(), grr.linearity(made(), expanded_uncertainty=0.001)
    bare = grr.linearity(plain)
    width, wider = (one.slope.upper - one.slope.lower for one in (bare, unsure))
    spread = np.square(SIZES - SIZES.mean()).sum()
    assert bare.slope_u == 0.0
    # independent blocks, all with u = 0.0005: u/√Sxx, and the correlation is not known
    assert unsure.slope_u == pytest.approx(0.0005 / np.sqrt(spread))
    assert wider > 3 * width
    alike = grr.linearity(plain, expanded_uncertainty=0.001, block_correlation=1.0)
    assert alike.slope.lower == pytest.approx(bare.slope.lower, rel=1e-6)
    assert alike.slope.upper == pytest.approx(bare.slope.upper, rel=1e-6)
    assert not bare.pitch_amplitude.known and bare.pitch_amplitude.why


def test_each_block_may_have_its_own_uncertainty():
    table = made()
    table["expanded_uncertainty"] = 0.0001 + 0.00001 * table["reference"]
    result = grr.linearity(table, unit="mm")
    assert result.block_u[-1] == pytest.approx(0.00035 / 2)


def test_the_screws_periodic_error():
    wave = made(lambda x: 0.0004 * np.sin(2 * np.pi * x / 0.5 + 0.3))
    result = grr.linearity(wave, unit="mm", pitch=0.5)
    assert result.pitch.lower < 0.0004 < result.pitch.upper
    assert grr.linearity(made(), unit="mm").pitch is None


def test_one_reading_a_block_is_not_tested_for_fit():
    result = grr.linearity(made(repeats=1), unit="mm", mpe=0.001)
    assert result.lack_of_fit is None
    assert not result.lack_of_fit_shown and not result.bias_at(0).bounded


def test_missing_readings_are_counted():
    table = made()
    table.loc[3, "reading"] = np.nan
    result = grr.linearity(table)
    assert len(result.bias) == 49 and "Missing readings: 1" in result.notes[0]


def test_prints_within_eighty_columns():
    result = grr.linearity(
        made(), unit="mm", resolution=0.0001, mpe=0.001, pitch=0.5, title="<b>", example=True
    )
    assert max(map(len, str(result).splitlines())) <= 80
    assert "<b>" not in result._repr_html_()


def test_its_words():
    wave = made(lambda x: 0.0004 * np.sin(2 * np.pi * x / 0.5 + 0.3))
    judged = grr.linearity(
        wave, unit="mm", resolution=0.0001, mpe=0.001, bias_limit=0.0006, pitch=0.5, example=True
    )
    single = grr.linearity(made(repeats=1), unit="mm")
    straight = grr.linearity(made(), unit="mm", expanded_uncertainty=0.0001)
    unlikely = grr.linearity(made(seed=29), unit="mm")
    assert_snapshot("\n\n".join(map(str, (judged, single, straight, unlikely))), "linearity")


def table(**columns):
    return pd.DataFrame(columns)


@pytest.mark.parametrize(
    ("readings", "arguments", "message"),
    [
        ([1.0, 2.0], {}, "not a table"),
        (table(reading=[1.0]), {}, "no column reference"),
        (table(reference=[1.0, None], reading=[1.0, 2.0]), {}, "row 2"),
        (table(reference=[1.0, "b"], reading=[1.0, 2.0]), {}, "reference is not a number"),
        (table(reference=[1.0, 1.0, 1.0], reading=[1.0, 2.0, 3.0]), {}, "line over the range"),
        (table(reference=[1.0, 2.0], reading=[None, None]), {}, "Every reading is missing"),
        (table(reference=[], reading=[]), {}, "There are no readings"),
        (made(), {"bias_limit": 0.0}, "bias_limit must be more than 0"),
        (made(), {"mpe": -1.0}, "mpe must be more than 0"),
        (made(), {"block_correlation": 2.0}, "between 0 and 1"),
        (made(), {"pitch": 0.0}, "pitch must be more than 0"),
        (made(), {"pitch": 2.6}, "angles of turn"),
        (made(), {"expanded_uncertainty": -0.1}, "below 0"),
        (
            made().assign(expanded_uncertainty=-1.0),
            {},
            "expanded uncertainty is below 0",
        ),
    ],
)
def test_bad_input_is_one_sentence_with_a_remedy(readings, arguments, message):
    with pytest.raises(StudyError, match=message) as caught:
        grr.linearity(readings, **arguments)
    assert caught.value.remedy


def test_the_bias_at_a_size_has_one_sided_bounds_from_the_band():
    result = grr.linearity(made(), unit="mm", expanded_uncertainty=0.0001)
    at = result.bias_of_line(result.band.x[50], 0.975)
    # one-sided 97.5 % is two-sided 95 %: the band itself
    assert (at.lower, at.upper) == pytest.approx(
        (result.band.lower[50], result.band.upper[50]), abs=1e-12
    )
    tighter = result.bias_of_line(result.band.x[50], 0.95)
    assert at.lower < tighter.lower < tighter.value < tighter.upper < at.upper
    assert result.bias_of_line(25.1, 0.95) is None


def test_a_correction_moves_the_bias_and_nothing_else():
    table = made().assign(expanded_uncertainty=0.0001)
    raw = grr.linearity(table, unit="mm", bias_limit=0.001, mpe=0.002, pitch=0.5)
    moved = raw.corrected_by(0.0003)
    assert moved.gauge_blocks.means == pytest.approx(raw.gauge_blocks.means + 0.0003)
    assert moved.band.upper == pytest.approx(raw.band.upper + 0.0003)
    assert moved.block_lower == pytest.approx(raw.block_lower + 0.0003)
    assert moved.slope.upper == pytest.approx(raw.slope.upper, abs=1e-9)
    assert moved.pitch_amplitude.value == pytest.approx(raw.pitch_amplitude.value, abs=1e-9)
