"""Real wires for a virtual instrument: a kernel pseudo-terminal, or a listening socket where there is none.

Owns the operating system's side. Writes never wait: like a UART, what nobody takes within a second is dropped, whole
lines at a time, and counted. Called from one thread only.
"""

from __future__ import annotations

import contextlib
import math
import os
import socket
import sys
from collections import deque
from collections.abc import Callable
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
    """Bytes on their way; when no one has taken any for a second, those that have waited so long are dropped.

    The rest of a line begun stays, so that a host hears whole lines.
    """

    def __init__(self) -> None:
        self.dropped_bytes = 0
        self._waiting: deque[tuple[float, bytes]] = deque()  # since when, and what
        self._taken_s = 0.0

    def push(self, data: bytes, now_s: float, write: Callable[[bytes], int]) -> None:
        """Queue whole lines, then have the operating system take what it will."""
        if not self._waiting:
            self._taken_s = now_s
        if data:
            self._waiting.append((now_s, data))
        try:
            while self._waiting:
                self._took(write(self._waiting[0][1]), now_s)
        except BlockingIOError:
            if now_s - self._taken_s > _PATIENCE_S:
                self._drop(now_s - _PATIENCE_S)

    def _took(self, count: int, now_s: float) -> None:
        """The operating system has taken so many of the first bytes."""
        self._taken_s = now_s
        since_s, chunk = self._waiting.popleft()
        taken, rest = chunk[:count], chunk[count:]
        begun = 0 if taken.endswith(b"\n") else rest.find(b"\n") + 1
        parts = [(math.inf, rest[:begun]), (since_s, rest[begun:])]
        self._waiting.extendleft(part for part in reversed(parts) if part[1])

    def _drop(self, before_s: float) -> None:
        """Let go of what has waited since before that time."""
        self.dropped_bytes += sum(len(chunk) for since_s, chunk in self._waiting if since_s < before_s)
        self._waiting = deque(part for part in self._waiting if part[0] >= before_s)

    def clear(self) -> None:
        """Nobody is there."""
        self.dropped_bytes += sum(len(chunk) for _, chunk in self._waiting)
        self._waiting.clear()


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
        self._backlog.push(data, now_s, lambda chunk: os.write(self._master, chunk))

    def receive(self) -> bytes:
        try:
            return os.read(self._master, 4096)
        except BlockingIOError:
            return b""

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
        if host is None:
            self._backlog.dropped_bytes += len(data)
            return
        try:
            self._backlog.push(data, now_s, host.send)
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
