"""A machine whose cores are all busy: what is recorded is on the disk within half a second all the same."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from tests.faults.power import PROMISE_S, longest_unsynced_s, recorded
from tests.faults.scene import judge, read_here
from tests.faults.tally import Tally, apart

__all__ = ["busy", "record_on_a_busy_machine"]

LEAST_BURNERS: Final = 2


@contextmanager
def busy() -> Iterator[None]:
    """Processes that do nothing but compute, one for every core and two at least."""
    count = max(LEAST_BURNERS, len(os.sched_getaffinity(0)))
    burners = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for burner in burners:
            burner.kill()
        for burner in burners:
            burner.wait()


def record_on_a_busy_machine(trials: int) -> Tally:
    """Whole recordings beside processes that burn the cores; the longest time that a byte waited for its disk."""
    tally = Tally("recording while every core is busy")
    longest_s = 0.0
    with busy():
        for trial in range(trials):
            folder = Path(tempfile.mkdtemp())
            calls = apart(lambda at=folder: _recorded(at))
            waited_s = longest_unsynced_s(calls)
            longest_s = max(longest_s, waited_s)
            tally.trials += 1
            if waited_s > PROMISE_S:
                tally.losses.append(f"trial {trial}: bytes waited {waited_s:.2f} s; promised are {PROMISE_S:g} s")
            tally.judged(f"trial {trial}", apart(lambda at=folder: judge(at, ())))
            shutil.rmtree(folder)
    tally.notes.append(f"longest time unsynced {longest_s:.2f} s")
    return tally


def _recorded(folder: Path) -> list[object]:
    read_here()
    return list(recorded(folder))
