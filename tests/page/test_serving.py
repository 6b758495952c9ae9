"""A page is the cells of one step below the frame; an error in it is one card."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import nbformat
import pytest

from grr.files.chosen import on_a_page
from grr.model.errors import StudyError
from grr.page.error_cards import card, load_ipython_extension
from grr.page.serving import cells_of_the_page, page_without_requests, server_settings

TEMPLATE = Path(__file__).parents[2] / "grr/page/jupyter/voila/templates/grr"


def book() -> Any:
    """Return a notebook of prose, a shared cell and two steps."""
    new = nbformat.v4
    cells = [new.new_markdown_cell("prose"), new.new_code_cell("shared"), new.new_code_cell("a")]
    cells += [new.new_code_cell("b"), new.new_code_cell("rest")]
    for cell, tags in zip(cells[1:4], (["first", "second"], ["first"], ["second"]), strict=True):
        cell.metadata["tags"] = tags
    return new.new_notebook(cells=cells)


def asked(step: str | None) -> Any:
    """Return a request as the server makes one."""
    return SimpleNamespace(
        xsrf_token=b"",
        request=SimpleNamespace(path="/voila/render/notebooks/4_judge.ipynb"),
        get_argument=lambda name, default: default if step is None else step,
    )


@pytest.mark.parametrize(
    ("step", "shown"),
    [
        (None, ["shared", "a"]),
        ("second", ["shared", "b"]),
        ("x'", ["prose", "shared", "a", "b", "rest"]),
    ],
)
def test_the_address_picks_the_cells(step: str | None, shown: list[str]) -> None:
    made = cells_of_the_page(asked(step), book(), "notebooks")
    assert [cell.source for cell in made.cells[1:]] == shown
    frame = made.cells[0].source
    compile(frame, "frame", "exec")
    assert "4_judge.ipynb" in frame
    nbformat.validate(made)


def test_no_page_fetches_anything_from_elsewhere() -> None:
    for file in TEMPLATE.iterdir():
        assert "http" not in file.read_text(encoding="utf-8"), file
    assert page_without_requests({"fullMathjaxUrl": "https://x"})["fullMathjaxUrl"] == ""


def test_kernels_with_a_window_never_end() -> None:
    assert server_settings()["MappingKernelManager"]["cull_connected"] is False


class Shell:
    """As much of IPython as an extension needs."""

    def set_custom_exc(self, kinds: Any, handler: Any) -> None:
        self.handler = handler

    def showtraceback(self, found: Any, tb_offset: Any = None) -> None:
        self.left_to_ipython = found[1]


def test_a_refusal_is_a_card_and_another_error_is_for_support_on_a_page_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    shown: list[str] = []
    monkeypatch.setattr("IPython.display.display", lambda html: shown.append(html.data))
    shell = Shell()
    load_ipython_extension(shell)
    refusal = StudyError("It is <wrong>", "Do this", file="a.csv", row=3, value=7)
    shell.handler(shell, StudyError, refusal, None)
    assert shown == [card(refusal)]
    assert all(words in shown[0] for words in ("It is &lt;wrong&gt;.", "a.csv", "3", "Do this."))
    shell.handler(shell, KeyError, KeyError("secret"), None)
    assert isinstance(shell.left_to_ipython, KeyError)
    monkeypatch.setenv("SERVER_SOFTWARE", "voila/0.5.13")
    assert on_a_page()
    shell.handler(shell, KeyError, KeyError("secret"), None)
    assert "secret" not in shown[-1]
    assert "Traceback" not in shown[-1]
    (file,) = (tmp_path / "support").iterdir()
    assert "KeyError: 'secret'" in file.read_text(encoding="utf-8")
    assert file.name in shown[-1]
