"""A slip never counts by itself, and what is set right is asked once and said."""

from __future__ import annotations

SHAFT = {
    "parts": 6,
    "operators": ("Ravi", "Lena"),
    "trials": 2,
    "limits": (19.980, 19.993),
    "resolution": 0.001,
    "title": "Shaft 20 f7 (invented)",
}


def words(bench):
    return bench.form(".told .result").inner_text()


def test_a_slip_is_typed_again_and_the_right_number_counts(new_bench):
    bench = new_bench("slips", **SHAFT)
    bench.open()
    bench.begin("Ravi")
    part = bench.due()
    bench.by_hand("19986")
    assert "Typed wrongly? Type it again." in bench.form(".question").inner_text()
    assert bench.form(".typed s").inner_text() == "19986"
    assert bench.due() == part
    assert bench.standing().empty
    bench.picture("slip")
    # Refusals say why while the question is open.
    bench.page.keyboard.type("abc")
    bench.page.keyboard.press("Enter")
    bench.wait("f.querySelector('.told .result').textContent.includes('not a number')")
    # Enter answers nothing: not alone, and not on a button that has the focus.
    bench.page.keyboard.press("Enter")
    keep = bench.form(".question button").filter(has_text="Keep it")
    keep.focus()
    bench.page.keyboard.press("Enter")
    bench.wait("f.querySelector('.told .result').textContent.includes('Enter answers no')")
    assert bench.form(".question").is_visible()
    # What a gauge sends meanwhile is refused, with the reason, and is not the answer.
    bench.form("input.field").focus()
    bench.page.keyboard.type("19.991")
    bench.page.keyboard.press("Enter")
    bench.wait("f.querySelector('.told .result').textContent.includes('was not filed')")
    bench.picture("slip-refused")
    assert bench.standing().empty
    bench.by_hand("19.986")
    bench.wait("f.querySelector('.question').hidden")
    table = bench.standing()
    assert (table["part"].tolist(), table["reading"].tolist()) == ([part], [19.986])
    journal = bench.journal()
    assert journal.loc[journal["reading"].notna(), "raw"].tolist() == ["19986", "19.986"]
    # The gauge may answer once somebody says so; a slip that is kept counts.
    bench.by_hand("1.998")
    bench.command("r")
    bench.type("19.984")
    bench.by_hand("20.500")
    bench.command("k")
    bench.wait("f.querySelector('.question').hidden")
    assert bench.standing()["reading"].tolist() == [19.986, 19.984, 20.5]
    bench.form("button.undo").click()
    bench.wait("f.querySelector('.told .result').textContent.startsWith('Undone')")
    bench.picture("undone")
    assert bench.standing()["reading"].tolist() == [19.986, 19.984]


def test_in_the_list_a_void_is_asked_once_said_and_keeps_its_place(new_bench):
    bench = new_bench("listed", **SHAFT)
    bench.open()
    bench.begin("Lena")
    bench.type("19.981", "19.982")
    bench.by_hand("19986")
    bench.by_hand("19.983")
    bench.type("19.984")
    bench.command("l")
    rows = bench.form("table tbody tr")
    bench.wait("f.querySelectorAll('table tbody tr').length === 5")
    bench.picture("list")
    shown = [row.split("\t")[-3:-1] for row in rows.all_inner_texts()]
    assert shown == [
        ["hidden", "counts"],
        ["19.983", "counts"],
        ["19986", "replaced"],
        ["hidden", "counts"],
        ["hidden", "counts"],
    ]
    bench.form("input[type=radio]").nth(1).check()
    void = bench.form("button").filter(has_text="Void").first
    void.click()
    sure = bench.form(".sure")
    assert "trial 1, Lena: 19.983?" in sure.inner_text()
    assert len(bench.standing()) == 4  # asked, not done
    bench.picture("list-sure")
    sure.get_by_text("Yes").click()
    bench.wait("f.querySelector('.list-said').textContent.startsWith('Voided')")
    assert sorted(bench.standing()["reading"]) == [19.981, 19.982, 19.984]
    # A second press does not take out another one.
    assert bench.form("input[type=radio]").nth(1).is_checked()
    void.click()
    bench.wait("f.querySelector('.list-said').textContent.includes('taken out already')")
    assert len(bench.standing()) == 3
    bench.picture("list-voided")
