"""The entry form when something goes wrong: a dead kernel, a full disk; and other ways in."""

from __future__ import annotations

import os
import signal

from bench import Bench

from grr.files.chained_file import now
from grr.files.journal import verify
from grr.shipped import put_into

FULL_DISK = """\
import errno, os
real, state = os.fsync, {'full': True}
def fsync(handle):
    if state['full']:
        raise OSError(errno.ENOSPC, 'No space left on device')
    real(handle)
os.fsync = fsync"""
PASTE = """(text) => {
  const clipboardData = new DataTransfer();
  clipboardData.setData('text', text);
  const paste = new ClipboardEvent('paste', { clipboardData, bubbles: true, cancelable: true });
  document.querySelector('.grr-entry input.field').dispatchEvent(paste);
}"""
SPACE_AGAIN = "state['full'] = False"


def test_the_kernel_dies_while_someone_types(new_bench):
    """Enter answers the dialog that pops up; what was typed meanwhile is filed in the end."""
    bench = new_bench("killed", operators=("Ann",), parts=6)
    bench.open()
    bench.begin()
    bench.type("10.0071", "10.0082")
    killed = now()
    os.kill(int((bench.lab.folder / "killed.pid").read_text()), signal.SIGKILL)
    bench.type("10.0093", wait=False)
    bench.page.wait_for_selector(".jp-Dialog", timeout=30_000)
    bench.type("10.0074", wait=False)
    bench.wait("f.dataset.save === 'unsaved'")
    bench.wait("f.querySelector('.saving').textContent.includes('10.0093, 10.0074')")
    assert bench.form(".saving").inner_text().startswith("NOT SAVED")
    bench.picture("not-saved")
    assert len(bench.standing()) == 2
    if bench.page.locator(".jp-Dialog").count():
        bench.page.locator(".jp-Dialog button").last.click()
    bench.lab.wait_for_kernel("killed.ipynb", since=killed)
    bench.run_cell()
    bench.stage("measure")
    bench.wait("Number(f.dataset.saved) === 2")
    bench.type("10.0085")
    table = bench.standing()
    assert table["reading"].tolist() == [10.0071, 10.0082, 10.0093, 10.0074, 10.0085]
    assert table["part"].nunique() == 5
    assert verify(bench.folder / "readings.csv") is None


def test_a_full_disk_and_other_ways_in(new_bench):
    """The reading stays on the screen until it is saved; then a block, and a file."""
    bench = new_bench("full", operators=("Ann",), parts=4, more_cells=(FULL_DISK, SPACE_AGAIN))
    bench.open()
    bench.begin()
    bench.type("10.0071")
    bench.run_cell(1)
    bench.form(".cover").click()
    bench.type("10.0082", wait=False)
    bench.wait("f.dataset.save === 'unsaved'")
    words = bench.form(".saving").inner_text()
    assert "10.0082" in words
    assert "The disk is full" in words
    assert bench.saved() == 1
    bench.picture("full-disk")
    bench.run_cell(2)
    bench.form(".cover").click()
    bench.wait("Number(f.dataset.saved) === 2 && f.dataset.save === ''")
    # A block from a spreadsheet: a doubtful number is marked, and where all go is shown.
    bench.page.evaluate(PASTE, "10.0093\n100.074\n10.0085\n10.0096\n")
    bench.wait("f.querySelector('td.mend input')")
    bench.form("td.mend input").fill("10.0074")
    bench.page.keyboard.press("Tab")
    bench.form("button.strong").filter(has_text="File 4 readings").click()
    bench.wait("f.querySelector('.panel').hidden")
    table = bench.standing()
    assert table["reading"].tolist() == [10.0071, 10.0082, 10.0093, 10.0074, 10.0085, 10.0096]
    assert bench.journal()["source"].tolist()[-1] == "pasted"
    # The rest from a file.
    second = set(table[table["trial"] == 2]["part"])
    left = [part for part in ("P1", "P2", "P3", "P4") if part not in second]
    rows = "".join(f"{part},Ann,2,10.0100\n" for part in left)
    sheet = f"part,operator,trial,reading\n{rows}".encode()
    bench.command("a")
    bench.form("input[type=file]").set_input_files(
        {"name": "sheet.csv", "mimeType": "text/csv", "buffer": sheet}
    )
    bench.form(".tool").filter(has_text="filled run sheet").get_by_text("Look at it").click()
    bench.form("button.strong").filter(has_text="File 2 readings").click()
    bench.stage("zero")
    assert len(bench.standing()) == 8
    assert set(bench.journal()["source"].tolist()[-len(left) :]) == {"imported"}


def test_a_page_goes_on_by_itself_after_a_reload_and_without_its_kernel(lab, window):
    """No cell is run and nothing is pressed; the number typed meanwhile is filed."""
    put_into(lab.folder)
    page = window()
    bench = Bench(lab, page, "studies/kept", operators=("Ravi",), parts=6, trials=1, notebook=False)
    address = f"{lab.address}/voila/render/notebooks/2_collect.ipynb"
    page.goto(f"{address}?step=measure&study=studies/kept&token={lab.token}")
    page.wait_for_selector(".grr-entry .choice", timeout=60_000)
    bench.begin("Ravi")
    bench.type("10.0071")
    part = bench.due()
    page.reload()
    page.wait_for_selector(".grr-entry .measure .tag", timeout=30_000)
    bench.wait("document.activeElement.matches('.grr-entry input.field')")
    assert bench.due() == part
    page.wait_for_timeout(1000)
    bench.type("10.0082")
    kernel = "JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId"
    gone = page.evaluate(kernel)
    lab.ask(f"kernels/{gone}", "DELETE")
    page.wait_for_timeout(1000)
    bench.type("10.0093", wait=False)
    bench.wait("f.dataset.save === 'unsaved'")
    bench.picture("page-not-saved")
    # While the page comes in, its settings are there in part only.
    other = f"() => {{ try {{ return {kernel} !== '{gone}' }} catch {{ return false }} }}"
    page.wait_for_function(other, timeout=60_000)
    page.wait_for_selector(".grr-entry .measure .tag", timeout=60_000)
    bench.wait("Number(f.dataset.saved) === 1", timeout=30_000)
    assert bench.standing()["reading"].tolist() == [10.0071, 10.0082, 10.0093]
    assert bench.standing()["part"].nunique() == 3
    assert verify(bench.folder / "readings.csv") is None
    lab.stop_kernels()
