"""Settings of JupyterLab for the bench: a gauge that types must not run the notebook."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

Settings = dict[str, dict[str, Any]]

_MODIFIERS = ("Accel", "Ctrl", "Alt", "Cmd")


def write_settings(folder: Path) -> None:
    """Write the settings into a folder that is to be put on ``JUPYTER_CONFIG_PATH``."""
    file = folder / "labconfig" / "default_setting_overrides.json"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(json.dumps(bench_settings(), indent=1), encoding="utf-8", newline="\n")


def bench_settings() -> Settings:
    """Return JupyterLab's settings as ``default_setting_overrides.json`` holds them.

    Nothing asks for the network or puts a question over the page, and a key pressed alone
    is no command of the notebook.
    """
    return {
        "@jupyterlab/apputils-extension:notification": {
            "fetchNews": "false",
            "checkForUpdates": False,
        },
        "@jupyterlab/shortcuts-extension:shortcuts": {"shortcuts": _switched_off()},
    }


def _switched_off() -> list[dict[str, Any]]:
    """Return every shortcut of the installed JupyterLab that a gauge could type, disabled."""
    return [
        {
            "command": shortcut["command"],
            "keys": shortcut["keys"],
            "selector": shortcut["selector"],
            "disabled": True,
        }
        for shortcut in _shortcuts()
        if _outside_text(shortcut.get("selector", ""))
        and shortcut.get("keys")
        and all(_key_of_a_gauge(key) for key in shortcut["keys"])
    ]


def _outside_text(selector: str) -> bool:
    """Whether a shortcut works while nothing that takes text has the keyboard."""
    return ".jp-mod-commandMode" in selector or ":not(:read-write)" in selector


def _key_of_a_gauge(key: str) -> bool:
    """Whether a key is one that a gauge may send: a character, or Enter, without Ctrl or Alt."""
    *modifiers, last = key.split() or [""]
    if any(modifier in _MODIFIERS for modifier in modifiers):
        return False
    return len(last) == 1 or (last == "Enter" and not modifiers)


def _shortcuts() -> list[dict[str, Any]]:
    """Return the shortcuts that the installed JupyterLab declares."""
    from jupyterlab.commands import get_app_dir

    found: list[dict[str, Any]] = []
    for file in sorted((Path(get_app_dir()) / "schemas").rglob("*.json")):
        schema = json.loads(file.read_text(encoding="utf-8"))
        if isinstance(schema, dict):
            found += schema.get("jupyter.lab.shortcuts", [])
    return found
