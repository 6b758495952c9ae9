"""A page of HTML taken apart, for the tests of the report."""

from __future__ import annotations

import datetime as dt
import re
from html.parser import HTMLParser

DAY = dt.date(2026, 11, 25)
VOID = {"meta", "br", "hr", "img", "input", "col", "link"}


class Page(HTMLParser):
    """What a page of HTML holds: its elements in order, and its texts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.cells: list[list[str]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.cells.append([])

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)
        if "table" in self.open and "details" not in self.open and data.strip():
            self.cells[-1].append(data)

    @property
    def shown(self) -> str:
        """All text, spaces as one."""
        return re.sub(r"\s+", " ", " ".join(self.words))

    def named(self, tag: str) -> list[dict[str, str | None]]:
        """The attributes of every element of this name."""
        return [attributes for name, attributes in self.elements if name == tag]
