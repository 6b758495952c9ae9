"""A form on the page that takes readings: one window writes, and a gauge may send numbers itself.

What a message does is the handler's business (see `grr.entry.messages`); here it is told which
page may send it.
"""

from __future__ import annotations

import base64
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import anywidget

from grr.entry.collecting import Collecting
from grr.entry.messages import MessageHandler
from grr.entry.ownership import Elsewhere
from grr.entry.serial_port import SerialGauge, ports
from grr.files.chained_file import new_id
from grr.model.errors import StudyError
from grr.model.record import GAUGE

_ELSEWHERE = "Numbers typed here are not taken."

#: The newest form of each folder in this kernel; older ones are closed.
_newest: dict[Path, ReadingsForm] = {}


class ReadingsForm(anywidget.AnyWidget):
    """What the forms of a study and of a gauge have in common.

    Parameters
    ----------
    work : Collecting
    handler : MessageHandler
        Carries out what the page that may write sends.
    """

    def __init__(self, work: Collecting, handler: MessageHandler) -> None:
        super().__init__()
        self.work = work
        self._handler = handler
        self._guard = threading.RLock()
        self._writer = ""
        self._retired = False
        self._serial: SerialGauge | None = None
        self._answers = False
        folder = work.job.folder.resolve()
        before = _newest.get(folder)
        if before is not None:
            before.retire()
        _newest[folder] = self
        self._elsewhere: Elsewhere | None = None
        if folder.exists():  # that of a new gauge is made when its facts are saved
            self._elsewhere = work.ownership.take()
            session = work.record.session
            if session is not None:
                work.ownership.tell_operator(session.value)
        self.on_msg(self._heard)

    def close(self) -> None:
        """Close the form, free the serial port, and let other windows collect."""
        self._disconnect()
        self.work.ownership.release()
        super().close()

    def retire(self) -> None:
        """Take no more numbers: a newer form of the same study was opened."""
        self._retired = True
        self._disconnect()
        self.send({"role": "retired", "why": "A newer form of this study is open. Go on there."})

    def _disconnect(self) -> None:
        if self._serial is not None:
            self._serial.close()
            self._serial = None

    # Messages from the page; they may come on any thread, and from several pages

    def _heard(self, _widget: object, message: Mapping[str, Any], _buffers: object) -> None:
        with self._guard:
            page = str(message.get("from", ""))
            kind = message.get("kind")
            if self._retired:
                self.send({"to": page, "role": "retired", "why": "Go on in the newer form."})
            elif kind == "hello":
                self._greet(page, message)
            elif kind == "claim":
                self._hand_over(page, message)
            elif kind == "here":
                self.send({"to": message.get("asker"), "held": True})
            else:
                self._work(page, message)

    def _greet(self, page: str, message: Mapping[str, Any]) -> None:
        if self._elsewhere is None and self._writer in ("", page):
            self._writer = page
        elif self._writer != page:
            self.send({"ping": self._writer, "asker": page})
        self._reply(page, self._handler.answer({"kind": "look", "id": message.get("id")}))

    def _hand_over(self, page: str, message: Mapping[str, Any]) -> None:
        """Let another page write.

        A quiet claim never takes over from another kernel, unless the page says by the name of
        that one's owner that its window is gone: it was loaded again, or closed.
        """
        quiet = bool(message.get("quiet"))
        gone = message.get("gone")
        left = bool(gone) and gone == self.work.ownership.holder
        if quiet and self._elsewhere is not None and not left:
            return
        try:
            before = self.work.ownership.take(by_force=left or not quiet)
            if before is None:
                self._elsewhere = None
                self._writer = page
                self.send({"to": "*", "holder": page, "why": _ELSEWHERE})
                if not quiet:
                    with self.work.writing() as record:
                        self.work.log(record, "taken over")
        except StudyError as error:
            self._reply(page, {"refused": str(error)})
            return
        self._reply(page, self._handler.answer({"kind": "look", "id": message.get("id")}))

    def _work(self, page: str, message: Mapping[str, Any]) -> None:
        kind = message.get("kind")
        there = self.work.job.folder.exists()
        if self._elsewhere is None and there and not self.work.ownership.mine:
            self._elsewhere = Elsewhere("", "")
        if self._elsewhere is not None or (page != self._writer and kind != "look"):
            reply: dict[str, Any] = {"id": message.get("id"), "refused": _ELSEWHERE, "again": True}
            self._reply(page, reply if kind != "look" else {})
            return
        if kind == "answers":
            self._answers = True  # the next number from the serial port answers the question
        elif kind in ("ports", "connect"):
            try:
                told = self._connect(message) if kind == "connect" else _ports()
            except StudyError as error:
                told = {"refused": str(error)}
            self._reply(page, {"id": message.get("id"), **told})
        elif kind in ("table", "file table"):
            content = base64.b64decode(str(message.get("content", "")))
            self._reply(page, self._handler.answer({**message, "content": content}))
        else:
            self._answers = self._answers and kind != "reading"  # a typed number answered it
            self._reply(page, self._handler.answer(message))

    def _reply(self, page: str, reply: Mapping[str, Any]) -> None:
        writer = self._elsewhere is None and page == self._writer
        role = {"role": "writer"} if writer else {"role": "reader", "why": self._why()}
        self.send({"to": page, "owner": self.work.ownership.holder, **role, **reply})

    def _why(self) -> str:
        elsewhere = self._elsewhere
        if elsewhere is None or not elsewhere.since:
            return _ELSEWHERE
        who = f" by {elsewhere.operator}" if elsewhere.operator else ""
        return f"It is being filled{who} in another window or notebook. {_ELSEWHERE}"

    # A gauge on a serial port

    def _connect(self, message: Mapping[str, Any]) -> dict[str, Any]:
        self._disconnect()
        port, speed = str(message.get("port", "")), int(message.get("speed", 4800))
        self._serial = SerialGauge(port, self._line_arrived, speed)
        return _done(f"Connected: {port}. Numbers from there are filed like typed ones.")

    def _line_arrived(self, text: str) -> None:
        with self._guard:
            reading: dict[str, Any] = {"kind": "reading", "id": new_id(), "text": text}
            reading |= {"source": GAUGE, "answers": self._answers}
            self._answers = False
            self._reply(self._writer, {**self._handler.answer(reading), "arrived": text})


def _ports() -> dict[str, Any]:
    return {**_done("Pick the port."), "ports": ports()}


def _done(words: str) -> dict[str, Any]:
    return {"outcome": {"kind": "done", "words": words}}
