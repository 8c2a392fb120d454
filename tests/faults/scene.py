"""A short recording for the fault campaigns, and the judgement of what a folder holds afterwards."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import numpy as np

from chargebench.instruments.benchfile import Bench
from chargebench.instruments.feed import Chunk
from chargebench.recording.journal import journal_content
from chargebench.recording.manifest import check_manifest
from chargebench.recording.records import raw_of
from chargebench.recording.recorder import Recorder
from chargebench.recording.recover import QUARANTINE, recover
from chargebench.recording.seal import seal
from chargebench.runs.check import check_run
from chargebench.runs.load import load_run
from chargebench.runs.run import Knowledge
from tests.recording.bench_model import Grind
from tests.recording.byte_bench import BENCH_TEXT, PlayedFeeds, bench, chunks

__all__ = ["RUNS", "finish", "judge", "recorder", "snapshot", "stream"]

RUNS = 2
QUIET = "\n[recording]\nquiet_before_s = 3\nquiet_after_s = 3\n"


def stream() -> list[Chunk]:
    """Two short grinds, one after the other."""
    grind = Grind(start_s=9.0, length_s=3.0, dose_g=9.0, end_s=24.0, held_nC=50.0)
    return [
        Chunk(c.instrument, c.received_ns + round(i * 24e9), c.kind, c.data, c.text)
        for i in range(RUNS)
        for c in chunks(grind, ms0=900_000 + i * 24_000, seq0=65_500 + i * 480)
        if c.kind == "data" or not i
    ]


def finish(journal: Path) -> dict[str, Any]:
    """Seals, and tells no more than the recorder needs."""
    path = seal(journal)
    return {"path": str(path), "outcome": {"run": path.stem, "recovered": False, "result": {}}}


def recorder(
    folder: Path,
    taken: Callable[[Chunk], None],
    emit: Callable[[Mapping[str, Any]], None],
    pace: Callable[[Bench, SimpleQueue[Chunk]], PlayedFeeds] | None = None,
) -> Recorder:
    """A recorder of the stream that says which chunks it has taken."""

    class Telling(Recorder):
        def _take(self, chunk: Chunk) -> None:
            wanted = self._done < RUNS
            super()._take(chunk)
            if wanted and chunk.kind == "data":
                taken(chunk)

    feeds = pace or (lambda bench, queue: PlayedFeeds(stream(), queue))
    text = BENCH_TEXT + QUIET
    return Telling(
        bench(text), folder, {}, Knowledge(), finish, emit, SimpleQueue(), fallback=folder / "fallback", feeds=feeds
    )


def snapshot(folder: Path) -> dict[str, bytes]:
    """Every file with its bytes."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def judge(folder: Path, taken: Iterable[bytes]) -> list[str]:
    """What is wrong after a start in that folder; `taken` are the bytes of chunks that were promised.

    Seals what there is, looks at every run, and does it all again to see that nothing changes.
    """
    heard: list[Mapping[str, Any]] = []
    failed = recover(folder, finish, heard.append)
    wrong = [f"{failed} journals could not be sealed: {heard}"] if failed else []
    before = snapshot(folder)
    recover(folder, finish, heard.append)
    if snapshot(folder) != before:
        wrong.append("a second start changed something")
    strays = [name for name in before if not name.endswith((".h5", "manifest.jsonl")) and QUARANTINE not in name]
    wrong += [f"left over: {name}" for name in strays]
    wrong += check_manifest(folder)
    kept: Counter[bytes] = Counter()
    for path in sorted(folder.glob("*.h5")):
        wrong += check_run(path)
        wrong += _faults_of(path, kept)
    lost = Counter(taken) - kept
    too_many = kept - Counter(chunk.data for chunk in stream())
    wrong += [f"{lost.total()} chunks lost"] if lost else []
    wrong += [f"{too_many.total()} chunks more than were sent"] if too_many else []
    return wrong


def _faults_of(path: Path, kept: Counter[bytes]) -> list[str]:
    """Counts the chunks of a run; what is wrong with its readings."""
    run = load_run(path)
    content = journal_content(run.journal)
    kept.update(raw.data for record in content.records if (raw := raw_of(record)) is not None)
    wrong = [] if run.recovered != content.complete else [f"{path.name}: recovered is {run.recovered}"]
    if run.recovered and not any("cut short" in gap.reason for gap in run.gaps):
        wrong.append(f"{path.name}: the gap is not stated")
    charge = run.traces.get("charge")
    if charge is not None and np.any(np.diff(charge.sequence) % 65536 != 1):
        wrong.append(f"{path.name}: lines lost or repeated inside")
    return wrong
