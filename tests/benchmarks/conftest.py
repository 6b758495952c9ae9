"""One table at the end of a run: every time of ours beside that of another way."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest


def told(seconds: float) -> str:
    """Return a time in the unit in which it reads best."""
    for size, unit in ((1.0, "s"), (1e-3, "ms")):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds * 1e6:.3g} µs"


@dataclass
class SideBySide:
    """The rows of the table: what, ours, what beside, theirs, how they compare, the goal."""

    rows: list[tuple[str, ...]] = field(default_factory=list)

    def faster(self, what: str, ours: float, beside: str, theirs: float, goal: str = "") -> None:
        """Note seconds of ours and of a slower way that does the same work."""
        ratio = f"{theirs / ours:.3g} × as fast"
        self.rows.append((what, told(ours), beside, told(theirs), ratio, goal))

    def cost(self, what: str, ours: float, beside: str, theirs: float, goal: str = "") -> None:
        """Note seconds of ours and of a bare pass over the same data."""
        ratio = f"{ours / theirs:.3g} × its time"
        self.rows.append((what, told(ours), beside, told(theirs), ratio, goal))

    def alone(self, what: str, ours: str, goal: str = "") -> None:
        """Note what has nothing beside it."""
        self.rows.append((what, ours, "", "", "", goal))


HEAD = ("what", "grr", "beside", "takes", "ratio", "goal")
_TABLE = pytest.StashKey[SideBySide]()


def pytest_configure(config: pytest.Config) -> None:
    config.stash[_TABLE] = SideBySide()


@pytest.fixture
def side_by_side(request: pytest.FixtureRequest) -> SideBySide:
    return request.config.stash[_TABLE]


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    rows = config.stash[_TABLE].rows
    if not rows:
        return
    widths = [max(len(row[column]) for row in (HEAD, *rows)) for column in range(len(HEAD))]
    terminalreporter.section("side by side")
    for row in (HEAD, *rows):
        line = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        terminalreporter.write_line(line.rstrip())
