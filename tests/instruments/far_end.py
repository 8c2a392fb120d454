"""Both ends of a port, for tests: a terminal's master, a listening socket, a serial server; what the feeds heard."""

from __future__ import annotations

import os
import select
import socket
import threading
import time
from collections.abc import Callable
from queue import Empty, SimpleQueue
from typing import Protocol

import serial
import serial.rfc2217

from chargebench.instruments.benchfile import Bench, bench_from_text
from chargebench.instruments.feed import Chunk, Feeds

PATIENCE_S = 60.0
"""What any wait may take before it counts as in vain. A busy machine delays everything; only a fault delays so long."""


class FarEnd(Protocol):
    """What a test does at the instrument's end."""

    port: str

    def write(self, data: bytes) -> None: ...
    def read(self, count: int) -> bytes: ...
    def vanish(self) -> None: ...


class Terminal:
    """A pseudo-terminal's master side."""

    def __init__(self) -> None:
        import tty  # not on every system

        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        self._slave = slave  # kept open: a master whose slave is closed reads as broken

    def opened(self) -> None:
        """Let go of the slave, once a port holds it."""
        os.close(self._slave)
        self._slave = -1

    def write(self, data: bytes) -> None:
        os.write(self.master, data)

    def read(self, count: int) -> bytes:
        data = b""
        while len(data) < count and select.select([self.master], [], [], PATIENCE_S)[0]:
            data += os.read(self.master, count - len(data))
        return data

    def vanish(self) -> None:
        for descriptor in (self.master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self._slave = -1


class Listener:
    """A TCP instrument that serves one caller at a time."""

    scheme = "socket"

    def __init__(self, number: int = 0) -> None:
        self._server = socket.create_server(("127.0.0.1", number))
        self.number = self._server.getsockname()[1]
        self.port = f"{self.scheme}://127.0.0.1:{self.number}"
        self._call: socket.socket | None = None

    def call(self) -> socket.socket:
        """The connection, waited for."""
        if self._call is None:
            self._server.settimeout(PATIENCE_S)
            self._call, _ = self._server.accept()
            self._call.settimeout(PATIENCE_S)
        return self._call

    def write(self, data: bytes) -> None:
        self.call().sendall(data)

    def read(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            data += self.call().recv(count - len(data))
        return data

    def vanish(self) -> None:
        if self._call is not None:
            self._call.close()
        self._server.close()


class SerialServer(Listener):
    """A serial port served after RFC 2217; the library's own server side negotiates, in a thread."""

    scheme = "rfc2217"

    def __init__(self) -> None:
        super().__init__()
        self._heard = bytearray()
        self._device = serial.serial_for_url("loop://")
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        self._manager: serial.rfc2217.PortManager | None = None

    def _serve(self) -> None:
        call = self.call()
        self._manager = serial.rfc2217.PortManager(self._device, _Sender(call))
        try:
            while data := call.recv(4096):
                self._heard += b"".join(self._manager.filter(data))
        except OSError:
            return

    def write(self, data: bytes) -> None:
        assert self._manager is not None
        self.call().sendall(b"".join(self._manager.escape(data)))

    def read(self, count: int) -> bytes:
        wait_for(lambda: len(self._heard) >= count)
        data, self._heard = bytes(self._heard[:count]), self._heard[count:]
        return data

    def vanish(self) -> None:
        if self._call is not None and self._call.fileno() >= 0:
            self._call.shutdown(socket.SHUT_RDWR)
        super().vanish()
        self._thread.join(PATIENCE_S)
        self._device.close()


class _Sender:
    """A socket as the library's server side wants it: something with ``write``."""

    def __init__(self, call: socket.socket) -> None:
        self.write = call.sendall


def wait_for(condition: Callable[[], object], limit_s: float = PATIENCE_S) -> None:
    """Wait until a condition holds; fail when it does not in time."""
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.005)


def bench_with(port: str, more: str = "", lines: str = "framed", carries: str = "charge") -> Bench:
    """A bench with one instrument, named ``x``."""
    return bench_from_text(
        f'[bench]\nname = "test"\n[instrument.x]\nport = "{port}"\nlines = "{lines}"\ncarries = ["{carries}"]\n{more}\n'
    )


class Heard:
    """Everything a bench's feeds have said so far."""

    def __init__(self, bench: Bench) -> None:
        self.queue: SimpleQueue[Chunk] = SimpleQueue()
        self.feeds = Feeds(bench, self.queue)
        self.chunks: list[Chunk] = []

    def until(self, condition: Callable[[], object]) -> None:
        """Take chunks until a condition holds."""

        def met() -> bool:
            self.drain()
            return bool(condition())

        wait_for(met)

    def drain(self) -> None:
        """Take what is there."""
        while True:
            try:
                self.chunks.append(self.queue.get_nowait())
            except Empty:
                return

    def data(self, instrument: str = "x") -> bytes:
        return b"".join(chunk.data for chunk in self.chunks if chunk.instrument == instrument)

    def kinds(self) -> list[str]:
        return [chunk.kind for chunk in self.chunks if chunk.kind != "data"]
