"""Build the guided notebooks from their plain-text sources and run them.

    python tests/notebook_sources/make_notebooks.py            # all
    python tests/notebook_sources/make_notebooks.py 4_judge    # one

A source is a Python file in jupytext's percent format: ``# %% [markdown]`` starts prose,
``# %%`` a code cell. The notebook is run from the folder ``notebooks``, and its outputs are
stored, so that ``pytest --nbval`` can compare them.
"""

from __future__ import annotations

import sys
from pathlib import Path

import jupytext
import nbformat
from nbclient import NotebookClient

SOURCES = Path(__file__).parent
NOTEBOOKS = SOURCES.parent.parent / "notebooks"
#: A form lives as long as its kernel. What is stored is the text that says to run the cell:
#: in place of a form that is gone JupyterLab shows an error.
WIDGET = "application/vnd.jupyter.widget-view+json"


def build(source: Path) -> Path:
    """Return the notebook made from one source, run from top to bottom."""
    notebook = jupytext.read(source)
    notebook.metadata = nbformat.from_dict(
        {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        }
    )
    for number, cell in enumerate(notebook.cells):
        cell["id"] = f"cell-{number:02d}"
        if cell.cell_type == "code":
            cell.metadata.setdefault("jupyter", {})
    NotebookClient(
        notebook, timeout=300, resources={"metadata": {"path": str(NOTEBOOKS)}}
    ).execute()
    for cell in notebook.cells:
        cell.metadata.pop("execution", None)
        for output in cell.get("outputs", []):
            output.get("data", {}).pop(WIDGET, None)
    notebook.metadata.pop("widgets", None)
    target = NOTEBOOKS / f"{source.stem}.ipynb"
    nbformat.write(notebook, target)
    return target


def main(names: list[str]) -> None:
    """Build the notebooks named, or all of them."""
    for source in sorted(SOURCES.glob("*.py")):
        wanted = source.name != Path(__file__).name and (not names or source.stem in names)
        if wanted:
            print(build(source))


if __name__ == "__main__":
    main(sys.argv[1:])
