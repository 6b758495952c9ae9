import pytest

import grr

TOLERANCE = grr.Tolerance(9.997, 10.003)


def page(size=0.0003, **more):
    budget = grr.UncertaintyBudget([grr.Contribution("all", size)], unit="mm")
    given = {"gauge": "M-17", "characteristic": "pin diameter", "report": "Q-2027-3"} | more
    return grr.qualify(TOLERANCE, unit="mm", resolution=0.0001, budget=budget, **given)


def test_it_says_what_the_bench_needs():
    facts = {"holding": "stand", "soak_minutes": 30, "calibration_due": "2027-06-30"}
    label = grr.show.gauge_label(page(facts=facts, mean_of=3, rezero_minutes=15))
    text = str(label).replace("\u00a0", " ")
    for words in (
        "M-17",
        "pin diameter",
        "9.9970 to 10.0030 mm",
        "stand",
        "30 min",
        "every 15 min, on a part-sized block",
        "mean of 3",
        "Q-2027-3",
        "2027-06-30",
    ):
        assert words in text
    assert "NOT DECIDED YET" in label.html


def test_a_correction_stands_on_the_label():
    readings = [9.9996, 9.9998, 9.9997, 9.9995, 9.9999] * 5
    reference = grr.reference_study(
        readings, reference=10.0, unit="mm", resolution=0.0001, tolerance=TOLERANCE
    )
    line = grr.MicrometerLines(10.0, "mm").bias(reference, corrected=True)
    budget = grr.UncertaintyBudget([grr.Contribution("all", 0.0003), line], unit="mm")
    found = grr.qualify(TOLERANCE, unit="mm", reference=reference, budget=budget)
    assert "+0.30" in dict(grr.show.gauge_label(found).lines)["correct"]
    assert "correct" not in dict(grr.show.gauge_label(page()).lines)


def test_the_smallest_tolerance_that_it_is_proven_for():
    result = grr.anova(grr.open_study("demo_data/dowel_pin"))
    limits, unit = result.study.tolerance, "mm"
    proven = grr.verdict(result.study).proven_for.limit.value
    for size, least in ((1e-7, proven), (0.0003, 2 * 1.959964 * 0.0003 / 0.3)):
        budget = grr.UncertaintyBudget([grr.Contribution("all", size)], unit=unit)
        found = grr.qualify(limits, unit=unit, study=result, budget=budget)
        assert found.least_tolerance == pytest.approx(least, rel=1e-3)
        assert "up" in dict(grr.show.gauge_label(found).lines)["proven for"]
    alone = grr.qualify(limits, unit=unit, study=result)
    assert "proven for" not in dict(grr.show.gauge_label(alone).lines)


def test_without_facts_it_says_so():
    text = str(grr.show.gauge_label(page(gauge="", report="")))
    assert "not given" in text and "the procedure" in text


def test_a_master_needs_no_other_block():
    text = str(grr.show.gauge_label(page(facts={"zeroed_on": "master"})))
    assert "part-sized" not in text


def test_it_is_saved_as_a_page_that_needs_nothing_else(tmp_path):
    label = grr.show.gauge_label(page(gauge="<script>alert(1)</script>" + "x" * 300, example=True))
    saved = label.save(tmp_path / "label.html").read_text(encoding="utf-8")
    assert "<script>" not in saved and "EXAMPLE" in saved
    assert "http" not in saved.replace("http-equiv", "")
    assert max(map(len, str(label).splitlines())) < 80
    with pytest.raises(grr.StudyError):
        label.save(tmp_path / "no such folder" / "label.html")
