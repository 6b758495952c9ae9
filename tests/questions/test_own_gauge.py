"""What a gauge's folder tells is what the public functions tell of the same readings."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd
import pytest

import grr
from grr.model.gauge_facts import CalibratedBlock, GaugeFacts
from grr.questions.own_gauge import gauge_findings

DEMO = Path(__file__).parents[2] / "demo_data"
FILES = DEMO / "micrometer_25"


@pytest.fixture(scope="module")
def tables() -> dict[str, pd.DataFrame]:
    """The demo micrometer's readings, as a gauge's folder hands them out."""
    reference = grr.read_columns(FILES / "reference.csv").assign(part="10")
    ranges = grr.read_columns(FILES / "blocks.csv")
    ranges = ranges.assign(part=[f"{size:g}" for size in ranges["reference"]])
    checks = grr.read_columns(FILES / "checks.csv").assign(part="10")
    return {"reference": reference, "range": ranges, "check": checks}


@pytest.fixture(scope="module")
def facts(tables: dict[str, pd.DataFrame]) -> GaugeFacts:
    rows = tables["range"].drop_duplicates("reference").sort_values("reference")
    blocks = [
        CalibratedBlock(f"{size:g}", float(size), float(u))
        for size, u in zip(rows["reference"], rows["expanded_uncertainty"], strict=True)
    ]
    blocks.append(CalibratedBlock("10", 10.0, 0.000055))
    return GaugeFacts(
        "M",
        "mm",
        0.0001,
        10.006,
        10.012,
        0.001,
        0.5,
        tuple(blocks),
        "10",
        lines={"zero": 0.0001, "calibration": 0.0004},
        in_study=("zero",),
    )


def test_each_answer_is_that_of_the_public_function(
    tables: dict[str, pd.DataFrame], facts: GaugeFacts
) -> None:
    study = grr.open_study(DEMO / "dowel_pin")
    found = gauge_findings(facts, tables, study)
    assert found.why == {}
    limits, common = facts.tolerance, {"unit": "mm", "resolution": 0.0001}
    assert limits is not None
    reference = grr.reference_study(
        tables["reference"],
        reference=10.0,
        expanded_uncertainty=0.000055,
        tolerance=limits,
        **common,
    )
    ranges = grr.linearity(tables["range"], bias_limit=0.0006, mpe=0.001, pitch=0.5, **common)
    watched = grr.stability(tables["check"], reference=10.0, tolerance=limits, **common)
    assert found.reference is not None
    assert found.ranges is not None
    assert found.watched is not None
    assert found.reference.cgk == reference.cgk
    assert found.ranges.largest_possible_bias == pytest.approx(ranges.largest_possible_bias)
    assert found.watched.mean_limit == watched.mean_limit
    lines = grr.MicrometerLines(length=10.009, unit="mm")
    budget = grr.UncertaintyBudget(
        [
            lines.resolution(0.0001),
            *lines.from_study(grr.anova(study)),
            lines.bias(reference, corrected=False),
            lines.calibration(0.0004, 2.0),
            lines.zero_setting(0.0001, in_study=True),
        ],
        unit="mm",
    )
    page = grr.qualify(
        limits,
        unit="mm",
        reference=reference,
        linearity=ranges,
        study=grr.anova(study),
        budget=budget,
        stability=watched,
    )
    assert found.page is not None
    assert found.page.decision == page.decision
    assert [one.outcome for one in found.page.requirements] == [
        one.outcome for one in page.requirements
    ]


def test_a_line_takes_its_share_of_what_is_allowed(
    tables: dict[str, pd.DataFrame], facts: GaugeFacts
) -> None:
    found = gauge_findings(facts, tables)
    assert found.budget is not None
    # 2 U may take 30 % of 6 µm; the calibration alone makes k · 0.4 µm / 2.
    assert found.allowed == pytest.approx(0.0009)
    assert found.takes("calibration") == pytest.approx(
        100 * found.budget.coverage * 0.0002 / 0.0009
    )
    assert found.takes("force") == 0.0
    zero = found.budget.coverage * 0.0001 / math.sqrt(3)
    assert found.takes("zero") == pytest.approx(100 * zero / 0.0009)


def test_an_empty_folder_says_what_each_answer_waits_for() -> None:
    empty = pd.DataFrame({"part": [], "reading": [], "time": []})
    tables = dict.fromkeys(("reference", "range", "check"), empty)
    found = gauge_findings(GaugeFacts("new"), tables)
    assert set(found.why) == {"reference", "range", "check", "study", "budget", "page"}
    assert found.page is None
    assert math.isnan(found.takes("zero"))
