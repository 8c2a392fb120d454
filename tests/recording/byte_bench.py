"""The bench on paper as bytes: a framed board and a printing scale, chunk by chunk, without ports or waiting."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from chargebench.instruments.benchfile import Bench, bench_from_text
from chargebench.instruments.feed import Chunk
from chargebench.instruments.host_clock import host_ns
from chargebench.recording.header import header_fields
from chargebench.recording.journal import Journal
from chargebench.recording.records import json_payload, raw_payload
from chargebench.runs.disk import Place
from chargebench.runs.run import Knowledge, Known
from chargebench.wire.framed import encode
from tests.recording.bench_model import Grind, readings

RUN_ID = "20260314T091500Z-7f3a2c"

BENCH_TEXT = """\
[bench]
name = "Paper bench"

[instrument.cup]
port = "/dev/ttyPAPER0"
lines = "framed"
baud = 115200
carries = ["charge"]

[instrument.scale]
port = "/dev/ttyPAPER1"
lines = "printed"
baud = 9600
carries = ["mass"]
"""

NO_SCALE_TEXT = BENCH_TEXT.partition("[instrument.scale]")[0]


def bench(text: str = BENCH_TEXT) -> Bench:
    """The paper bench."""
    return bench_from_text(text, "paper bench")


def chunks(
    grind: Grind, *, ms0: int = 7_000_000, tick_s: float = 0.1, start_ns: int = 0, seq0: int = 65_500
) -> Iterator[Chunk]:
    """What the feeds would hand on, in order of time."""
    waiting = {"cup": b"", "scale": b""}
    due_s, sequence = tick_s, seq0
    for name in ("cup", "scale") if grind.scale else ("cup",):
        yield Chunk(name, start_ns, "open", text=f"{name}: port is open")
    for channel, time_s, value, _status in readings(grind):
        while time_s >= due_s:
            yield from _flush(waiting, start_ns + round(due_s * 1e9))
            due_s += tick_s
        if channel == "charge":
            ms = ms0 + round(time_s * 1000)
            waiting["cup"] += encode("Q", sequence % 65536, ms % (1 << 32), f"{value:.4f}", "nC")
            sequence += 1
        else:
            waiting["scale"] += b"ST,%+09.3f,g\r\n" % value
    yield from _flush(waiting, start_ns + round(due_s * 1e9))


def _flush(waiting: dict[str, bytes], ns: int) -> Iterator[Chunk]:
    for name, data in waiting.items():
        if data:
            yield Chunk(name, ns, "data", data)
            waiting[name] = b""


class PlayedFeeds:
    """Stands where the feeds stand: puts chunks into the queue, all at once, stamped as if they had come in time."""

    def __init__(self, made: Iterable[Chunk], queue: SimpleQueue[Chunk]) -> None:
        self._chunks = list(made)
        self._queue = queue
        self.stopped = False

    def start(self) -> None:
        base_ns = host_ns()
        for chunk in self._chunks:
            self._queue.put(replace(chunk, received_ns=chunk.received_ns + base_ns))

    def stop(self) -> None:
        self.stopped = True


def header(run_id: str = RUN_ID, text: str = BENCH_TEXT, ns: int = 0, **tags: str | float) -> dict[str, Any]:
    """Header of a journal."""
    knowledge = Knowledge({"gain": Known(1.01, 0.002, source="paper")})
    return header_fields(run_id, "2026-03-14T09:15:00.000Z", ns, text, tags, knowledge, {"cup": "paper board"})


def begun_journal(folder: Path, fields: dict[str, Any] | None = None) -> Journal:
    """A journal whose first segment is in that folder; to be closed."""
    fields = fields or header()
    journal = Journal(fields["run"], lambda: fields)
    journal.go_on([Place(folder, remade=True)])
    return journal


def path_of(journal: Journal) -> Path:
    """The segment that is being written."""
    assert journal.path is not None
    return journal.path


def written_journal(
    folder: Path, grind: Grind | None = None, *, run_id: str = RUN_ID, ended: bool = True, leave_out: int = 0
) -> Path:
    """A journal as a recorder leaves it, closed, in one segment; without its last `leave_out` chunks."""
    journal = begun_journal(folder, header(run_id, coffee="Hollow Hill"))
    made = list(chunks(grind or Grind(end_s=30.0)))
    for chunk in made[: len(made) - leave_out]:
        if chunk.kind == "data":
            journal.append("raw", raw_payload(chunk.received_ns, chunk.instrument, chunk.data))
        else:
            fields = {"ns": chunk.received_ns, "instrument": chunk.instrument, "text": chunk.text}
            journal.append(chunk.kind, json_payload(fields))
    if ended:
        journal.append("end", json_payload({"ns": made[-1].received_ns, "text": ""}))
    journal.close()
    return path_of(journal)
