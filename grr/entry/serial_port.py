"""A gauge that sends lines over a serial port (needs the optional package pyserial)."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from grr.model.errors import StudyError

#: A line that does not end within this time is taken as it is.
QUIET_SECONDS = 0.2


def ports() -> list[tuple[str, str]]:
    """Return the serial ports of this computer: name and description.

    Raises
    ------
    StudyError
        The package pyserial is not installed.
    """
    _package()
    from serial.tools import list_ports

    return [(port.device, f"{port.device}: {port.description}") for port in list_ports.comports()]


class SerialGauge:
    """Hands every line that a gauge sends to a function, from a thread of its own.

    Parameters
    ----------
    port : str
        Such as COM3 or /dev/ttyUSB0.
    on_line : callable
        Is given the text of each line.
    speed : int
        In bits a second, as set on the gauge.

    Raises
    ------
    StudyError
        The port cannot be opened, or pyserial is not installed.
    """

    def __init__(self, port: str, on_line: Callable[[str], None], speed: int = 4800) -> None:
        serial = _package()
        try:
            self._port = serial.Serial(port, speed, timeout=QUIET_SECONDS)
        except (OSError, ValueError) as error:
            raise StudyError(
                f"The port cannot be opened: {error}",
                "Check the cable, and that no other program uses the port",
                value=port,
            ) from error
        self._on_line = on_line
        self._open = True
        self._thread = threading.Thread(target=self._listen, name="serial gauge", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop listening and free the port."""
        self._open = False
        self._thread.join(timeout=2.0)
        self._port.close()

    def _listen(self) -> None:
        begun = b""
        while self._open:
            try:
                read = self._port.read(self._port.in_waiting or 1)
            except (OSError, TypeError):
                return  # the cable was pulled, or the port was closed
            *lines, begun = (begun + read).replace(b"\r", b"\n").split(b"\n")
            if not read and begun:
                lines, begun = [*lines, begun], b""
            for line in lines:
                text = line.decode("ascii", errors="replace").strip("\0 \t")
                if text:
                    self._on_line(text)


def _package() -> Any:
    try:
        import serial
    except ImportError:
        raise StudyError(
            "Serial ports need the package pyserial", "Install it: pip install pyserial"
        ) from None
    return serial
