"""What a result of a question says, kept in a file.

A sentence that was changed on purpose is stored by running its test with the environment
variable GRR_RENEW_SNAPSHOTS set to 1; the change then shows in the difference of the file.
"""

from __future__ import annotations

import os
from pathlib import Path

FOLDER = Path(__file__).parent / "questions" / "snapshots"


def assert_snapshot(text: str, name: str) -> None:
    """Compare a text with the one stored under the name, ends of lines aside."""
    found = "\n".join(line.rstrip() for line in text.splitlines()) + "\n"
    path = FOLDER / f"{name}.txt"
    if os.environ.get("GRR_RENEW_SNAPSHOTS") == "1":
        FOLDER.mkdir(exist_ok=True)
        path.write_text(found, encoding="utf-8", newline="\n")
    assert path.exists(), f"{name} is not stored yet: run the test with GRR_RENEW_SNAPSHOTS=1"
    assert found == path.read_text(encoding="utf-8")
