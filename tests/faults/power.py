"""Power cuts at any moment of recording, sealing and recovering: what was not synced is gone, torn or rubbish."""

from __future__ import annotations

import errno
import math
import random
import shutil
import tempfile
from collections import defaultdict
from collections.abc import Sequence
from itertools import count
from pathlib import Path
from unittest import mock

from chargebench.instruments.feed import Chunk
from chargebench.recording import recorder as recorder_module
from chargebench.recording.ids import segment_of
from chargebench.recording.records import raw_of
from chargebench.recording.recover import recover
from chargebench.recording.segments import journal_content
from tests.faults.kills import PacedFeeds
from tests.faults.layer import Call, Calls, Fails, Fault, ForgetfulDisk
from tests.faults.scene import FALLBACK, ROLL_S, RUNS, Taken, finish, judge, last_stretch, recorder
from tests.faults.tally import Tally, apart

__all__ = ["PROMISE_S", "cut_power", "longest_unsynced_s", "recorded"]

PROMISE_S = 0.5
CUTS_A_RECORDING = 25
PAUSE_S = 0.002
TAKEN = "taken"


def cut_power(
    trials: int, seed: int = 0, *, rolling: bool = False, moving: bool = False, promise_s: float = PROMISE_S
) -> Tally:
    """Power cuts during recording and sealing, and for each second one also during the start that follows.

    Parameters
    ----------
    trials, seed : int
    rolling : bool
        Let journals that wait be followed by others every few seconds rather than minutes.
    moving : bool
        Let a write to a journal fail once, so that it goes on in the fallback folder.
    promise_s : float
        After so long every byte must be on the disk; longer than promised where the machine itself may stall.
    """
    name = "power cut (what was not synced is lost)"
    if rolling or moving:
        name = "power cut while journals follow each other" if rolling else "power cut after a journal has moved"
    tally, draw = Tally(name), random.Random(seed)
    longest_s = 0.0
    while tally.trials < trials:
        folder = Path(tempfile.mkdtemp())
        with mock.patch.object(recorder_module, "ROLL_AFTER_S", ROLL_S if rolling else math.inf):
            fails = _nth_write(draw.randint(50, 900)) if moving else None
            calls: list[Call] = apart(lambda at=folder, faults=fails: recorded(at, faults))
        shutil.rmtree(folder)
        longest_s = max(longest_s, longest_unsynced_s(calls))
        for _ in range(min(CUTS_A_RECORDING, trials - tally.trials)):
            _one_cut(folder, calls, draw, tally, rolling, promise_s)
    tally.notes.append(f"longest time unsynced {longest_s:.2f} s")
    if longest_s > promise_s:
        tally.losses.append(f"bytes stayed unsynced for {longest_s:.2f} s; promised are {promise_s:g} s")
    return tally


def _nth_write(number: int) -> Fails:
    """A full disk at that write to a journal of the archive."""
    seen = count(1)

    def fails(name: str, path: str, n: int) -> Fault | None:
        mine = name == "write" and path.endswith(".journal") and FALLBACK not in path
        return Fault(errno.ENOSPC) if mine and next(seen) == number else None

    return fails


def recorded(folder: Path, fails: Fails | None = None) -> list[Call]:
    """Every call of a whole recording, sealing included."""
    with Calls(folder, fails) if fails else Calls(folder) as calls:

        def taken(chunk: Chunk) -> None:
            calls.note(TAKEN, b"%d %b %b" % (chunk.received_ns, chunk.instrument.encode(), chunk.data))

        recorder(folder, taken, feeds=lambda bench, queue: PacedFeeds(queue, PAUSE_S)).record(RUNS, 60.0)
    return calls.done


def longest_unsynced_s(calls: Sequence[Call]) -> float:
    """Longest time from when a byte of a journal was written until it was on a disk, in whichever segment."""
    longest_s, waiting = 0.0, defaultdict[str, list[float]](list)
    for call in calls:
        run, _ = segment_of(Path(call.path).name) or ("", 0)
        if run and call.name == "write":
            waiting[run].append(call.at_s)
        elif run and call.name == "fdatasync" and (safe := [at_s for at_s in waiting[run] if at_s <= call.at_s]):
            longest_s = max(longest_s, float(call.other) - safe[0])
            del waiting[run][: len(safe)]
    return longest_s


def _one_cut(
    folder: Path, calls: Sequence[Call], draw: random.Random, tally: Tally, rolling: bool, promise_s: float
) -> None:
    """The disk after a random number of calls, a start that is cut short too, then one that is not.

    Now and then the recorder was only killed before that start: the disk still has everything, but not for good.
    """
    upto = draw.randint(1, len(calls)) if draw.random() < 0.6 else draw.choice(_sealing(calls))
    disk = ForgetfulDisk()
    for call in calls[:upto]:
        disk.take(call)
    promised = _promised(disk, calls[:upto], promise_s)
    if rolling:
        promised = last_stretch(promised)
    killed = draw.random() < 0.3
    found = disk.now() if killed else disk.after_power_cut(draw)
    tally.trials += 1
    tally.seen[_stage(calls[:upto])] += 1
    second = killed or draw.random() < 0.5
    where = f"cut {tally.trials} after call {upto} ({calls[upto - 1].name} {Path(calls[upto - 1].path).suffix})"
    _lay_out(folder, found)
    if second:
        started: list[Call] = apart(lambda: _started(folder))
        later = disk if killed else ForgetfulDisk(found)
        for call in started[: draw.randint(0, len(started))]:
            later.take(call)
        _lay_out(folder, later.after_power_cut(draw))
        tally.seen["during the start, after a kill" if killed else "again during the start"] += 1
    tally.judged(
        where + (", after a kill" if killed else ", twice" if second else ""), apart(lambda: judge(folder, promised))
    )
    shutil.rmtree(folder, ignore_errors=True)


def _sealing(calls: Sequence[Call]) -> list[int]:
    """Places in and right after the calls of sealing."""
    return [n + 1 for n, call in enumerate(calls) if call.name != TAKEN and not call.path.endswith(".journal")]


def _stage(calls: Sequence[Call]) -> str:
    last = next((call for call in reversed(calls) if call.name != TAKEN), calls[-1])
    return "recording" if last.path.endswith(".journal") and last.name != "unlink" else "sealing"


def _started(folder: Path) -> list[Call]:
    with Calls(folder) as calls:
        recover([folder, folder / FALLBACK], finish, lambda event: None)
    return calls.done


def _lay_out(folder: Path, files: dict[str, bytes]) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for path, data in files.items():
        Path(path).parent.mkdir(parents=True, exist_ok=True)
        Path(path).write_bytes(data)


def _promised(disk: ForgetfulDisk, calls: Sequence[Call], promise_s: float) -> set[Taken]:
    """Chunks in what was ever synced of any journal, and all that were taken so long before the cut."""
    safe = {
        Taken(*raw)
        for path, data in disk.synced.items()
        if path.endswith(".journal")
        for record in journal_content(data).records
        if (raw := raw_of(record)) is not None
    }
    old = set()
    for call in calls:
        if call.name == TAKEN and call.at_s < calls[-1].at_s - promise_s:
            ns, instrument, data = call.data.split(b" ", 2)
            old.add(Taken(int(ns), instrument.decode(), data))
    return safe | old
