"""Changes of ``study.toml`` that were made with a text editor are found and logged."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from grr.entry.desk import Desk, stamp
from grr.entry.record import Record
from grr.files.events import Event
from grr.files.settings import Settings
from grr.files.settings_record import FOUND, ONE_KEY, WHOLE, differences
from grr.files.study_file import by_key, settings_text


def settings_events(settings: Settings, record: Record) -> list[Event]:
    """Return what to log about the settings when a session or the first reading begins.

    The settings in full the first time and after each change; once there are readings, also
    one event for each key that changed without having been logged by
    `grr.files.folder.change_settings`.
    """
    text = settings_text(settings)
    kept = [event.value for event in record.events if event.kind == WHOLE]
    changes = differences(by_key(kept[-1]), by_key(text)) if kept else []
    if kept and not changes:
        return []
    whole = Event(kind=WHOLE, name="study.toml", value=text)
    if not record.rows:
        return [whole]
    logged = {event.name: event.value for event in record.events if event.kind == ONE_KEY}
    return [
        *(
            Event(kind=ONE_KEY, name=one.key, old=one.old, value=one.new, reason=FOUND)
            for one in changes
            if logged.get(one.key) != one.new
        ),
        whole,
    ]


def log_before_first_reading(desk: Desk, record: Record, taken: datetime) -> None:
    """Log the settings where they were corrected after the session began."""
    if record.rows:
        return
    session = record.session.session if record.session else ""
    found = settings_events(desk.job.settings, record)
    desk.file(events=[replace(event, session=session, time=stamp(taken)) for event in found])
