"""A cable pulled in the middle of a line, and plugged in again as another device; on real ports.

The bench file knows the board by a stable name that then points to the other device, or by its USB serial number.
"""

from __future__ import annotations

import contextlib
import os
import random
import re
import shutil
import tempfile
import time
import tty
from collections.abc import Callable
from pathlib import Path
from queue import Empty, SimpleQueue
from types import SimpleNamespace
from unittest import mock

from serial.tools import list_ports

from chargebench.instruments import feed as feed_module
from chargebench.instruments.benchfile import bench_from_text
from chargebench.instruments.feed import Chunk, Feeds
from chargebench.instruments.host_clock import host_ns
from chargebench.recording.assemble import Assembler
from chargebench.recording.records import Record, json_payload, raw_payload
from chargebench.runs.run import Run
from chargebench.wire.framed import encode
from tests.faults.tally import Tally
from tests.recording.byte_bench import NO_SCALE_TEXT, header

LINES_A_PLUG = 20
PATIENCE_S = 60.0
NUMBER = "B7-0042"


class _Cable:
    """A board on a pseudo-terminal that the bench file knows by one name."""

    def __init__(self, folder: Path) -> None:
        self.name = folder / "board"
        self._number = 0
        self.sent: list[str] = []
        self.promised: set[str] = set()
        self.device = ""
        self._ends: tuple[int, ...] = ()

    def plug(self) -> None:
        """Appear, under a new device behind the old name."""
        master, slave = os.openpty()
        tty.setraw(slave)
        self._ends = (master, slave)
        self.device = os.ttyname(slave)
        link = self.name.with_suffix(".new")
        link.symlink_to(self.device)
        os.replace(link, self.name)

    def say(self, lines: int, *, heard: bool) -> None:
        """Whole lines, and the beginning of one more; `heard` where they will be waited for, and so are promised."""
        data = b""
        for _ in range(lines):
            text = f"{self._number * 0.37:.4f}"
            data += encode("Q", self._number, 20 * self._number, text, "nC")
            self.sent.append(text)
            self.promised |= {text} if heard else set()
            self._number += 1
        os.write(self._ends[0], data + b"Q,77,12345,9")

    def pull(self) -> None:
        """Gone, whatever was in it."""
        for end in self._ends:
            os.close(end)
        self._ends, self.device = (), ""
        self.name.unlink()

    def listed(self) -> list[SimpleNamespace]:
        """As the system lists USB ports."""
        return [SimpleNamespace(device=self.device, serial_number=NUMBER)] if self.device else []


class _Listener:
    """Feeds and assembler of a bench with that one board."""

    def __init__(self, cable: _Cable, by_number: bool) -> None:
        text = re.sub(r"/dev/tty\w+", str(cable.name), NO_SCALE_TEXT)
        if by_number:
            text = re.sub(r"port = .*", f'port = "/dev/elsewhere"\nserial_number = "{NUMBER}"', text, count=1)
        bench = bench_from_text(text, "unplugged bench")
        self.queue: SimpleQueue[Chunk] = SimpleQueue()
        self.feeds = Feeds(bench, self.queue)
        self.assembler = Assembler(bench, header(ns=host_ns()))
        self.kinds: list[str] = []
        self.readings = 0
        self._number = 0

    def until(self, enough: Callable[[], bool]) -> bool:
        """Take chunks until that holds; False where it does not in time."""
        deadline = time.monotonic() + PATIENCE_S
        while not enough() and time.monotonic() < deadline:
            try:
                self._take(self.queue.get(timeout=0.05))
            except Empty:
                continue
        return enough()

    def _take(self, chunk: Chunk) -> None:
        self.kinds.append(chunk.kind)
        if chunk.kind not in ("data", "open", "lost"):
            return
        self._number += 1
        if chunk.kind == "data":
            payload = raw_payload(chunk.received_ns, chunk.instrument, chunk.data)
            self.readings += len(self.assembler.feed(Record("raw", self._number, payload)))
        else:
            fields = {"ns": chunk.received_ns, "instrument": chunk.instrument, "text": chunk.text}
            self.assembler.feed(Record(chunk.kind, self._number, json_payload(fields)))


def unplug(trials: int, seed: int = 0, *, by_number: bool = False) -> Tally:
    """Pulled so many times, each time in the middle of a line."""
    known_by = "USB serial number" if by_number else "name"
    tally, draw = Tally(f"unplugged mid-line, known by its {known_by}"), random.Random(seed)
    folder = Path(tempfile.mkdtemp())
    cable = _Cable(folder)
    cable.plug()
    listener = _Listener(cable, by_number)
    with (
        mock.patch.object(feed_module, "REOPEN_S", 0.02),
        mock.patch.object(list_ports, "comports", cable.listed),
        contextlib.ExitStack() as after,
    ):
        listener.feeds.start()
        after.callback(listener.feeds.stop)
        for trial in range(trials):
            opened = listener.until(lambda n=trial: listener.kinds.count("open") > n)
            wanted = listener.readings + LINES_A_PLUG
            waited = draw.random() < 0.7
            cable.say(LINES_A_PLUG, heard=waited)
            heard = not waited or listener.until(lambda n=wanted: listener.readings >= n)
            time.sleep(draw.uniform(0, 0.01))
            cable.pull()
            lost = listener.until(lambda n=trial: listener.kinds.count("lost") > n)
            tally.trials += 1
            tally.losses += [f"{trial}: opened {opened}, heard {heard}, lost {lost}"] * (
                not (opened and heard and lost)
            )
            cable.plug()
    cable.pull()
    shutil.rmtree(folder)
    _look(tally, cable, listener.assembler.run(run_id="x"))
    return tally


def _look(tally: Tally, cable: _Cable, run: Run) -> None:
    """Every line that had been fetched, once and in order, nothing else, every cut stated."""
    values = [f"{value:.4f}" for value in run.traces["charge"].value]
    tally.seen["lines fetched and kept"] = len(values)
    tally.seen["lines gone with the port"] = len(cable.sent) - len(values)
    tally.seen["gaps stated"] = sum("cup" in gap.reason for gap in run.gaps)
    lost = cable.promised - set(values)
    if lost:
        tally.losses.append(f"{len(lost)} lines lost")
    places = {text: number for number, text in enumerate(cable.sent)}
    order = [places.get(value, -1) for value in values]
    if order != sorted(set(order)) or -1 in order:
        tally.wrong.append("lines twice, out of order, or that nobody sent")
    if tally.seen["gaps stated"] != tally.trials:
        tally.losses.append(f"{tally.seen['gaps stated']} gaps stated of {tally.trials}")
