from dataclasses import replace
from itertools import pairwise

import pytest

from grr.entry import sessions
from grr.entry.job import open_job, run_order
from grr.files.folder import change_settings, new_study_folder
from grr.files.journal import JournalRow
from grr.files.study_file import read_settings
from grr.model.errors import StudyError
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance

PLAN = Plan(("P1", "P2", "P3"), ("Ann", "Ben"), 2, ("stand", "handheld"), seed=7)


@pytest.fixture
def folder(tmp_path):
    new_study_folder(
        tmp_path / "study", title="Pin", unit="mm", tolerance=Tolerance(10.006, 10.012), plan=PLAN
    )
    return tmp_path / "study"


def test_a_job_is_opened_from_its_folder(folder):
    job = open_job(folder)
    assert len(job.places) == PLAN.readings
    assert job.methods == ("stand", "handheld")
    assert job.limits_in_words.replace("\u00a0", " ") == "10.0060 to 10.0120 mm"
    assert job.key == open_job(folder).key


def test_no_folder_and_no_plan_are_refused(tmp_path, manual_study):
    with pytest.raises(StudyError, match=r"study\.toml"):
        open_job(tmp_path)
    with pytest.raises(StudyError, match="from a folder"):
        open_job(manual_study)
    new_study_folder(tmp_path / "new", title="Pin")
    with pytest.raises(StudyError, match="no plan"):
        open_job(tmp_path / "new")


def test_the_order_holds_every_place_once_and_is_random_but_repeatable():
    order = run_order(PLAN)
    assert len(set(order)) == len(order) == PLAN.readings
    assert order == run_order(PLAN)
    rounds = {
        (p.operator, p.method, p.trial): [
            q.part
            for q in order
            if q.operator == p.operator and q.method == p.method and q.trial == p.trial
        ]
        for p in order
    }
    assert all(sorted(parts) == ["P1", "P2", "P3"] for parts in rounds.values())
    assert len({tuple(parts) for parts in rounds.values()}) > 1


def test_methods_change_places_from_trial_to_trial_and_operator_to_operator():
    methods = {}
    for place in run_order(PLAN):
        methods.setdefault((place.operator, place.trial), []).append(place.method)
    first = {key: names[0] for key, names in methods.items()}
    assert first[("Ann", 1)] != first[("Ann", 2)]
    assert first[("Ann", 1)] != first[("Ben", 1)]


def test_changes_of_the_settings_are_logged_whoever_made_them(folder, new_work):
    def begin_and_end(settings):
        work = new_work(folder)
        work.job = type(work.job)(folder, settings, work.job.places)
        sessions.begin(work, "Ann")
        sessions.end(work)
        return [event for event in work.events.rows if event.kind in ("study", "settings")]

    assert [e.kind for e in begin_and_end(read_settings(folder))] == ["settings"]
    assert len(begin_and_end(read_settings(folder))) == 1
    new_work(folder).journal.append(JournalRow(part="P1", operator="Ann", reading="10.0081"))
    text = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(text.replace("10.012", "10.015"), encoding="utf-8")
    changed = begin_and_end(read_settings(folder))
    assert [(e.name, e.old, e.value) for e in changed if e.kind == "study"] == [
        ("tolerance.upper", "10.012", "10.015")
    ]
    assert "found changed" in changed[1].reason
    settings = read_settings(folder)
    change_settings(folder, replace(settings, title="Dowel"), who="QE", why="typo")
    logged = [e for e in begin_and_end(read_settings(folder)) if e.kind == "study"]
    assert [(e.name, e.reason) for e in logged][1:] == [("title", "typo")]


def test_no_part_comes_twice_in_a_row_by_one_operator() -> None:
    for seed in range(60):
        for parts, methods in ((2, ()), (3, ("stand", "handheld")), (5, ())):
            plan = Plan(tuple(map(str, range(parts))), ("Ann", "Ben"), 3, methods, seed)
            order = run_order(plan)
            assert len(set(order)) == plan.readings
            for before, after in pairwise(order):
                assert before.operator != after.operator or before.part != after.part
