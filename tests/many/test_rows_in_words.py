"""A row reads well: whole counts, and words that fit the study."""

from __future__ import annotations

import pandas as pd

import grr
from grr.many.summary import csv_text


def readings(study: str, operators: str) -> pd.DataFrame:
    """Three parts, two trials; the operators read alike, so that AV comes out below zero."""
    sizes = {1: (10.001, 10.003), 2: (10.005, 10.002), 3: (10.009, 10.008)}
    rows = [
        (study, part, operator, trial, value)
        for part, values in sizes.items()
        for operator in operators
        for trial, value in enumerate(values, start=1)
    ]
    return pd.DataFrame(rows, columns=["study", "part", "operator", "trial", "reading"])


def test_counts_stay_whole_where_another_study_has_none() -> None:
    bad = readings("bad", "AB").astype({"reading": object})
    bad.loc[0, "reading"] = "stuck"
    found = grr.analyse_many(pd.concat([readings("good", "AB"), bad]))
    assert str(found.loc[0, "ndc"]).isdigit()
    assert pd.isna(found.loc[1, "parts"])
    head, good, *_ = csv_text(found).splitlines()
    row = dict(zip(head.split(","), good.split(","), strict=False))
    counts = [row[name] for name in ("parts", "operators", "trials", "readings")]
    assert counts == ["3", "2", "2", "12"]


def test_one_operator_has_no_interaction_to_speak_of() -> None:
    whole = readings("alone", "A")
    missing = whole.assign(study="gap").drop(index=0)
    found = grr.analyse_many(pd.concat([whole, missing]))
    assert found["estimator"].tolist() == ["anova, one operator", "reml, one operator"]


def test_what_was_estimated_below_zero_is_said_to_be_taken_as_0() -> None:
    stacked = grr.analyse_many(readings("alike", "AB"))
    alone = grr.analyse_many(readings("alike", "AB"), checks=True)
    assert "AV estimated" in stacked.loc[0, "flags"]
    assert "AV estimated" in alone.loc[0, "flags"]
    assert stacked.loc[0, "AV_sd"] == 0.0
