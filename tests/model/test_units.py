"""Units of length."""

from __future__ import annotations

import pytest

from grr.model.errors import StudyError
from grr.model.units import canonical_unit, conversion, fine_unit


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [("um", "µm"), ("μm", "µm"), ("Microinch", "µin"), ('"', "in"), (" MM ", "mm"), ("", "")],
)
def test_spellings(spelling: str, unit: str) -> None:
    assert canonical_unit(spelling) == unit


def test_conversion() -> None:
    # The inch is 25.4 mm exactly (international yard and pound agreement, 1959).
    assert conversion("in", "mm") == pytest.approx(25.4, rel=1e-15)
    assert conversion("mm", "µm") == pytest.approx(1000.0, rel=1e-15)
    assert conversion("µin", "nm") == pytest.approx(25.4, rel=1e-14)
    assert fine_unit("in") == "µin"
    assert fine_unit("") == ""


def test_refusals() -> None:
    with pytest.raises(StudyError, match="not a unit"):
        canonical_unit("furlong")
    with pytest.raises(StudyError, match="without a unit"):
        conversion("", "mm")
