"""The entry form in a real browser on a running JupyterLab."""

from __future__ import annotations

import os
import random

from grr.files.journal import verify


def plausible(count, seed=1):
    """Return so many different believable readings as a gauge shows them."""
    digits = random.Random(seed).sample(range(10_0050, 10_0130), count)
    return [f"{digit / 10_000:.4f}" for digit in digits]


def test_a_whole_study_typed_as_a_keyboard_would(new_bench):
    """Ten parts, three operators, two trials; undo; a warning answered both ways."""
    bench = new_bench("whole")
    bench.open()
    texts = plausible(60)
    typed = {}
    for number, operator in enumerate(("Ann", "Ben", "Eva")):
        bench.begin(operator)
        for count, text in enumerate(texts[20 * number : 20 * number + 20]):
            part = bench.due()
            trial = 1 + count // 10
            assert bench.field_has_focus
            assert bench.form(".where").inner_text().startswith(f"{operator} · trial {trial}")
            if (number, count) == (0, 3):  # undo a wrong number
                bench.type("10.0120")
                bench.command("u")
                bench.wait(f"f.querySelector('.part').textContent === '{bench.codes[part]}'")
            if (number, count) == (1, 5):  # asked, and typed again
                bench.type("100.0810")
                assert bench.form(".question").is_visible()
                assert bench.due() == part
                bench.by_hand(text)
                bench.wait("f.querySelector('.question').hidden")
            elif (number, count) == (2, 7):  # asked, and kept
                bench.type("10.0300")
                assert bench.due() == part
                bench.command("k")
                bench.wait("f.querySelector('.question').hidden")
            else:
                bench.type(text)
            kept = (number, count) == (2, 7)
            typed[part, operator, trial] = 10.03 if kept else float(text)
        bench.stage("zero")
        bench.wait("document.activeElement.matches('.grr-entry .page input.field')")
        bench.page.keyboard.type("0.0001")
        bench.page.keyboard.press("Enter")
        bench.stage("finished" if operator == "Eva" else "operator")
    table = bench.standing()
    filed = {
        (part, operator, trial): reading
        for part, operator, trial, reading in zip(
            table["part"], table["operator"], table["trial"], table["reading"], strict=True
        )
    }
    assert len(typed) == 60
    assert filed == typed
    assert table["time"].is_monotonic_increasing
    assert set(bench.journal()["source"]) <= {"gauge", "typed"}
    sent = bench.journal().loc[bench.journal()["reading"].notna(), "raw"]
    kept = ["10.0300"] * 2  # as it came, and as it counts
    assert sorted(sent) == sorted([*texts[:47], *texts[48:], "10.0120", "100.0810", *kept])
    assert verify(bench.folder / "readings.csv") is None


def test_thirty_readings_without_waiting_and_a_reload_in_mid_study(new_bench):
    bench = new_bench("stream", operators=("Ann",), parts=20)
    bench.open()
    bench.begin()
    texts = plausible(31)
    bench.type(*texts[:30], wait=False)
    bench.wait("Number(f.dataset.saved) === 30")
    assert bench.standing()["reading"].tolist() == [float(text) for text in texts[:30]]
    part = bench.due()
    bench.page.reload()
    bench.page.wait_for_selector(".jp-Notebook:visible .jp-CodeCell", timeout=60_000)
    bench.lab.wait_for_kernel("stream.ipynb")
    bench.run_cell()
    bench.stage("measure")
    assert bench.due() == part
    bench.wait("document.activeElement.matches('input.field')")
    bench.type(texts[30])
    assert len(bench.standing()) == 31


def test_a_double_trigger_never_reaches_the_next_part(new_bench):
    bench = new_bench("hurried", operators=("Ann",), parts=3, trials=1, hurried=True)
    bench.open()
    bench.begin()
    first = bench.due()
    bench.type("10.0071", "10.0071")
    second = bench.due()
    assert bench.form(".question").is_visible()
    assert "double trigger" in bench.form(".question").inner_text()
    bench.page.wait_for_timeout(700)
    bench.type("10.0082")
    table = bench.standing()
    assert dict(zip(table["part"], table["reading"], strict=True)) == {
        first: 10.0071,
        second: 10.0082,
    }


def test_keys_that_go_elsewhere(new_bench, lab):
    """A gauge types while the notebook is in command mode, and while a cell is edited."""
    bench = new_bench("elsewhere", operators=("Ann",), parts=3, more_cells=("1 + 1",))
    bench.open()
    bench.begin()
    page = bench.page
    bench.type("10.0071")
    prompt = page.locator(".jp-Notebook .jp-CodeCell .jp-InputPrompt").last
    prompt.click()
    bench.wait("f.classList.contains('lost')")
    bench.wait("f.dataset.tone === 'lost'")
    bench.picture("lost")
    before = page.locator(".jp-Notebook .jp-CodeCell").count()
    bench.type("10.0082", "10.0100")
    assert bench.field_has_focus
    bench.wait("!f.classList.contains('lost')")
    assert bench.standing()["reading"].tolist() == [10.0071, 10.0082, 10.01]
    # Without the form's help: the single keys of command mode are switched off.
    bench.command("p")
    bench.stage("paused")
    prompt.click()
    page.wait_for_selector(".jp-Notebook.jp-mod-commandMode")
    assert not bench.page.evaluate(
        "document.querySelector('.grr-entry').contains(document.activeElement)"
    )
    cells = page.locator(".jp-Notebook .jp-CodeCell .cm-content")
    for keys in ("m", "1", "b", "a", "dd", "x", "r", "00", "ii", "10.0093\n"):
        page.keyboard.type(keys)
        page.wait_for_timeout(100)
        assert page.locator(".jp-Notebook .jp-CodeCell").count() == before == 2, keys
        assert cells.last.inner_text() == "1 + 1"
    assert page.locator(".jp-Dialog").count() == 0
    assert page.locator(".jp-Notebook.jp-mod-commandMode").count() == 1
    os.kill(int((lab.folder / "elsewhere.pid").read_text()), 0)  # the same kernel, not a new one
    # In a cell that is edited nothing can be caught: stripes and a tone.
    bench.form(".go-on").click()
    bench.stage("measure")
    cells.last.click()
    bench.wait("f.classList.contains('lost')")
    bench.form(".cover").click()
    bench.wait("!f.classList.contains('lost')")
    bench.type("10.0093")
    assert len(bench.standing()) == 4


def test_a_second_window_is_told(new_bench, lab, window):
    from bench import Bench

    bench = new_bench("twice", operators=("Ann",), parts=3)
    bench.open()
    bench.begin()
    bench.type("10.0071")
    bench.save()
    # The same notebook in another window: the same kernel, a second view of the form.
    second = Bench(lab, window(), "twice")
    second.open(run=False)
    second.stage("reader")
    assert "another window" in second.form(".page").inner_text()
    bench.type("10.0082")
    # Another notebook: another kernel.
    lab.notebook("third.ipynb", "import grr\ngrr.collect('twice')")
    third = Bench(lab, window(), "twice")
    third.name = "third"
    third.open()
    third.stage("reader")
    assert "filled by Ann in another window" in third.form(".page").inner_text()
    third.picture("second-window")
    third.form("button.strong").click()
    third.stage("measure")
    bench.stage("reader")
    third.type("10.0093")
    assert bench.standing()["reading"].tolist() == [10.0071, 10.0082, 10.0093]
    bench.form("button.strong").click()
    bench.stage("measure")
    bench.type("10.0074")
    assert len(bench.standing()) == 4
    assert verify(bench.folder / "readings.csv") is None
