"""Make ``tests/published.py`` importable and fixtures common."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import grr
from published import manual_readings


@pytest.fixture
def manual_study() -> grr.Study:
    """The manual's example with a tolerance of its own (the example states none)."""
    return grr.Study(manual_readings(), tolerance=grr.Tolerance(-4.0, 4.0))
