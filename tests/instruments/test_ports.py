"""What the failure to open a port means, and finding a port by its USB serial number."""

from __future__ import annotations

import errno
import sys
from types import SimpleNamespace

import pytest
import serial

from chargebench.errors import BenchError, PortForbiddenError, PortHeldError, PortMissingError
from chargebench.instruments import ports
from chargebench.instruments.ports import open_port
from tests.instruments.far_end import Terminal, bench_with


def library_error(number: int | None, words: str) -> serial.SerialException:
    """An error as the serial library raises it."""
    return serial.SerialException(number, words) if number is not None else serial.SerialException(words)


@pytest.mark.parametrize(
    ("error", "meant", "remedy"),
    [
        (library_error(errno.ENOENT, "could not open port"), PortMissingError, "plugged in"),
        (library_error(errno.ENXIO, "could not open port"), PortMissingError, "plugged in"),
        (library_error(errno.EACCES, "could not open port"), PortForbiddenError, "not allowed"),
        (library_error(errno.EBUSY, "could not open port"), PortHeldError, "close that program"),
        (library_error(errno.EAGAIN, "Could not exclusively lock port"), PortHeldError, "close that program"),
        (ValueError("Invalid baud rate"), PortMissingError, "baud rate"),
        (library_error(None, "something else"), BenchError, "something else"),
    ],
)
def test_errors_come_with_their_remedy(
    monkeypatch: pytest.MonkeyPatch, error: Exception, meant: type[BenchError], remedy: str
) -> None:
    """Each way in which a port refuses to open becomes one sentence that names the port and what to do."""

    def refuse(*_args: object, **_settings: object) -> None:
        raise error

    monkeypatch.setattr(ports.serial, "Serial", refuse)
    with pytest.raises(meant) as caught:
        open_port(bench_with("/dev/ttyX7").instruments["x"])
    assert type(caught.value) is meant
    assert "/dev/ttyX7" in str(caught.value)
    assert remedy in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the group's name is Linux's")
def test_the_linux_remedy_names_the_group(monkeypatch: pytest.MonkeyPatch) -> None:
    """On Linux a forbidden port says which group opens it."""
    test_errors_come_with_their_remedy(monkeypatch, library_error(errno.EACCES, ""), PortForbiddenError, "dialout")


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
def test_found_by_usb_serial_number(monkeypatch: pytest.MonkeyPatch) -> None:
    """An instrument with a USB serial number is opened wherever it is plugged in today."""
    end = Terminal()
    monkeypatch.setattr(
        ports.list_ports,
        "comports",
        lambda: [
            SimpleNamespace(serial_number=None, device="/dev/a"),
            SimpleNamespace(serial_number="S7", device=end.port),
        ],
    )
    port = open_port(bench_with("/dev/elsewhere", 'serial_number = "S7"').instruments["x"])
    end.write(b"found")
    assert port.read(5, 2.0) == b"found"
    port.close()
    with pytest.raises(PortMissingError, match="'S8': not plugged in; numbers seen: S7"):
        open_port(bench_with("/dev/elsewhere", 'serial_number = "S8"').instruments["x"])
    end.vanish()


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
def test_an_open_port_is_held() -> None:
    """A second opener is refused while a port is open, and taken when it is closed."""
    end = Terminal()
    instrument = bench_with(end.port).instruments["x"]
    port = open_port(instrument)
    with pytest.raises(PortHeldError):
        open_port(instrument)
    port.close()
    open_port(instrument).close()
    end.vanish()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="asks the Linux way")
@pytest.mark.parametrize("played", [False, True])
def test_the_system_excludes_others_too(monkeypatch: pytest.MonkeyPatch, played: bool) -> None:
    """A device is closed to programs that ask for no lock; a played one is not, or a killed recorder would block it."""
    import fcntl
    import os

    end = Terminal()
    if not played:
        monkeypatch.setattr(ports, "_is_pseudo_terminal", lambda _name: False)
    port = open_port(bench_with(end.port).instruments["x"])
    watcher = end._slave
    is_exclusive = fcntl.ioctl(watcher, 0x80045440, b"\0\0\0\0") != b"\0\0\0\0"  # TIOCGEXCL
    assert is_exclusive is not played
    port.close()
    assert os.isatty(watcher)
    end.vanish()


def test_nobody_answers() -> None:
    """A network port that nobody serves is missing, not a crash."""
    from tests.instruments.far_end import Listener

    end = Listener()
    end.vanish()
    with pytest.raises(PortMissingError, match="127"):
        open_port(bench_with(end.port).instruments["x"])
