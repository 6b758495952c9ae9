"""Each page of the entry form fits, is readable, and can be used without mouse and eyes."""

from __future__ import annotations

import os
from pathlib import Path

#: A pseudo-terminal is not in the list of serial ports.
ADD_PORT = "(list, name) => list.add(new Option(name, name))"
CHECKS = (Path(__file__).parent / "looks.js").read_text(encoding="utf-8")
SIZES = [(1366, 768), (1024, 768)]
LONG_NAME = "Benedikta-Maria von und zu Tal"


def check(bench, name):
    return bench.page.evaluate(f"{CHECKS}.{name}")


def looked_at(bench, name, *, focus=None, in_view=()):
    """Check the page that is shown at both sizes; a picture where one is asked for."""
    for size in SIZES:
        bench.page.set_viewport_size({"width": size[0], "height": size[1]})
        bench.page.wait_for_timeout(100)
        assert check(bench, "cut()") == [], (name, size)
        for selector in in_view:
            assert check(bench, f"inView('{selector}')"), (name, size, selector)
        bench.picture(f"{name}-{size[0]}")
    bench.page.wait_for_timeout(900)  # a flash is no page
    assert check(bench, "contrast()") == [], name
    assert check(bench, "nameless()") == [], name
    if focus:
        assert bench.page.evaluate(f"document.activeElement.matches('.grr-entry {focus}')"), name


def test_every_page_can_be_read_and_used(new_bench):
    bench = new_bench(
        "looks", parts=2, operators=("Ann", LONG_NAME), trials=1, methods=("stand", "handheld")
    )
    bench.open()
    bench.stage("operator")
    looked_at(bench, "operator")
    bench.form(".choice").first.click()
    bench.stage("checklist")
    looked_at(bench, "checklist", focus="input")
    bench.checklist()
    everything = (".tag", "input.field", ".count", "nav")
    due = bench.on_the_tag()
    looked_at(bench, "measure", focus="input.field", in_view=everything)
    wide = bench.form(".part").evaluate(
        "(part) => { part.textContent = 'WWWWW'; dispatchEvent(new Event('resize'));"
        " return part.scrollWidth - part.clientWidth; }"
    )
    assert wide <= 1  # however wide a part's name, the tag has room for it
    bench.form(".part").evaluate("(part, name) => { part.textContent = name; }", due)
    spoken = bench.form("[aria-live]").first
    bench.type("10.0071")
    assert f"Now part {bench.on_the_tag()}" in spoken.inner_text()
    looked_at(bench, "recorded", focus="input.field", in_view=everything)
    bench.type("100.0820")
    assert "Question: about 10 times too large" in spoken.inner_text()
    looked_at(bench, "question", focus="input.field", in_view=(".tag", "input.field", ".question"))
    bench.command("abc")
    bench.wait("f.dataset.tone === 'refused'")
    looked_at(bench, "refused", focus="input.field")
    bench.command("l")
    bench.wait("f.querySelector('table')")
    looked_at(bench, "list", focus="input")
    bench.page.keyboard.press("Escape")
    bench.command("a")
    bench.wait("f.querySelector('.panel .tools-list')")
    looked_at(bench, "more")
    bench.page.keyboard.press("Escape")
    bench.by_hand("10.0082")
    bench.stage("checklist")
    assert "Now with:" in bench.form("h3").first.inner_text()
    looked_at(bench, "other-method")


def test_a_serial_gauge_the_mute_button_and_the_last_pages(new_bench):
    bench = new_bench("ending", parts=2, operators=("Ann",), trials=1)
    bench.open()
    bench.begin()
    here, there = os.openpty()
    bench.command("a")
    bench.form("select[aria-label='Serial port']").evaluate(ADD_PORT, os.ttyname(there))
    bench.form("button").filter(has_text="Connect").click()
    bench.wait("f.querySelector('.panel').hidden")
    os.write(here, b"+0010.0071\r\n")
    bench.wait("f.dataset.saved === '1'")
    bench.command("m")
    assert bench.form("header button").inner_text() == "Sound off"
    bench.type("10.0082")
    bench.stage("zero")
    looked_at(bench, "zero", focus="input.field")
    bench.page.keyboard.type("12.001")  # a part was still between the faces
    bench.page.keyboard.press("Enter")
    keep = bench.form("button").filter(has_text="Keep this zero")
    keep.wait_for(state="visible")
    assert "The zero is off" in bench.form(".page .result").inner_text()
    looked_at(bench, "zero-off", focus="input.field")
    bench.page.keyboard.type("0.0009")
    bench.page.keyboard.press("Enter")
    keep.click()
    bench.stage("finished")
    looked_at(bench, "finished")
    assert bench.journal()["source"].tolist()[0] == "gauge"
    os.close(here)
    os.close(there)
    bench.form("button").filter(has_text="Readings").click()
    bench.wait("f.querySelector('table')")
    assert "10.0082" in bench.form("table").inner_text()  # complete: no longer blind
