"""Kill -9 at any moment of recording, sealing and recovering; then start again and look."""

from __future__ import annotations

import os
import random
import shutil
import signal
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from queue import SimpleQueue

from chargebench.instruments.benchfile import Bench
from chargebench.instruments.feed import Chunk
from tests.faults.scene import RUNS, judge, recorder, stream
from tests.faults.tally import Tally, apart
from tests.recording.byte_bench import PlayedFeeds

PAUSE_S = 0.0005


class PacedFeeds(PlayedFeeds):
    """Hands the chunks over one by one, a millisecond apart, so that a kill may come between any two."""

    def start(self) -> None:
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._thread.start()

    def _play(self) -> None:
        base_ns = time.monotonic_ns()
        for chunk in self._chunks:
            if self.stopped:
                return
            self._queue.put(replace(chunk, received_ns=chunk.received_ns + base_ns))
            time.sleep(PAUSE_S)


def _record(folder: Path, out: int) -> None:
    """The victim: says every chunk that it has taken and every event, a line each."""
    sent = {chunk.data: number for number, chunk in enumerate(stream())}

    def pace(bench: Bench, queue: SimpleQueue[Chunk]) -> PlayedFeeds:
        return PacedFeeds(stream(), queue)

    recorder(
        folder,
        taken=lambda chunk: _say(out, f"took {sent[chunk.data]}"),
        emit=lambda event: _say(out, f"said {event.get('state') or event.get('event') or 'outcome'}"),
        pace=pace,
    ).record(RUNS, 60.0)
    _say(out, "said all")


def _recover(folder: Path, out: int) -> None:
    """The other victim: a start, twice over."""
    judge(folder, [])


def _say(out: int, text: str) -> None:
    os.write(out, text.encode() + b"\n")


def _killed(work: Callable[[int], None], after_s: float | None) -> list[str]:
    """What a forked process said until it was killed after that time, or ended."""
    source, sink = os.pipe()
    child = os.fork()
    if not child:
        os.close(source)
        try:
            work(sink)
        finally:
            os._exit(0)
    os.close(sink)
    if after_s is not None:
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
    with os.fdopen(source, "rb") as lines:
        said = lines.read().decode().splitlines()
    os.waitpid(child, 0)
    return said


def _judge(folder: Path, said: list[str]) -> list[str]:
    sent = [chunk.data for chunk in stream()]
    taken = [sent[int(line.split()[1])] for line in said if line.startswith("took ")]
    found: list[str] = apart(lambda: judge(folder, taken))
    return found


def kill_recorders(trials: int, seed: int = 0) -> Tally:
    """Recorders killed at a random moment from their first write to their last sealing."""
    tally, draw = Tally("recorder killed (-9)"), random.Random(seed)
    folder = Path(tempfile.mkdtemp())
    started = time.monotonic()
    said = _killed(partial(_record, folder), None)
    whole_s = time.monotonic() - started
    tally.losses += [f"unharmed: {wrong}" for wrong in _judge(folder, said)]
    shutil.rmtree(folder)
    for trial in range(trials):
        folder = Path(tempfile.mkdtemp())
        said = _killed(partial(_record, folder), draw.uniform(0.0, 1.05 * whole_s))
        tally.trials += 1
        tally.seen[_phase(said)] += 1
        tally.losses += [f"kill {trial} while {_phase(said)}: {wrong}" for wrong in _judge(folder, said)]
        shutil.rmtree(folder)
    return tally


def _phase(said: list[str]) -> str:
    """The last state that was said; sealing goes on beside the states."""
    states = [line[5:] for line in said if line.startswith("said ")]
    return states[-1] if states else "starting"


def kill_recoveries(trials: int, seed: int = 0) -> Tally:
    """A recovery killed at a random moment, again and again, then let through."""
    tally, draw = Tally("recovery killed (-9)"), random.Random(seed)
    folder = Path(tempfile.mkdtemp())
    whole_s = 0.2
    while tally.trials < trials:
        said = _killed(partial(_record, folder), draw.uniform(0.3, 1.0))
        copy = Path(tempfile.mkdtemp())
        started = time.monotonic()
        for _ in range(5):
            shutil.copytree(folder, copy, dirs_exist_ok=True)
            _killed(partial(_recover, copy), draw.uniform(0.0, whole_s))
            tally.trials += 1
            tally.seen["sealed" if not list(copy.glob("*.journal")) else "not yet"] += 1
            shutil.rmtree(copy)
            copy.mkdir()
        for _ in range(3):
            _killed(partial(_recover, folder), draw.uniform(0.0, whole_s))
            tally.trials += 1
        begun = time.monotonic()
        tally.losses += [f"recovery {tally.trials}: {wrong}" for wrong in _judge(folder, said)]
        whole_s = max(0.05, min(time.monotonic() - begun, time.monotonic() - started))
        shutil.rmtree(folder)
        shutil.rmtree(copy)
        folder.mkdir()
    shutil.rmtree(folder)
    return tally
