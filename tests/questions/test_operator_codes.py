from dataclasses import replace

import pandas as pd
import pytest

import grr
from grr.model.rules import Plan


@pytest.fixture
def study():
    rows = [(p, o, t, p + t / 10) for p in range(4) for o in ("Zoe", "Ann", "Max") for t in (1, 2)]
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])
    plan = Plan(("0", "1", "2", "3"), ("Zoe", "Ann", "Max", "Eve"), 2)
    return grr.Study(table, unit="mm", title="t", plan=plan)


def test_names_are_gone_and_the_key_brings_them_back(study):
    coded, key = grr.code_operators(study)
    assert len(coded.operator_names) == 3
    assert all(name.startswith("Operator ") for name in coded.operator_names)
    assert sorted(key.values()) == ["Ann", "Eve", "Max", "Zoe"]
    back = coded.readings.assign(operator=coded.readings["operator"].map(key))
    pd.testing.assert_frame_equal(back, study.readings)


def test_the_readings_are_the_same_study(study):
    coded, key = grr.code_operators(study)
    before, after = grr.anova(study), grr.anova(coded)
    assert after.value("GRR", "sd") == pytest.approx(before.value("GRR", "sd"))
    table = grr.compare_operators(coded).to_frame()
    named = grr.compare_operators(study).to_frame()
    for code in coded.operator_names:
        assert table.loc[code, "mean"] == pytest.approx(named.loc[key[code], "mean"])


def test_codes_repeat_and_hide_those_too_who_were_only_planned(study):
    assert grr.code_operators(study)[1] == grr.code_operators(study)[1]
    planned = grr.code_operators(study)[0].plan.operators
    assert len(planned) == 4
    assert "Eve" not in planned


def test_a_study_without_a_plan(study):
    key = grr.code_operators(replace(study, plan=None))[1]
    assert sorted(key.values()) == ["Ann", "Max", "Zoe"]
