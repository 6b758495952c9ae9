"""The report as one page of HTML."""

from __future__ import annotations

import ast
import datetime as dt
import io
import re
from dataclasses import replace
from hashlib import sha256
from html import unescape
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hostile_study import hostile_study
from html_page import DAY, Page
from studies import SHAPES, invented

import grr
from grr.model.facts import FACTS
from grr.page import templates
from grr.page.conduct import readings_fingerprint
from grr.page.front import comparisons_of
from grr.questions.renewal import recheck
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
ONE_METHOD = ("dowel_pin", "dowel_pin_handheld", "dowel_pin_mistakes", "bushing_inch")
DECISIONS = {
    "dowel_pin": "● USE",
    "dowel_pin_handheld": "✖ DO NOT USE FOR THIS TOLERANCE",
    "dowel_pin_mistakes": "▲ FIX THE DATA FIRST",
    "bushing_inch": "○ NOT DECIDED YET",
    "pins_two_ways": "● USE STAND",
}
every = pytest.mark.parametrize("name", DECISIONS)


def write(study: grr.Study, path: Path, **options: object) -> Page:
    return Page(grr.report(study, path, date=DAY, **options).read_text(encoding="utf-8"))


@every
def test_decision_comes_first_and_everything_an_auditor_asks_for_is_there(demo_page, name):
    page = demo_page(name)
    study = grr.open_study(DEMO / name)
    assert DECISIONS[name] in page.shown[:900]
    for text in (
        study.title,
        "2026-11-25",
        "Revision C",
        "A. Person",
        "EXAMPLE",
        "Prepared",
        readings_fingerprint(study),
        "AIAG MSA, 4th ed.",
        "ISO 14253-1",
        "Signed",
        "Python",
    ):
        assert text in page.shown, text
    if (DEMO / name / "study.toml").exists() and name != "dowel_pin_mistakes":
        journal = (DEMO / name / "readings.csv").read_text(encoding="utf-8-sig")
        assert journal.strip().rsplit(",", 1)[1] in page.shown


@every
def test_page_needs_nothing_else_and_runs_nothing(demo_page, name):
    page = demo_page(name)
    assert page.open == []
    assert len(page.text.encode("utf-8")) < 1_000_000
    tags = {tag for tag, _ in page.elements}
    assert not tags & {"script", "img", "iframe", "link", "object", "embed", "form", "base"}
    assert not re.search(r"(?:src|href|url\()\s*=?\s*[\"']?\s*(?:https?:|//)", page.text)
    for _, attributes in page.elements:
        assert not [key for key in attributes if key.startswith("on")]
    assert all(str(a["href"]).startswith("#") for a in page.named("a"))


@every
def test_page_can_be_heard_and_walked_through(demo_page, name):
    page = demo_page(name)
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    ids = [str(a["id"]) for _, a in page.elements if "id" in a]
    assert len(set(ids)) == len(ids)
    assert {str(a["href"])[1:] for a in page.named("a")} <= set(ids)
    pictures = page.named("svg")
    # Of ruined readings no spread and no comparison is drawn, only the readings themselves.
    assert len(pictures) >= (3 if name == "dowel_pin_mistakes" else 5)
    assert all(svg["role"] == "img" and svg["aria-label"] for svg in pictures)
    assert all(cell.get("scope") for cell in page.named("th"))
    assert page.named("html")[0]["lang"] == "en"


@pytest.mark.parametrize("name", ["dowel_pin", "bushing_inch"])
def test_every_reading_stands_in_the_table(demo_page, name):
    study = grr.open_study(DEMO / name)
    decimals = 4 if name == "dowel_pin" else 5
    tables = re.findall(r"(?s)<table class=\"readings\">.*?</table>", demo_page(name).text)
    found = re.findall(r"<td(?: class=\"next\")?>([\d.]+)</td>", "".join(tables))
    expected = sorted(f"{value:.{decimals}f}" for value in study.readings["reading"])
    assert sorted(found) == expected


def test_headline_numbers_unfold_to_their_formulas(demo_page):
    page = demo_page("dowel_pin")
    result = grr.anova(grr.open_study(DEMO / "dowel_pin"))
    assert f"/ 6.00000 = {result.value('GRR', 'percent_tolerance'):.1f}" in page.shown
    assert "× (people − 1) / people" in page.shown


def first_page(page: Page) -> str:
    return page.shown.split("In this report")[0]


def words_on_the_first_page(page: Page) -> int:
    """All words but those that somebody typed: the title, the form's answers, the demo's stamp.

    A picture's words count; a number does not.
    """
    front = re.search(r'(?s)<section class="front.*?</section>', page.text)[0]
    left_out = r"(?s)<details.*?</details>|<h1>.*?</h1>|<dd.*?</dd>|<p class=\"example\">.*?</p>"
    text = unescape(re.sub(r"<[^>]+>", " ", re.sub(left_out, " ", front)))
    return sum(bool(re.search(r"[^\W\d_]", word)) for word in text.split())


@pytest.mark.parametrize("name", ONE_METHOD)
def test_first_page_is_the_whole_decision_in_two_hundred_words(demo_page, name):
    assert 60 < words_on_the_first_page(demo_page(name)) <= 200


def test_what_is_not_recorded_is_a_line_to_fill_in(demo_page, tmp_path):
    front = re.search(r'(?s)<section class="front.*?</section>', demo_page("dowel_pin").text)[0]
    answers = dict(re.findall(r"<dt>(.*?)</dt><dd(?: class=\"empty\")?>(.*?)</dd>", front))
    assert answers["Serial"] == "demo micrometer 3"
    assert answers["Prepared"] == "A. Person"
    assert answers["Revision"] == "C"
    empty = re.findall(r"<dt>([^<]*)</dt><dd class=\"empty\"></dd>", front)
    assert empty == ["Gauge", "Range", "Calibrated", "Report", "Signed", "Approved", "Signed"]
    facts = {
        "gauge_type": "Invented 25",
        "gauge_range": "0 to 25 mm",
        "calibrated_on": "2026-10-01",
    }
    study = replace(grr.open_study(DEMO / "dowel_pin"), facts=facts)
    text = write(study, tmp_path / "r.html", number="R-17").shown
    for said in ("Invented 25", "0 to 25 mm", "2026-10-01", "R-17"):
        assert said in first_page(Page(text)), said


def test_a_small_digit_is_said_without_powers_of_ten(demo_page):
    assert "Digit 0.00001 in" in first_page(demo_page("bushing_inch"))


def test_first_page_says_what_ends_the_verdict_and_what_renews_it(demo_page):
    used = first_page(demo_page("dowel_pin"))
    assert str(recheck(grr.open_study(DEMO / "dowel_pin"))).replace("\xa0", " ") in used
    assert "study again" in first_page(demo_page("dowel_pin_handheld"))
    assert "What ends" not in first_page(demo_page("dowel_pin_mistakes"))


def test_first_page_says_what_the_check_found(demo_page):
    handheld = first_page(demo_page("dowel_pin_handheld"))
    assert "Miro's repeats" in handheld
    assert "range beyond limit" not in handheld  # told once, as the cause
    mistakes = first_page(demo_page("dowel_pin_mistakes"))
    assert re.search(r"5 findings [^.]*: part 2, .*? and ", mistakes)
    assert "3 findings" in first_page(demo_page("pins_two_ways"))
    assert "stand: part 6, operator Miro" in demo_page("pins_two_ways").shown
    assert "finding" not in first_page(demo_page("bushing_inch"))


def test_first_page_says_that_the_calibration_is_due(demo_page, tmp_path):
    overdue = "Calibration was due on 2026-09-30: calibrate first."
    for name in ("dowel_pin", "pins_two_ways"):
        assert overdue in first_page(demo_page(name))
    assert "was due" not in first_page(demo_page("bushing_inch"))
    study = grr.open_study(DEMO / "dowel_pin")
    path = grr.report(study, tmp_path / "r.html", date=dt.date(2026, 9, 30))
    assert "was due" not in first_page(Page(path.read_text(encoding="utf-8")))


def test_sentences_name_parts_of_the_report_in_place_of_functions(demo_page):
    for name in DECISIONS:
        assert not re.search(r"grr\.\w+", demo_page(name).shown), name
    assert "see “Is the data what it claims to be?”" in demo_page("dowel_pin_mistakes").shown


def test_same_study_and_day_give_the_same_bytes(tmp_path):
    study = grr.open_study(DEMO / "bushing_inch")
    pages = [grr.report(study, tmp_path / f"{n}.html", date=DAY).read_bytes() for n in (1, 2)]
    assert pages[0] == pages[1]
    today = grr.report(study, tmp_path / "3.html").read_text(encoding="utf-8")
    assert dt.date.today().isoformat() in today


def test_several_methods_are_compared_and_each_reported(demo_page):
    page = demo_page("pins_two_ways")
    for text in (
        "The methods compared",
        "The numbers",
        "Drift while measuring",
        "Each method by itself",
        "Zero, session by session",
    ):
        assert text in page.shown, text


def test_another_baseline_turns_the_comparison_around(tmp_path):
    study = grr.open_study(DEMO / "pins_two_ways")
    found, _ = comparisons_of(study, "handheld")
    assert [(one.numbers.baseline, one.numbers.candidate) for one in found] == [
        ("handheld", "stand")
    ]
    with pytest.raises(grr.StudyError, match="none of"):
        grr.report(study, tmp_path / "r.html", baseline="by eye")


@pytest.mark.parametrize(
    ("shape", "says"),
    [
        ("no tolerance", "no tolerance"),
        ("one operator", "The operators cannot be compared"),
        ("one trial", "Each part was measured once"),
        ("readings missing", "Restricted maximum likelihood"),
        ("chosen parts", "the parts were chosen"),
        ("all repeats equal", "rounding error"),
    ],
)
def test_odd_studies_get_a_report_that_says_what_cannot_be_told(tmp_path, shape, says):
    page = write(SHAPES[shape](), tmp_path / "r.html")
    assert says in page.shown
    assert not re.search(r"\b(nan|inf|None|NaN)\b", page.shown)
    assert "entry form" in page.shown


def test_nested_study_gets_a_report(tmp_path):
    table = SHAPES["manual"]().readings
    table["part"] = table["part"] + " of " + table["operator"]
    study = grr.Study(table, design="nested", tolerance=grr.Tolerance(-4, 4), unit="mm")
    page = write(study, tmp_path / "r.html")
    assert "parts of one operator" in page.shown


def test_average_and_range_may_be_the_method_of_record(tmp_path):
    study = replace(
        grr.open_study(DEMO / "dowel_pin"), rules=grr.Rules(method_of_record="average_range")
    )
    page = write(study, tmp_path / "r.html")
    assert "average and range" in first_page(page)


def test_hostile_texts_stay_text(tmp_path):
    study = hostile_study(tmp_path / "study")
    page = write(
        study, tmp_path / "r.html", prepared_by="<script>hit()</script>", revision="'\"><b>"
    )
    tags = [tag for tag, _ in page.elements]
    assert not {"script", "img", "a"} & set(tags) - {"a"}
    assert tags.count("style") == 1
    assert all(str(a["href"]).startswith("#") for a in page.named("a"))
    assert page.open == []
    assert "<script>window.hit = 1; alert(1)</script>" in page.shown
    assert "=cmd()|'/C calc'!A0" in page.shown
    assert "N" * 300 in page.shown
    assert "\u202e" not in page.text
    assert "Names in full" in page.shown


def test_coded_report_attaches_readings_that_compare_in_all_but_names(tmp_path):
    study = grr.open_study(DEMO / "pins_two_ways")
    page = write(study, tmp_path / "r.html", code_operators=True)
    attached = unescape(re.search(r'(?s)<pre class="verbatim">(.*?)</pre>', page.text)[1])
    coded, key = grr.code_operators(study)
    assert sha256(attached.encode("utf-8")).hexdigest() == readings_fingerprint(coded)
    for one in (readings_fingerprint(coded), readings_fingerprint(study)):
        assert one in page.shown
    both = {readings_fingerprint(one, operators=False) for one in (study, coded)}
    assert len(both) == 1
    assert both.pop() in page.shown
    assert "verbatim" not in write(study, tmp_path / "r.html").text.split("</style>")[1]
    table = pd.read_csv(io.StringIO(attached), dtype={"part": str})
    names = table.assign(operator=table["operator"].map(key))
    assert readings_fingerprint(grr.Study(names, unit="mm")) == readings_fingerprint(study)
    moved = names.assign(reading=names["reading"] + 1e-9)
    assert readings_fingerprint(grr.Study(moved), operators=False) not in page.shown


def test_facts_are_named_and_not_asked(demo_page):
    shown = demo_page("dowel_pin").shown
    for entry in FACTS:
        assert not entry.label.endswith("?")
        if entry.question.endswith("?"):
            assert entry.question.rstrip("?") not in shown, entry.key
    assert "Planned by" in shown
    assert len({entry.label for entry in FACTS}) == len(FACTS)


@pytest.mark.parametrize("file", sorted(Path(templates.__file__).parent.glob("*.py")), ids=str)
def test_no_page_is_written_by_hand(file):
    """Templates write HTML; no module of the pages holds a tag or escapes a text itself."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    texts = [n.value for n in ast.walk(tree) if isinstance(n, ast.Constant)]
    assert not [t for t in texts if isinstance(t, str) and re.search(r"</?[a-z!]", t)]
    assert not [n for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.module == "html"]


def test_wrong_places_and_things_are_refused_in_one_sentence(tmp_path):
    study = invented(3, 2, 2)
    with pytest.raises(grr.StudyError, match=r"\.html"):
        grr.report(study, tmp_path / "r.docx")
    with pytest.raises(grr.StudyError, match="does not exist"):
        grr.report(study, tmp_path / "nowhere" / "r.html")
    with pytest.raises(grr.StudyError, match="study or a result"):
        grr.report(study.readings, tmp_path / "r.html")  # type: ignore[arg-type]
    with pytest.raises(grr.StudyError, match="A4"):
        grr.report(study, tmp_path / "r.html", paper="A3")


def test_readings_without_a_resolution_keep_their_digits(tmp_path):
    table = pd.DataFrame(
        [(p, o, t, 1.0 + 0.123456 * i) for i, (p, o, t) in enumerate(
            (p, o, t) for p in "abc" for o in "XY" for t in (1, 2))],
        columns=["part", "operator", "trial", "reading"],
    )  # fmt: skip
    page = write(grr.Study(table, unit="mm"), tmp_path / "r.html")
    assert "1.123456" in page.shown


def test_another_programs_sums_of_squares_stand_beside_ours(demo_page):
    assert re.search(r"statsmodels.*the same;", demo_page("dowel_pin").shown)


def _calculated(text: str) -> tuple[int, int]:
    """How many percentages of "100 × … = … %" the report's own text holds, and gives again."""
    found = re.findall(r"100 × ([\d.,× −()/]+?) / ([\d.]+) = ([\d.]+) %", text)
    good = 0
    for above, below, shown in found:
        product = 100.0
        for factor in above.split("×"):
            product *= float(factor)
        good += abs(product / float(below) - float(shown)) <= (0.051 if "." in shown else 0.51)
    return len(found), good


@every
def test_a_pocket_calculator_gives_the_percentages_shown(demo_page, name):
    told, right = _calculated(demo_page(name).shown)
    assert told == right
    assert told > 5 or name == "dowel_pin_mistakes"


@pytest.mark.parametrize(("name", "unit"), [("dowel_pin", "µm"), ("bushing_inch", "µin")])
def test_squares_stand_in_one_unit_and_give_the_share_of_the_tolerance(demo_page, name, unit):
    """From the table of sums of squares to GRR of the tolerance, with the numbers as shown."""
    shown, study = demo_page(name).shown, grr.open_study(DEMO / name)
    assert f"squares, {unit}²" in shown
    assert not re.search(r"EV² = [^=]* = \d\.\d+e", shown)
    grr_shown = re.search(rf"GRR = √([\d.]+) = ([\d.]+) {unit}", shown)
    square, sd = (float(group) for group in grr_shown.groups())
    assert square**0.5 == pytest.approx(sd, rel=1e-5)
    width = study.tolerance.width * (1e3 if unit == "µm" else 1e6)
    again = 100.0 * 6.0 * sd / width
    told = grr.anova(study).value("GRR", "percent_tolerance")
    assert again == pytest.approx(told, abs=1e-3)


def at_two_places():
    """Four parts at two places each, by two people, twice; the readings tell which is which."""
    rng = np.random.default_rng(3)
    rows = [
        (str(p), who, trial, 10.0 + 0.01 * p + 0.001 * up + round(rng.normal(0, 3e-4), 4), place)
        for who in ("Ada", "Ben")
        for trial in (1, 2)
        for p in range(1, 5)
        for up, place in enumerate(("bottom", "top"))
    ]
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading", "place"])
    table["order"] = range(1, len(table) + 1)
    return grr.Study(table, unit="mm", resolution=1e-4, tolerance=grr.Tolerance(9.9, 10.2))


def test_readings_at_several_places_name_the_place_and_the_trial(tmp_path):
    study = at_two_places()
    page = write(study, tmp_path / "r.html")
    first = study.readings.iloc[0]
    assert (first["part"], first["operator"], first["place"]) == ("1", "Ada", "bottom")
    assert f"▸ Ada\n1 1/1 bottom {first['reading']:.4f}" in page.text
    rows = re.findall(r'<tr><th scope="row" class="first">(.*?)</th>(.*?)</tr>', page.text)
    assert [name for name, _ in rows] == [f"{p}, {w}" for p in "1234" for w in ("bottom", "top")]
    shown = re.findall(r"<td[^>]*>(.*?)</td>", rows[1][1])
    top = study.readings.query("part == '1' and place == 'top'").sort_values(["operator", "trial"])
    assert shown == [f"{value:.4f}" for value in top["reading"]]
    assert re.search(r"WPV = [\d.]+, ", page.shown)
    assert "Searle" in page.shown  # its source


def test_total_variation_of_several_places_counts_them(tmp_path):
    page = write(at_two_places(), tmp_path / "r.html")
    squares, total = re.search(
        r"TV = √\(GRR² \+ PV² \+ WPV²\) = √\((.*?)\) = (\S+)", page.shown
    ).groups()
    parts = [float(one.removesuffix("²")) for one in squares.split(" + ")]
    assert len(parts) == 3
    assert sum(part**2 for part in parts) ** 0.5 == pytest.approx(float(total), rel=1e-5)


def test_every_part_says_something_and_every_method_is_named(demo_page):
    for name in DECISIONS:
        assert not re.search(r"<h2>[^<]*</h2>\s*</section>", demo_page(name).text), name
    risks = demo_page("pins_two_ways").text.partition('id="risks"')[2].partition("</section>")[0]
    assert "<h3>stand</h3>" in risks
    assert "<h3>handheld</h3>" in risks
    assert risks.count("How much risk is allowed") == 1  # of every method
