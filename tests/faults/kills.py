"""Kill -9 at any moment of recording, sealing and recovering; then start again and look."""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
import random
import select
import shutil
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import count
from pathlib import Path
from queue import SimpleQueue
from typing import Any
from unittest import mock

from chargebench.errors import ChargebenchError, StorageError
from chargebench.instruments.benchfile import Bench
from chargebench.instruments.feed import Chunk
from chargebench.instruments.host_clock import host_ns
from chargebench.recording import recorder as recorder_module
from chargebench.recording.recover import recover
from chargebench.recording.segments import Row
from tests.faults.layer import Calls, Fault
from tests.faults.scene import FALLBACK, ROLL_S, RUNS, Taken, finish, judge, last_stretch, recorder, stream
from tests.faults.tally import Tally, apart
from tests.recording.byte_bench import PlayedFeeds

__all__ = [
    "ENDLESS_S", "FAILED", "PacedFeeds", "kill_at_changes", "kill_moves", "kill_recorders", "kill_recoveries",
    "kill_sealers", "killed", "record_telling", "taken_of",
]  # fmt: skip

PAUSE_S = 0.0005
ENDLESS_S = 60.0
CHANGE_S = 0.004
LAST_WRITE = 560
CALLS_OF_A_MOVE = 14
FAILED = "failed"
CUES = ("journal 2", "journal 3")
SEALING_S = 0.7  # most of it goes into starting the process that reads the file back


class PacedFeeds(PlayedFeeds):
    """Hands the chunks over one by one, so that a kill may come between any two."""

    def __init__(self, queue: SimpleQueue[Chunk], pause_s: float = PAUSE_S) -> None:
        super().__init__(stream(), queue)
        self._pause_s = pause_s

    def start(self) -> None:
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._thread.start()

    def _play(self) -> None:
        base_ns = host_ns()
        for chunk in self._chunks:
            if self.stopped:
                return
            self._queue.put(replace(chunk, received_ns=chunk.received_ns + base_ns))
            time.sleep(self._pause_s)


def _paced(bench: Bench, queue: SimpleQueue[Chunk]) -> PacedFeeds:
    return PacedFeeds(queue)


class _Sealers:
    """Sealing processes, forked before the recorder has threads; each works until its input ends or it is killed."""

    def __init__(self, count: int, say: Callable[[str], None]) -> None:
        self._say = say
        self._spare: list[tuple[int, int, int]] = []
        for _ in range(count):
            self._spare.append(self._fork())

    def _fork(self) -> tuple[int, int, int]:
        (job_source, job_sink), (answer_source, answer_sink) = os.pipe(), os.pipe()
        child = os.fork()
        if child:
            os.close(job_source)
            os.close(answer_sink)
            return child, job_sink, answer_source
        for _, sink, source in self._spare:
            os.close(sink)
            os.close(source)
        os.close(job_sink)
        os.close(answer_source)
        with contextlib.suppress(BaseException), os.fdopen(job_source) as jobs:
            for line in jobs:
                try:
                    answer = f"{finish(_row_of(line))['path']}\n"
                except ChargebenchError as error:
                    answer = f"! {error}\n"
                os.write(answer_sink, answer.encode())
        os._exit(0)

    def __call__(self, row: Row) -> dict[str, Any]:
        """As `chargebench.cli.finisher.Finisher`."""
        child, sink, source = self._spare[0]
        self._say(f"sealing {child}")
        try:
            words = [row.run_id, [*map(str, row.segments)], [*map(str, row.folders)]]
            os.write(sink, json.dumps(words).encode() + b"\n")
            answer = os.read(source, 65536).decode().strip()
        except OSError:
            answer = ""
        self._say("sealed")
        if not answer or answer.startswith("!"):
            self._spare.pop(0)
            raise StorageError(answer or "the sealing process ended; try again")
        return {"path": answer, "outcome": {"run": Path(answer).stem, "recovered": False, "result": {}}}


def _row_of(line: str) -> Row:
    run_id, segments, folders = json.loads(line)
    return Row(run_id, tuple(map(Path, segments)), tuple(map(Path, folders)))


def record_telling(folder: Path, out: int, *, beside: bool = True) -> None:
    """The victim: says every chunk that it has taken and every event, a line each; seals in processes beside itself."""
    sent = {(chunk.instrument, chunk.data): number for number, chunk in enumerate(stream())}
    journals = count(1)

    def say(text: str) -> None:
        os.write(out, text.encode() + b"\n")

    def tell(event: Mapping[str, Any]) -> None:
        say(f"said {event.get('state') or event.get('event') or 'outcome'}")
        if event.get("event") == "journal":
            say(f"journal {next(journals)}")

    recorder(
        folder,
        taken=lambda chunk: say(f"took {chunk.received_ns} {sent[chunk.instrument, chunk.data]}"),
        emit=tell,
        feeds=_paced,
        finisher=_Sealers(RUNS + 1, say) if beside else finish,
    ).record(RUNS, ENDLESS_S)
    say("said all")


def killed(work: Callable[[int], None], after_s: float, cue: str = "", whom: str = "recorder") -> list[str]:
    """What a forked process said until it was killed that long after its cue, or ended.

    `whom` is ``recorder``, ``sealer`` (the process it named last) or ``both``.
    """
    source, sink = os.pipe()
    child = os.fork()
    if not child:
        os.close(source)
        try:
            work(sink)
        finally:
            os._exit(0)
    os.close(sink)
    heard, due, done = b"", time.monotonic() + after_s if not cue else None, False
    while True:
        wait_s = ENDLESS_S if due is None or done else max(due - time.monotonic(), 0.0)
        if select.select([source], [], [], wait_s)[0]:
            piece = os.read(source, 65536)
            if not piece:
                break
            heard += piece
        if due is None and cue.encode() in heard:
            due = time.monotonic() + after_s
        if due is not None and not done and time.monotonic() >= due:
            done = True
            _kill(child, heard, whom)
    os.close(source)
    os.waitpid(child, 0)
    return heard.decode().splitlines()


def _kill(child: int, heard: bytes, whom: str) -> None:
    """Kill the forked process, the sealing process that it named last, or both."""
    sealers = [int(line.split()[1]) for line in heard.decode().splitlines() if line.startswith("sealing ")]
    victims = ([child] if whom != "sealer" else []) + (sealers[-1:] if whom != "recorder" else [])
    for victim in victims:
        with contextlib.suppress(ProcessLookupError):
            os.kill(victim, signal.SIGKILL)


def taken_of(said: list[str]) -> list[Taken]:
    """Chunks that were taken, from what the recorder said."""
    words = [line.split() for line in said if line.startswith("took ") and len(line.split()) == 3]
    return [Taken(int(ns), stream()[int(n)].instrument, stream()[int(n)].data) for _, ns, n in words]


def _judge(folder: Path, said: list[str], rolling: bool = False) -> list[str]:
    taken = taken_of(said)
    found: list[str] = apart(lambda: judge(folder, last_stretch(taken) if rolling else taken))
    return found


def _phase(said: list[str]) -> str:
    """The last state that was said; sealing goes on beside the states."""
    states = [line[5:] for line in said if line.startswith("said ")]
    sealing = sum(line.startswith("sealing ") for line in said) > sum(line == "sealed" for line in said)
    return (states[-1] if states else "starting") + (" + sealing" if sealing else "")


def kill_recorders(trials: int, seed: int = 0) -> Tally:
    """Recorders killed at a random moment from their first write to their last sealing."""
    tally, draw = Tally("kill -9 of the recorder"), random.Random(seed)
    whole_s = _unharmed(tally)
    while tally.trials < trials:
        folder = Path(tempfile.mkdtemp())
        said = killed(lambda out, at=folder: record_telling(at, out), draw.uniform(0.0, whole_s))
        if said and said[-1] == "said all":  # it was faster this time: no kill
            whole_s *= 0.97
        else:
            tally.trials += 1
            tally.seen[_phase(said)] += 1
        tally.judged(f"kill {tally.trials} while {_phase(said)}", _judge(folder, said))
        shutil.rmtree(folder)
    return tally


def kill_at_changes(trials: int, seed: int = 0) -> Tally:
    """Recorders killed while one journal follows another: what both hold must be in one run, once."""
    tally, draw = Tally("kill -9 while journals follow each other"), random.Random(seed)
    for trial in range(trials):
        folder = Path(tempfile.mkdtemp())
        with mock.patch.object(recorder_module, "ROLL_AFTER_S", ROLL_S):
            after_s = draw.choice((0.0, draw.uniform(0.0, CHANGE_S)))
            said = killed(lambda out, at=folder: record_telling(at, out), after_s, draw.choice(CUES))
        tally.trials += 1
        tally.seen[f"{len(list(folder.glob('*.journal')))} journals"] += 1
        tally.judged(f"kill {trial}", _judge(folder, said, rolling=True))
        shutil.rmtree(folder)
    return tally


def kill_moves(trials: int, seed: int = 0) -> Tally:
    """Recorders killed a few calls after a write failed, while the journal goes on in another file."""
    tally, draw = Tally("kill -9 while a journal moves"), random.Random(seed)
    for trial in range(trials):
        folder = Path(tempfile.mkdtemp())
        first, more, rolling = draw.randrange(LAST_WRITE), trial % CALLS_OF_A_MOVE, draw.random() < 0.3
        fallback = folder / FALLBACK
        if draw.random() < 0.3:
            fallback.write_bytes(b"")  # no folder: the journal goes on beside
        with mock.patch.object(recorder_module, "ROLL_AFTER_S", ROLL_S if rolling else math.inf):
            said = killed(lambda out, at=folder, n=first, m=more: _record_moving(at, out, n, m), ENDLESS_S)
        if fallback.is_file():
            fallback.unlink()
        tally.trials += 1
        tally.seen[f"{len(list(folder.rglob('*.journal')))} journals"] += 1
        where = f"kill {trial}, {more} calls after write {first}"
        if FAILED not in said or said[-1] == "said all":
            tally.losses.append(f"{where}: nothing was killed")
        # what was taken after the failure may be in memory only for less than half a second
        tally.judged(where, _judge(folder, said[: said.index(FAILED)] if FAILED in said else said, rolling=rolling))
        shutil.rmtree(folder)
    return tally


def _record_moving(folder: Path, out: int, first: int, more: int) -> None:
    """A victim whose write of that number fails, and which kills itself so many calls later."""
    calls = count(-more)
    failed: list[str] = []

    def fails(name: str, path: str, number: int) -> Fault | None:
        if not failed and name == "write" and path.endswith(".journal") and number >= first:
            failed.append(path)
            os.write(out, f"{FAILED}\n".encode())
            return Fault(errno.EIO)
        if failed and next(calls) == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return None

    with Calls(folder, fails):
        record_telling(folder, out)


def _unharmed(tally: Tally) -> float:
    """Seconds that a recording takes which nobody kills; it must be whole."""
    folder = Path(tempfile.mkdtemp())
    started = time.monotonic()
    said = killed(lambda out: record_telling(folder, out), ENDLESS_S)
    whole_s = time.monotonic() - started
    tally.judged("unharmed", _judge(folder, said))
    if said[-1] != "said all" or len(list(folder.glob("*.h5"))) != RUNS:
        tally.losses.append(f"unharmed: ended with {said[-1]!r}")
    shutil.rmtree(folder)
    return whole_s


def kill_sealers(trials: int, whom: str, seed: int = 0) -> Tally:
    """Kills at a random moment of the first sealing: of the sealing process, or of it and the recorder."""
    victims = {"sealer": "the sealing process", "both": "recorder and sealing process"}[whom]
    tally, draw = Tally(f"kill -9 of {victims}"), random.Random(seed)
    for trial in range(trials):
        folder = Path(tempfile.mkdtemp())
        said = killed(lambda out, at=folder: record_telling(at, out), draw.uniform(0.0, SEALING_S), "sealing ", whom)
        tally.trials += 1
        tally.seen[_stage(folder)] += 1
        if whom == "sealer" and said[-1] != "said all":
            tally.losses.append(f"kill {trial}: the recorder ended with {said[-1]!r}")
        tally.judged(f"kill {trial} with {_stage(folder)}", _judge(folder, said))
        shutil.rmtree(folder)
    return tally


def _stage(folder: Path) -> str:
    """How far the sealing of the first journal had come, from what lies there."""
    names = {path.name for path in folder.iterdir()}
    if any(name.endswith(".part") for name in names):
        return "half a file aside"
    journals = {name.partition("-s")[0] for name in names if name.endswith(".journal")}
    sealed = {name.removesuffix(".h5") for name in names if name.endswith(".h5")}
    if journals & sealed:
        return "named, journal still there"
    return "journal only" if journals else "all sealed"


def kill_recoveries(trials: int, seed: int = 0) -> Tally:
    """A start killed at a random moment, three times in a row, then let through."""
    tally, draw = Tally("kill -9 of a start that recovers"), random.Random(seed)
    whole_s = 0.3
    while tally.trials < trials:
        folder = Path(tempfile.mkdtemp())
        said = killed(lambda out, at=folder: record_telling(at, out), draw.uniform(0.3, 0.9))
        for _ in range(3):
            killed(lambda out, at=folder: _start(at), draw.uniform(0.0, whole_s))
            tally.trials += 1
            tally.seen[_stage(folder)] += 1
        begun = time.monotonic()
        tally.judged(f"recovery {tally.trials}", _judge(folder, said))
        whole_s = min(max(0.1, time.monotonic() - begun), 1.0)
        shutil.rmtree(folder)
    return tally


def _start(folder: Path) -> None:
    """What a start does first."""
    recover([folder], finish, lambda event: None)
