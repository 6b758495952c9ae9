"""The ``grr`` command: what it prints, and what its exit status says."""

from __future__ import annotations

import datetime as dt
import io
import json
import shutil
import sys
import zipfile
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import grr
from grr.cli import main
from grr.files.gauge_folder import take_block_readings, write_gauge
from grr.files.study_file import read_settings
from grr.model.gauge_facts import CalibratedBlock, GaugeFacts
from grr.shipped import shipped_folder
from published import manual_readings

DEMO = shipped_folder("demo_data")


@pytest.mark.parametrize(
    ("study", "decision"),
    [
        ("dowel_pin", "USE"),
        ("dowel_pin_handheld", "DO NOT USE FOR THIS TOLERANCE"),
        ("dowel_pin_mistakes", "NOT DECIDED YET"),
    ],
)
def test_analyse_tells_the_decision(
    study: str, decision: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["analyse", str(DEMO / study)]) == grr.Decision(decision).exit_status
    printed = capsys.readouterr().out
    assert ("FIX THE DATA FIRST" if study == "dowel_pin_mistakes" else decision) in printed
    assert "EXAMPLE" in printed
    stated = study != "dowel_pin_mistakes"  # nothing is stated of ruined readings
    assert ("GRR measuring system" in printed) == stated
    ranges = "Average and range" in printed or "By average and range: not possible" in printed
    assert ranges == stated
    assert max(map(len, printed.splitlines())) <= 80


def test_new_makes_a_folder_to_collect_into(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pins"
    arguments = ["--lower", "10.006", "--upper", "10.012", "--operators", "Ilse", "Jan"]
    assert main(["new", str(folder), "--title", "Pins", *arguments]) == 2
    assert "how many" in capsys.readouterr().err
    arguments += ["--operators-are", "fixed"]
    assert main(["new", str(folder), "--title", "Pins", *arguments]) == 0
    assert "grr collect" in capsys.readouterr().out
    assert 'title = "Pins"' in (folder / "study.toml").read_text(encoding="utf-8")
    assert main(["analyse", str(folder)]) == 2
    assert "no readings" in capsys.readouterr().err
    assert main(["new", str(folder)]) == 2
    assert "nothing" in capsys.readouterr().err


def test_bad_input_is_one_sentence_and_status_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["analyse", str(tmp_path / "nowhere")]) == 2
    message = capsys.readouterr().err
    assert "nowhere" in message
    assert "Traceback" not in message
    assert len(message.strip().splitlines()) == 1
    assert main(["new", str(tmp_path / "x"), "--lower", "2", "--upper", "1"]) == 2
    assert "upper limit" in capsys.readouterr().err


def test_what_cannot_be_read_leaves_the_output_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise OSError("The drive does not answer")

    monkeypatch.setattr("grr.files.verify.verify_place", fails)
    with (tmp_path / "printed.txt").open("w", encoding="utf-8") as printed:
        monkeypatch.setattr(sys, "stdout", printed)
        assert main(["verify", str(tmp_path)]) == 2
        print("after it")
    assert (tmp_path / "printed.txt").read_text(encoding="utf-8") == "after it\n"


def test_verify_and_errors_call_a_folder_a_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "mic3"
    assert main(["new", str(folder)]) == 0
    assert main(["analyse", str(folder)]) == 2
    assert f"(folder {folder})" in capsys.readouterr().err
    assert main(["verify", str(folder)]) == 2
    message = capsys.readouterr().err
    assert "entry form" in message


def test_names_given_twice_are_told_in_good_english(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / "x"), "--operators", "Ann", "Ann"]) == 2
    assert "twice" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (["--parts", "0"], "the number of parts is not a whole number from 2 to 200"),
        (["--parts", "1"], "the number of parts is not a whole number from 2 to 200"),
        (["--trials", "0"], "trials is not a whole number"),
        (["--resolution", "0.5", "--lower", "10", "--upper", "10.2"], "coarser than the tolerance"),
        (["--unit", "cm"], "mm, um, in or uin"),
        (["--lower", "12,5,1"], "12.5 or 12,5"),
        (["--lower", "ten"], "12.5 or 12,5"),
    ],
)
def test_new_refuses_what_makes_no_study(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], given: list[str], words: str
) -> None:
    assert main(["new", str(tmp_path / "x"), *given]) == 2
    message = capsys.readouterr().err
    assert words in message
    assert message.count("\n") == 1  # one sentence or two, no usage lines
    assert not (tmp_path / "x").exists()


def test_new_takes_a_decimal_comma(tmp_path: Path) -> None:
    folder = tmp_path / "x"
    given = ["--lower", "12,5", "--upper", "12,6", "--resolution", "0,001"]
    assert main(["new", str(folder), *given]) == 0
    settings = read_settings(folder)
    assert settings.tolerance == grr.Tolerance(12.5, 12.6)
    assert settings.resolution == 0.001


def test_new_takes_all_that_the_form_asks(tmp_path: Path) -> None:
    said = ["--nominal", "12", "--lower-deviation=-0,015", "--upper-deviation=+0.005"]
    said += ["--resolution", "0.001", "--operators", "Ada", "Ben", "Cy", "--operators-are", "7"]
    said += ["--methods", "stand", "handheld", "--looks", "2", "--parts-from", "chosen"]
    said += ["--process-sd", "0.002", "--parts", "5"]
    for fact in ("drawing=88-1", "place_marked=yes", "nominal=12", "calibration_due=2027-03-31"):
        said += ["--fact", fact]
    assert main(["new", str(tmp_path / "pins"), *said]) == 0
    made = read_settings(tmp_path / "pins")
    assert made.tolerance == grr.Tolerance(11.985, 12.005)
    assert (made.operators_are, made.parts_from, made.process_sd) == (7, "chosen", 0.002)
    assert made.plan is not None
    assert (made.plan.methods, made.plan.looks) == (("stand", "handheld"), 2)
    assert dict(made.facts) == {
        "drawing": "88-1",
        "place_marked": True,
        "nominal": 12.0,
        "calibration_due": dt.date(2027, 3, 31),
    }


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (["--fact", "drawng=1"], "drawng"),
        (["--fact", "drawing"], "does not say what is what"),
        (["--fact", "place_marked=perhaps"], "Answer true or false"),
        (["--fact", "nominal=wide"], "--fact nominal is not a number"),
        (["--lower-deviation=-1"], "Give --nominal"),
        (["--lower", "1", "--upper", "2", "--lower-deviation=-1"], "given twice"),
    ],
)
def test_new_refuses_facts_that_answer_no_question(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], said: list[str], words: str
) -> None:
    assert main(["new", str(tmp_path / "pins"), *said]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "pins").exists()


def test_qualify_says_what_a_gauge_is_waiting_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "gauges" / "H-3"
    block = CalibratedBlock("5", 5.0, 0.0001)
    facts = GaugeFacts("H-3", "mm", 0.001, 4.98, 5.04, blocks=(block,), standard="5")
    write_gauge(folder, facts)
    rows = [("5", f"5.00{digit}", "") for digit in (0, 1, 0, 0, 1) * 5]
    take_block_readings(folder, "reference", rows, who="Pia", identifier="m1")
    said = printed_json(["qualify", str(folder), "--json"], capsys)
    assert said["exit_status"] == 5
    assert said["reference"]["values"]["by_sd"]["bias"] == pytest.approx(0.0004)
    assert set(said["open"]) == {"range", "study", "check"}
    assert main(["qualify", str(tmp_path)]) == 2


def test_new_warns_where_the_last_digit_is_over_a_tenth_of_the_tolerance(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given = ["--resolution", "0.05", "--lower", "10", "--upper", "10.2"]
    assert main(["new", str(tmp_path / "x"), *given]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "25.0 % of" in printed
    given = ["--resolution", "0.01", "--lower", "10", "--upper", "10.2"]
    assert main(["new", str(tmp_path / "y"), *given]) == 0
    assert "a tenth" not in capsys.readouterr().out


def test_new_warns_where_a_plan_cannot_tell_much(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = ["--parts", "2", "--operators", "Ann", "--trials", "1"]
    assert main(["new", str(tmp_path / "x"), *plan]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    for words in ("Each part read once", "One operator", "Only 2 parts"):
        assert words in printed


def test_new_says_what_decides_most(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "x")]) == 0
    printed = capsys.readouterr().out
    for key, meaning in (
        ('operators_are = "random"', "a sample of those who will measure"),
        ('purpose = "accept"', "accept parts against the tolerance"),
        ('parts_from = "process"', "as the process makes them"),
    ):
        assert key in printed
        assert meaning in printed
    assert max(map(len, printed.replace(str(tmp_path), "").splitlines())) <= 80


def test_a_plan_tells_how_often_it_decides_and_writes_its_sheets(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    people = ["Ann", "Bob", "Cem", "Dot", "Eve", "Fay"]
    given = ["--operators", *people, "--operators-are", "14", "--sessions", "2", "--unit", "in"]
    folder = tmp_path / "bush"
    given += ["--upper", "0.5004", "--resolution", "0.00005", "--purpose", "control"]
    assert main(["new", str(folder), *given]) == 0
    settings = read_settings(folder)
    assert settings.operators_are == 14 and settings.purpose == "control"
    assert settings.plan is not None and settings.plan.sessions == 2
    assert (len(settings.plan.parts), settings.plan.trials) == (10, 2)
    capsys.readouterr()
    assert main(["plan", str(folder), "--sheets"]) == 0  # before there is any reading
    printed = capsys.readouterr().out
    assert "these 6" in printed and "the 14" in printed
    assert max(map(len, printed.replace(str(tmp_path), "").splitlines())) <= 80
    for name in ("run_sheet.csv", "run_sheet.html", "key_sheet.html"):
        assert (folder / "run_sheet" / name).exists()
    for wrong in ("two", "0", "-3", "5"):
        assert main(["new", str(tmp_path / "x"), *given, "--operators-are", wrong]) == 2
        assert not (tmp_path / "x").exists()


def test_new_draws_a_seed_for_each_study(tmp_path: Path) -> None:
    seeds = []
    for name in ("a", "b", "c"):
        assert main(["new", str(tmp_path / name)]) == 0
        plan = read_settings(tmp_path / name).plan
        assert plan is not None
        seeds.append(plan.seed)
    assert len(set(seeds)) == 3
    assert main(["new", str(tmp_path / "d"), "--seed", "17"]) == 0
    assert "seed = 17" in (tmp_path / "d" / "study.toml").read_text(encoding="utf-8")


def test_self_check_passes_and_can_be_filed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "check.html"
    assert main(["self-check", "-o", str(page)]) == 0
    assert "published values" in capsys.readouterr().out
    assert "agrees" in page.read_text(encoding="utf-8")


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["--version"])
    assert stopped.value.code == 0
    assert capsys.readouterr().out == f"grr {version('grr')}\n"


def test_help_reads_well(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["--help"])
    assert stopped.value.code == 0
    printed = capsys.readouterr().out
    for word in ("lab", "new", "analyse", "collect", "verify", "self-check", "exit status"):
        assert word in printed


def test_verify_names_the_altered_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = tmp_path / "pins"
    shutil.copytree(DEMO / "dowel_pin", study)
    assert main(["verify", str(study)]) == 0
    readings = study / "readings.csv"
    text = readings.read_text(encoding="utf-8")
    readings.write_text(text.replace(",10.0", ",10.1", 1), encoding="utf-8")
    capsys.readouterr()
    assert main(["verify", str(study)]) == 1
    assert "row 2" in capsys.readouterr().out


def test_collect_stops_kindly_where_nothing_more_is_typed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pins"
    main(["new", str(folder), "--parts", "2", "--operators", "Ilse", "--trials", "1"])
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main(["collect", str(folder)]) == 0
    assert "Traceback" not in capsys.readouterr().err


def test_report_writes_a_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "report.html"
    arguments = ["report", str(DEMO / "dowel_pin"), "-o", str(page), "--date", "2026-03-04"]
    assert main([*arguments, "--prepared-by", "Ilka"]) == 0
    first = page.read_bytes()
    assert "Written" in capsys.readouterr().out
    assert b"2026-03-04" in first
    assert b"Ilka" in first
    assert main([*arguments, "--prepared-by", "Ilka"]) == 0
    assert page.read_bytes() == first
    assert main(["report", str(DEMO / "dowel_pin"), "--date", "soon"]) == 2


def test_analyse_compares_the_methods_of_a_study(capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["analyse", str(DEMO / "pins_two_ways")])
    printed = capsys.readouterr().out
    assert "Method: stand\n" in printed
    assert "Method: handheld\n" in printed
    assert printed.count("GRR measuring system") == 4
    assert "USE STAND" in printed
    stand = grr.open_study(DEMO / "pins_two_ways").for_method("stand")
    assert status == grr.verdict(stand).decision.exit_status  # of the one recommended
    assert status != grr.Decision.DO_NOT_USE.exit_status  # as the other one is judged
    assert max(map(len, printed.splitlines())) <= 80


def test_analyse_judges_by_the_method_of_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = grr.Study(
        manual_readings(),
        tolerance=grr.Tolerance(-4, 4),
        rules=grr.Rules(method_of_record="average_range"),
    )
    grr.save_study(study, tmp_path / "study")
    main(["analyse", str(tmp_path / "study")])
    printed = " ".join(capsys.readouterr().out.split())
    assert "by average and range" in printed
    assert "by analysis of variance" not in printed


FORM = """Teil;Prüfer;Wiederholung;Messwert
P01;Uli;1;8,001
P02;Uli;1;8,003
P01;Uli;2;8,001
P02;Uli;2;8,002
P01;V.;1;8,002
P02;V.;1;8,003
P01;V.;2;8,001
P02;V.;2;8,003
"""


def planned_bolts(tmp_path: Path) -> Path:
    folder = tmp_path / "bolts"
    plan = ["--operators", "Uli", "Vera", "--operators-are", "fixed", "--parts", "2"]
    limits = ["--lower", "7,99", "--upper", "8,01", "--resolution", "0,001", "--trials", "2"]
    assert main(["new", str(folder), *plan, *limits]) == 0
    return folder


def test_import_takes_a_form_whole_or_not_at_all(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, form = planned_bolts(tmp_path), tmp_path / "form.csv"
    form.write_text(FORM, encoding="utf-8")
    assert main(["import", str(form), str(folder)]) == 2
    assert "row 5" in capsys.readouterr().err
    assert main(["import", str(form), str(folder), "--operator", "V."]) == 2
    assert "P01=1" in capsys.readouterr().err
    with pytest.raises(grr.StudyError, match="no readings yet"):
        grr.open_study(folder)
    assert main(["import", str(form), str(folder), "--operator", "V.=Vera"]) == 0
    printed = capsys.readouterr().out
    assert "P01 is 1" in printed
    assert "complete" in printed
    study = grr.open_study(folder)
    assert (study.taken, study.parts, study.operator_names) == (8, ("1", "2"), ("Uli", "Vera"))
    assert main(["verify", str(folder)]) == 0


@pytest.mark.parametrize("ending", ["csv", "parquet", "json", "xlsx"])
def test_export_writes_what_the_ending_names(tmp_path: Path, ending: str) -> None:
    target = tmp_path / f"out.{ending}"
    assert main(["export", str(DEMO / "dowel_pin"), "-o", str(target)]) == 0
    expected = grr.open_study(DEMO / "dowel_pin").readings["reading"].tolist()
    if ending == "csv":
        assert pd.read_csv(target)["reading"].tolist() == expected
    elif ending == "parquet":
        assert pd.read_parquet(target)["reading"].tolist() == expected
    elif ending == "json":
        readings = json.loads(target.read_text(encoding="utf-8"))["readings"]
        assert [row["reading"] for row in readings] == expected
    else:
        assert zipfile.is_zipfile(target)
    assert main(["export", str(DEMO / "dowel_pin"), "-o", str(tmp_path / "out.doc")]) == 2


def test_one_question_of_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pins = grr.open_study(DEMO / "dowel_pin")
    assert main(["operators", str(DEMO / "dowel_pin")]) == 0
    assert capsys.readouterr().out.strip() == str(grr.compare_operators(pins)).strip()
    assert main(["compare", str(DEMO / "pins_two_ways")]) == 0
    two = grr.open_study(DEMO / "pins_two_ways")
    expected = grr.compare_methods(two, baseline="stand", candidate="handheld")
    assert capsys.readouterr().out.strip() == str(expected).strip()
    assert main(["compare", str(DEMO / "dowel_pin")]) == 2
    assert "one method" in capsys.readouterr().err
    assert main(["operators", str(DEMO / "pins_two_ways")]) == 0
    assert "Method: handheld" in capsys.readouterr().out


def test_the_seal_of_a_folder_is_the_one_that_verify_takes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = planned_bolts(tmp_path)
    form = tmp_path / "form.csv"
    form.write_text(FORM.replace("V.", "Vera"), encoding="utf-8")
    assert main(["import", str(form), str(folder)]) == 0
    capsys.readouterr()
    assert main(["seal", str(folder)]) == 0
    seal = capsys.readouterr().out.split()[0]
    assert main(["verify", str(folder), "--seal", seal]) == 0


def printed_json(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    capsys.readouterr()
    status = main([*arguments, "--json"])
    said = capsys.readouterr()
    found: dict[str, Any] = json.loads(said.out)
    assert (found["command"], found["exit_status"]) == (arguments[0], status)
    assert said.err == ""
    return found


def test_every_command_says_it_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = planned_bolts(tmp_path)
    form, table = tmp_path / "form.csv", tmp_path / "many.csv"
    form.write_text(FORM.replace("V.", "Vera"), encoding="utf-8")
    manual_readings().assign(study="a").to_csv(table, index=False)
    pins = str(DEMO / "dowel_pin")
    assert len(printed_json(["plan", str(folder)], capsys)["order"]) == 8
    taken = printed_json(["import", str(form), str(folder)], capsys)
    assert (taken["taken"], taken["left"]) == (8, 0)
    found = printed_json(["analyse", pins], capsys)
    assert found["result"]["results"][0]["verdict"]["decision"] == grr.Decision.USE
    assert {row["operator"] for row in printed_json(["operators", pins], capsys)["operators"]} == {
        "Ilka",
        "Jonas",
        "Miro",
    }
    compared = printed_json(["compare", str(DEMO / "pins_two_ways")], capsys)["comparisons"]
    assert [one["recommended"] for one in compared] == ["stand"]
    seal = printed_json(["seal", str(folder)], capsys)["seal"]
    assert printed_json(["verify", str(folder), "--seal", seal], capsys)["unaltered"] is True
    written = printed_json(["export", pins, "-o", str(tmp_path / "o.csv")], capsys)["written"]
    assert Path(written).is_file()
    assert printed_json(["backup", str(folder)], capsys)["seal"] == seal
    many = ["analyse-many", str(table), "-o", str(tmp_path / "rows.csv")]
    assert printed_json(many, capsys)["studies"] == 1
    record = ["record", str(folder), "--by", "Uli", "--reason", "drawing"]
    assert printed_json(record, capsys)["on_record"] == []
    assert printed_json(["self-check"], capsys)["passed"] is True
    refused = printed_json(["analyse", str(tmp_path / "nowhere")], capsys)
    assert refused["exit_status"] == 2
    assert "study.toml" in refused["error"]["problem"]


@pytest.mark.parametrize("shell", ["bash", "zsh"])
def test_a_shell_can_complete_commands_and_options(
    shell: str, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("shtab", reason="shtab writes the script")
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert "analyse-many" in script
    assert "--tolerances" in script
    assert "Save" in script.splitlines()[1]


def test_completion_without_its_package_says_how(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "shtab", None)
    assert main(["completion", "bash"]) == 2
    assert "pip install shtab" in capsys.readouterr().err
