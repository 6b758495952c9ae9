"""A row of many is what `grr.anova` and `grr.verdict` say of that study alone."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import grr
from grr.many.analyse import ROW_MEASURES
from grr.model.choices import SOURCES
from grr.questions.causes import causes_in
from grr.questions.verdict import judged

TOLERANCE = grr.Tolerance(9.98, 10.02)


def one_study(
    rng: np.random.Generator,
    shape: tuple[int, int, int],
    *,
    operator_sd: float = 0.0004,
    repeat_sd: float = 0.0004,
) -> pd.DataFrame:
    p, o, _ = shape
    readings = (
        10
        + 0.003 * rng.normal(size=(p, 1, 1))
        + operator_sd * rng.normal(size=(1, o, 1))
        + 0.0002 * rng.normal(size=(p, o, 1))
        + repeat_sd * rng.normal(size=shape)
    )
    part, operator, trial = np.indices(shape).reshape(3, -1)
    return pd.DataFrame(
        {
            "part": part + 1,
            "operator": np.array(list("ABCDEF"))[operator],
            "trial": trial + 1,
            "reading": readings.ravel(),
        }
    )


def plant(shapes: list[tuple[int, int, int]], seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    studies = [
        one_study(rng, shape).assign(study=f"G{number}") for number, shape in enumerate(shapes)
    ]
    return pd.concat(studies, ignore_index=True)


def assert_same_row(row: pd.Series, result: grr.GaugeResult) -> None:
    ours = [row[f"{s}_{m}"] for s in SOURCES for m in ROW_MEASURES]
    theirs = [result.value(s, m) for s in SOURCES for m in ROW_MEASURES]
    assert_allclose(np.array(ours, float), theirs, rtol=1e-12, atol=0)
    assert_allclose(float(row["ndc_exact"]), result.ndc_exact, rtol=1e-12)
    assert_allclose(float(row["mean"]), result.mean, rtol=1e-14)
    assert (None if pd.isna(row["ndc"]) else row["ndc"]) == result.ndc
    study = result.study
    counts = (row["parts"], row["operators"], row["trials"], row["readings"])
    assert counts == (len(study.parts), len(study.operator_names), study.trials, study.taken)
    several = len(study.operator_names) > 1
    assert ("pooled" in row["estimator"]) == (several and result.pooled)
    assert ("one operator" in row["estimator"]) == (not several)
    assert row["error"] == ""


def alone(table: pd.DataFrame, study: object, **options: object) -> grr.GaugeResult:
    readings = table[table["study"] == study].drop(columns="study")
    return grr.anova(grr.Study(readings, **options))


SHAPES = [(10, 3, 3), (5, 2, 2), (10, 3, 3), (6, 1, 3), (8, 3, 1), (2, 2, 2), (5, 6, 4), (3, 1, 2)]


@pytest.mark.parametrize("operators", ["random", "fixed", 7])
@pytest.mark.parametrize("interaction", ["auto", "keep", "pool"])
def test_studies_of_every_shape(operators: str | int, interaction: str) -> None:
    table = plant(SHAPES)
    lost = (table["study"] == "G2") & (table["part"] == 4) & (table["trial"] == 2)
    table.loc[lost, "reading"] = np.nan
    rules = grr.Rules(interaction=interaction)
    found = grr.analyse_many(table, tolerances=TOLERANCE, operators=operators, rules=rules)
    assert found["study"].to_list() == [f"G{n}" for n in range(len(SHAPES))]
    for _, row in found.iterrows():
        options = {"tolerance": TOLERANCE, "operators": operators, "rules": rules}
        assert_same_row(row, alone(table, row["study"], **options))
    flags = found.set_index("study")["flags"]
    assert "readings missing" in flags["G2"]
    assert "one operator" in flags["G3"]
    assert "one trial" in flags["G4"]
    assert found.set_index("study").at["G2", "estimator"].startswith("reml")


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_incomplete_studies_are_fitted_together_as_alone(operators: str) -> None:
    table = plant([(6, 3, 2)] * 5)
    lost = np.random.default_rng(4).choice(len(table), 9, replace=False)
    table = table.drop(index=table.index[lost])
    found = grr.analyse_many(table, tolerances=TOLERANCE, operators=operators)
    assert found["flags"].str.contains("readings missing").sum() > 3
    for _, row in found.iterrows():
        result = alone(table, row["study"], tolerance=TOLERANCE, operators=operators)
        assert_same_row(row, result)


def test_row_order_of_the_table_does_not_matter() -> None:
    table = plant(SHAPES)
    shuffled = table.sample(frac=1, random_state=3)
    expected = grr.analyse_many(table, tolerances=TOLERANCE).set_index("study")
    found = grr.analyse_many(shuffled, tolerances=TOLERANCE)
    assert found["study"].to_list() == list(dict.fromkeys(shuffled["study"]))
    found = found.set_index("study").loc[expected.index]
    pd.testing.assert_frame_equal(found, expected, rtol=1e-9)


def test_parts_may_be_named_alike_or_uniquely_in_each_study() -> None:
    table = plant(SHAPES)
    unique = table.assign(part=table["study"] + "-" + table["part"].astype(str))
    expected = grr.analyse_many(table, tolerances=TOLERANCE)
    pd.testing.assert_frame_equal(grr.analyse_many(unique, tolerances=TOLERANCE), expected)
    numbered = grr.analyse_many(table.assign(study=table["study"].str[1:].astype(int)))
    assert numbered["study"].to_list() == list(range(len(SHAPES)))


def test_many_thousand_labels_take_the_sparse_way() -> None:
    table = plant([(3, 2, 2)] * 300)
    unique = table.assign(part=table["study"] + "-" + table["part"].astype(str))
    scattered = unique.assign(trial=unique["trial"] + 2 * unique["study"].str[1:].astype(int))
    pd.testing.assert_frame_equal(grr.analyse_many(scattered), grr.analyse_many(table))


def test_labels_are_read_as_a_study_reads_them() -> None:
    table = plant([(5, 3, 2), (5, 2, 2)])
    untidy = table.astype({"operator": object, "part": object, "study": object})
    untidy.loc[::2, "operator"] += " "
    untidy.loc[::3, "part"] = untidy.loc[::3, "part"].map(float)
    untidy.loc[::5, "study"] = " " + untidy.loc[::5, "study"]
    untidy["trial"] = untidy["trial"].map(lambda n: str(n) if n == 1 else n)
    untidy = untidy.rename(columns={"part": " Part", "reading": "READING"})
    pd.testing.assert_frame_equal(grr.analyse_many(untidy), grr.analyse_many(table))


TABLE_OF_TOLERANCES = pd.DataFrame(
    {
        "study": ["G0", "G1", "G2", "G4", "elsewhere"],
        "lower": [9.98, np.nan, 9.9, np.nan, 1],
        "upper": [10.02, 10.03, np.nan, 9.0, 2],
        "resolution": [np.nan, 0.01, np.nan, np.nan, np.nan],
        "process_sd": [np.nan, np.nan, 0.004, 0.0001, np.nan],
        "process_mean": [np.nan, 10.001, np.nan, np.nan, np.nan],
    }
)


@pytest.mark.parametrize("parts_from", ["process", "chosen"])
def test_a_table_of_tolerances(parts_from: str) -> None:
    table = plant([(6, 3, 2)] * 5)
    coarse = table["study"] == "G1"
    table.loc[coarse, "reading"] = table.loc[coarse, "reading"].round(2)
    found = grr.analyse_many(table, tolerances=TABLE_OF_TOLERANCES, parts_from=parts_from)
    given = TABLE_OF_TOLERANCES.set_index("study")
    by_index = grr.analyse_many(table, tolerances=given, parts_from=parts_from)
    pd.testing.assert_frame_equal(by_index, found)
    for _, row in found.iterrows():
        options: dict[str, object] = {"parts_from": parts_from}
        if row["study"] in given.index:
            line = given.loc[row["study"]].dropna()
            options["tolerance"] = grr.Tolerance(line.get("lower"), line.get("upper"))
            names = ("resolution", "process_sd", "process_mean")
            options |= {name: line[name] for name in names if name in line}
        assert_same_row(row, alone(table, row["study"], **options))
    rows = found.set_index("study")
    assert "hidden by rounding" in rows.at["G1", "flags"]
    assert rows.at["G1", "EV_sd"] == pytest.approx(0.01 / 12**0.5)
    assert rows.at["G3", "by_manual"] == ""
    assert np.isnan(rows.at["G4", "PV_sd"])
    assert np.isnan(rows.at["G4", "GRR_percent_tolerance"])


def test_one_tolerance_each() -> None:
    table = plant([(6, 3, 2)] * 2)
    each = {"G0": grr.Tolerance(9.9, 10.1), "G1": grr.Tolerance(upper=10.1)}
    found = grr.analyse_many(table, tolerances=each)
    for _, row in found.iterrows():
        assert_same_row(row, alone(table, row["study"], tolerance=each[row["study"]]))
    numbered = table.assign(study=table["study"].str[1:].astype(int))
    by_number = grr.analyse_many(numbered, tolerances={"0": each["G0"], 1.0: each["G1"]})
    pd.testing.assert_frame_equal(by_number.drop(columns="study"), found.drop(columns="study"))


@pytest.mark.parametrize("purpose", ["accept", "control"])
@pytest.mark.parametrize("checks", [False, True])
def test_decisions_and_limits(purpose: str, checks: bool) -> None:
    rng = np.random.default_rng(7)
    scale = {"small": 0.0002, "middle": 0.0012, "large": 0.02}
    table = pd.concat(
        [
            one_study(rng, shape, repeat_sd=sd, operator_sd=sd / 50).assign(study=f"{name}{shape}")
            for name, sd in scale.items()
            for shape in ((10, 4, 3), (10, 1, 3), (8, 3, 1))
        ],
        ignore_index=True,
    )
    options = {"purpose": purpose, "operators": "fixed"}
    found = grr.analyse_many(
        table, tolerances=TOLERANCE, intervals=True, checks=checks, level=0.9, **options
    )
    seen = set()
    for _, row in found.iterrows():
        result = alone(table, row["study"], tolerance=TOLERANCE, **options)
        verdict = grr.verdict(result)
        if not verdict.findings.must_mend:
            assert row["decision"] == verdict.decision
            seen.add(row["decision"])
        assert row["by_manual"] == verdict.criterion.by_value
        limits = result.intervals(level=0.9)
        for key in limits.index:
            name = key[0] if key[1] == "value" else "_".join(key)
            if f"{name}_lower" in row:
                ours = [row[f"{name}_lower"], row[f"{name}_upper"]]
                theirs = limits.loc[key, ["lower", "upper"]].to_numpy(float)
                size = np.nanmax(np.abs([*theirs[np.isfinite(theirs)], 1e-300]))
                assert_allclose(np.array(ours, float), theirs, rtol=0.08, atol=0.02 * size)
    assert {"DO NOT USE FOR THIS TOLERANCE"} < seen


def test_limits_are_left_out_where_a_single_study_leaves_them_out() -> None:
    table = plant([(6, 3, 2)] * 2)
    table["reading"] = table["reading"].round(2)
    given = pd.DataFrame({"study": ["G0", "G1"], "resolution": 0.01, "upper": 10.1})
    alike = {"tolerance": grr.Tolerance(upper=10.1), "resolution": 0.01}
    for parts_from in ("process", "chosen"):
        found = grr.analyse_many(table, tolerances=given, intervals=True, parts_from=parts_from)
        for study, row in found.set_index("study").iterrows():
            result = alone(table, study, parts_from=parts_from, **alike)
            assert result.floored
            for key, lower in result.intervals()["lower"].items():
                name = key[0] if key[1] == "value" else "_".join(key)
                if f"{name}_lower" in row:
                    assert np.isnan(row[f"{name}_lower"]) == np.isnan(lower), name


def test_without_a_tolerance_nothing_is_decided() -> None:
    found = grr.analyse_many(plant([(5, 2, 2)]), intervals=True)
    assert found.at[0, "decision"] == "NOT DECIDED YET"
    assert found.at[0, "by_manual"] == ""


#: What goes wrong in a study (parts, operators, trials), by operator 1 in trial 0.
FAULTS = {
    "none": lambda y: y,
    "offset": lambda y: y + np.array([0, 0.0012, 0])[:, None],
    "scatter": lambda y: spread(y, (slice(None), 1), 4.0),
    "part": lambda y: spread(y, (2,), 6.0),
    "outlier": lambda y: changed(y, (3, 1, 0), lambda v: v + 0.005),
    "step": lambda y: changed(y, (slice(4, None), 1), lambda v: v + 0.002),
    "trial": lambda y: changed(y, (slice(None), slice(None), 0), lambda v: v + 0.003),
    "exchanged": lambda y: changed(y, ([0, 1], 1), lambda v: v[::-1]),
    "one part out": lambda y: changed(y, (slice(None), 1, 0), lambda v: np.roll(v, 1)),
    "copied": lambda y: changed(y, (slice(None), 1, 0), lambda v: y[:, 0, 0]),
    "decimal place": lambda y: changed(y, (3, 1, 0), lambda v: 10 * v),
    "unit": lambda y: 25.4 * y,
    "stuck": lambda y: np.full_like(y, 10.0),
    "digit": lambda y: np.round(y, 3),
    "far off": lambda y: changed(y, (3, 1, 0), lambda v: v + 0.9),
}


def changed(y: np.ndarray, where: tuple, how: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    y = y.copy()
    y[where] = how(y[where].copy())
    return y


def spread(y: np.ndarray, where: tuple, factor: float) -> np.ndarray:
    return changed(y, where, lambda v: v.mean(-1, keepdims=True) * (1 - factor) + factor * v)


@pytest.mark.parametrize(("shape", "lost"), [((10, 3, 3), 0), ((7, 3, 2), 0), ((7, 3, 3), 1)])
def test_checks_find_in_a_stack_what_they_find_alone(
    shape: tuple[int, int, int], lost: int
) -> None:
    rng = np.random.default_rng(12)
    studies = []
    for fault, make in FAULTS.items():
        for number in range(3):
            table = one_study(rng, shape).sort_values(["part", "operator", "trial"])
            table["reading"] = make(table["reading"].to_numpy().reshape(shape)).ravel()
            kept = table.drop(index=rng.choice(table.index, lost, replace=False))
            studies.append(kept.assign(study=f"{fault} {number}"))
    table = pd.concat(studies).sample(frac=1, random_state=5)
    found = grr.analyse_many(table, tolerances=TOLERANCE, intervals=True, checks=True)
    seen = set()
    for _, row in found.iterrows():
        result = alone(table, row["study"], tolerance=TOLERANCE)
        to_mend = sum(finding.severity == "mend" for finding in grr.check(result.study))
        told = [f"{to_mend} to mend"] if to_mend else []
        for cause in () if to_mend else causes_in(result).named[:1]:
            names = [*filter(None, [cause.operator, cause.part and f"part {cause.part}"])]
            told.append(f"cause: {cause.kind}" + (f" ({', '.join(names)})" if names else ""))
        flags = [flag for flag in row["flags"].split("; ") if "mend" in flag or "cause" in flag]
        assert flags == told, row["study"]
        assert row["decision"] == judged(result)[1], row["study"]
        seen |= {flag.split(" (")[0] for flag in flags}
    assert {"1 to mend", "cause: operator_offset", "cause: slip", "cause: digit"} < seen


def test_names_and_trials_that_a_check_looks_at_alone() -> None:
    table = plant([(6, 3, 2)] * 3)
    table.loc[table["study"] == "G1", "trial"] += 2 * (table["part"] == 3)
    table = table.astype({"part": str})
    table.loc[(table["study"] == "G2") & (table["part"] == "2"), "part"] = "x"
    table.loc[(table["study"] == "G2") & (table["part"] == "4"), "part"] = "X"
    found = grr.analyse_many(table, tolerances=TOLERANCE, checks=True)
    assert found["checked"].all()
    assert ["to mend" in flags for flags in found["flags"]] == [False, False, True]
    for _, row in found.iterrows():
        assert row["decision"] == judged(alone(table, row["study"], tolerance=TOLERANCE))[1]
