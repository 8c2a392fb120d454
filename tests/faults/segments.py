"""Journals in segments: killed at every call that begins, ends or seals one; and those of the version before."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import tempfile
import threading
from itertools import count
from pathlib import Path
from typing import Final
from unittest import mock

from chargebench.recording import recorder as recorder_module
from tests.faults.kills import ENDLESS_S, FAILED, killed, record_telling, taken_of
from tests.faults.layer import Calls, Fault
from tests.faults.scene import FALLBACK, ROLL_S, judge, last_stretch, read_here
from tests.faults.tally import Tally, apart
from tests.recording.test_old_journals import expected, wrong_with

__all__ = ["kill_at_calls", "recover_old_journals"]

FAILING_WRITES: Final = (150, 420)
"""Of the archive: the run that is recorded then goes on in the fallback, in both runs."""


def kill_at_calls(every: int) -> Tally:
    """Recorders that kill themselves right before a call, at every so-manieth, until one gets through.

    Their journals roll and move, so that segments begin in both folders, are let go and are joined. The plain writing
    of one more record is no call of interest here: `chargebench` writes hundreds, all alike.
    """
    tally = Tally("kill -9 at every call of a journal in segments")
    for number in count(0, every):
        folder = Path(tempfile.mkdtemp())
        with mock.patch.object(recorder_module, "ROLL_AFTER_S", ROLL_S):
            said = killed(lambda out, at=folder, n=number: _record(at, out, n), ENDLESS_S)
        through = bool(said) and said[-1] == "said all"
        tally.trials += not through
        left = list(folder.rglob("*.journal"))
        tally.seen[f"{len(left)} segments in {len({path.parent for path in left})} folders"] += 1
        promised = last_stretch(taken_of(_safe(said)))
        tally.judged(f"kill before call {number}", apart(lambda at=folder, kept=promised: judge(at, kept)))
        shutil.rmtree(folder)
        if through:
            return tally
    return tally


def _safe(said: list[str]) -> list[str]:
    """What was said up to a write that failed, where the next segment had not begun: less than half a second ago."""
    failed = max((n for n, line in enumerate(said) if line == FAILED), default=len(said))
    again = any(line.startswith("journal ") for line in said[failed:])
    return said if again else said[:failed]


def _record(folder: Path, out: int, last: int) -> None:
    """A victim two of whose writes fail, and which kills itself before the call of that number."""
    calls, begun, turn = count(), set[str](), threading.Lock()

    def fails(name: str, path: str, number: int) -> Fault | None:
        with turn:
            more = name == "write" and path.endswith(".journal") and path in begun
            if name == "write":
                begun.add(path)
            if not more and next(calls) == last:
                os.kill(os.getpid(), signal.SIGKILL)
        failing = more and f"/{FALLBACK}/" not in path and number in FAILING_WRITES
        if failing:
            os.write(out, f"{FAILED}\n".encode())
        return Fault(errno.EIO) if failing else None

    read_here()
    with Calls(folder, fails):
        record_telling(folder, out, beside=False)


def recover_old_journals() -> Tally:
    """Journals of the version before, in every state that a stop could leave them in."""
    tally = Tally("journals of the version before segments")
    for kind in expected():
        with tempfile.TemporaryDirectory() as folder:
            wrong = apart(lambda kind=kind, at=Path(folder): wrong_with(kind, at))
        tally.trials += 1
        tally.seen[kind.split("_", maxsplit=1)[0]] += 1
        tally.judged(kind, wrong)
    return tally
