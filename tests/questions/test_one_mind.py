"""Whatever is said about a study says the same: compared by keys and values, not by words."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import openpyxl
import pandas as pd
import pytest

import grr
from grr.cli import main
from grr.formulas.confidence_limits import percent_tolerance_draws, upper_bound
from grr.model.blocks import Banner, Bullets, Fold, Picture, Prose, Table
from grr.page.front import Cover, front_page, methods_front_page
from grr.page.json_export import result_document
from grr.questions.acceptance import larger_study, narrowed
from grr.questions.causes import short
from grr.questions.check import RUINED
from grr.questions.drift import zero_interval
from grr.questions.intervals import pivots_of, specification_of
from grr.questions.methods import what_next
from grr.questions.verdict import conditions_of_use

NAMES = ("Ana", "Ben", "Cem")
#: What is planted → kind, operator and part of the cause that should be named first.
PLANTED = {
    "offset": ("operator_offset", "Ben", None),
    "scatter": ("operator_scatter", "Ben", None),
    "part": ("part", None, "4"),
    "drift": ("drift", None, None),
    "nothing": (None, None, None),
}


def study(planted: str, *, purpose: str = "accept", record: str = "anova") -> grr.Study:
    """10 parts, 3 operators, 3 trials, in mm, with one thing planted; sizes in µm here."""
    rng = np.random.default_rng(5)
    repeats, offsets = np.full((10, 3, 1), 0.3), np.zeros((1, 3, 1))
    if planted == "offset":
        offsets[0, 1] = -1.0
    if planted == "scatter":
        repeats[:, 1] *= 7.0
    if planted == "part":
        repeats[3] *= 8.0
    y = rng.normal(0.0, 4.0, (10, 1, 1)) + offsets + repeats * rng.standard_normal((10, 3, 3))
    order = np.empty((10, 3, 3))
    for j in range(3):
        for k in range(3):
            order[rng.permutation(10), j, k] = 30 * j + 10 * k + np.arange(10)
    if planted == "drift":
        y += 0.1 * (order % 30)
    i, j, k = (n.ravel() for n in np.indices(y.shape))
    table = pd.DataFrame(
        {
            "part": (i + 1).astype(str),
            "operator": [NAMES[n] for n in j],
            "trial": k + 1,
            "reading": np.round(10.0 + y.ravel() / 1000.0, 4),
            "order": order.ravel().astype(int) + 1,
        }
    )
    return grr.Study(
        table,
        tolerance=grr.Tolerance(9.990, 10.010),
        unit="mm",
        resolution=0.0001,
        purpose=purpose,
        rules=grr.Rules(method_of_record=record),
    )


def who(cause) -> tuple[str | None, str | None, str | None]:
    if cause is None:
        return None, None, None
    if isinstance(cause, dict):
        return cause["kind"], cause["operator"], cause["part"]
    return cause.kind, cause.operator, cause.part


def texts(blocks) -> list[str]:
    found = []
    for block in blocks:
        if isinstance(block, Prose):
            found += block.paragraphs
        if isinstance(block, Bullets):
            found += block.items
    return found


def cells(path, sheet):
    rows = openpyxl.load_workbook(path)[sheet].iter_rows(values_only=True)
    return [list(row) for row in rows]


@pytest.mark.parametrize("purpose", ["accept", "control"])
@pytest.mark.parametrize("planted", PLANTED)
def test_all_that_is_said_of_a_study_agrees(planted, purpose, tmp_path):
    source = study(planted, purpose=purpose)
    assessed = grr.assess(source)
    verdict = grr.verdict(source)
    assert assessed.verdict is verdict
    biggest = next((c for c in assessed.causes if c.kind != "repeatability"), None)
    assert who(biggest) == PLANTED[planted]
    assert verdict.cause is biggest
    found = verdict.criterion
    measure = "percent_tolerance" if purpose == "accept" else "percent_tv"
    assert found.value == verdict.result.value("GRR", measure)

    # the document
    written = result_document(source)
    causes = [c for c in written["causes"] if c["kind"] != "repeatability"]
    assert [who(c) for c in causes] == [who(c) for c in verdict.causes]
    of_record = next(r for r in written["results"] if r["of_record"])
    told = of_record["verdict"]
    assert who(told["cause"]) == who(biggest)
    assert told["decision"] == verdict.decision
    assert (told["value"], told["upper_bound"]) == (found.value, found.upper)
    assert told["value"] == of_record["sources"]["GRR"][measure]
    assert [(s["kind"], s["readings"]) for s in told["steps"]] == [
        (s.kind, s.readings) for s in verdict.steps
    ]

    # the terminal, the assessment, and the first page of the report
    front = front_page(verdict, Cover("2026-01-01")).blocks
    for blocks in (verdict.blocks(), assessed.blocks(), front):
        (banner,) = (block for block in blocks if isinstance(block, Banner))
        assert banner.text == verdict.decision
    if biggest is not None:
        assert short(biggest, verdict.result) in texts(verdict.blocks())
        assert short(biggest, verdict.result) in texts(front)
        assert biggest.sentence in texts(assessed.blocks())
    for step in verdict.next_steps:
        assert step in texts(verdict.blocks())
        assert step in texts(assessed.blocks())

    # the workbook
    path = grr.export_workbook(source, tmp_path / "study.xlsx")
    head, first, *_ = cells(path, "Causes")
    row = dict(zip(head, first, strict=True))
    assert (row["kind"], row["operator"], row["part"]) == who(assessed.causes[0])
    assert row["without"] == pytest.approx(assessed.causes[0].without.value)
    decided = {name: value for name, value, *_ in cells(path, "Decision") if name}
    assert decided["Decision"] == verdict.decision
    shares = [line for line in cells(path, "Sources") if line[1] == "GRR"]
    assert shares[0][8 if purpose == "accept" else 7] == pytest.approx(found.value)

    # thousands of studies
    table = source.readings.assign(study="S")
    rows = grr.analyse_many(
        table,
        by="study",
        tolerances=pd.DataFrame(
            {"study": ["S"], "lower": [9.990], "upper": [10.010], "resolution": [0.0001]}
        ),
        checks=True,
        purpose=purpose,
    )
    flags = rows["flags"].iloc[0]
    assert ("cause: " in flags) == (biggest is not None)
    if biggest is not None:
        assert f"cause: {biggest.kind}" in flags
    assert rows["decision"].iloc[0] == verdict.decision
    assert rows[f"GRR_{measure}"].iloc[0] == pytest.approx(found.value)


def test_the_other_calculation_speaks_with_its_own_numbers():
    source = study("offset")
    for result in (grr.anova(source), grr.average_range(source)):
        verdict = grr.verdict(result)
        assert who(verdict.cause) == PLANTED["offset"]
        left = verdict.criterion.value * math.sqrt(1.0 - verdict.cause.share.value / 100.0)
        assert verdict.cause.without.value == pytest.approx(left)


def test_by_ranges_of_record_everything_speaks_by_ranges():
    source = study("offset", record="average_range")
    verdict = grr.verdict(source)
    assert verdict.result.method == "average_range"
    assert grr.assess(source).causes[0] is verdict.cause


def test_what_a_cause_explains_is_told_once():
    source = study("scatter")
    (finding,) = grr.check(source).about("range beyond limit")
    assert finding.cause == grr.verdict(source).cause.kind
    assert not any("to look at" in reason for reason in grr.verdict(source).reasons)


def test_exchanged_parts_are_the_only_cause_named():
    source = study("nothing")
    table = source.readings
    ends = table.groupby("part")["reading"].mean().sort_values().index[[0, -1]]
    exchanged = dict(zip(ends, reversed(ends), strict=True))
    own = table["operator"] == "Cem"
    table.loc[own, "part"] = table.loc[own, "part"].replace(exchanged)
    mixed = grr.Study(table, tolerance=source.tolerance, unit="mm", resolution=0.0001)
    assert grr.check(mixed).about("exchanged parts")
    (cause,) = grr.assess(mixed).causes
    assert (cause.kind, cause.operator) == ("exchanged_parts", "Cem")
    assert set(cause.part.split(", ")) == set(ends) and cause.trials == (1, 2, 3)
    right = grr.anova(source).value("GRR", "percent_tolerance")
    assert cause.without.value == pytest.approx(right)  # with the parts put back
    assert "exchanged parts" in grr.assess(mixed).notes[0]
    verdict = grr.verdict(mixed)
    assert verdict.cause is cause
    assert not any(cause.what in reason for reason in verdict.reasons)  # fixed first
    assert {step.kind for step in verdict.steps} == {"fix"}


def test_a_copied_trial_is_named_with_what_is_left_without_it():
    source = study("nothing")
    table = source.readings.sort_values(["operator", "trial", "part"], ignore_index=True)
    of_ana = table["operator"] == "Ana"
    first = table.loc[of_ana & (table["trial"] == 1), "reading"].to_numpy()
    table.loc[of_ana & (table["trial"] == 2), "reading"] = first
    copied = replace(source, readings=table)
    assert grr.check(copied).about("copied trial")
    cause = grr.verdict(copied).cause
    assert (cause.kind, cause.operator, cause.trials) == ("copied_trial", "Ana", (1, 2))
    table.loc[of_ana & (table["trial"] == 2), "reading"] = np.nan
    left = grr.anova(replace(source, readings=table)).value("GRR", "percent_tolerance")
    assert cause.without.value == pytest.approx(left)
    assert cause.share.value >= 0.0


# Two methods
# -----------


def two_methods(
    planted: str = "nothing", *, hand: float = 1.0, apart: float = 0.0, slip=None
) -> grr.Study:
    """The study above by a stand, and again by hand, whose repeats scatter ``hand`` µm."""
    stand = study(planted)
    table = stand.readings
    rng = np.random.default_rng(11)
    parts = table.groupby("part")["reading"].mean().reindex(table["part"]).to_numpy()
    by_hand = table.assign(
        method="hand",
        reading=np.round(parts + (apart + hand * rng.standard_normal(len(table))) / 1000.0, 4),
        order=table["order"] + len(table),
    )
    if slip is not None:
        by_hand.loc[17, "reading"] = slip(by_hand.loc[17, "reading"])
    return grr.Study(
        pd.concat([table.assign(method="stand"), by_hand], ignore_index=True),
        tolerance=stand.tolerance,
        unit="mm",
        resolution=0.0001,
        operators="fixed",
    )


#: Decision → scatter of repeats and of the operators in µm, and who will measure.
DECIDED = {
    grr.Decision.USE: (0.15, 0.0, "fixed"),
    grr.Decision.LIKE_THIS: (0.31, 0.0, "fixed"),
    grr.Decision.WITH_LIMITS: (0.7, 0.0, "fixed"),
    grr.Decision.DO_NOT_USE: (2.5, 0.0, "fixed"),
    grr.Decision.NOT_DECIDED: (0.6, 1.3, "random"),
}


def written_down(source: grr.Study, folder):
    """Return a folder that holds the study."""
    folder.mkdir()
    limits = source.tolerance
    gauges = "" if source.gauges == "random" else f"gauges_are = {json.dumps(source.gauges)}\n"
    (folder / "study.toml").write_text(
        f'unit = "mm"\nresolution = {source.resolution}\noperators_are = "{source.operators}"\n'
        f'purpose = "{source.purpose}"\n{gauges}'
        f"[tolerance]\nlower = {limits.lower}\nupper = {limits.upper}\n"
        f'[rules]\nmethod_of_record = "{source.rules.method_of_record}"\n'
    )
    source.readings.to_csv(folder / "readings.csv", index=False)
    return folder


def command(capsys, *arguments) -> dict:
    """Run a command with --json; return what it says, its exit status among it."""
    capsys.readouterr()
    status = main([*map(str, arguments), "--json"])
    said = json.loads(capsys.readouterr().out)
    assert said["exit_status"] == status
    return said


def told_on_the_command_line(source: grr.Study, folder, capsys) -> None:
    """Compare what `grr analyse` and `grr operators` say with the verdict and the comparison."""
    opened = grr.open_study(folder)
    verdict = grr.verdict(opened)
    assert verdict.decision == grr.verdict(source).decision
    said = command(capsys, "analyse", folder)
    assert said["exit_status"] == verdict.decision.exit_status
    assert said["result"] == json.loads(json.dumps(result_document(opened)))
    printed = said["text"]
    assert str(grr.check(opened)) in printed and str(verdict) in printed
    ways = [grr.anova(opened)]
    if not {"gauge", "place"} & {*source.readings}:  # else ranges are refused
        ways.append(grr.average_range(opened))
    for result in ways:
        assert str(result) in printed
    for cause in grr.assess(opened).causes:
        assert " ".join(cause.sentence.split()) in " ".join(printed.split())
    rows = command(capsys, "operators", folder)["operators"]
    for row, (name, own) in zip(
        rows, grr.compare_operators(opened).to_frame().iterrows(), strict=True
    ):
        assert (row["operator"], row["findings"]) == (name, own["findings"])
        assert row["from_others"] == pytest.approx(own["from_others"])


def told_alike(source: grr.Study, tmp_path) -> grr.Verdict:
    """Compare decision, bounds, look and limits over all outputs; return the verdict."""
    verdict, assessed = grr.verdict(source), grr.assess(source)
    assert assessed.verdict is verdict
    front = front_page(verdict, Cover("2026-01-01")).blocks
    for blocks in (verdict.blocks(), assessed.blocks(), front):
        (banner,) = (block for block in blocks if isinstance(block, Banner))
        assert banner.text == verdict.decision
    for sentence in verdict.acceptance:
        assert sentence in texts(verdict.blocks())
    of_record = next(r for r in result_document(source)["results"] if r["of_record"])
    told = of_record["verdict"]
    found = verdict.criterion
    assert told["decision"] == verdict.decision
    assert (told["value"], told["upper_bound"]) == (found.value, found.upper)
    assert [s["kind"] for s in told["steps"]] == [s.kind for s in verdict.steps]
    assert told["conditions"] == list(verdict.conditions)
    for sentence in verdict.conditions:
        assert sentence in texts(verdict.blocks())
    path = grr.export_workbook(source, tmp_path / "study.xlsx")
    decided = {name: value for name, value, *_ in cells(path, "Decision") if name}
    assert decided["Decision"] == verdict.decision
    return verdict


@pytest.mark.parametrize("decision", DECIDED)
def test_each_of_the_five_answers_is_the_same_wherever_it_is_told(decision, tmp_path, capsys):
    repeats, between, who_will = DECIDED[decision]
    rng = np.random.default_rng(8)
    y = rng.normal(0.0, 2.5, (10, 1, 1)) + between * np.array([-1.0, 1.0, 0.0])[None, :, None]
    y = y + repeats * rng.standard_normal((10, 3, 3))
    table = pd.DataFrame(
        [
            (str(i + 1), NAMES[j], k + 1, 10.0 + y[i, j, k] / 1000.0)
            for i, j, k in np.ndindex(y.shape)
        ],
        columns=["part", "operator", "trial", "reading"],
    ).round({"reading": 5})
    source = grr.Study(
        table,
        tolerance=grr.Tolerance(9.990, 10.010),
        unit="mm",
        resolution=0.00001,
        operators=who_will,
    )
    assert told_alike(source, tmp_path).decision == decision
    told_on_the_command_line(source, written_down(source, tmp_path / "study"), capsys)


@pytest.mark.parametrize("planted", ["offset", "scatter", "part", "drift"])
def test_the_command_line_says_the_same(planted, tmp_path, capsys):
    source = study(planted)
    told_on_the_command_line(source, written_down(source, tmp_path / "study"), capsys)
    (cause, *_) = grr.assess(source).causes
    found = grr.compare_operators(source)
    if planted == "offset":  # the comparison of operators and the cause speak of one number
        assert found.about("Ben").reads_apart
        assert found.about("Ben").offset.size.value == pytest.approx(cause.size.value)
        assert found.about("Ben").offset.without.value == pytest.approx(cause.without.value)
    if planted == "scatter":
        assert "scatters more" in found.about("Ben").findings
        assert found.numbers.value("Ben", "scatter_ratio") == pytest.approx(cause.size.value)
    if planted == "drift":
        assert {"drifts"} <= set.intersection(*(set(one.findings) for one in found.conclusions))
        drift = found.numbers.drift
        assert cause.size.value == pytest.approx(drift.change(next(iter(drift.methods))), rel=0.05)


@pytest.mark.parametrize("gauges", ["fixed", 3])
def test_a_study_with_several_gauges_and_places_says_the_same_wherever_it_is_told(
    gauges, tmp_path, capsys
):
    rng = np.random.default_rng(12)
    part, name, gauge, place, k = (n.ravel() for n in np.indices((8, 3, 2, 2, 2)))
    size = 3.0 * rng.standard_normal(8)[part] + 0.6 * rng.standard_normal((8, 2))[part, place]
    reading = 10.0 + (size + 0.1 * gauge + 0.15 * rng.standard_normal(len(part))) / 1000.0
    table = pd.DataFrame(
        {
            "part": (part + 1).astype(str),
            "operator": np.array(NAMES)[name],
            "gauge": np.array(["M7", "M9"])[gauge],
            "place": np.array(["head", "tail"])[place],
            "trial": k + 1,
            "reading": np.round(reading, 5),
        }
    )
    source = grr.Study(
        table,
        tolerance=grr.Tolerance(9.990, 10.010),
        unit="mm",
        resolution=0.00001,
        operators="fixed",
        gauges=gauges,
    )
    verdict = told_alike(source, tmp_path)
    assert {"GAU", "WPV"} <= {*verdict.result.source_names}
    assert any("M7 and M9" in sentence for sentence in verdict.conditions)
    told_on_the_command_line(source, written_down(source, tmp_path / "study"), capsys)


@pytest.mark.parametrize("second", [False, True])
def test_a_study_in_two_stages_says_the_same_wherever_it_is_told(second, tmp_path):
    rng = np.random.default_rng(9)
    names, parts = (*NAMES, "Dea", "Eva"), [str(i + 1) for i in range(10)]
    further = ("2", "4", "6", "8", "10") if second else ()
    sizes, offsets = 10.0 + 0.003 * rng.standard_normal(10), 0.0004 * rng.standard_normal(5)
    rows = [
        (parts[i], names[j], k + 1, sizes[i] + offsets[j] + 0.0004 * rng.standard_normal())
        for i, j, k in np.ndindex(10, 5, 3)
        if j < 3 or parts[i] in further
    ]
    source = grr.Study(
        pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"]).round(5),
        tolerance=grr.Tolerance(9.990, 10.010),
        unit="mm",
        resolution=0.00001,
        process_sd=0.003,
        plan=grr.Plan(
            parts=tuple(parts),
            operators=NAMES,
            trials=3,
            looks=2,
            further_operators=names[3:] if second else (),
            further_parts=further,
        ),
    )
    told_alike(source, tmp_path)


#: What is planted in a study by two methods → kind, operator and method named first.
OF_TWO = {
    "nothing": ({"hand": 0.3}, (None, None, None)),
    "hand repeats worse": ({"hand": 1.5}, ("method", None, "hand")),
    "hand reads high": ({"hand": 0.3, "apart": 2.0}, ("method", None, "hand")),
    "scatter": ({"planted": "scatter", "hand": 0.4}, ("operator_scatter", "Ben", "stand")),
    "drift": ({"planted": "drift", "hand": 0.4}, ("drift", None, "stand")),
}


def of_method(cause) -> tuple[str | None, str | None, str | None]:
    if cause is None:
        return None, None, None
    return cause.kind, cause.operator, cause.method


@pytest.mark.parametrize("planted", OF_TWO)
def test_all_that_is_said_of_two_methods_agrees(planted, tmp_path, capsys):
    made, first = OF_TWO[planted]
    source = two_methods(**made)
    assessed = grr.assess(source)
    named = [cause for cause in assessed.causes if cause.kind != "repeatability"]
    assert of_method(next(iter(named), None)) == first
    compared = grr.compare_methods(source, baseline="stand")
    assert [one.recommendation for one in assessed.methods] == [compared.recommendation]

    # each method by itself: the same causes, in the list of all but what lies between methods
    verdicts = {name: grr.verdict(source.for_method(name)) for name in source.methods}
    apart = [c for c in named if c.kind == "method" and c.size.unit]
    of_each = [cause for verdict in verdicts.values() for cause in verdict.causes]
    assert sorted(map(id, of_each)) == sorted(id(c) for c in named if c not in apart)
    for cause in apart:
        found = compared.numbers.difference
        if "drift" not in planted:  # it is counted without what drifts
            assert cause.size.value == pytest.approx(float(found.mean))
    for name, verdict in verdicts.items():
        assert assessed.by_method[name].verdict is verdict
        assert verdict.criterion.value == pytest.approx(
            compared.judgements[name].criterion.value, rel=1e-9
        )
        assert compared.by_itself[name] == verdict.decision
        marked = {f.cause for f in grr.check(source.for_method(name)) if f.cause}
        assert marked <= {cause.kind for cause in verdict.causes}

    # the document, the workbook, the terminal
    written = result_document(source)
    assert [(c["kind"], c["operator"], c["method"]) for c in written["causes"]] == [
        of_method(cause) for cause in assessed.causes
    ]
    rows = cells(grr.export_workbook(source, tmp_path / "study.xlsx"), "Causes")
    table = [dict(zip(rows[0], row, strict=True)) for row in rows[1 : len(assessed.causes) + 1]]
    assert [(r["kind"], r["operator"], r["method"]) for r in table] == [
        of_method(cause) for cause in assessed.causes
    ]
    banner = next(block for block in assessed.blocks() if isinstance(block, Banner))
    assert banner.text == compared.headline.upper()
    said = texts(assessed.blocks())
    for cause in named:
        assert any(cause.sentence in text for text in said)

    study_file = written_down(source, tmp_path / "study")
    expected = grr.Decision.NOT_DECIDED
    if compared.recommended is not None:
        expected = verdicts[compared.recommended].decision
    elif compared.recommendation != "can't tell yet":
        expected = max((v.decision for v in verdicts.values()), key=list(grr.Decision).index)
    assert main(["analyse", str(study_file)]) == expected.exit_status
    printed = capsys.readouterr().out
    for verdict in verdicts.values():
        assert printed.count(verdict.decision) >= 1
    assert compared.headline.upper() in printed

    # the document, the first page of the report and `grr compare` recommend the same
    (told,) = written["comparisons"]
    difference = compared.numbers.difference
    assert (told["recommendation"], told["recommended"]) == (
        compared.recommendation,
        compared.recommended,
    )
    assert told["mean_difference"] == pytest.approx(float(difference.mean))
    assert told["price"] == pytest.approx(compared.price.value)
    front = methods_front_page(source, [compared], None, verdicts, Cover("2026-01-01")).blocks
    (banner,) = (block for block in front if isinstance(block, Banner))
    assert (banner.text, banner.sentence) == (compared.headline.upper(), compared.answer)
    (row,) = command(capsys, "compare", study_file)["comparisons"]
    assert (row["baseline"], row["recommendation"], row["recommended"]) == (
        "stand",
        compared.recommendation.name,
        compared.recommended,
    )
    for own, (name, known) in zip(row["rows"], compared.to_frame().iterrows(), strict=True):
        assert own["method"] == name
        for column in ("GRR_sd", "percent", "percent_upper", "percent_worst"):
            assert own[column] == pytest.approx(known[column]), column
        assert known["percent"] == pytest.approx(verdicts[name].criterion.value)
        assert known["percent_upper"] == pytest.approx(verdicts[name].criterion.upper)
        # what binds a method is what its verdict says, and what the comparison adds
        if compared.recommended == name:
            bound = dict(what_next(compared))
            told = next(v for key, v in bound.items() if key.endswith(": conditions"))
            asked = compared.conditions.get(name)
            zeroing = asked is None or not asked.zero_every
            assert set(conditions_of_use(source.for_method(name), zeroing=zeroing)) <= set(told)


def test_operators_counted_otherwise_do_not_change_what_each_method_is():
    """Two people cannot stand for others: the comparison counts them as all, and says so."""
    source = two_methods()
    table = source.readings
    two = grr.Study(
        table[table["operator"] != "Cem"],
        tolerance=source.tolerance,
        unit="mm",
        resolution=0.0001,
        operators="random",
    )
    compared = grr.compare_methods(two, baseline="stand")
    assert compared.study.operators == "fixed"
    for name in two.methods:
        assert compared.by_itself[name] == grr.verdict(two.for_method(name)).decision


def test_the_conditions_ask_for_the_shorter_interval_of_zeroing():
    source = study("drift")
    zeroed = replace(source, facts={"zeroed_how_often": "once a day"})
    asked = zero_interval(zeroed)
    assert asked
    conditions = conditions_of_use(zeroed)
    assert any(asked in line for line in conditions)
    assert not any("once a day" in line for line in conditions)
    calm = replace(study("nothing"), facts={"zeroed_how_often": "once a day"})
    assert any("once a day" in line for line in conditions_of_use(calm))


@pytest.mark.parametrize("slip", [lambda value: 10.0 * value, lambda value: value + 0.9])
def test_no_output_states_numbers_of_ruined_readings(tmp_path, capsys, slip):
    source = two_methods(slip=slip)
    (compared,) = grr.assess(source).methods
    assert compared.ruined and compared.recommended is None
    held = RUINED.paragraphs[0]
    banner, *rest = compared.blocks()
    assert banner.text == "FIX THE DATA FIRST" and held in texts(rest)
    assert not any(isinstance(block, Table | Fold) for block in rest)
    assert compared.look_first[0] in texts(rest)
    front = methods_front_page(source, [compared], None, {}, Cover("2026-01-01")).blocks
    assert not any(isinstance(block, Picture) for block in front)

    path = grr.export_workbook(source, tmp_path / "study.xlsx")
    assert cells(path, "Calculation 2") == [[f"hand: {held}"]]
    assert len(cells(path, "Calculation 1")) > 10
    for sheet in ("Sources", "Analysis of variance", "Intervals"):
        assert held in str(cells(path, sheet)[-1])

    assert main(["analyse", str(written_down(source, tmp_path / "study"))]) == 5
    printed = capsys.readouterr().out
    ruined = printed[printed.index("Method: hand") :]
    assert "PV part variation" in printed and "PV part variation" not in ruined


def test_the_calculation_asked_for_carries_the_finding():
    for slip, words in ((lambda v: 10.0 * v, "off by a factor"), (lambda v: v + 0.9, "is far off")):
        result = grr.anova(two_methods(slip=slip).for_method("hand"))
        assert result.value("GRR", "percent_tolerance") > 1000.0
        assert any(words in line for line in texts(result.blocks()))


# A coarse digit
# --------------


def test_both_ways_of_a_comparison_have_the_bounds_of_their_verdicts():
    """A digit of three sds of GRR: what is read decides, whoever asks."""
    rng = np.random.default_rng(8)
    size = 20.0 + rng.normal(0.0, 0.02, (10, 1, 1, 1))
    y = size + 0.001 * rng.standard_normal((10, 3, 3, 2)) * np.array([1.0, 2.0])
    i, j, k, m = (index.ravel() for index in np.indices(y.shape))
    columns = {"part": i, "operator": j, "method": m, "trial": k + 1}
    table = pd.DataFrame(columns).astype({"part": str, "operator": str, "method": str})
    table["reading"] = (y.ravel() / 0.005).round() * 0.005
    made = grr.Study(table, tolerance=grr.Tolerance(19.92, 20.08), unit="mm", resolution=0.005)
    compared = grr.compare_methods(made, baseline="0", candidate="1")
    for name, judgement in compared.judgements.items():
        alone = grr.verdict(made.for_method(name))
        assert judgement.criterion == alone.criterion
        fine = upper_bound(
            percent_tolerance_draws(pivots_of(alone.result), "GRR", specification_of(alone.result)),
            0.95,
        )
        rounding = 600 * 0.005 / 0.16 / np.sqrt(6)
        assert judgement.criterion.upper == pytest.approx(np.hypot(fine, rounding))


# What a larger study would bring
# -------------------------------


def open_study(operators) -> grr.Study:
    """A study that is not decided: 10 parts, 3 operators who differ, and limits that are dear."""
    made = study("offset")
    table = made.readings
    part = table.groupby("part")["reading"].transform("mean")
    table["reading"] = (part + 2.0 * (table["reading"] - part)).round(4)
    return replace(made, readings=table, operators=operators, process_sd=0.0033)


@pytest.mark.parametrize(("operators", "more"), [("fixed", "parts"), ("random", "people")])
def test_more_people_are_spoken_of_only_where_others_will_measure(operators, more):
    made = open_study(operators)
    larger = larger_study(grr.anova(made))
    assert more in larger.words
    assert (larger.design.operators > 3) == (operators == "random")
    assert (larger.design.parts > 10) == (operators == "fixed")


@pytest.mark.parametrize(("digit", "process_sd"), [(0.0001, 0.0033), (0.003, 0.0025)])
def test_the_chance_of_cheap_limits_is_that_of_simulated_studies(digit, process_sd):
    """Against whole studies: readings drawn with variances from the pivot, each judged by itself.

    150 studies know the chance to about 0.04 (one standard error), each rounded to the digit,
    whose share of EV is taken off before. The second digit is coarse:
    without what rounding adds to the bounds the chance would be 0.55.
    """
    made = open_study("random")
    made = replace(
        made,
        readings=made.readings.assign(reading=(made.readings["reading"] / digit).round() * digit),
        resolution=digit,
        process_sd=process_sd,
    )
    result = grr.anova(made)
    larger = larger_study(result)
    assert 0.05 < larger.chance < 0.95  # a case that is open
    seen, rng, cheap = pivots_of(result), np.random.default_rng(3), 0
    for n in rng.integers(0, seen.grr.size, 150):
        sd = {
            name: math.sqrt(max(float(getattr(seen, name)[n]), 0.0))
            for name in ("repeatability", "operator", "interaction", "part")
        }
        p, o = larger.design.parts, larger.design.operators
        y = 10.0 + sd["part"] * rng.standard_normal((p, 1, 1))
        y = y + sd["operator"] * rng.standard_normal((1, o, 1))
        y = y + sd["interaction"] * rng.standard_normal((p, o, 1))
        before = math.sqrt(max(sd["repeatability"] ** 2 - digit**2 / 12.0, 0.0))
        y = y + before * rng.standard_normal((p, o, 3))
        i, j, k = (index.ravel() for index in np.indices(y.shape))
        columns = {"part": i, "operator": j, "trial": k + 1, "reading": y.ravel()}
        table = pd.DataFrame(columns).astype({"part": str, "operator": str})
        table["reading"] = (table["reading"] / digit).round() * digit
        again = replace(made, readings=table, plan=None, process_mean=result.mean)
        cheap += narrowed(grr.anova(again)).price.upper <= made.rules.most_refused_percent
    assert cheap / 150 == pytest.approx(larger.chance, abs=0.13)


# Shares, one operator, and people beside a part
# ----------------------------------------------


def test_shares_of_a_coarse_digit_and_of_the_background_make_no_more_than_the_whole():
    rng = np.random.default_rng(4)
    made = study("nothing")
    table = made.readings
    size = 10.0 + rng.normal(0.0, 0.015, 10)[table["part"].astype(int) - 1]
    table["reading"] = np.round(size + 0.003 * rng.standard_normal(len(table)), 2)
    coarse = replace(
        made, readings=table, resolution=0.01, tolerance=grr.Tolerance(9.95, 10.05), plan=None
    )
    digit, *_, background = grr.assess(coarse).causes
    assert (digit.kind, background.kind) == ("digit", "repeatability")
    assert digit.share.value + background.share.value < 100.5
    known = grr.anova(coarse).value("EV", "variance") - 0.01**2 / 12.0
    assert background.size.value == pytest.approx(math.sqrt(known))
    (finding,) = grr.check(coarse).about("too few digits")
    assert finding.cause == "digit"  # told once, as the cause


def test_those_who_do_not_scatter_are_judged_without_what_one_persons_scatter_makes(capsys):
    source = study("scatter")
    uses = {use.operator: use.percent for use in grr.verdict(source).by_operator}
    table = source.readings
    alone = grr.anova(replace(source, readings=table[table["operator"] != "Ben"]))
    for name in ("Ana", "Cem"):
        assert uses[name].value == pytest.approx(alone.value("GRR", "percent_tolerance"), rel=0.3)
        assert uses[name].upper < uses["Ben"].value


@pytest.mark.parametrize("way", [grr.anova, grr.average_range])
def test_one_operator_is_the_reason_for_all_that_is_missing_and_is_told_once(way):
    table = study("nothing").readings
    alone = replace(study("nothing"), readings=table[table["operator"] == "Ana"])
    result = way(alone)
    assert set(result.reasons) >= {"AV", "INT"} and len(set(result.reasons.values())) == 1
    (reason,) = set(result.reasons.values())
    assert sum(reason in line for line in texts(result.blocks())) == 1


def test_what_a_slip_ruins_is_not_said_of_people(tmp_path, capsys):
    made = study("nothing")
    table = made.readings
    table.loc[17, "reading"] += 0.09
    source = replace(made, readings=table)
    compared = grr.assess(source).operators
    assert compared.look_first == grr.verdict(source).findings.look_first
    said = command(capsys, "operators", written_down(source, tmp_path / "study"))
    assert {row["findings"] for row in said["operators"]} == {compared.conclusions[0].in_words[0]}
    assert not any("scatters" in row["findings"] for row in said["operators"])


def test_methods_that_read_apart_beyond_chance_are_not_said_to_read_alike():
    (compared,) = grr.assess(two_methods(hand=0.3, apart=0.5)).methods
    apart = compared.numbers.mean_difference
    assert (compared.reason, apart.lower > 0.0) == ("alike", True)
    assert f"{apart}" in compared.answer


def test_the_first_page_names_what_it_is_once():
    untitled = front_page(grr.verdict(study("nothing")), Cover("2026-01-01"))
    titled = front_page(grr.verdict(replace(study("nothing"), title="Pin")), Cover("2026-01-01"))
    for page in (untitled, titled):
        assert f"{page.kicker} {page.title}".count("Gauge study") == 1
