"""Real wires for a virtual instrument: a kernel pseudo-terminal, or a listening socket where there is none.

Owns the operating system's side. Writes never wait: like a UART, what nobody takes within a second is dropped, whole
lines at a time, and counted. Called from one thread only.
"""

from __future__ import annotations

import contextlib
import os
import socket
import sys
from typing import Protocol

__all__ = ["PtyWire", "SocketWire", "Wire", "open_wire"]

_PATIENCE_S = 1.0


class Wire(Protocol):
    """One end of a serial line: takes bytes without waiting, gives what the host sent."""

    port: str

    @property
    def dropped_bytes(self) -> int: ...
    def send(self, data: bytes, now_s: float) -> None: ...
    def receive(self) -> bytes: ...
    def close(self) -> None: ...


class _Backlog:
    """Bytes on their way; when no one has taken any for a second, all but the rest of a line begun is dropped.

    A host that has said something is there, and has another second.
    """

    def __init__(self) -> None:
        self.waiting = bytearray()
        self.dropped_bytes = 0
        self.host_spoke = False
        self._line_begun = False
        self._taken_s = 0.0

    def add(self, data: bytes, now_s: float) -> None:
        """Queue whole lines."""
        if self.host_spoke or not self.waiting:
            self.host_spoke, self._taken_s = False, now_s
        elif now_s - self._taken_s > _PATIENCE_S:
            self._drop_from(self.waiting.find(b"\n") + 1 if self._line_begun else 0)
        self.waiting += data

    def took(self, count: int, now_s: float) -> None:
        """The operating system has taken so many bytes."""
        self._line_begun = not self.waiting[:count].endswith(b"\n")
        del self.waiting[:count]
        self._taken_s = now_s

    def clear(self) -> None:
        """Nobody is there."""
        self._drop_from(0)
        self._line_begun = False

    def _drop_from(self, place: int) -> None:
        self.dropped_bytes += len(self.waiting) - place
        del self.waiting[place:]


class PtyWire:
    """The master's side of a pseudo-terminal in raw mode; `port` is what a host opens.

    The slave's side is kept open here too, so that a host may come, go, be killed and come again; the kernel's
    exclusive mode, which would outlive a killed host on a pseudo-terminal, is lifted on every write.
    """

    def __init__(self) -> None:
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        self._backlog = _Backlog()

    @property
    def dropped_bytes(self) -> int:
        return self._backlog.dropped_bytes

    def send(self, data: bytes, now_s: float) -> None:
        import fcntl
        import termios

        fcntl.ioctl(self._slave, termios.TIOCNXCL)
        self._backlog.add(data, now_s)
        with contextlib.suppress(BlockingIOError):
            while self._backlog.waiting:
                self._backlog.took(os.write(self._master, self._backlog.waiting), now_s)

    def receive(self) -> bytes:
        try:
            data = os.read(self._master, 4096)
        except BlockingIOError:
            return b""
        self._backlog.host_spoke = bool(data)
        return data

    def close(self) -> None:
        os.close(self._slave)
        os.close(self._master)


class SocketWire:
    """A listening socket on this machine that serves one host at a time."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=1)
        self._listener.setblocking(False)
        self._host: socket.socket | None = None
        self.port = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._backlog = _Backlog()

    @property
    def dropped_bytes(self) -> int:
        return self._backlog.dropped_bytes

    def _connected(self) -> socket.socket | None:
        if self._host is None:
            with contextlib.suppress(BlockingIOError):
                self._host, _ = self._listener.accept()
                self._host.setblocking(False)
        return self._host

    def _hang_up(self) -> None:
        if self._host is not None:
            self._host.close()
            self._host = None
        self._backlog.clear()

    def send(self, data: bytes, now_s: float) -> None:
        host = self._connected()
        self._backlog.add(data, now_s)
        if host is None:
            self._backlog.clear()
            return
        try:
            while self._backlog.waiting:
                self._backlog.took(host.send(self._backlog.waiting), now_s)
        except BlockingIOError:
            return
        except OSError:
            self._hang_up()

    def receive(self) -> bytes:
        if self._host is None:
            return b""
        try:
            data = self._host.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def close(self) -> None:
        self._hang_up()
        self._listener.close()


def open_wire(transport: str) -> Wire:
    """A new wire: ``pty``, ``socket``, or ``auto`` for the first of them that this system has."""
    if transport == "pty" or (transport == "auto" and sys.platform != "win32"):
        return PtyWire()
    return SocketWire()
