"""Changes of ``study.toml`` that were made with a text editor are found and logged."""

from __future__ import annotations

import tomllib
from typing import Any

from grr.entry.record import Record
from grr.files.events import Event
from grr.files.settings import Settings
from grr.files.study_file import settings_text

KIND = "settings"
FOUND = "found changed in study.toml; no reason given"


def settings_events(settings: Settings, record: Record) -> list[Event]:
    """Return what to log about the settings when a session begins.

    The settings in full the first time and after each change, and one event for each key
    that changed since without having been logged by `grr.files.folder.change_settings`.
    """
    text = settings_text(settings)
    kept = [event.value for event in record.events if event.kind == KIND]
    if kept and _flat(kept[-1]) == _flat(text):
        return []
    whole = Event(kind=KIND, name="study.toml", value=text)
    if not kept:
        return [whole]
    logged = {event.name: event.value for event in record.events if event.kind == "study"}
    old, new = _flat(kept[-1]), _flat(text)
    changed = [key for key in {**old, **new} if old.get(key) != new.get(key)]
    return [
        *(
            Event(kind="study", name=k, old=old.get(k, ""), value=new.get(k, ""), reason=FOUND)
            for k in changed
            if logged.get(k) != new.get(k, "")
        ),
        whole,
    ]


def _flat(text: str) -> dict[str, str]:
    """Return the settings as "table.key" → text, without the study's id."""
    flat: dict[str, str] = {}
    for key, value in tomllib.loads(text).items():
        entries: dict[str, Any] = value if isinstance(value, dict) else {"": value}
        flat.update({f"{key}.{name}".rstrip("."): str(entry) for name, entry in entries.items()})
    flat.pop("id", None)
    return flat
