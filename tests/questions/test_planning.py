"""Run sheets: complete, random, the same again, safe to keep."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import grr
from grr.entry.job import open_job
from grr.files.chosen import remember_choice
from grr.files.folder import new_study_folder


def sheet(**how: object) -> grr.StudyPlan:
    given: dict[str, object] = {"parts": 10, "operators": ["Ann", "Ben", "Cem"], "trials": 3}
    return grr.plan_study(**{**given, **how})  # type: ignore[arg-type]


def test_every_part_by_every_operator_in_every_trial_once() -> None:
    table = sheet(methods=["stand", "handheld"]).to_frame()
    assert list(table.columns) == ["order", "session", "operator", "trial", "part", "method"]
    assert list(table["order"]) == list(range(1, 181))
    counts = table.groupby(["operator", "trial", "part", "method"]).size()
    assert len(counts) == 180 and (counts == 1).all()


def test_a_round_is_one_operator_with_all_parts_once() -> None:
    plan = sheet()
    assert "9 rounds" in str(plan).replace("\n", " ")
    for _, one in plan.to_frame().groupby(["operator", "trial"]):
        assert one["order"].diff().dropna().eq(1).all()
        assert sorted(one["part"], key=int) == [str(i) for i in range(1, 11)]


def test_trials_spread_over_two_sessions() -> None:
    one, two = sheet(trials=2, seed=4), sheet(trials=2, seed=4, sessions=2)
    table = two.to_frame()
    assert set(one.to_frame()["session"]) == {1}
    assert list(table["session"]) == [1] * 30 + [2] * 30
    assert (table["session"] == table["trial"]).all()
    # Everyone's first session comes before anyone's second; rounds are the same.
    assert list(dict.fromkeys(table["operator"][:30])) == ["Ann", "Ben", "Cem"]
    again = table.sort_values(["operator", "trial"], kind="stable")
    assert list(again["part"]) == list(one.to_frame()["part"])
    assert "2 sessions each" in str(two).replace("\n", " ")
    assert [sheet(trials=3, sessions=2).plan.session_of(trial) for trial in (1, 2, 3)] == [1, 1, 2]


def test_the_usual_design_where_nothing_is_said() -> None:
    people = ["Ann", "Ben", "Cem", "Dot", "Eve", "Fay"]
    sampled = grr.plan_study(operators=people, operators_are=14).plan
    assert (len(sampled.parts), len(sampled.operators), sampled.trials) == (5, 6, 2)
    fixed = grr.plan_study(operators=3, operators_are="fixed").plan
    assert (len(fixed.parts), len(fixed.operators), fixed.trials) == (10, 3, 3)
    assert len(grr.plan_study(operators=6, purpose="control").plan.parts) == 10
    with pytest.raises(grr.StudyError, match="Two people are"):
        grr.plan_study(10, 2, 3)
    assert grr.plan_study(10, 2, 3, operators_are=3).plan.readings == 60


def test_without_a_seed_the_order_and_the_codes_are_new_each_time() -> None:
    plans = [sheet() for _ in range(4)]
    assert len({plan.plan.seed for plan in plans}) == 4
    assert len({tuple(plan.codes.values()) for plan in plans}) == 4
    again = sheet(seed=plans[0].plan.seed)
    pd.testing.assert_frame_equal(again.to_frame(), plans[0].to_frame())
    assert f"Seed {plans[0].plan.seed}." in str(plans[0])


def test_one_way_of_measuring_has_no_method() -> None:
    assert set(sheet().to_frame()["method"]) == {""}


def test_the_order_is_as_good_as_random() -> None:
    # Over 400 seeds each part comes as often at each place; chi-square by scipy.
    places = np.zeros((5, 5))
    for seed in range(400):
        first = sheet(parts=5, operators=1, trials=1, seed=seed).to_frame()["part"]
        for place, part in enumerate(first):
            places[int(part) - 1, place] += 1
    assert stats.chisquare(places, axis=None, ddof=8).pvalue > 1e-4


def test_the_same_seed_gives_the_same_sheet_and_another_seed_another() -> None:
    one, same, other = sheet(seed=5), sheet(seed=5), sheet(seed=6)
    pd.testing.assert_frame_equal(one.to_frame(), same.to_frame())
    assert one.page() == same.page()
    assert list(one.to_frame()["part"]) != list(other.to_frame()["part"])
    assert dict(one.codes) != dict(other.codes)


def test_codes_hide_the_parts() -> None:
    plan = sheet(parts=50)
    key = plan.key()
    assert key["code"].is_unique and list(key["part"]) == [str(i) for i in range(1, 51)]
    assert key["code"].str.fullmatch("[CDFHJKLMNPRTVWXY]{2}").all()
    # Alphabetical order of the codes says nothing of the parts.
    rank = stats.spearmanr(key["code"].rank(), range(50)).statistic
    assert abs(rank) < 0.45
    named = sheet(parts=["alpha-pin", "beta-pin"])
    assert "alpha-pin" not in named.page() and "alpha-pin" in named.page(coded=False)
    assert all(code in named.page() for code in named.codes.values())
    assert "alpha-pin" in named.key_page()
    assert grr.plan_study(200, 1, 2).key()["code"].str.len().eq(3).all()


def test_saved_files_can_be_filled_and_read_back(tmp_path: Path) -> None:
    plan = sheet(operators=["Ann", "=cmd()", "O'Neil; Jr."], methods=["stand", "hand"])
    files = plan.save(tmp_path / "study")
    assert [file.name for file in files] == ["run_sheet.csv", "run_sheet.html", "key_sheet.html"]
    text = files[0].read_text(encoding="utf-8")
    assert "\n=cmd" not in text and ",=cmd" not in text
    table = pd.read_csv(files[0], dtype=str, keep_default_na=False)
    table["reading"] = [f"{10 + i / 10000:.4f}" for i in range(len(table))]
    filled = tmp_path / "filled.csv"
    table.to_csv(filled, index=False)
    back = grr.read_readings(filled)
    wanted = plan.to_frame()
    assert list(back["part"]) == list(wanted["part"])
    assert list(back["order"]) == list(wanted["order"])
    assert list(back["reading"])[:2] == [10.0, 10.0001]


def test_a_sheet_without_methods_reads_back_as_a_study(tmp_path: Path) -> None:
    plan = sheet(parts=5)
    file = plan.save(tmp_path)[0]
    table = pd.read_csv(file, dtype=str)
    rng = np.random.default_rng(1)
    table["reading"] = rng.normal(10, 0.001, len(table)).round(4)
    table.to_csv(tmp_path / "filled.csv", index=False)
    study = grr.Study(grr.read_readings(tmp_path / "filled.csv"), unit="mm")
    assert study.taken == 45 and study.balanced


def test_a_sheet_with_other_contents_is_not_overwritten(tmp_path: Path) -> None:
    sheet(seed=1).save(tmp_path)
    assert len(sheet(seed=1).save(tmp_path)) == 3
    with pytest.raises(grr.StudyError, match="run sheet") as refused:
        sheet(seed=2).save(tmp_path)
    assert refused.value.file is not None


def test_the_sheet_of_a_study_folder_is_the_order_of_the_entry_form(tmp_path: Path) -> None:
    folder = tmp_path / "pins"
    new_study_folder(
        folder,
        title="Pins",
        unit="mm",
        resolution=0.0001,
        tolerance=grr.Tolerance(10.006, 10.012),
        plan=grr.Plan(("P1", "P2", "P3"), ("Ann", "Ben"), 2, seed=9),
    )
    plan = grr.run_sheet(folder)
    places = open_job(folder).places
    assert [(p.operator, p.trial, p.part) for p in places] == list(
        plan.to_frame()[["operator", "trial", "part"]].itertuples(index=False, name=None)
    )
    assert "10.0060 to 10.0120" in plan.page() and "Pins" in plan.page()
    with pytest.raises(grr.StudyError):
        grr.run_sheet(tmp_path / "nowhere")


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"parts": 1}, "number of parts"),
        ({"parts": 2.5}, "number of parts"),
        ({"parts": 1000}, "number of parts"),
        ({"parts": "P1"}, "no list"),
        ({"parts": ["a", "a"]}, "named twice"),
        ({"parts": ["a", " "]}, "empty"),
        ({"parts": ["a"]}, "2 to"),
        ({"operators": 0}, "number of operators"),
        ({"operators": []}, "operators"),
        ({"operators": None}, "who measures"),
        ({"operators_are": 2}, "fewer are said"),
        ({"sessions": 4}, "sessions"),
        ({"trials": 0}, "trials"),
        ({"trials": "three"}, "trials"),
        ({"methods": ["stand", "stand"]}, "named twice"),
        ({"methods": "stand"}, "no list"),
        ({"seed": -1}, "seed"),
        ({"unit": "parsec"}, "unit"),
        ({"resolution": 0}, "resolution"),
        ({"tolerance": (1, 2)}, "Tolerance"),
    ],
)
def test_what_is_no_plan_is_refused(change: dict[str, object], word: str) -> None:
    with pytest.raises(grr.StudyError, match=word):
        sheet(**change)


def test_printing() -> None:
    plan = sheet(operators=["A" * 200, "Ben"], parts=40, title="Pins <b>", operators_are="fixed")
    assert max(len(line) for line in str(sheet()).splitlines()) <= 80
    html = plan._repr_html_()
    assert "<b>" not in html.replace("&lt;b&gt;", "") and "class=" not in html


def test_the_sheet_of_the_chosen_study_before_any_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "notebooks").mkdir()
    new_study_folder(
        tmp_path / "studies" / "pins", plan=grr.Plan(("1", "2"), ("Ann", "Ben", "Cem"), 2)
    )
    remember_choice("studies/pins", tmp_path)
    monkeypatch.chdir(tmp_path / "notebooks")
    plan = grr.run_sheet()
    assert len(plan.to_frame()) == 12
    files = plan.save("../studies/pins/run_sheet")
    assert [file.name for file in files] == ["run_sheet.csv", "run_sheet.html", "key_sheet.html"]
