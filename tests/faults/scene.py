"""A short recording for the fault campaigns, and the judgement of what a folder holds afterwards."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from queue import SimpleQueue
from typing import Any, NamedTuple

import numpy as np

from chargebench.errors import StorageError
from chargebench.instruments.benchfile import Bench
from chargebench.instruments.feed import Chunk
from chargebench.recording.quarantine import QUARANTINE
from chargebench.recording.recorder import Recorder
from chargebench.recording.records import raw_of
from chargebench.recording.recover import recover
from chargebench.recording.seal import seal
from chargebench.recording.segments import Row, journal_content
from chargebench.recording.verify import contradiction
from chargebench.runs import load
from chargebench.runs.check import check_run
from chargebench.runs.image import read_image
from chargebench.runs.load import load_run
from chargebench.runs.run import Knowledge, Run
from chargebench.wire.framed import encode
from tests.recording.bench_model import Grind, readings
from tests.recording.byte_bench import BENCH_TEXT, PlayedFeeds, bench

__all__ = [
    "BENCH", "FALLBACK", "ROLL_S", "RUNS", "Taken", "finish", "judge", "last_stretch", "read_here", "recorder",
    "snapshot", "stream",
]  # fmt: skip

RUNS = 2
FALLBACK = "fallback"
BENCH = BENCH_TEXT + "\n[recording]\nquiet_before_s = 3\nquiet_after_s = 3\n"
GRIND = Grind(start_s=9.0, length_s=3.0, dose_g=9.0, end_s=24.0, held_nC=50.0)
NO_LINE_YET = "no channel was recorded"
ROLL_S = 4.0
"""After so long a wait a journal is followed by another, where a campaign wants to see that."""
QUIET_NS = 2_900_000_000
TICK_S = 0.1
FIRST_MS = 900_000


class Taken(NamedTuple):
    """A chunk that the recorder has taken: what was promised to be kept."""

    received_ns: int
    instrument: str
    data: bytes


@cache
def stream() -> tuple[Chunk, ...]:
    """Two short grinds, one after the other, as the feeds would hand them on."""
    made = [Chunk(name, 0, "open", text=f"{name}: port is open") for name in ("cup", "scale")]
    waiting = {"cup": b"", "scale": b""}
    due_s, sequence = TICK_S, 0
    for number in range(RUNS):
        for channel, time_s, value, _status in readings(GRIND):
            at_s = time_s + number * GRIND.end_s
            while at_s >= due_s:
                made += _flushed(waiting, due_s)
                due_s += TICK_S
            if channel == "charge":
                line = encode("Q", sequence, FIRST_MS + round(at_s * 1000), f"{value:.4f}", "nC")
                waiting["cup"] += line
                sequence += 1
            else:
                waiting["scale"] += b"ST,%+09.3f,g\r\n" % value
    return (*made, *_flushed(waiting, due_s))


def _flushed(waiting: dict[str, bytes], due_s: float) -> list[Chunk]:
    found = [Chunk(name, round(due_s * 1e9), "data", data) for name, data in waiting.items() if data]
    waiting.update(cup=b"", scale=b"")
    return found


@cache
def _charges() -> Mapping[int, tuple[int, float]]:
    """Uptime and value of every charge line, by its sequence number."""
    lines = b"".join(chunk.data for chunk in stream() if chunk.instrument == "cup").split(b"\n")[:-1]
    fields = [line.split(b"*")[0].split(b",") for line in lines]
    return {int(sequence): (int(ms), float(value)) for _, sequence, ms, value, _, _ in fields}


def finish(row: Row) -> dict[str, Any]:
    """Seals, and tells no more than the recorder needs; fails as the finishing process does."""
    try:
        path = seal(row)
    except OSError as error:
        raise StorageError(str(error)) from error
    return {"path": str(path), "outcome": {"run": path.stem, "recovered": False, "result": {}}}


def recorder(
    folder: Path,
    taken: Callable[[Chunk], None] = lambda chunk: None,
    emit: Callable[[Mapping[str, Any]], None] = lambda event: None,
    feeds: Callable[[Bench, SimpleQueue[Chunk]], Any] | None = None,
    finisher: Callable[[Row], dict[str, Any]] = finish,
    text: str = BENCH,
    fallback: Path | None = None,
) -> Recorder:
    """A recorder of the stream, or of other feeds, that says which chunks it has taken."""

    class Telling(Recorder):
        def _take(self, chunk: Chunk) -> None:
            wanted = self._wanted is None or self._done < self._wanted
            super()._take(chunk)
            if wanted and chunk.kind == "data":
                taken(chunk)

    return Telling(
        bench(text), folder, {}, Knowledge(), finisher, emit, SimpleQueue(),
        fallback=fallback or folder / FALLBACK,
        feeds=feeds or (lambda bench, queue: PlayedFeeds(stream(), queue)),
    )  # fmt: skip


def read_here() -> None:
    """Have run files read in this process: they are our own, and a forked process would start a reader for each."""
    load.read_apart = read_image


def snapshot(folder: Path) -> dict[str, bytes]:
    """Every file with its bytes."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def judge(
    folder: Path,
    promised: Iterable[Taken],
    *,
    lines_may_miss: bool = False,
    recorders: int = 1,
    folders: Sequence[Path] = (),
) -> list[str]:
    """What is wrong after a start in that folder and its fallback.

    Seals what there is, looks at every run, and does it all again to see that nothing changes.

    Parameters
    ----------
    folder : Path
    promised : iterable of Taken
        Chunks that must be in exactly one run.
    lines_may_miss : bool
        Whether lines may have been lost on the wire.
    recorders : int
        How many have recorded the stream.
    folders : sequence of Path
        Where the start is, where those are not the folder itself and its fallback.
    """
    read_here()
    folders = folders or [folder, folder / FALLBACK]
    heard: list[Mapping[str, Any]] = []
    failed = recover(folders, finish, heard.append)
    wrong = [f"{failed} journals could not be sealed: {heard}"] if failed else []
    before = snapshot(folder)
    recover(folders, finish, heard.append)
    if snapshot(folder) != before:
        wrong.append("a second start changed something")
    strays = (name for name in before if not name.endswith(".h5") and QUARANTINE not in name)
    wrong += [f"left over: {name}" for name in strays]
    kept: Counter[Taken] = Counter()
    seen: Counter[int] = Counter()
    for path in sorted(folder.rglob("*.h5")):
        run = load_run(path)
        # cut short after its first bytes, a run may hold no line yet
        wrong += [words for words in check_run(path) if not (run.recovered and words == NO_LINE_YET)]
        wrong += [words] if (words := contradiction(run)) else []
        kept.update(_chunks_of(run))
        wrong += _stated(run) + _held_against_stream(run, lines_may_miss)
        seen.update(run.traces["charge"].sequence.tolist() if "charge" in run.traces else ())
    return wrong + _compared(Counter(promised), kept) + _twice(seen, recorders)


def last_stretch(taken: Collection[Taken]) -> set[Taken]:
    """What must be kept of a recording whose journals follow each other: all but the last stretch is let go."""
    newest_ns = max((chunk.received_ns for chunk in taken), default=0)
    return {chunk for chunk in taken if chunk.received_ns > newest_ns - QUIET_NS}


def _compared(promised: Counter[Taken], kept: Counter[Taken]) -> list[str]:
    """Chunks lost, kept twice or made up."""
    lost = promised - kept
    twice = [chunk for chunk, count in kept.items() if count > 1]
    found = [f"{len(lost)} of {len(promised)} promised chunks lost"] if lost else []
    return found + ([f"{len(twice)} chunks twice"] if twice else [])


def _twice(seen: Counter[int], recorders: int) -> list[str]:
    repeated = sum(count > recorders for count in seen.values())
    return [f"{repeated} readings twice"] if repeated else []


def _chunks_of(run: Run) -> list[Taken]:
    records = journal_content(run.journal).records
    return [Taken(*raw) for record in records if (raw := raw_of(record)) is not None]


def _stated(run: Run) -> list[str]:
    """Whether a recording that was cut short says so."""
    content = journal_content(run.journal)
    wrong = [] if run.recovered != content.complete else [f"{run.run_id}: recovered is {run.recovered}"]
    if run.recovered and not any("cut short" in gap.reason for gap in run.gaps):
        wrong.append(f"{run.run_id}: the gap is not stated")
    return wrong


def _held_against_stream(run: Run, lines_may_miss: bool) -> list[str]:
    """Readings that nobody sent, and lines lost inside a run."""
    charge = run.traces.get("charge")
    if charge is None:
        return []
    sent = _charges()
    rows = zip(charge.sequence.tolist(), charge.device_ms.tolist(), charge.value.tolist(), strict=True)
    other = sum(sent.get(sequence) != (ms, value) for sequence, ms, value in rows)
    wrong = [f"{run.run_id}: {other} wrong values"] if other else []
    if np.any(np.diff(charge.sequence) != 1) and not lines_may_miss:
        wrong.append(f"{run.run_id}: lines lost or repeated inside")
    if np.any(np.abs(np.diff(charge.time_s) * 1000 - np.diff(charge.device_ms)) > 1e-6):
        wrong.append(f"{run.run_id}: times differ from the board's clock")
    return wrong
