"""What every result is: something that prints its blocks, in a terminal and in a notebook."""

from __future__ import annotations

import textwrap
from abc import ABC, abstractmethod
from collections.abc import Sequence

from grr.model.blocks import Banner, Block, Prose
from grr.model.html_blocks import as_html
from grr.model.text_blocks import as_text

EXAMPLE = "EXAMPLE: these readings are invented; they say nothing about your gauge."


class Printed(ABC):
    """A result that prints its blocks, in a terminal and in a notebook."""

    @abstractmethod
    def blocks(self) -> Sequence[Block]:
        """Return what the result says, from top to bottom."""

    def __str__(self) -> str:
        return as_text(self.blocks())

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.in_short()})"

    def in_short(self) -> str:
        """Return one line: the banner, or else the study, or else the first words."""
        blocks = self.blocks()
        banner = next((block.text for block in blocks if isinstance(block, Banner)), "")
        study = getattr(self, "study", None)
        words = [text for block in blocks if isinstance(block, Prose) for text in block.paragraphs]
        first = next((text for text in words if text != EXAMPLE), "")
        return textwrap.shorten(banner or str(study or first), 60, placeholder=" …")

    def _repr_html_(self) -> str:
        return as_html(self.blocks())
