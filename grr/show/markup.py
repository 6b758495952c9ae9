"""Plain text for plotly, which would take some of it for markup."""

from __future__ import annotations

#: What plotly would take for markup, a formula or a placeholder, as entities that it draws.
_ENTITIES = {"&": "&amp;", "<": "&lt;", ">": "&gt;", "$": "&#36;", "{": "&#123;", "}": "&#125;"}


def markup(text: str) -> str:
    """Return plain text in which plotly finds nothing to interpret."""
    return "".join(_ENTITIES.get(character, character) for character in text)
