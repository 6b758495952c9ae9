"""A table pasted or dropped: what is proposed, what is marked, and that it is filed as a whole."""

import io

import pandas as pd
import pytest

from grr.entry import sessions
from grr.entry.table_grid import AS_LISTED, AS_READ, PART, TableRoles, file_table, look_at_table
from grr.files.journal import read_journal, verify
from grr.model.errors import StudyError
from grr.model.record import standing_readings
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance
from tests.entry.conftest import places

PEOPLE, PARTS = ("Ravi", "Lena"), ("B1", "B2", "B3")
GERMAN = (
    "Teil\tPrüfer\tMessung 1\tMessung 2\n"
    "B1\tRavi\t19,9861\t19,9863\n"
    "B1\tLena\t19,9862\t19,9860\n"
    "B2\tRavi\t19,9831\t199834\n"
    "B2\tLena\t19,9832\t19,9833\n"
    "B3\tRavi\t19,9901\t\n"
    "B3\tLena\t19,9902\t19,9904\n"
)
BLOCK = "19.9861\t19.9863\n19.9831\t19.9834\n19.9901\t19.9903\n"


@pytest.fixture
def shaft(new_work):
    return new_work(
        title="Shaft 20 f7 (invented)",
        tolerance=Tolerance(19.980, 19.993),
        plan=Plan(PARTS, PEOPLE, 2, seed=3),
        places=places(PEOPLE, PARTS, 2),
    )


def look(work, text, **asked):
    return look_at_table(work, "", text.encode(), TableRoles(pasted=True, **asked))


def filed(work, text, *, without=False, **asked):
    return file_table(work, "", text.encode(), TableRoles(pasted=True, **asked), without=without)


def picked(seen, **more):
    return {
        "roles": tuple(seen["roles"]),
        "heads": seen["heads"],
        **{key: seen[key] for key in ("rows_are", "operator", "trial", "method")},
        **more,
    }


def standing(work):
    table = standing_readings(read_journal(work.journal.path))
    columns = ("part", "operator", "trial")
    keys = zip(*(table[column] for column in columns), strict=True)
    return dict(zip(keys, table["reading"], strict=True))


def test_german_headings_and_what_does_not_fit(shaft):
    seen = look(shaft, GERMAN)
    assert seen["roles"] == ["part", "operator", "reading:1", "reading:2"]
    assert (seen["heads"], seen["missing"], seen["to_file"]) == (1, [], 10)
    assert [(mark["row"], mark["column"]) for mark in seen["marks"]] == [(3, 3), (5, 3)]
    assert [mark["may_be_kept"] for mark in seen["marks"]] == [True, False]
    assert "far outside" in seen["marks"][0]["words"]
    assert seen["marks"][1]["words"] == "empty"
    assert shaft.journal.rows == []


def test_it_is_filed_whole_or_not_at_all(shaft):
    seen = look(shaft, GERMAN)
    with pytest.raises(StudyError, match="2 cells"):
        filed(shaft, GERMAN, **picked(seen))
    assert shaft.journal.rows == []
    mended = picked(seen, changes={"3:3": "19,9834", "5:3": "19.9903"})
    assert look(shaft, GERMAN, **mended)["marks"] == []
    assert "12 readings" in filed(shaft, GERMAN, **mended).words
    got = standing(shaft)
    assert len(got) == 12
    assert got["B2", "Ravi", 2] == 19.9834
    assert got["B3", "Lena", 2] == 19.9904
    assert len({row.id.split(".")[0] for row in shaft.journal.rows}) == 1  # one write
    assert verify(shaft.journal.path) is None
    assert "already" in filed(shaft, GERMAN, **mended).words


def test_without_what_does_not_fit_or_with_a_slip_that_is_kept(shaft):
    seen = look(shaft, GERMAN)
    kept = picked(seen, kept=frozenset({"3:3"}))
    assert [mark["words"] for mark in look(shaft, GERMAN, **kept)["marks"]] == ["empty"]
    assert len(filed(shaft, GERMAN, without=True, **kept).rows) == 11
    assert standing(shaft)["B2", "Ravi", 2] == 199834
    assert [event.value for event in shaft.events.rows if event.kind == "question"] == ["kept"]
    assert shaft.record.open_questions() == []


def test_a_block_without_headings_says_nothing_of_its_parts_and_asks(shaft):
    sessions.begin(shaft, "Ravi")
    seen = look(shaft, BLOCK)
    assert seen["roles"] == ["reading:1", "reading:2"]
    assert seen["operator"] == "Ravi"
    assert ["part" in one for one in seen["missing"]] == [True]
    with pytest.raises(StudyError, match="not said"):
        filed(shaft, BLOCK, **picked(seen))
    answered = picked(seen, rows_are=AS_LISTED, operator="Lena")
    assert look(shaft, BLOCK, **answered)["parts"] == {0: "B1", 1: "B2", 2: "B3"}
    filed(shaft, BLOCK, **answered)
    assert standing(shaft) == {
        ("B1", "Lena", 1): 19.9861,
        ("B1", "Lena", 2): 19.9863,
        ("B2", "Lena", 1): 19.9831,
        ("B2", "Lena", 2): 19.9834,
        ("B3", "Lena", 1): 19.9901,
        ("B3", "Lena", 2): 19.9903,
    }


def test_plain_numbers_go_in_the_order_of_measurement_and_name_their_parts(new_work):
    order = tuple(reversed(places(("Ravi",), PARTS, 1)))
    work = new_work(
        tolerance=Tolerance(19.980, 19.993), plan=Plan(PARTS, ("Ravi",), 1), places=order
    )
    sessions.begin(work, "Ravi")
    seen = look(work, "19.9861\n19.9831")
    assert seen["missing"] == []
    assert seen["parts"] == {0: "B3", 1: "B2"}
    filed(work, "19.9861\n19.9831", **picked(seen))
    assert standing(work) == {("B3", "Ravi", 1): 19.9861, ("B2", "Ravi", 1): 19.9831}
    assert [row.source for row in work.journal.rows] == ["pasted", "pasted"]


def test_roles_are_found_by_what_stands_in_the_columns_and_can_be_changed(shaft):
    text = "Xq\tWer\tNr\tØ\n" + "".join(
        f"{part}\t{who}\t{trial}\t19.98{3 + row}1\n"
        for row, (part, who, trial) in enumerate(
            (p, w, t) for p in PARTS[:2] for w in PEOPLE for t in (1, 2)
        )
        if row < 6
    )
    seen = look(shaft, text)
    assert seen["roles"] == ["part", "operator", "trial", "reading"]
    changed = picked(seen) | {"roles": ("part", "operator", "", "reading")}
    assert ["trial" in one for one in look(shaft, text, **changed)["missing"]] == [True]


def test_a_column_of_measurements_that_are_counted_is_the_trial(new_work):
    parts = ("1", "2", "3")
    work = new_work(plan=Plan(parts, PEOPLE, 2, seed=3), places=places(PEOPLE, parts, 2))
    rows = [(p, w, t, f"10.00{3 + t}1") for p in parts for w in PEOPLE for t in (1, 2)]
    text = "Teil\tPrüfer\tMessung\tMesswert\n"
    text += "".join("\t".join(map(str, row)) + "\n" for row in rows)
    seen = look(work, text)
    assert seen["roles"] == ["part", "operator", "trial", "reading"]
    assert (seen["marks"], seen["to_file"]) == ([], len(rows))


def test_operators_across_and_a_form_with_parts_across(shaft):
    across = "part,Ravi 1,Ravi 2,Lena 1,Lena 2\nB1,19.9861,19.9862,19.9863,19.9864\n"
    assert look(shaft, across)["roles"] == [
        *("part", "reading:1:Ravi", "reading:2:Ravi", "reading:1:Lena", "reading:2:Lena"),
    ]
    parts = (
        "operator,trial,Part B1,Part B2,Part B3\n"
        "Ravi,1,19.9861,19.9831,19.9901\nRavi,2,19.9862,19.9832,19.9902\n"
    )
    seen = look(shaft, parts)
    assert set(seen["roles"]) == {AS_READ}
    assert seen["to_file"] == 6
    filed(shaft, parts, **picked(seen))
    assert standing(shaft)["B3", "Ravi", 2] == 19.9902


def test_a_workbook_a_part_that_is_not_planned_and_a_place_twice(shaft):
    rows = [("B1", "Ravi", 1, 19.9860), ("B9", "Ravi", 1, 19.9861), ("B1", "ravi", 1, 19.9862)]
    content = io.BytesIO()
    pd.DataFrame(rows, columns=["Teil", "Prüfer", "Durchgang", "Messwert"]).to_excel(
        content, index=False
    )
    seen = look_at_table(shaft, "alt.xlsx", content.getvalue(), TableRoles())
    assert seen["roles"] == ["part", "operator", "trial", "reading"]
    assert [(mark["row"], mark["words"]) for mark in seen["marks"]] == [
        (1, "row 4 has this place too"),
        (2, "the plan has no part B9"),
        (3, "row 2 has this place too"),
    ]
    asked = TableRoles(**picked(seen))
    assert (
        "no reading" in file_table(shaft, "a.xlsx", content.getvalue(), asked, without=True).words
    )
    asked = TableRoles(**picked(seen, changes={"3:1": "Lena"}))
    file_table(shaft, "alt.xlsx", content.getvalue(), asked, without=True)
    row, _ = shaft.journal.rows
    assert (row.reading, row.source, row.raw) == ("19.9860", "imported", "alt.xlsx: 19.986")


def test_what_is_no_table_is_refused(shaft):
    for content in (b"", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 old", b"\x00\x01\x02"):
        with pytest.raises(StudyError):
            look_at_table(shaft, "x.xls", content, TableRoles())
    assert "readings" in look(shaft, "nothing\nhere\n")["missing"][0]


def test_a_form_that_says_a_and_b_is_proposed_in_the_order_of_the_plan(shaft):
    head = "Teil\tPrüfer A\t\tPrüfer B\t\n\t1. Messung\t2. Messung\t1. Messung\t2. Messung\n"
    rows = "".join(f"{part}\t19,986\t19,987\t19,985\t19,986\n" for part in PARTS)
    seen = look(shaft, head + rows)
    ravi, lena = ([f"reading:{n}:{who}" for n in (1, 2)] for who in PEOPLE)
    assert seen["roles"] == [PART, *ravi, *lena]
    assert seen["to_file"] == 12
    # Names that the plan does not know are nobody's yet.
    named = look(shaft, head.replace("Prüfer A", "Bergmann").replace("Prüfer B", "Kurt") + rows)
    assert named["to_file"] == 0
    assert named["missing"]
    # The letter itself is found, in whatever order.
    swapped = head.replace("Prüfer A", "Prüfer Lena").replace("Prüfer B", "Prüfer Ravi")
    assert look(shaft, swapped + rows)["roles"] == [PART, *lena, *ravi]
