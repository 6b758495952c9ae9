"""The documents that come with the package: found by words, shown in a browser or a terminal."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from grr.model.errors import StudyError
from grr.model.html_blocks import FONT, INK
from grr.model.plain_text import without_accents
from grr.model.terms import TERMS
from grr.page.templates import render

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

    class Renderer(mistune.HTMLRenderer):
        """Headings that a page's address can name."""

        def heading(self, text: str, level: int, **attrs: Any) -> str:
            (anchor,) = anchors([text])
            return super().heading(text, level, **{**attrs, "id": anchor})

    markdown = mistune.create_markdown(renderer=Renderer(), plugins=["table"])
    titles = {name: title_of(name) for name in NAMES} | {"glossary": "Glossary"}
    for name in NAMES:
        text = (FOLDER / f"{name}.md").read_text(encoding="utf-8").split("\n", 1)[1]
        _write(folder, name, title=titles[name], body=Markup(markdown(text)))
    names = anchors(term.term for term in TERMS)
    terms = [Markup(term._repr_html_()) for term in TERMS]
    _write(folder, "glossary", title="Glossary", terms=list(zip(names, terms, strict=True)))
    for picture in FOLDER.glob("*.svg"):
        shutil.copy(picture, folder)
    return _write(folder, "index", title="Documents of grr", pages=titles)


def _write(folder: Path, name: str, **values: object) -> Path:
    page = folder / f"{name}.html"
    look = {"font": Markup(FONT), "ink": INK, "pages": {}, "body": "", "terms": []}
    page.write_text(render("documents.html.j2", look | values), encoding="utf-8", newline="\n")
    return page


def anchors(headings: Iterable[str]) -> list[str]:
    """Return the name of each heading in a page's address."""
    return [re.sub(r"[^a-z0-9]+", "-", without_accents(text)).strip("-") for text in headings]
