"""The recorder as it is really started, with its finishing process, on a virtual bench's ports: ended in every way.

What stood in the journal at the moment of the end must stand in a sealed run after the next start.
"""

from __future__ import annotations

import contextlib
import json
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import psutil

from chargebench.instruments.virtual.process import VirtualBenchProcess
from chargebench.runs.check import check_run
from chargebench.runs.load import load_run
from tests.faults.tally import Tally

__all__ = ["ENDINGS", "end_real_recorders"]

SPEED = 25.0
WAIT_S = 60.0


class _Recorder:
    """A running ``chargebench record``, and what it has said."""

    def __init__(self, bench: Path, archive: Path) -> None:
        words = ["record", "--bench", str(bench), "--archive", str(archive), "--json", "--control"]
        self.archive = archive
        self.process = subprocess.Popen(
            [sys.executable, "-m", "chargebench", *words, "--tag", "coffee=Ostermoor"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8",
        )  # fmt: skip

    def until(self, **wanted: str) -> Mapping[str, Any]:
        """Read events until one has these values.

        Raises
        ------
        RuntimeError
            When it ends before that.
        """
        assert self.process.stdout is not None
        for line in self.process.stdout:
            event: dict[str, Any] = json.loads(line)
            if all(event.get(key) == value for key, value in wanted.items()):
                return event
        raise RuntimeError(f"the recorder ended before {wanted}")

    def finishers(self) -> list[psutil.Process]:
        """Its child processes, and theirs."""
        with contextlib.suppress(psutil.NoSuchProcess):
            return psutil.Process(self.process.pid).children(recursive=True)
        return []

    def close(self) -> None:
        """End it, whatever it does, and its pipes."""
        with contextlib.suppress(ProcessLookupError):
            self.process.kill()
        self.process.wait(WAIT_S)
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


def _signalled(number: signal.Signals) -> Callable[[_Recorder], None]:
    return lambda recorder: recorder.process.send_signal(number)


def _kill_children(recorder: _Recorder) -> None:
    for child in recorder.finishers():
        with contextlib.suppress(psutil.NoSuchProcess):
            child.kill()


def _kill_both(recorder: _Recorder) -> None:
    _kill_children(recorder)
    recorder.process.kill()


def _close_pipes(recorder: _Recorder) -> None:
    """What a window does that is killed or crashes."""
    for pipe in (recorder.process.stdin, recorder.process.stdout, recorder.process.stderr):
        assert pipe is not None
        with contextlib.suppress(OSError):
            pipe.close()


ENDINGS: Mapping[str, Callable[[_Recorder], None]] = {
    "SIGINT": _signalled(signal.SIGINT),
    "SIGTERM": _signalled(signal.SIGTERM),
    "SIGHUP": _signalled(signal.SIGHUP),
    "kill -9 of the recorder": _signalled(signal.SIGKILL),
    "SIGSEGV": _signalled(signal.SIGSEGV),
    "kill -9 of the finishing process": _kill_children,
    "kill -9 of both": _kill_both,
    "window gone": _close_pipes,
}
LIVES_ON = "kill -9 of the finishing process"
SUDDEN = frozenset({"kill -9 of the recorder", "SIGSEGV", "kill -9 of both"})
MOMENTS = ("armed", "grinding", "settling")


def end_real_recorders(trials: int, seed: int = 0) -> Tally:
    """Real recorders ended in each way in turn, each at another moment."""
    tally, draw = Tally("real recorder process ended in every way"), random.Random(seed)
    names = list(ENDINGS)
    for trial in range(trials):
        name = names[trial % len(names)]
        moment = draw.choice(MOMENTS) if name != LIVES_ON else "done"
        tally.trials += 1
        tally.seen[name] += 1
        where = f"trial {trial}, {name} at {moment}"
        with tempfile.TemporaryDirectory() as folder:
            tally.judged(where, list(_one(Path(folder), name, moment, draw.uniform(0.0, 0.4), trial)))
    return tally


def _one(folder: Path, name: str, moment: str, delay_s: float, seed: int) -> Iterator[str]:
    with VirtualBenchProcess(folder / "bench", seed=seed, speed=SPEED) as bench:
        recorder = _Recorder(bench.bench_path, folder / "archive")
        try:
            recorder.until(event="state", state="armed")
            if moment != "armed":
                bench.grind(18.0)
                recorder.until(event="state", state=moment)
            time.sleep(delay_s)
            before = _journals(folder / "archive")
            ENDINGS[name](recorder)
            if name == LIVES_ON:
                recorder.process.send_signal(signal.SIGTERM)
            if name != "window gone":
                recorder.process.communicate(timeout=WAIT_S)
            recorder.process.wait(WAIT_S)
        finally:
            recorder.close()
        yield from _started_again(folder, bench.bench_path, before if name in SUDDEN else _ground(before))


def _ground(journals: list[bytes]) -> list[bytes]:
    """Those in which a grind had begun: who is asked to stop drops what only waited."""
    return [data for data in journals if b'"text":"grinding"' in data]


def _journals(archive: Path) -> list[bytes]:
    found = []
    for path in archive.glob("*.journal"):
        with contextlib.suppress(FileNotFoundError):
            found.append(path.read_bytes())
    return found


def _started_again(folder: Path, bench: Path, before: list[bytes]) -> Iterator[str]:
    """What is wrong after the next start."""
    archive = folder / "archive"
    words = ["record", "--bench", str(bench), "--archive", str(archive), "--runs", "0", "--json"]
    left_alone_s = time.monotonic() + WAIT_S
    while True:  # a finishing process whose recorder was killed may still hold the journal
        done = subprocess.run(
            [sys.executable, "-m", "chargebench", *words], capture_output=True, check=False, timeout=2 * WAIT_S
        )
        if not list(archive.glob("*.journal")) or time.monotonic() > left_alone_s:
            break
    if done.returncode:
        yield f"the next start ended with {done.returncode}: {done.stderr.decode()[-200:]}"
    yield from (f"journal left: {path.name}" for path in archive.glob("*.journal*"))
    sealed = []
    for path in archive.glob("*.h5"):
        yield from check_run(path)
        sealed.append(load_run(path).journal)
    for data in before:
        if not any(journal.startswith(data) for journal in sealed):
            yield f"{len(data)} bytes that stood in a journal are in no run"
