"""One reading thread an instrument, all into one queue. Owns the threads, reopening, and the time of receipt.

Nothing is decoded here: what a port gives is stamped and handed on. A thread never ends by an exception that nobody
hears of: port errors become chunks that say so and the port is tried again, anything else becomes a ``failed`` chunk.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import Final, Literal

from chargebench.errors import BenchError, PortForbiddenError, PortHeldError, PortLostError, PortMissingError
from chargebench.instruments.benchfile import Bench, Instrument
from chargebench.instruments.conversation import Conversation
from chargebench.instruments.host_clock import host_ns
from chargebench.instruments.ports import Port, open_port
from chargebench.wire.framed import command

__all__ = ["Chunk", "ChunkKind", "Feeds"]

ChunkKind = Literal["data", "open", "lost", "missing", "held", "forbidden", "asked", "refused", "note", "failed"]

TICK_S: Final = 0.020  # framed lines carry their own clock: reading rarely costs least
WAIT_S: Final = 0.1  # longest wait for bytes that are stamped as they come
REOPEN_S: Final = 0.5
MAX_BYTES: Final = 65536
BUSY_BYTES: Final = 2048  # a read that finds this much is followed by the next at once
STOP_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Chunk:
    """What a feed has to say: bytes of one instrument, or what became of its port.

    Attributes
    ----------
    instrument : str
        Name in the bench file.
    received_ns : int
        Host's monotonic time, taken right after the read.
    kind : str
        ``data``; ``open`` (the port was opened); ``lost`` (an open port went away); ``missing``, ``held``,
        ``forbidden`` (it could not be opened: said once, tried again all along); ``asked`` (a polled instrument is
        about to be sent what stands in `text`; what follows answers it); ``refused`` (a command it would not take);
        ``note`` (a reply that did not come, say); ``failed`` (an exception in the thread, which has ended).
    data : bytes
        As received; empty unless kind is ``data``.
    text : str
        One sentence for people, or the command sent where kind is ``asked``; empty where kind is ``data``.
    """

    instrument: str
    received_ns: int
    kind: ChunkKind
    data: bytes = b""
    text: str = ""


class Feeds:
    """The feeds of every instrument on a bench.

    Parameters
    ----------
    bench : Bench
        Instruments to read.
    queue : SimpleQueue of Chunk
        Where chunks of all of them go.
    """

    def __init__(self, bench: Bench, queue: SimpleQueue[Chunk]) -> None:
        self._feeds = {name: _Feed(instrument, queue) for name, instrument in bench.instruments.items()}

    def start(self) -> None:
        """Start reading. Ports that cannot be opened are reported in the queue and tried again."""
        for feed in self._feeds.values():
            feed.start()

    def send(self, instrument: str, data: bytes) -> None:
        """Have the reading thread write `data`; dropped, with a note, while the port is not open.

        Raises
        ------
        KeyError
            When the bench has no such instrument.
        """
        self._feeds[instrument].send(data)

    def timeouts(self) -> dict[str, int]:
        """Replies that did not come in time, by instrument."""
        return {name: feed.conversation.timeouts for name, feed in self._feeds.items()}

    def stop(self) -> None:
        """Close every port and end every thread; afterwards nothing more enters the queue. Twice does no harm."""
        for feed in self._feeds.values():
            feed.ask_to_stop()
        for feed in self._feeds.values():
            feed.join()


class _Feed:
    """One instrument's thread. Everything but `send`, `ask_to_stop` and `join` happens in it."""

    def __init__(self, instrument: Instrument, queue: SimpleQueue[Chunk]) -> None:
        self._instrument = instrument
        self._queue = queue
        self._outbox: SimpleQueue[bytes] = SimpleQueue()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"feed-{instrument.name}", daemon=True)
        self._port: Port | None = None
        self.conversation = Conversation(
            instrument, lambda kind, text: self._put(kind, text=text), self._take, self._waiting, self._stopping
        )

    def start(self) -> None:
        self._thread.start()

    def send(self, data: bytes) -> None:
        self._outbox.put(data)

    def ask_to_stop(self) -> None:
        self._stopping.set()

    def join(self) -> None:
        """Wait for the thread; one whose driver hangs in close() is a daemon, left to the end of the process."""
        if self._thread.ident is not None:
            self._thread.join(STOP_S)

    def _put(self, kind: ChunkKind, data: bytes = b"", text: str = "") -> None:
        self._queue.put(Chunk(self._instrument.name, host_ns(), kind, data, text))

    def _run(self) -> None:
        """The thread. An exception on its way out goes into the queue, too; ``threading.excepthook`` gets it next."""
        try:
            self._keep_reading()
        finally:
            error = sys.exception()
            if error is not None:
                self._put("failed", text=f"{self._instrument.name}: reading has stopped: {error!r}")
            self._close()

    def _keep_reading(self) -> None:
        said = ""
        while not self._stopping.is_set():
            try:
                self._port = open_port(self._instrument)
            except BenchError as error:
                if str(error) != said:
                    said = str(error)
                    self._put(_state_of(error), text=f"{self._instrument.name}: {error}")
                self._stopping.wait(REOPEN_S)
                continue
            said = ""
            self._put("open", text=f"{self._instrument.name}: {self._instrument.port} is open")
            try:
                self._conversation(self._port)
            except PortLostError as error:
                self._put("lost", text=f"{self._instrument.name}: {error}")
            self._close()
            self._stopping.wait(REOPEN_S)

    def _close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def _conversation(self, port: Port) -> None:
        """Read an open port until it is lost or the bench stops."""
        self._forget_outbox()
        if self._instrument.lines == "scpi":
            self.conversation.hold(port)
        elif self._instrument.request is not None:
            self._poll_printed(port, self._instrument.request)
        elif self._instrument.lines == "framed":
            port.write(command("ID?"))
            self._listen(port, lambda: self._take(port, TICK_S, rest_s=TICK_S))
        else:
            self._listen(port, lambda: self._take(port, WAIT_S))

    def _listen(self, port: Port, step: Callable[[], object]) -> None:
        """Repeat `step`, sending what is to be sent, until the bench stops."""
        while not self._stopping.is_set():
            self._send_outbox(port)
            step()

    def _take(self, port: Port, timeout_s: float, rest_s: float = 0.0) -> bytes:
        """Read once and hand on; then rest, so that the next read finds more."""
        data = port.read(MAX_BYTES, timeout_s)
        if data:
            self._put("data", data)
            if rest_s and len(data) < BUSY_BYTES:
                self._stopping.wait(rest_s)
        return data

    def _send_outbox(self, port: Port) -> None:
        for data in self._waiting():
            port.write(data)

    def _waiting(self) -> list[bytes]:
        """What is to be sent by now."""
        found: list[bytes] = []
        with suppress(Empty):
            while True:
                found.append(self._outbox.get_nowait())
        return found

    def _forget_outbox(self) -> None:
        """Commands from before the port was open are old; say so and drop them."""
        while not self._outbox.empty():
            self._put(
                "note", text=f"{self._instrument.name}: {self._outbox.get()!r} was not sent, the port was not open"
            )

    def _poll_printed(self, port: Port, request: bytes) -> None:
        """Send the request every `poll_s`; hand on whatever comes."""
        due = time.monotonic()
        while not self._stopping.is_set():
            self._send_outbox(port)
            now = time.monotonic()
            if now >= due:
                port.write(request)
                due = max(due + self._instrument.poll_s, now)
            self._take(port, min(WAIT_S, self._instrument.poll_s))


def _state_of(error: BenchError) -> ChunkKind:
    """The kind of chunk that a failure to open becomes."""
    if isinstance(error, PortHeldError):
        return "held"
    if isinstance(error, PortForbiddenError):
        return "forbidden"
    return "missing" if isinstance(error, PortMissingError) else "note"
