"""Pages of HTML from the templates beside this file: every text from outside is escaped."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from grr.model.plain_text import without_steering

if TYPE_CHECKING:
    from jinja2 import Environment
    from plotly.graph_objects import Figure

#: Height of the drawn field of a picture that stands beside another, in px, and the least share
#: of its own height that it keeps.
FLAT, FLATTEST = 170.0, 0.6
#: Pictures whose rows have no room to spare: their labels are of two lines and more.
AS_THEY_ARE = ("fig-operators-side-by-side",)
#: No script at all, and nothing from elsewhere: a page reads the same in ten years.
POLICY = "default-src 'none'; style-src 'unsafe-inline'"


def render(template: str, values: Mapping[str, object], *, told: Callable[[str], str] = str) -> str:
    """Return a page from a template.

    Every text is escaped, and loses marks that would turn its direction, whoever wrote them.

    Parameters
    ----------
    template : str
        A file of this folder.
    values : mapping
        What the template shows, by name.
    told : callable
        What to do with every text before that.
    """
    return _environment(told).get_template(template).render({**values, "policy": POLICY})


@cache
def _environment(told: Callable[[str], str]) -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    def shown(value: object) -> object:
        """Return a text as it may stand on a page; what is HTML already stays as it is."""
        if isinstance(value, Markup) or not isinstance(value, str):
            return value
        return told(without_steering(value))

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["kind"] = lambda block: type(block).__name__
    environment.filters["drawn"] = _drawn
    return environment


def _drawn(figure: Figure, suffix: str, width: float) -> object:
    """Return the drawing of a figure: SVG of our own, in which every text is escaped.

    One that stands beside another is pressed flat, so that it needs not be drawn smaller.
    """
    from markupsafe import Markup

    from grr.show.static import WIDTH, figure_svg

    layout = figure.layout
    inner = layout.height - layout.margin.t - layout.margin.b
    if width < WIDTH and inner > FLAT and layout.meta["id"] not in AS_THEY_ARE:
        layout.height -= inner - max(FLAT, FLATTEST * inner)
    return Markup(figure_svg(figure, suffix=suffix, width=width))
