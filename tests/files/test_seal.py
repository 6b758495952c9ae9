"""The seal: read aloud, typed in again, found on a report, and told from that of another state."""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import grr
from grr.cli import main
from grr.files.folder import change_settings
from grr.files.seal import ALPHABET, read_seal, reported_seal, seal_of, settings_hash
from grr.files.study_file import read_settings
from grr.files.verify import seal_now
from grr.model.errors import StudyError
from grr.page.pdf import find_browser
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
hashes = st.text("0123456789abcdef", min_size=64, max_size=64)


def characters(seal: str) -> str:
    return seal.replace("-", "")


def test_the_seal_is_the_hash_that_the_docstring_says() -> None:
    digest = hashlib.sha256(b"grr seal\na\nb\nc").digest()
    number = int.from_bytes(digest[:10], "big")
    written = ""
    for _ in range(16):
        number, digit = divmod(number, 32)
        written = ALPHABET[digit] + written
    check = int.from_bytes(digest[:10], "big") % 1021
    written += ALPHABET[check // 32] + ALPHABET[check % 32]
    assert characters(seal_of("a", "b", "c")) == written


@settings(deadline=None)
@given(hashes, hashes, hashes)
def test_a_seal_is_read_back_however_it_is_typed(one: str, two: str, three: str) -> None:
    seal = seal_of(one, two, three)
    assert len(seal) == 20
    for typed in (seal, seal.lower(), characters(seal), seal.replace("-", " "), f" {seal}\n"):
        assert read_seal(typed) == seal
    alike = seal.replace("1", "l").replace("0", "o")
    assert read_seal(alike) == seal
    assert read_seal(seal.replace("1", "I")) == seal


@settings(deadline=None)
@given(hashes, st.integers(0, 17), st.sampled_from(ALPHABET))
def test_one_wrong_character_is_noticed(one: str, place: int, other: str) -> None:
    seal = characters(seal_of(one, "", ""))
    wrong = seal[:place] + other + seal[place + 1 :]
    if wrong == seal:
        return
    with pytest.raises(StudyError, match="character"):
        read_seal(wrong)


@settings(deadline=None)
@given(hashes, st.integers(0, 16))
def test_two_neighbours_exchanged_are_noticed(one: str, place: int) -> None:
    seal = characters(seal_of(one, "", ""))
    wrong = seal[:place] + seal[place + 1] + seal[place] + seal[place + 2 :]
    if wrong == seal:
        return
    with pytest.raises(StudyError, match="character"):
        read_seal(wrong)


@pytest.mark.parametrize("text", ["", "7K3M9X", "7K3M9X-Q2TRZ8-WN4C0U", "ä" * 18, "0" * 500])
def test_what_is_no_seal_is_refused(text: str) -> None:
    with pytest.raises(StudyError, match="no seal"):
        read_seal(text)


def test_the_same_settings_written_otherwise_have_one_hash() -> None:
    assert settings_hash({"a": "30", "id": "x", "format": "1", "b": ""}) == settings_hash(
        {"a": "30.0", "id": "y"}
    )
    different = [{"a": "30"}, {"a": "31"}, {"b": "30"}, {"a": "30", "b": "x"}, {}]
    found = {settings_hash(one) for one in different}
    assert len(found) == len(different)


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return shutil.copytree(DEMO / "dowel_pin", tmp_path / "pins")


def test_report_label_and_result_bear_the_seal(study: Path, tmp_path: Path) -> None:
    opened, seal = grr.open_study(study), seal_now(study)
    page = grr.report(opened, tmp_path / "r.html", date=dt.date(2026, 4, 1))
    result = grr.export_json(opened, tmp_path / "r.json")
    assert page.read_text(encoding="utf-8").count(seal) >= 3  # for verify, page 1, the record
    assert reported_seal(page) == reported_seal(result) == seal
    assert opened.tolerance is not None
    qualified = grr.qualify(opened.tolerance, unit="mm", study=grr.anova(opened))
    assert f"seal: {seal}" in str(grr.show.gauge_label(qualified))
    for file in (page, result):
        assert main(["verify", str(study), "--report", str(file)]) == 0
    assert main(["verify", str(study), "--seal", seal.lower().replace("-", " ")]) == 0


def test_a_pdf_bears_the_seal_in_what_is_attached(study: Path, tmp_path: Path) -> None:
    if find_browser() is None:
        pytest.skip("no Chromium, Chrome or Edge is installed")
    pikepdf = pytest.importorskip("pikepdf", reason="pikepdf reads and writes PDF")
    page = grr.report(grr.open_study(study), tmp_path / "r.pdf", date=dt.date(2026, 4, 1))
    assert reported_seal(page) == seal_now(study)
    assert main(["verify", str(study), "--report", str(page)]) == 0
    forged = tmp_path / "forged.pdf"
    with pikepdf.open(page) as document:  # README: what a report says is not proved by its seal
        changed = document.attachments["readings.csv"].get_file().read_bytes() + b"\n"
        document.attachments["readings.csv"] = pikepdf.AttachedFileSpec(document, changed)
        document.save(forged)
    assert main(["verify", str(study), "--report", str(forged)]) == 0
    again = grr.report(grr.open_study(study), tmp_path / "again.pdf", date=dt.date(2026, 4, 1))
    assert again.read_bytes() == page.read_bytes() != forged.read_bytes()
    with pikepdf.open(page) as document:
        names = ("readings.csv", "result.json")
        one, other = (document.attachments[name].get_file().read_bytes() for name in names)
        document.attachments[names[0]] = pikepdf.AttachedFileSpec(document, other)
        document.attachments[names[1]] = pikepdf.AttachedFileSpec(document, one)
        document.save(forged)
    with pytest.raises(StudyError, match="no seal"):  # two attachments exchanged
        reported_seal(forged)
    before = read_settings(study)
    changed = replace(before, facts=before.facts | {"gauge_number": "M-99"})
    change_settings(study, changed, who="Eva", why="typing error")
    assert main(["verify", str(study), "--report", str(page)]) == 1
    page.write_bytes(page.read_bytes()[:200])
    with pytest.raises(StudyError, match="no seal"):
        reported_seal(page)
    with pikepdf.new() as plain:
        plain.save(page)
    with pytest.raises(StudyError, match="no seal"):
        reported_seal(page)


def test_a_study_that_is_not_what_was_reported_has_status_1(study: Path, tmp_path: Path) -> None:
    page = grr.report(grr.open_study(study), tmp_path / "r.html", date=dt.date(2026, 4, 1))
    before = read_settings(study)
    changed = replace(before, facts=before.facts | {"gauge_number": "M-99"})
    change_settings(study, changed, who="Eva", why="typing error")
    assert main(["verify", str(study)]) == 0
    assert main(["verify", str(study), "--report", str(page)]) == 1


def test_the_seal_says_which_earlier_state_it_is_of(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    now = seal_now(study)
    file = study / "readings.csv"
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines[:61]))
    earlier = seal_now(study)
    file.write_bytes(b"".join(lines))
    assert seal_now(study) == now
    assert main(["verify", str(study), "--seal", earlier]) == 1
    assert "30 rows of readings.csv" in " ".join(capsys.readouterr().out.split())
    other = seal_now(DEMO / "dowel_pin_handheld")
    assert main(["verify", str(study), "--seal", other]) == 1
    assert "NOT what it was" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("r.html", b"<html><body>7K3M9X-Q2TRZ8-WN4C0D</body></html>"),
        ("r.json", b'{"seal": null}'),
        ("r.json", b"[1, 2"),
        ("r.json", b'{"seal": 12}'),
        ("r.pdf", b"%PDF-1.4"),
        ("r.html", b""),
    ],
)
def test_a_file_without_a_seal_is_refused(
    name: str, content: bytes, study: Path, tmp_path: Path
) -> None:
    if name.endswith(".pdf"):
        pytest.importorskip("pikepdf", reason="pikepdf reads PDF")
    file = tmp_path / name
    file.write_bytes(content)
    with pytest.raises(StudyError, match="no seal"):
        reported_seal(file)
    assert main(["verify", str(study), "--report", str(file)]) == 2
    assert main(["verify", str(study), "--report", str(tmp_path / "none.html")]) == 2
    assert main(["verify", str(study), "--seal", ""]) == 2


def test_no_two_demo_studies_have_one_seal() -> None:
    folders = sorted(path.parent for path in DEMO.glob("*/study.toml"))
    seals = [seal_now(folder) for folder in folders]
    assert len(folders) > 5
    assert all(one != two for one, two in itertools.combinations(seals, 2))
