"""A whole study of one's own on the pages: from an empty folder to a filed report.

The keyboard alone is used. Readings come with a slip, one that is taken back, one of a wrong part,
a kernel that is killed and a page that is loaded again.
"""

from __future__ import annotations

import json
import random
import re
import shutil
import time

from bench import Bench
from pages import arrived, kernel_of, kill, seen, shown, tab_to, words_of

from grr.files.study_file import read_settings
from grr.files.verify import verify_folder
from grr.lab import START_PAGE

NAME = "Spigot 12.7 f7"
FOLDER = "studies/Spigot_12.7_f7"
PEOPLE = ("Wanda", "Ilse", "Omar")
PARTS, TRIALS = 10, 3
FIELDS = {
    "lower": "12.666",
    "upper": "12.684",
    "gauge_number": "T-311",
    "resolution": "0.0001",
    "operators": ", ".join(PEOPLE),
    "parts": f"{PARTS}",
    "trials": f"{TRIALS}",
}
#: Nobody measures faster than this; readings that come faster are asked about.
PAUSE = 0.55


def tab_to_before(page, selector, most=10):
    """Go back with the Tab key until something has the keyboard."""
    for _ in range(most):
        if page.evaluate("(what) => document.activeElement?.matches(what)", selector):
            return
        page.keyboard.press("Shift+Tab")
    raise AssertionError(f"the Tab key does not reach {selector}")


class Walk:
    """Someone with a keyboard, and what they had to read, press and wait for."""

    def __init__(self, lab, page):
        self.lab, self.page = lab, page
        self.keys = page.keyboard
        self.begun = time.monotonic()
        self.lines: dict[str, str] = {}

    def look(self, name):
        """Read what a page shows, once; return it."""
        text = words_of(self.page, own=name != "start")
        for line in text.splitlines():
            self.lines.setdefault(line.strip(), name)
        seen(self.page, name)
        return text

    def words(self):
        """Return how many words stood on the pages up to now; what comes again is read once."""
        return sum(len(re.findall(r"[^\W\d_]{2,}", line)) for line in self.lines)

    def pressed(self):
        """Return how many keys and clicks the window has seen."""
        count = "[Number(sessionStorage.keys ?? 0), Number(sessionStorage.clicks ?? 0)]"
        return tuple(self.page.evaluate(count))

    def has_focus(self, selector):
        """Wait until something has the keyboard."""
        self.page.wait_for_function(
            "(what) => document.activeElement?.matches(what)", arg=selector, timeout=60_000
        )


def plan(walk, name, fields):
    """Make a study of one's own on the start page, and fill in its plan."""
    page, keys = walk.page, walk.keys
    tab_to(page, "#new")
    keys.type(name)
    keys.press("Enter")
    arrived(page, "**/1_plan.ipynb?new=*")
    walk.has_focus("#grr-lower")
    assert page.input_value("#grr-title") == name
    walk.look("plan-empty")
    for key, answer in fields.items():
        tab_to(page, f"#grr-{key}")
        keys.type(answer)
    tab_to(page, ".grr-study .card input")
    keys.press("Space")  # these are all who will ever measure
    page.wait_for_function("!document.querySelector('.grr-study [aria-invalid]')")
    page.wait_for_function(
        "document.querySelector('.grr-study .chance b').textContent !== '? of 20'", timeout=60_000
    )
    walk.look("plan")
    tab_to(page, ".grr-study .bar button.primary")
    keys.press("Enter")
    walk.has_focus(".grr-study a.primary")
    walk.look("plan-saved")


class Measuring:
    """Every reading of the plan, typed at the form."""

    def __init__(self, walk, codes):
        self.walk, self.page = walk, walk.page
        self.bench = Bench(walk.lab, walk.page, FOLDER)
        self.bench.codes = codes
        parts = read_settings(walk.lab.folder / FOLDER).plan.parts
        self.sizes = {part: 12.6682 + 0.0015 * at for at, part in enumerate(parts)}
        self.last = 0.0

    def ready(self):
        self.bench.wait("document.activeElement.matches('.grr-entry input.field')", 60_000)
        time.sleep(max(0.0, self.last + PAUSE - time.monotonic()))

    def value(self, operator, count):
        part = self.bench.due()
        noise = random.Random(f"{part} {operator} {count // PARTS}").gauss(0.0, 0.00022)
        return f"{self.sizes[part] + noise:.4f}"

    def file(self, text):
        """Type a reading as a gauge does; whether it was asked about."""
        before = self.bench.saved()
        self.walk.keys.type(text)
        self.walk.keys.press("Enter")
        self.bench.wait(f"Number(f.dataset.saved ?? 0) > {before}", 60_000)
        self.last = time.monotonic()
        return self.bench.form(".question").is_visible()

    def one(self, operator, count):
        """Take the reading that is due; keep one that is as the one before."""
        self.ready()
        if self.file(self.value(operator, count)):
            self.bench.command("k")
            self.bench.wait("f.querySelector('.question').hidden")

    def slip(self, operator, count):
        """Forget the point; type it again."""
        self.ready()
        right = self.value(operator, count)
        for key in right.replace(".", ""):
            self.walk.keys.type(key)
            time.sleep(0.05)
        self.walk.keys.press("Enter")
        self.bench.wait("!f.querySelector('.question').hidden")
        assert "Typed wrongly? Type it again." in self.walk.look("measure-slip")
        self.last = time.monotonic()
        self.ready()  # nobody types again so soon that it looks like a double trigger
        self.bench.by_hand(right)
        self.bench.wait("f.querySelector('.question').hidden")
        self.last = time.monotonic()

    def undone(self, operator, count):
        """Take a reading back, and take it anew."""
        self.ready()
        part = self.bench.due()
        assert not self.file(f"{self.sizes[part] + 0.0004:.4f}")
        self.bench.command("u")
        self.bench.wait("f.querySelector('.told .result').textContent.startsWith('Undone')")
        assert self.bench.due() == part
        self.one(operator, count)

    def wrong_part(self, operator, count):
        """Measure another part than the one asked for, and not notice."""
        self.ready()
        part = self.bench.due()
        far = max(self.sizes, key=lambda other: abs(self.sizes[other] - self.sizes[part]))
        assert not self.file(f"{self.sizes[far]:.4f}")
        self.wrong = part

    def killed(self, operator, count):
        """Go on typing while the kernel is dead: the page mends itself."""
        self.ready()
        text, saved = self.value(operator, count), len(self.bench.standing())
        gone = kernel_of(self.page)
        kill(gone)
        self.walk.keys.type(text)
        self.walk.keys.press("Enter")
        self.bench.wait("f.dataset.save === 'unsaved'", 60_000)
        self.page.wait_for_function(
            "(gone) => { try { return JSON.parse(document.getElementById('jupyter-config-data')"
            ".textContent).kernelId !== gone } catch { return false } }",
            arg=gone,
            timeout=120_000,
        )
        shown(self.page)
        self.bench.wait("Number(f.dataset.saved) === 1", 120_000)
        assert len(self.bench.standing()) == saved + 1
        self.last = time.monotonic()

    def loaded_again(self, operator, count):
        """Load the page again in the middle."""
        self.ready()
        part = self.bench.due()
        self.page.reload()
        shown(self.page)
        self.bench.wait("f.dataset.role === 'writer'", 60_000)
        self.ready()
        assert self.bench.due() == part
        self.one(operator, count)


def measure(walk, codes):
    """Take all readings, with everything that may happen on the way."""
    work = Measuring(walk, codes)
    mishaps = {
        ("Wanda", 12): work.slip,
        ("Wanda", 20): work.undone,
        ("Ilse", 7): work.killed,
        ("Ilse", 22): work.wrong_part,
        ("Omar", 11): work.loaded_again,
    }
    for number, operator in enumerate(PEOPLE):
        begin(work, operator, first=number == 0)
        for count in range(PARTS * TRIALS):
            mishaps.get((operator, count), work.one)(operator, count)
        close(work)
        work.bench.stage("finished" if number == 2 else "operator")
    return work


def begin(work, operator, *, first=False):
    """Pick who measures, and answer what is asked before the first reading."""
    walk, bench = work.walk, work.bench
    bench.wait("f.dataset.stage === 'operator'", 60_000)
    tab_to(walk.page, ".grr-entry .choice:not([disabled])")
    assert operator in walk.page.evaluate("document.activeElement.innerText")
    if first:
        walk.look("measure-who")
    walk.keys.press("Enter")
    bench.stage("checklist")
    if first:
        walk.look("measure-before")
    bench.checklist()
    if first:
        walk.look("measure")


def close(work):
    """Check zero once more, and end the session."""
    work.bench.stage("zero")
    work.walk.has_focus(".grr-entry .stage input.field")
    work.walk.look("measure-zero")
    work.walk.keys.type("0.0000")
    work.walk.keys.press("Enter")


def settle(work):
    """Go from the check to the reading that stands out, set it aside, and measure it again."""
    walk = work.walk
    assert "One reading to look at" in walk.look("check-look")
    walk.keys.press("Enter")
    arrived(walk.page, "**part=*")
    walk.has_focus(".grr-entry .panel input")
    text = walk.look("check-reading")
    assert f"Part {work.wrong}, trial 3, Ilse: " in text
    walk.keys.type("wrong part")
    tab_to(walk.page, ".grr-entry .panel .answers button.strong")
    walk.keys.press("Enter")
    begin(work, "Ilse")
    assert work.bench.due() == work.wrong
    work.one("Ilse", PARTS * TRIALS - 1)
    close(work)
    work.bench.stage("finished")


def the_sheets(walk):
    """Print run sheet and key sheet from the plan; return part and code."""
    page = walk.page
    tab_to_before(page, ".grr-study .next a.button")
    walk.keys.press("Enter")
    arrived(page, "**step=print*")
    walk.look("plan-sheets")
    sheet, key = page.frame_locator("#run-sheet"), page.frame_locator("#key-sheet")
    assert sheet.locator("section.block").count() == len(PEOPLE) * TRIALS
    rows = key.locator("tbody tr").all()
    codes = {r.locator("td").first.inner_text(): r.locator("td").nth(1).inner_text() for r in rows}
    for which in ("run-sheet", "key-sheet"):
        page.evaluate(
            "(id) => { const sheet = document.getElementById(id).contentWindow;"
            " sheet.print = () => { sheet.printed = true; }; }",
            which,
        )
        tab_to(page, f"#{which} + button")
        walk.keys.press("Enter")
        assert page.evaluate("(id) => document.getElementById(id).contentWindow.printed", which)
    tab_to(page, ".foot a.primary")
    return codes


def test_a_study_of_ones_own_from_an_empty_folder_to_a_filed_report(lab, visit, capsys):
    shutil.rmtree(lab.folder / "studies", ignore_errors=True)
    page = visit(START_PAGE)
    walk = Walk(lab, page)
    assert "EXAMPLE" in walk.look("start")  # the examples are there, and called so
    walk.has_focus("#new")
    plan(walk, NAME, FIELDS)
    assert NAME in page.locator(".band").inner_text()
    codes = the_sheets(walk)
    walk.keys.press("Enter")  # start measuring
    arrived(page, "**/2_collect.ipynb*")
    page.wait_for_selector(".grr-entry[data-role]", timeout=60_000)
    waited = time.monotonic() - walk.begun
    work = measure(walk, codes)
    bench = work.bench
    assert len(bench.standing()) == PARTS * len(PEOPLE) * TRIALS
    walk.look("measured")
    walk.has_focus(".grr-entry a.strong")
    measured = time.monotonic()
    walk.keys.press("Enter")
    arrived(page, "**/3_check.ipynb*")
    assert "90 readings" in page.locator(".band").inner_text()
    settle(work)
    walk.has_focus(".grr-entry a.strong")
    walk.keys.press("Enter")
    arrived(page, "**/3_check.ipynb*")
    assert "Nothing to fix" in walk.look("check")
    walk.keys.press("Enter")
    arrived(page, "**/4_judge.ipynb*")
    before = walk.words()
    answer = walk.look("answer")
    decision = page.locator("h1").inner_text()
    assert re.match("USE|DO NOT USE|NOT DECIDED YET", decision)
    assert page.locator(".ruler svg[role=img]").count() == 1
    waited += time.monotonic() - measured
    keys, clicks = walk.pressed()
    cost = {
        "clicks": clicks,
        "keys": keys,
        "of them in readings": sum(len(text) + 1 for text in bench.journal()["raw"].dropna()),
        "words to the answer": walk.words(),
        "words of the answer": walk.words() - before,
        "seconds in all": round(time.monotonic() - walk.begun),
        "seconds besides measuring": round(waited),
    }
    with capsys.disabled():
        print(f"\nFrom the first page to the answer: {json.dumps(cost)}")
    assert clicks == 0
    assert "Traceback" not in answer

    tab_to(page, ".scale a[href*='step=improve']")
    walk.keys.press("Enter")
    arrived(page, "**step=improve*")
    walk.look("improve")
    walk.keys.press("Enter")
    arrived(page, "**step=file*")
    assert not (lab.folder / FOLDER / "report.html").exists()
    walk.look("file-before")
    walk.keys.press("Enter")
    arrived(page, "**write=html*")
    walk.look("file")
    report = (lab.folder / FOLDER / "report.html").read_text(encoding="utf-8")
    assert decision in report
    assert NAME in report
    with page.expect_popup() as popup:
        walk.keys.press("Enter")
    assert NAME in popup.value.locator("h1").inner_text()
    page = visit(START_PAGE)
    row = page.locator(".studies li").filter(has_text=NAME)
    assert decision in row.inner_text()
    assert verify_folder(lab.folder / FOLDER)
    aside = bench.journal().query("reason == 'wrong part'")
    assert len(aside) == 1


PASTE = """(text) => {
  const clipboardData = new DataTransfer();
  clipboardData.setData('text', text);
  const how = { clipboardData, bubbles: true, cancelable: true };
  (document.activeElement ?? document.body).dispatchEvent(new ClipboardEvent('paste', how));
}"""
DROP = """(text) => {
  const dataTransfer = new DataTransfer();
  dataTransfer.items.add(new File([text], 'Messprotokoll.csv', { type: 'text/csv' }));
  const how = { dataTransfer, bubbles: true, cancelable: true };
  document.body.dispatchEvent(new DragEvent('drop', how));
}"""
SLEEVE = {
    "lower": "8.200",
    "upper": "8.250",
    "gauge_number": "B-5",
    "resolution": "0.001",
    "operators": "Bodo, Anke, Carla",
    "parts": "10",
    "trials": "3",
}


def old_form():
    """Return a form as it was filled in years ago: German headings, and one point forgotten."""
    rng = random.Random(4)
    lines = [
        "Messprotokoll Hülse" + "\t" * 9,
        "Teil\t" + "\t".join(f"Prüfer {letter}\t\t" for letter in "ABC"),
        "\t" + "\t".join(["1. Messung\t2. Messung\t3. Messung"] * 3),
    ]
    for part in range(1, 11):
        base = 8.201 + 0.0045 * part
        values = [f"{base + rng.gauss(0, 0.0008):.3f}".replace(".", ",") for _ in range(9)]
        if part == 4:
            values[4] = values[4].replace(",", "")
        lines.append("\t".join([f"{part}", *values]))
    return "\n".join(lines) + "\n"


def test_an_old_form_with_german_headings_is_pasted_sorted_out_and_answered(lab, visit):
    page = visit(START_PAGE)
    walk = Walk(lab, page)
    name = f"Sleeve {random.randrange(10**6)}"
    plan(walk, name, SLEEVE)
    folder = lab.folder / "studies" / name.replace(" ", "_")
    walk.keys.press("Enter")
    arrived(page, "**/2_collect.ipynb*")
    bench = Bench(lab, page, f"studies/{folder.name}")
    bench.wait("f.dataset.stage === 'operator'", 60_000)
    page.evaluate(DROP, old_form().replace("\t", ";"))  # a look only
    bench.wait("f.querySelectorAll('select.role').length === 10")
    assert bench.form("select.role").first.get_attribute("aria-label") == "Teil is the …"
    page.keyboard.press("Escape")
    bench.wait("f.querySelector('.panel').hidden")
    page.evaluate(PASTE, old_form())
    bench.wait("f.querySelectorAll('select.role').length === 10")
    roles = [pick.input_value() for pick in bench.form("select.role").all()]
    proposed = [f"reading:{n}:{who}" for who in ("Bodo", "Anke", "Carla") for n in (1, 2, 3)]
    assert roles == ["part", *proposed]
    walk.look("table")
    # Inspector A was Anke, B was Bodo: said by picking, column by column.
    for at, who in enumerate(["Anke"] * 3 + ["Bodo"] * 3, start=1):
        bench.form("select.role").nth(at).select_option(f"reading:{(at - 1) % 3 + 1}:{who}")
        changed = f"f.querySelectorAll('select.role')[{at}].value.endsWith('{who}')"
        bench.wait(f"{changed}")
    bench.wait("f.querySelector('.mending b')?.textContent === '1 to fix'")
    assert bench.standing().empty
    walk.look("table-picked")
    bench.form("button.strong").filter(has_text="Fix row 7").click()
    page.keyboard.type("8,220")
    page.keyboard.press("Tab")
    bench.form("button.strong").filter(has_text="File 90 readings").click()
    bench.stage("finished")
    table = bench.standing()
    assert len(table) == 90
    assert set(bench.journal()["source"]) == {"pasted"}
    one = table.query("part == '4' and operator == 'Bodo' and trial == 2")
    assert one["reading"].tolist() == [8.22]
    walk.has_focus(".grr-entry a.strong")
    walk.keys.press("Enter")
    arrived(page, "**/3_check.ipynb*")
    walk.look("table-check")
    tab_to(page, ".scale a[href*='step=answer']")
    walk.keys.press("Enter")
    arrived(page, "**step=answer*")
    walk.look("table-answer")
    assert re.match("USE|DO NOT USE|NOT DECIDED YET", page.locator("h1").inner_text())
    assert verify_folder(folder)
