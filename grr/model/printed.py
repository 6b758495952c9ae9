"""What every result is: something that prints its blocks, in a terminal and in a notebook."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence

from grr.model.blocks import Block
from grr.model.html_blocks import as_html
from grr.model.text_blocks import as_text


class Printed(ABC):
    """A result that prints its blocks, in a terminal and in a notebook."""

    @abstractmethod
    def blocks(self) -> Sequence[Block]:
        """Return what the result says, from top to bottom."""

    def __str__(self) -> str:
        return as_text(self.blocks())

    def __repr__(self) -> str:
        return str(self)

    def _repr_html_(self) -> str:
        return as_html(self.blocks())
