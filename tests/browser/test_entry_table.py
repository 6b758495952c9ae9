"""A table pasted or dropped is looked at first, and filed as a whole."""

from __future__ import annotations

import random

SHAFT = {
    "parts": 6,
    "operators": ("Ravi", "Lena", "Tom"),
    "trials": 3,
    "limits": (19.980, 19.993),
    "title": "Shaft 20 f7 (invented)",
}
PASTE = """(text) => {
  const clipboardData = new DataTransfer();
  clipboardData.setData('text', text);
  const paste = new ClipboardEvent('paste', { clipboardData, bubbles: true, cancelable: true });
  document.querySelector('.grr-entry input.field').dispatchEvent(paste);
}"""


def german(people=("Ravi", "Lena", "Tom"), parts=6):
    """Return an old form with German headings, one slip and one empty cell."""
    rng = random.Random(4)
    lines = ["Teil\tPrüfer\tMessung 1\tMessung 2\tMessung 3"]
    for part in range(1, parts + 1):
        for who in people:
            base = 19.981 + 0.002 * part
            cells = [f"{base + rng.uniform(0, 0.0005):.4f}".replace(".", ",") for _ in range(3)]
            if (part, who) == (2, "Lena"):
                cells[1] = cells[1].replace(",", "")
            if (part, who) == (3, "Tom"):
                cells[2] = ""
            lines.append("\t".join([f"P{part}", who, *cells]))
    return "\n".join(lines) + "\n"


def test_a_german_table_is_mended_and_filed_at_once(new_bench):
    bench = new_bench("pasted", **SHAFT)
    bench.open()
    bench.begin("Ravi")
    bench.page.evaluate(PASTE, german())
    bench.wait("f.querySelector('select.role')")
    roles = [pick.input_value() for pick in bench.form("select.role").all()]
    assert roles == ["part", "operator", "reading:1", "reading:2", "reading:3"]
    assert bench.form("select.role").first.get_attribute("aria-label") == "Teil is the …"
    assert "2 to fix" in bench.form(".mending").inner_text()
    assert bench.standing().empty
    bench.picture("table")
    bench.form("button.strong").filter(has_text="Fix row").click()
    bench.page.keyboard.type("19,9851")
    bench.page.keyboard.press("Tab")
    bench.wait("f.querySelector('.mending b')?.textContent === '1 to fix'")
    # A column may be something else; back again.
    bench.form("select.role").nth(4).select_option("")
    bench.wait("f.querySelector('.mending') === null")
    bench.form("select.role").nth(4).select_option("reading:3")
    bench.wait("f.querySelector('.mending b')?.textContent === '1 to fix'")
    assert bench.standing().empty
    bench.form("td.mend input").fill("19,9871")
    bench.page.keyboard.press("Tab")
    file = bench.form("button.strong").filter(has_text="File 54 readings")
    file.wait_for()
    bench.picture("table-fits")
    file.click()
    bench.stage("zero")
    table = bench.standing()
    assert len(table) == 54
    assert set(bench.journal()["source"]) == {"pasted"}
    one = table.query("part == 'P2' and operator == 'Lena' and trial == 2")
    assert one["reading"].tolist() == [19.9851]


def test_a_block_of_numbers_asks_which_parts_they_belong_to(new_bench):
    """Ten by three without headings, then plain numbers in the order of measurement."""
    bench = new_bench("block", **SHAFT)
    bench.open()
    bench.begin("Lena")
    block = "\n".join("\t".join(f"19.98{part}{trial}" for trial in "123") for part in range(3, 9))
    bench.page.evaluate(PASTE, block)
    bench.wait("f.querySelector('.said select')")
    assert bench.standing().empty
    bench.picture("block-asks")
    bench.form(".said select").first.select_option("as listed")
    bench.form("button.strong").filter(has_text="File").wait_for()
    shown = bench.form("td.given").all_inner_texts()
    assert shown == [bench.codes[f"P{number}"] for number in range(1, 7)]
    bench.picture("block-placed")
    bench.page.keyboard.press("Escape")
    bench.wait("f.querySelector('.panel').hidden")
    assert bench.standing().empty
    # Typed as one line: where they would go is shown, and Enter alone files nothing.
    first = bench.due()
    bench.page.keyboard.type("19.9811 19.9822")
    bench.page.keyboard.press("Enter")
    bench.wait("f.querySelectorAll('td.given').length === 2")
    assert bench.form("td.given").first.inner_text() == bench.codes[first]
    assert bench.standing().empty
    bench.form("button.strong").filter(has_text="File 2 readings").click()
    bench.stage("measure")
    bench.wait("f.querySelector('.panel').hidden")
    table = bench.standing()
    assert table["part"].tolist()[0] == first
    assert table["reading"].tolist() == [19.9811, 19.9822]


def test_a_file_dropped_on_the_form(new_bench):
    bench = new_bench("dropped", **SHAFT)
    bench.open()
    bench.begin("Tom")
    bench.page.evaluate(
        """(text) => {
          const dataTransfer = new DataTransfer();
          dataTransfer.items.add(new File([text], 'alt.csv', { type: 'text/csv' }));
          const drop = new DragEvent('drop', { dataTransfer, bubbles: true, cancelable: true });
          document.querySelector('.grr-entry').dispatchEvent(drop);
        }""",
        german().replace("\t", ";"),
    )
    bench.wait("f.querySelector('select.role')")
    bench.form("button").filter(has_text="File 52 without those 2").click()
    bench.wait("f.querySelector('.panel').hidden")
    assert len(bench.standing()) == 52
    assert set(bench.journal()["source"]) == {"imported"}
