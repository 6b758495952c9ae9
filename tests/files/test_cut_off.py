"""Files cut off anywhere: refused, or read so that what is missing can be told."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pandas as pd
import pytest

import grr
from grr.files.journal import read_journal
from grr.files.study_file import read_settings
from grr.model.errors import StudyError
from grr.model.settings import Settings
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")


def test_settings(tmp_path: Path) -> None:
    """What is read is what was written; a value may only miss, or be cut in the last line."""
    content = (DEMO / "dowel_pin" / "study.toml").read_bytes()
    (tmp_path / "study.toml").write_bytes(content)
    whole, default = read_settings(tmp_path), Settings()
    read = 0
    for length in range(0, len(content), 3):
        (tmp_path / "study.toml").write_bytes(content[:length])
        try:
            settings = read_settings(tmp_path)
        except StudyError as refusal:
            assert refusal.remedy
            continue
        read += 1
        if not content[:length].endswith(b"\n"):
            continue
        for field in fields(Settings):
            value = getattr(settings, field.name)
            if field.name in ("facts", "id", "tolerance", "plan", "rules"):
                continue
            expected = [getattr(default, field.name), getattr(whole, field.name)]
            assert value in expected, (length, field.name)
        assert settings.plan is None or settings.plan.parts == whole.plan.parts
        assert settings.facts.items() <= whole.facts.items()
        assert settings.tolerance in (None, whole.tolerance) or settings.tolerance.upper is None
    assert read > 20


def test_journal(tmp_path: Path) -> None:
    """Every reading that is read is one that was written; the plan tells what is missing."""
    source = DEMO / "pins_two_ways"
    content = (source / "readings.csv").read_bytes()
    for name in ("study.toml", "readings.csv"):
        (tmp_path / name).write_bytes((source / name).read_bytes())
    whole = read_journal(tmp_path / "readings.csv")
    columns = ["id", "part", "operator", "trial", "method", "reading"]
    for length in range(0, len(content), 487):
        (tmp_path / "readings.csv").write_bytes(content[:length])
        try:
            journal = read_journal(tmp_path / "readings.csv")
        except StudyError:
            assert length == 0 or content[:length].count(b"\n") == 0
            continue
        complete = content[:length].count(b"\n") - 1
        assert len(journal) == max(0, complete)
        pd.testing.assert_frame_equal(journal[columns], whole[columns].head(len(journal)))
        cut = length > 0 and not content[:length].endswith(b"\n") and complete >= 0
        assert bool(journal.attrs["torn_rows"]) == cut
    shorter = b"\n".join(content.split(b"\n")[:-8]) + b"\n"
    (tmp_path / "readings.csv").write_bytes(shorter)
    assert any("missing" in f"{finding.what}" for finding in grr.check(grr.open_study(tmp_path)))


def test_plain_readings(tmp_path: Path) -> None:
    source = DEMO / "dowel_pin_mistakes"
    content = (source / "readings.csv").read_bytes()
    file = tmp_path / "readings.csv"
    file.write_bytes(content)
    whole = grr.read_readings(file)
    for length in range(0, len(content), 37):
        file.write_bytes(content[:length])
        try:
            readings = grr.read_readings(file)
        except StudyError:
            continue
        sure = readings.head(len(readings) - 1)  # the last row may have been cut in a number
        pd.testing.assert_frame_equal(
            sure.reset_index(drop=True)[["part", "operator", "trial", "reading"]],
            whole.head(len(sure))[["part", "operator", "trial", "reading"]],
        )
        said = grr.describe_reading(readings)
        assert ("cut off" in said) == (not content[:length].endswith(b"\n"))


def test_parquet(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    table = pd.read_csv(DEMO / "all_our_gauges.csv", nrows=180)
    file = tmp_path / "many.parquet"
    table.to_parquet(file)
    content = file.read_bytes()
    assert len(grr.analyse_many(file)) > 1
    for length in range(0, len(content), 97):
        file.write_bytes(content[:length])
        with pytest.raises(StudyError):
            grr.analyse_many(file)


def test_many_studies_as_text(tmp_path: Path) -> None:
    """A study cut in its readings is not balanced any more, and says so."""
    lines = (DEMO / "all_our_gauges.csv").read_bytes().split(b"\n")[:91]
    content = b"\n".join(lines) + b"\n"
    file = tmp_path / "many.csv"
    file.write_bytes(content)
    whole = grr.analyse_many(file)
    for length in range(200, len(content) - 1, 211):
        file.write_bytes(content[:length])
        found = grr.analyse_many(file)
        cut = content[:length].split(b"\n")[-2].split(b",")[0].decode()  # of the last whole line
        for row in found[found["study"].isin(whole["study"])].to_dict("records"):
            full = whole[whole["study"] == row["study"]].iloc[0]
            if row["study"] != cut:
                assert row["GRR_sd"] == pytest.approx(full["GRR_sd"], nan_ok=True)
            elif row["readings"] < full["readings"]:
                assert row["error"] or row["flags"] or row["parts"] < full["parts"]
