"""Lines that the host's clock times: which came too late to tell when they were sent."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from chargebench.instruments.feed import Chunk
from chargebench.processing.recipe import process
from chargebench.recording.pace import Pace
from chargebench.runs.load import load_run
from chargebench.wire.reading import Status
from tests.instruments.far_end import wait_for
from tests.recording.bench_model import Grind
from tests.recording.byte_bench import chunks
from tests.recording.played import Played

STEADY = [(0.1, 1)] * 30
PAIRS = [(0.2, 2)] * 30

CASES: dict[str, tuple[Sequence[tuple[float, int]], Sequence[int]]] = {
    "steady": (STEADY, []),
    "two at a time": (PAIRS, []),
    "a short pause": ([*STEADY, (0.9, 1), *STEADY], []),
    "a few at once": ([*STEADY, (0.4, 5), *STEADY], []),
    "suspended": ([*STEADY, (6.0, 60), *STEADY], [30]),
    "suspended, in pieces": ([*STEADY, (6.0, 60), (0.0, 40), (0.01, 3), (0.1, 1), *STEADY], [30, 31, 32]),
    "suspended for less than a silence": ([*STEADY, (0.8, 8), *STEADY], [30]),
    "asleep, so that the host's clock stood": ([*STEADY, (0.1, 60), *STEADY], [30]),
    "silent": ([*STEADY, (6.0, 1), *STEADY], [30]),
    "three lines of a slow one": ([*([(0.5, 1)] * 10), (1.5, 3), *([(0.5, 1)] * 10)], [10]),
    "pairs, suspended": ([*PAIRS, (3.0, 30), *PAIRS], [30]),
    "a link that delivers ten at a time from now on": ([*STEADY, *([(1.0, 10)] * 40)], [30, 31, 32, 33, 34]),
    "piled up before it was first heard": ([(0.0, 60), *STEADY], []),
}
"""Seconds since the chunk before and lines in it, chunk by chunk; which of the chunks came too late."""


@pytest.mark.parametrize(("came", "late"), CASES.values(), ids=CASES)
def test_lines_that_came_too_late_are_told(came: Sequence[tuple[float, int]], late: Sequence[int]) -> None:
    """Lumps and what comes first after a silence are late; a usual rhythm, whatever it is, and short pauses are not."""
    pace, ns, found = Pace(), 0, []
    for number, (since_s, lines) in enumerate(came):
        ns += round(since_s * 1e9)
        if pace.late(ns, lines):
            found.append(number)
    assert found == late


def test_a_cut_is_no_silence() -> None:
    """After a port was lost and opened again the first lines are on time, unless they come in a lump."""
    for lines, late in ((1, False), (60, True)):
        pace = Pace()
        for number in range(30):
            pace.late(number * 100_000_000, 1)
        pace.interrupted()
        assert pace.late(60_000_000_000, lines) is late


def suspended(made: Sequence[Chunk], from_s: float, to_s: float) -> list[Chunk]:
    """The same chunks where the host was held up: what came meanwhile comes at the end of that, at once."""
    held = [chunk for chunk in made if from_s < chunk.received_ns / 1e9 <= to_s and chunk.kind == "data"]
    lumps = [
        Chunk(name, round(to_s * 1e9), "data", b"".join(chunk.data for chunk in held if chunk.instrument == name))
        for name in ("cup", "scale")
    ]
    before = [chunk for chunk in made if chunk not in held and chunk.received_ns <= round(to_s * 1e9)]
    after = [chunk for chunk in made if chunk not in held and chunk.received_ns > round(to_s * 1e9)]
    return [*before, *lumps, *after]


def test_a_run_through_which_the_host_slept_has_a_gap_there(tmp_path: Path) -> None:
    """Weighings that came in a lump are in no answer: they are marked, a gap is stated, and the answer says so.

    The board has a clock of its own, and its readings are as they would have been.
    """
    grind = Grind(start_s=15.0, length_s=9.0, end_s=50.0)
    played = Played(tmp_path, suspended(list(chunks(grind)), 17.0, 21.0))
    assert played.recorder.record(1, 60.0) == 1
    (path,) = (tmp_path / "runs").glob("*.h5")
    run = load_run(path)
    mass = run.traces["mass"]
    late = (mass.status & int(Status.LATE)) != 0
    assert np.count_nonzero(late) == 20  # five a second
    assert len(set(mass.time_s[late])) == 1
    (gap,) = run.gaps
    assert gap.instrument == "scale"
    assert 3.9 < gap.end_s - gap.start_s < 4.4
    assert not (run.traces["charge"].status & int(Status.LATE)).any()
    outcome = process(run)
    answer = outcome.result["charge_to_mass_nC_per_g"]
    assert abs(answer.value - grind.charge_to_mass_nC_per_g) < 3 * answer.U95


LISTENER = """\
import json, sys, time
from queue import SimpleQueue
from chargebench.instruments.benchfile import bench_from_text
from chargebench.instruments.feed import Feeds
from chargebench.recording.source import Source
bench = bench_from_text(sys.argv[1], "pty")
queue = SimpleQueue()
feeds, source = Feeds(bench, queue), Source(bench.instruments["scale"])
feeds.start()
while True:
    chunk = queue.get()
    if chunk.kind == "data":
        found = [[r.value, int(r.status)] for r, _ in source.feed(chunk.data, chunk.received_ns, 0)]
        print(json.dumps(found), flush=True)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="suspends a process that listens on a pseudo-terminal")
def test_a_suspended_process_marks_what_piled_up() -> None:
    """SIGSTOP while a scale goes on printing: after SIGCONT each line that waited is there, and late."""
    master, slave = os.openpty()
    text = '[bench]\nname = "x"\n[instrument.scale]\nport = "%s"\nlines = "printed"\ncarries = ["mass"]\n'
    words = [sys.executable, "-c", LISTENER, text % os.ttyname(slave)]
    child = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    sent = iter(range(100_000))
    heard: dict[int, int] = {}

    def listen() -> None:
        for line in child.stdout or ():
            heard.update((round(10 * value), status) for value, status in json.loads(line))

    def say() -> int:
        number = next(sent)
        os.write(master, b"ST,%+09.3f,g\r\n" % (number / 10))
        time.sleep(0.05)
        return number

    listener = threading.Thread(target=listen)
    listener.start()
    try:
        while len(heard) < 40:
            say()
        os.kill(child.pid, signal.SIGSTOP)
        waiting = [say() for _ in range(30)]
        os.kill(child.pid, signal.SIGCONT)
        wait_for(lambda: waiting[-1] in heard)
    finally:
        child.kill()
        child.wait()
        listener.join()
        assert child.stdout is not None
        child.stdout.close()
        os.close(master)
        os.close(slave)
    assert all(heard[number] & Status.LATE for number in waiting[1:])  # the first may have come before the signal
    on_time = [status for number, status in heard.items() if number < waiting[0]]
    assert sum(bool(status & Status.LATE) for status in on_time) < len(on_time) / 4
