"""Recorders that share a folder, end by an exception, or see the wall clock set: nothing lost, nothing left."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from queue import SimpleQueue
from typing import Any
from unittest import mock

from chargebench.errors import GaveUpError
from chargebench.instruments import feed as feed_module
from chargebench.instruments.benchfile import Bench
from chargebench.instruments.feed import Chunk, Feeds
from chargebench.recording import ids
from chargebench.recording.recover import recover
from tests.faults.kills import PacedFeeds
from tests.faults.scene import RUNS, Taken, finish, judge, read_here, recorder, stream
from tests.faults.tally import Tally, apart
from tests.recording.byte_bench import PlayedFeeds

__all__ = ["end_by_exceptions", "set_host_clock", "share_a_folder"]


class _Beside:
    """A forked process that works beside this one; what it found is a list of chunks taken."""

    def __init__(self, work: Callable[[], list[Taken]]) -> None:
        self._answer: SimpleQueue[list[Taken]] = SimpleQueue()
        self._thread = threading.Thread(target=lambda: self._answer.put(apart(work)))
        self._thread.start()

    @property
    def busy(self) -> bool:
        """Whether it still works."""
        return self._thread.is_alive()

    def taken(self) -> list[Taken]:
        """Wait for its end."""
        self._thread.join()
        return self._answer.get_nowait()


def _recorded(folder: Path, feeds: Callable[[Bench, SimpleQueue[Chunk]], Any] | None = None) -> list[Taken]:
    taken: list[Taken] = []

    def take(chunk: Chunk) -> None:
        taken.append(Taken(chunk.received_ns, chunk.instrument, chunk.data))

    recorder(folder, take, feeds=feeds).record(RUNS, 60.0)
    return taken


def _paced(bench: Bench, queue: SimpleQueue[Chunk]) -> PacedFeeds:
    return PacedFeeds(queue)


def share_a_folder(trials: int) -> Tally:
    """Two recorders in one folder at the same time, while others start there again and again."""
    tally = Tally("two recorders and many starts in one folder")
    for trial in range(trials):
        folder = Path(tempfile.mkdtemp())
        pair = [_Beside(lambda at=folder: _recorded(at, _paced)) for _ in range(2)]
        while any(one.busy for one in pair):
            apart(lambda at=folder: recover([at], finish, lambda event: None))
            tally.seen["starts beside"] += 1
            time.sleep(0.05)
        taken = [chunk for one in pair for chunk in one.taken()]
        tally.trials += 1
        tally.judged(f"trial {trial}", apart(lambda at=folder, found=taken: judge(at, found, recorders=2)))
        if len(list(folder.glob("*.h5"))) != 2 * RUNS:
            tally.losses.append(f"trial {trial}: {len(list(folder.glob('*.h5')))} of {2 * RUNS} runs")
        shutil.rmtree(folder)
    return tally


def set_host_clock(trials: int, seed: int = 0) -> Tally:
    """The wall clock is set by up to a day, back or forth, each time that it is read."""
    tally, draw = Tally("wall clock set back or forth"), random.Random(seed)

    class Unsteady(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> datetime:
            return datetime.now(tz or UTC) + timedelta(hours=draw.uniform(-24.0, 24.0))

    for trial in range(trials):
        folder = Path(tempfile.mkdtemp())
        draw.seed(seed + trial)
        with mock.patch.object(ids, "datetime", Unsteady):
            taken = apart(lambda at=folder: _recorded(at))
        tally.trials += 1
        tally.judged(f"trial {trial}", apart(lambda at=folder, found=taken: judge(at, found)))
        shutil.rmtree(folder)
    return tally


class _Failure(RuntimeError):
    """An error that nobody foresaw."""


def end_by_exceptions(trials: int, seed: int = 0) -> Tally:
    """An unforeseen exception in the recorder's loop or in a reading thread, at a random moment."""
    tally, draw = Tally("unforeseen exception in loop or thread"), random.Random(seed)
    for trial in range(trials):
        folder = Path(tempfile.mkdtemp())
        work, number = draw.choice((_in_the_loop, _in_a_thread)), draw.randrange(10, len(stream()))
        taken, left = apart(lambda at=folder, do=work, n=number: do(at, n))
        tally.trials += 1
        tally.seen[work.__name__.strip("_").replace("_", " ")] += 1
        tally.losses += [f"trial {trial}: {words}" for words in left]
        tally.judged(f"trial {trial}", apart(lambda at=folder, found=taken: judge(at, found)))
        shutil.rmtree(folder)
    return tally


@contextlib.contextmanager
def _nothing_left(said: list[str]) -> Iterator[None]:
    """Say which threads and descriptors are there afterwards that were not before."""
    read_here()
    threads, descriptors = set(threading.enumerate()), set(os.listdir("/proc/self/fd"))
    yield
    said += [f"left a thread: {thread.name}" for thread in set(threading.enumerate()) - threads]
    said += [f"left a descriptor: {number}" for number in set(os.listdir("/proc/self/fd")) - descriptors]


def _in_the_loop(folder: Path, number: int) -> tuple[list[Taken], list[str]]:
    """The recorder's own loop raises while it takes a chunk of that number, or soon after."""
    taken: list[Taken] = []
    said: list[str] = []

    def take(chunk: Chunk) -> None:
        taken.append(Taken(chunk.received_ns, chunk.instrument, chunk.data))
        if len(taken) == number:
            raise _Failure(str(number))

    with _nothing_left(said):
        try:
            recorder(folder, take, feeds=lambda bench, queue: PlayedFeeds(stream(), queue)).record(RUNS, 60.0)
        except _Failure:
            return taken, said
    return taken, [*said, *(["the exception did not reach the caller"] if len(taken) >= number else [])]


def _in_a_thread(folder: Path, number: int) -> tuple[list[Taken], list[str]]:
    """A reading thread raises what no port raises; whoever listens must hear of it, and the hook must, too."""
    said: list[str] = []
    heard: list[str] = []
    hooked: list[type[BaseException]] = []

    def emit(event: Mapping[str, Any]) -> None:
        if event.get("code") == "failed":
            heard.append(str(event["text"]))

    def failing(instrument: Any) -> Any:
        raise _Failure(str(number))

    with (
        _nothing_left(said),
        mock.patch.object(feed_module, "open_port", failing),
        mock.patch.object(threading, "excepthook", lambda args: hooked.append(args.exc_type)),
        contextlib.suppress(GaveUpError),
    ):
        recorder(folder, emit=emit, feeds=Feeds).record(1, 0.3)
    instruments = 2
    if (len(heard), hooked) != (instruments, [_Failure] * instruments):
        said.append(f"told {heard}, hooked {hooked}")
    return [], said
