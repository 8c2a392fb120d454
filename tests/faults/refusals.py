"""Every call to the operating system that recording, sealing or recovering makes, failing: once, or from then on."""

from __future__ import annotations

import errno
import itertools
import math
import random
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any
from unittest import mock

from chargebench.errors import ChargebenchError
from chargebench.instruments.feed import Chunk
from chargebench.recording import recorder as recorder_module
from chargebench.recording.records import raw_payload
from chargebench.recording.recover import recover
from tests.faults.kills import PacedFeeds
from tests.faults.layer import WATCHED, Calls, Fails, Fault
from tests.faults.scene import FALLBACK, ROLL_S, RUNS, Taken, finish, judge, last_stretch, recorder, stream
from tests.faults.tally import Tally, apart
from tests.recording.byte_bench import begun_journal, path_of
from tests.recording.sealing import seal_at

__all__ = ["fail_forever", "fail_once", "fail_removals", "fail_sealing"]

ERRORS = (errno.ENOSPC, errno.EIO)
PAUSE_S = 0.001


def _nth(name: str, number: int, fault: Fault) -> Fails:
    return lambda found, path, n: fault if (found, n) == (name, number) else None


def _faults(name: str) -> Iterator[Fault]:
    """Each way in which a call of that name may fail."""
    for error in ERRORS:
        yield Fault(error)
        if name == "write":
            yield Fault(error, "half")
        elif name in ("fsync", "fdatasync", "link", "unlink", "rename"):
            yield Fault(error, "after")


class _Heard(list[Mapping[str, Any]]):
    """Events in order."""

    def red(self) -> bool:
        """Whether anything was said in red."""
        return any(event.get("severity") == "reject" for event in self)


def _recorded(folder: Path, fails: Fails, rolling: bool) -> tuple[list[Taken], bool, str, dict[str, int]]:
    """A recording under faults: chunks taken, whether red was said, how it ended if badly, calls by name."""
    taken: list[Taken] = []
    heard, ended = _Heard(), ""

    def take(chunk: Chunk) -> None:
        taken.append(Taken(chunk.received_ns, chunk.instrument, chunk.data))

    with Calls(folder, fails) as calls:
        try:
            feeds = (lambda bench, queue: PacedFeeds(queue, PAUSE_S)) if rolling else None
            with mock.patch.object(recorder_module, "ROLL_AFTER_S", ROLL_S if rolling else math.inf):
                recorder(folder, take, heard.append, feeds).record(RUNS, 60.0)
        except (ChargebenchError, OSError) as error:
            ended = repr(error)
    return taken, heard.red(), ended, calls.counts


def fail_once(most_of_a_kind: int, seed: int = 0) -> Tally:
    """One call during recording fails once; up to so many of each kind, spread over all of them."""
    tally, draw = Tally("recording: one call fails once (ENOSPC, EIO)"), random.Random(seed)
    *_, counts = _in_a_folder(tally, "unharmed", lambda name, path, n: None)
    for name in WATCHED:
        total = counts[name]
        for number in draw.sample(range(total), min(total, most_of_a_kind)):
            for fault in _faults(name):
                _in_a_folder(tally, f"{name} {number} {fault}", _nth(name, number, fault))
                tally.seen[name] += 1
    for error in ERRORS:
        _in_a_folder(tally, f"last sync {error}", _last_sync(Fault(error)))
        tally.seen["last sync"] += 1
    return tally


def _last_sync(fault: Fault) -> Fails:
    """The sync after which a run would be called complete: the one asked for by no other thread than the recorder's."""
    failed: list[str] = []

    def fails(name: str, path: str, number: int) -> Fault | None:
        if name != "fdatasync" or threading.current_thread() is not threading.main_thread() or number == 0 or failed:
            return None
        failed.append(path)
        return fault

    return fails


def _in_a_folder(
    tally: Tally, where: str, fails: Fails, *, rolling: bool = False
) -> tuple[list[Taken], bool, str, dict[str, int]]:
    """Record, then start without faults and look; all that was taken must be there."""
    folder = Path(tempfile.mkdtemp())
    taken, red, ended, counts = apart(lambda: _recorded(folder, fails, rolling))
    tally.trials += where != "unharmed"
    if ended:
        tally.losses.append(f"{where}: the recorder ended with {ended}")
    elif len(taken) < sum(chunk.kind == "data" for chunk in stream()) // RUNS:
        tally.losses.append(f"{where}: the recorder took only {len(taken)} chunks")
    promised = last_stretch(taken) if rolling else taken
    tally.judged(where, apart(lambda: judge(folder, promised)))
    shutil.rmtree(folder)
    return taken, red, ended, counts


def fail_forever(trials: int, seed: int = 0) -> Tally:
    """From a random moment on the archive takes nothing more, so recording goes on in the fallback folder."""
    tally, draw = Tally("recording: the archive's disk stays full or broken"), random.Random(seed)
    for trial in range(trials):
        first, error = draw.randint(0, 900), draw.choice((*ERRORS, errno.EROFS))
        where = f"trial {trial} from call {first} ({errno.errorcode[error]})"
        _, red, *_ = _in_a_folder(tally, where, _from_then_on(first, Fault(error)))
        tally.seen["said in red" if red else "over before it failed"] += 1
    return tally


def _from_then_on(first: int, fault: Fault) -> Fails:
    """All calls in the archive after so many, but not those that need no room; files go unless it is read-only."""
    calls = itertools.count()

    def fails(name: str, path: str, number: int) -> Fault | None:
        needs_none = name == "close" or (name == "unlink" and fault.number != errno.EROFS)
        spared = next(calls) < first or f"/{FALLBACK}" in path or needs_none
        return None if spared else fault

    return fails


def fail_removals(trials: int, seed: int = 0) -> Tally:
    """Journals that cannot be removed while they follow each other: once, a few times or never; half of them moved."""
    tally, draw = Tally("recording: journals that stay"), random.Random(seed)
    for trial in range(trials):
        first, many = draw.randrange(4), draw.choice((1, 2, math.inf))
        write = draw.randrange(500) if trial % 2 else math.inf
        where = f"trial {trial}: {many} removals from {first}, write {write}"
        with mock.patch.object(recorder_module, "RESCUE_EVERY_S", draw.choice((0.0, 0.2, 5.0))):
            _in_a_folder(tally, where, _staying(first, many, write), rolling=True)
        tally.seen["moved" if trial % 2 else "followed"] += 1
    return tally


def _staying(first: int, many: float, write: float) -> Fails:
    """So many removals of journals fail, and one write."""
    removals = itertools.count(-first)

    def fails(name: str, path: str, number: int) -> Fault | None:
        if (name, number) == ("write", write) and path.endswith(".journal"):
            return Fault(errno.EIO)
        stays = name == "unlink" and path.endswith(".journal") and 0 <= next(removals) < many
        return Fault(errno.EIO) if stays else None

    return fails


def fail_sealing() -> Tally:
    """Every call of a sealing, and of a start that recovers, fails once in every way; then a start is let through."""
    tally = Tally("sealing, recovering: every call fails once")
    for work in (_seal, _start):
        counts = _sealed_under(tally, work, "unharmed", lambda name, path, n: None)
        for name in WATCHED:
            for number in range(counts[name]):
                for fault in _faults(name):
                    _sealed_under(tally, work, f"{work.__name__} {name} {number} {fault}", _nth(name, number, fault))
                    tally.seen[name] += 1
    return tally


def _seal(journal: Path) -> None:
    seal_at(journal)


def _start(journal: Path) -> None:
    recover([journal.parent], finish, lambda event: None)


def _sealed_under(tally: Tally, work: Callable[[Path], None], where: str, fails: Fails) -> dict[str, int]:
    """A whole journal, sealed under faults, then found by a start."""
    folder = Path(tempfile.mkdtemp())
    journal, taken = _left_behind(folder)

    def under_faults() -> tuple[dict[str, int], str]:
        with Calls(folder, fails) as calls:
            try:
                work(journal)
            except (ChargebenchError, OSError) as error:
                return calls.counts, repr(error)
        return calls.counts, ""

    counts, raised = apart(under_faults)
    if raised and work is _start:
        tally.losses.append(f"{where}: the start ended with {raised}")
    tally.trials += where != "unharmed"
    tally.judged(where, apart(lambda: judge(folder, taken)))
    if not list(folder.glob("*.h5")):
        tally.losses.append(f"{where}: no run was made")
    shutil.rmtree(folder)
    return dict(counts)


def _left_behind(folder: Path) -> tuple[Path, list[Taken]]:
    """A journal of the first run's chunks, closed without its end."""
    journal = begun_journal(folder)
    chunks = [chunk for chunk in stream() if chunk.kind == "data"][:200]
    for chunk in chunks:
        journal.append("raw", raw_payload(chunk.received_ns, chunk.instrument, chunk.data))
    journal.close()
    return path_of(journal), [Taken(chunk.received_ns, chunk.instrument, chunk.data) for chunk in chunks]
