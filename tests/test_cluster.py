"""On a real local cluster of two workers: the same rows as in memory."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import grr
import grr.cluster

distributed = pytest.importorskip("distributed", reason="Dask is not installed")
pytest.importorskip("pyarrow", reason="pyarrow is not installed")

STUDIES, PIECES = 20_000, 8
pytestmark = pytest.mark.filterwarnings("ignore")


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    with (
        warnings.catch_warnings(),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
        ) as cluster,
        distributed.Client(cluster) as started,
    ):
        warnings.simplefilter("ignore")
        yield started


def many_studies(studies: int) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    study, part, operator, trial = np.indices((studies, 3, 2, 2)).reshape(4, -1)
    sizes = rng.normal(0.0, 0.01, size=(studies, 3))[study, part]
    return pd.DataFrame(
        {
            "study": study,
            "part": part,
            "operator": np.array(["A", "B"])[operator],
            "trial": trial + 1,
            "reading": 10 + sizes + rng.normal(0.0, 0.002, size=len(study)),
        }
    )


def write(table: pd.DataFrame, folder: Path, pieces: int) -> Path:
    folder.mkdir()
    edges = np.linspace(0, len(table), pieces + 1).round().astype(int)
    for number, (start, stop) in enumerate(pairwise(edges)):
        table[start:stop].to_parquet(folder / f"part-{number:03d}.parquet")
    return folder


def by_study(found: pd.DataFrame) -> pd.DataFrame:
    return found.sort_values("study", ignore_index=True)


def test_twenty_thousand_studies_equal_those_in_memory(client: Any, tmp_path: Path) -> None:
    table = many_studies(STUDIES)
    table.loc[5, "reading"] = np.nan
    table.loc[30, "part"] = -1
    path = write(table, tmp_path / "plant", PIECES)
    tolerances = pd.DataFrame({"study": np.arange(STUDIES), "lower": 9.9, "upper": 10.1})
    found = grr.cluster.analyse_many(path, tolerances=tolerances, client=client, split="error")
    expected = grr.analyse_many(table, tolerances=tolerances)
    pd.testing.assert_frame_equal(found, expected, check_dtype=False, rtol=1e-12)
    assert len(found) == STUDIES
    workers = client.scheduler_info()["workers"]
    assert len(workers) == 2


def test_a_study_over_two_partitions_is_brought_together_or_refused(
    client: Any, tmp_path: Path
) -> None:
    table = many_studies(40)
    path = write(table, tmp_path / "plant", 7)
    with pytest.raises(grr.StudyError, match="partitions"):
        grr.cluster.analyse_many(path, client=client, split="error")
    found = grr.cluster.analyse_many(path, client=client)
    pd.testing.assert_frame_equal(
        by_study(found), grr.analyse_many(table), check_dtype=False, rtol=1e-9
    )


def test_without_a_client_this_machine_does_the_work(tmp_path: Path) -> None:
    table = many_studies(20)
    path = write(table, tmp_path / "plant", 2)
    found = grr.cluster.analyse_many(path, tolerances=grr.Tolerance(9.9, 10.1), intervals=True)
    expected = grr.analyse_many(table, tolerances=grr.Tolerance(9.9, 10.1), intervals=True)
    pd.testing.assert_frame_equal(found, expected, check_dtype=False)


def test_tolerances_may_be_known_in_one_partition_only(tmp_path: Path) -> None:
    table = many_studies(20)
    path = write(table, tmp_path / "plant", 2)
    one = {3: grr.Tolerance(9.9, 10.1)}
    found = grr.cluster.analyse_many(path, tolerances=one)
    pd.testing.assert_frame_equal(found, grr.analyse_many(table, tolerances=one), check_dtype=False)
    assert found["GRR_percent_tolerance"].notna().sum() == 1
    with pytest.raises(grr.StudyError, match="none of"):
        grr.cluster.analyse_many(path, tolerances={99: grr.Tolerance(9.9, 10.1)})


def test_what_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(grr.StudyError, match="cannot be read"):
        grr.cluster.analyse_many(tmp_path / "nowhere")
    path = write(many_studies(2), tmp_path / "plant", 1)
    with pytest.raises(grr.StudyError, match="column gauge"):
        grr.cluster.analyse_many(path, by="gauge")
    with pytest.raises(grr.StudyError, match="split is not"):
        grr.cluster.analyse_many(path, split="maybe")


def test_without_dask_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr("grr.cluster.import_module", refuse)
    with pytest.raises(grr.StudyError, match="needs Dask"):
        grr.cluster.analyse_many("anywhere")
