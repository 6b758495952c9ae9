"""The documents that come with the package: found by words, shown in a browser or a terminal."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from grr.model.errors import StudyError
from grr.model.html_blocks import html_page
from grr.model.plain_text import without_accents
from grr.model.terms import TERMS

FOLDER = Path(__file__).parent.with_name("docs")
#: The documents in the order in which they are listed; the file's first heading is the title.
NAMES = ("first_study", "old_data", "many_studies", "promises", "record", "formulas", "reference")


@dataclass(frozen=True)
class Section:
    """One section of a document, from its heading to the next one."""

    document: str
    title: str
    heading: str
    text: str


def title_of(name: str) -> str:
    """Return the title of a document."""
    first = (FOLDER / f"{name}.md").read_text(encoding="utf-8").splitlines()[0]
    return first.removeprefix("# ")


def sections() -> list[Section]:
    """Return every section of every document, and every term of the glossary."""
    found = []
    for name in NAMES:
        text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
        parts = re.split(r"^#{1,3} (.+)$", text, flags=re.MULTILINE)
        title = parts[1]
        for heading, body in zip(parts[1::2], parts[2::2], strict=True):
            found.append(Section(name, title, heading, body.strip()))
    found += [Section("glossary", "Glossary", term.term, str(term)) for term in TERMS]
    return found


def found_by(words: Sequence[str], *, most: int = 8) -> list[Section]:
    """Return the sections that hold every word, those with the words in the heading first.

    Raises
    ------
    StudyError
        No section does.
    """
    wanted = [without_accents(word) for word in words]
    hits = []
    for section in sections():
        heading, text = without_accents(section.heading), without_accents(section.text)
        if all(word in heading or word in text for word in wanted):
            in_heading = sum(word in heading for word in wanted)
            exact = heading == " ".join(wanted)
            often = sum(text.count(word) for word in wanted) / (200 + len(text))
            hits.append((-exact, -in_heading, -often, section))
    if not hits:
        raise StudyError(
            "No document has these words together",
            "Try one word of the trade, such as ndc or seal; grr help lists the documents",
            value=" ".join(words),
        )
    return [section for *_, section in sorted(hits, key=lambda hit: hit[:3])[:most]]


def write_pages(folder: Path) -> Path:
    """Write every document as a page into a folder; return the first of them, which lists all."""
    import mistune

    titles = {}
    for name in NAMES:
        text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
        titles[name] = title_of(name)
        body = str(mistune.html(text.split("\n", 1)[1]))
        body = re.sub(r"<h([23])>(.+?)</h", _with_anchor, body)
        page = html_page(titles[name], _BACK + _STYLE + body)
        (folder / f"{name}.html").write_text(page, encoding="utf-8", newline="\n")
    for picture in FOLDER.glob("*.svg"):
        shutil.copy(picture, folder)
    titles["glossary"] = "Glossary"
    terms = "".join(
        f'<div id="{anchor}">{term._repr_html_()}</div>'
        for term, anchor in zip(TERMS, anchors(term.term for term in TERMS), strict=True)
    )
    (folder / "glossary.html").write_text(html_page("Glossary", _BACK + terms), encoding="utf-8")
    links = "".join(f'<li><a href="{name}.html">{title}</a></li>' for name, title in titles.items())
    index = folder / "index.html"
    index.write_text(html_page("Documents of grr", f"<ul>{links}</ul>"), encoding="utf-8")
    return index


def _with_anchor(heading: re.Match[str]) -> str:
    (anchor,) = anchors([heading[2]])
    return f'<h{heading[1]} id="{anchor}">{heading[2]}</h'


_BACK = '<p><a href="index.html">All documents</a></p>'
_STYLE = (
    "<style>img{max-width:100%}pre{background:#f4f4f2;padding:10px;overflow:auto}table{border-collapse:collapse}"
    "td,th{border:1px solid #ccc;padding:4px 8px;text-align:left;vertical-align:top}</style>"
)


def anchors(headings: Iterable[str]) -> list[str]:
    """Return the name of each heading in a page's address."""
    return [re.sub(r"[^a-z0-9]+", "-", without_accents(text)).strip("-") for text in headings]
