"""A working folder gets what is shipped, and a person's edits are never lost."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from grr import shipped
from grr.model.errors import StudyError


@pytest.fixture
def source(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    top = tmp_path / "source"
    for name in ("notebooks", "demo_data"):
        (top / name / "inner").mkdir(parents=True)
    (top / "notebooks" / "1_plan.ipynb").write_text("first")
    (top / "notebooks" / "make.py").write_text("left out")
    (top / "notebooks" / ".ipynb_checkpoints").mkdir()
    (top / "notebooks" / ".ipynb_checkpoints" / "x.ipynb").write_text("left out")
    (top / "demo_data" / "inner" / "readings.csv").write_text("a,b")
    monkeypatch.setattr(shipped, "shipped_folder", lambda name: top / name)
    return top


def test_everything_is_added_once(source: Path, tmp_path: Path) -> None:
    work = tmp_path / "work with spaces ä"
    put = shipped.put_into(work)
    assert set(put.added) == {"notebooks/1_plan.ipynb", "demo_data/inner/readings.csv"}
    assert (work / "studies").is_dir()
    again = shipped.put_into(work)
    assert (again.added, again.renewed, again.kept) == ((), (), ())


def test_edits_are_kept_and_untouched_files_renewed(source: Path, tmp_path: Path) -> None:
    work = tmp_path / "work"
    shipped.put_into(work)
    (work / "demo_data" / "inner" / "readings.csv").write_text("mine")
    (source / "notebooks" / "1_plan.ipynb").write_text("second")
    (source / "demo_data" / "inner" / "readings.csv").write_text("theirs")
    put = shipped.put_into(work)
    assert put.renewed == ("notebooks/1_plan.ipynb",)
    assert put.kept == ("demo_data/inner/readings.csv",)
    assert (work / "notebooks" / "1_plan.ipynb").read_text() == "second"
    assert (work / "demo_data" / "inner" / "readings.csv").read_text() == "mine"


def test_a_spoilt_manifest_costs_nothing_but_the_renewal(source: Path, tmp_path: Path) -> None:
    work = tmp_path / "work"
    shipped.put_into(work)
    (work / shipped.WORKING_FOLDER_MARK).write_text("{ broken")
    (source / "notebooks" / "1_plan.ipynb").write_text("second")
    assert shipped.put_into(work).kept == ("notebooks/1_plan.ipynb",)
    assert json.loads((work / shipped.WORKING_FOLDER_MARK).read_text())


def test_a_deleted_file_comes_back(source: Path, tmp_path: Path) -> None:
    work = tmp_path / "work"
    shipped.put_into(work)
    (work / "notebooks" / "1_plan.ipynb").unlink()
    assert shipped.put_into(work).added == ("notebooks/1_plan.ipynb",)


def test_a_folder_that_cannot_be_written(source: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StudyError, match="cannot be written"):
        shipped.put_into(tmp_path / "file" / "work")


def test_the_real_shipment_is_there() -> None:
    assert shipped.shipped_folder("notebooks").is_dir()
    assert shipped.shipped_folder("demo_data").is_dir()


def book(source: str, shown: str = "", count: int | None = None) -> str:
    """Return a notebook of one cell, as it is stored."""
    outputs = [{"output_type": "stream", "name": "stdout", "text": shown}] if shown else []
    cell = {"cell_type": "code", "id": "a", "metadata": {}, "source": [source]}
    cell |= {"outputs": outputs, "execution_count": count}
    return json.dumps({"cells": [cell], "metadata": {}, "nbformat": 4, "nbformat_minor": 5})


def test_a_notebook_comes_without_outputs(source: Path, tmp_path: Path) -> None:
    (source / "notebooks" / "4.ipynb").write_text(book("grr.verdict(study)", "USE", 3))
    shipped.put_into(tmp_path / "work")
    (cell,) = json.loads((tmp_path / "work" / "notebooks" / "4.ipynb").read_text())["cells"]
    assert (cell["outputs"], cell["execution_count"]) == ([], None)
    assert cell["source"] == ["grr.verdict(study)"]


def test_a_notebook_that_was_run_is_renewed_and_one_that_was_changed_is_kept(
    source: Path, tmp_path: Path
) -> None:
    work = tmp_path / "work"
    for name in ("run", "changed"):
        (source / "notebooks" / f"{name}.ipynb").write_text(book("old"))
    shipped.put_into(work)
    (work / "notebooks" / "run.ipynb").write_text(book("old", "a result", 7))
    (work / "notebooks" / "changed.ipynb").write_text(book("mine", "a result", 7))
    assert shipped.put_into(work).kept == ("notebooks/changed.ipynb",)
    for name in ("run", "changed"):
        (source / "notebooks" / f"{name}.ipynb").write_text(book("new"))
    put = shipped.put_into(work)
    assert put.renewed == ("notebooks/run.ipynb",)
    assert put.kept == ("notebooks/changed.ipynb",)
    assert '"mine"' in (work / "notebooks" / "changed.ipynb").read_text()


def test_a_notebook_put_there_by_an_earlier_version_is_renewed(
    source: Path, tmp_path: Path
) -> None:
    work = tmp_path / "work"
    (source / "notebooks" / "4.ipynb").write_text(book("new"))
    shipped.put_into(work)
    before = book("old", "stored output", 1)
    (work / "notebooks" / "4.ipynb").write_text(before)
    mark = work / shipped.WORKING_FOLDER_MARK
    known = json.loads(mark.read_text())
    known["notebooks/4.ipynb"] = hashlib.sha256(before.encode()).hexdigest()
    mark.write_text(json.dumps(known))
    assert shipped.put_into(work).renewed == ("notebooks/4.ipynb",)
