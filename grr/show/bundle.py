"""A figure as a notebook shows it: plotly's own, without the seconds its renderer takes to load."""

from __future__ import annotations

import json
import sys
from typing import Any

from plotly.graph_objects import Figure

MIME = "application/vnd.plotly.v1+json"


class NotebookFigure(Figure):  # type: ignore[misc]  # plotly has no types
    """A plotly Figure that hands itself to a notebook.

    Plotly's renderer does the same after it has loaded readers of notebooks and schemas,
    which takes more than a second at the first figure. Where plotly's renderers are loaded
    already, somebody may have chosen one, and that one is used; so is plotly's own way
    outside of a notebook.
    """

    def _repr_mimebundle_(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        if _plotly_renders():
            return dict(super()._repr_mimebundle_(*args, **kwargs))
        return {MIME: json.loads(self.to_json(validate=False, remove_uids=False))}

    def _ipython_display_(self) -> None:
        if _plotly_renders():
            super()._ipython_display_()
            return
        from IPython.display import display

        display(self._repr_mimebundle_(), raw=True)  # type: ignore[no-untyped-call]


def _plotly_renders() -> bool:
    """Tell whether plotly's renderers are loaded, or nobody but plotly can show a figure."""
    if "plotly.io._renderers" in sys.modules:
        return True
    shell = sys.modules.get("IPython")
    return shell is None or not hasattr(shell.get_ipython(), "kernel")
