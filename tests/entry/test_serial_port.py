import ctypes
import os
import sys
import time

import pytest

from grr.entry.serial_port import SerialGauge, ports
from grr.model.errors import StudyError

pytest.importorskip("serial", reason="the package pyserial is not installed")


@pytest.mark.skipif(
    sys.platform == "win32" and hasattr(ctypes.windll.ntdll, "wine_get_version"),
    reason="wine 8 lacks what pyserial asks Windows with",
)
def test_the_ports_of_this_computer_are_listed():
    assert all(len(port) == 2 for port in ports())


def test_a_port_that_is_not_there_is_refused():
    with pytest.raises(StudyError, match="cannot be opened"):
        SerialGauge("no-such-port", print)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
def test_each_line_that_a_gauge_sends_arrives_once():
    here, there = os.openpty()
    lines = []
    gauge = SerialGauge(os.ttyname(there), lines.append)
    try:
        for sent in (b"+0010.0071\r\n", b"10,0082 mm\r", b"10.00", b"93\n", b"10.0074"):
            os.write(here, sent)
            time.sleep(0.02)
        deadline = time.monotonic() + 10
        while len(lines) < 4 and time.monotonic() < deadline:
            time.sleep(0.02)
        assert lines == ["+0010.0071", "10,0082 mm", "10.0093", "10.0074"]
    finally:
        gauge.close()
        os.close(here)
        os.close(there)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
def test_a_cable_that_is_pulled_ends_quietly():
    here, there = os.openpty()
    gauge = SerialGauge(os.ttyname(there), print)
    os.close(here)
    time.sleep(0.3)
    gauge.close()
    os.close(there)
