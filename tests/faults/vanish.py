"""The archive's folder is removed, moved, replaced or unmounted in mid-run: the run goes on, whole, in the fallback.

Unmounting takes the right to mount; without it those trials are left out, which is told. A disk that is pulled out
gives nothing back through open files either: then the beginning of the run waits on it until it is there again.
"""

from __future__ import annotations

import errno
import itertools
import os
import random
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any, Final
from unittest import mock

from chargebench.instruments.feed import Chunk
from chargebench.recording import journal as journal_module
from tests.faults.kills import PacedFeeds
from tests.faults.scene import FALLBACK, RUNS, Taken, judge, recorder
from tests.faults.tally import Tally, apart

__all__ = ["WAYS", "can_mount", "vanish"]

PAUSE_S: Final = 0.001
LATEST: Final = 250
"""Chunks into the first run: it is not sealed by then, so that nothing sealed goes with the folder."""
ARCHIVE: Final = "archive"
ELSEWHERE: Final = "elsewhere"
STORE: Final = "store"


def _removed(top: Path) -> None:
    shutil.rmtree(top / ARCHIVE)


def _moved(top: Path) -> None:
    (top / ARCHIVE).rename(top / ELSEWHERE)


def _replaced(top: Path) -> None:
    _moved(top)
    (top / ARCHIVE).mkdir()


def _unmounted(top: Path) -> None:
    _mount("umount", "--lazy", top / ARCHIVE)


def _back(top: Path) -> None:
    shutil.rmtree(top / ARCHIVE, ignore_errors=True)
    (top / ELSEWHERE).rename(top / ARCHIVE)


def _mounted_again(top: Path) -> None:
    _mount("mount", "--bind", top.with_name(STORE), top / ARCHIVE)


WAYS: Final[Mapping[str, tuple[Callable[[Path], None], Callable[[Path], None], str]]] = {
    "removed": (_removed, lambda top: None, ARCHIVE),
    "moved, next start there": (_moved, lambda top: None, ELSEWHERE),
    "moved, and back": (_moved, _back, ARCHIVE),
    "replaced": (_replaced, _back, ARCHIVE),
    "unmounted": (_unmounted, lambda top: None, ARCHIVE),
    "unmounted, and mounted again": (_unmounted, _mounted_again, ARCHIVE),
    "pulled out, and back": (_unmounted, _mounted_again, ARCHIVE),
}
"""How the folder vanishes, what becomes of it before the next start, and in which folder that is."""


def _mount(*words: str | Path) -> None:
    subprocess.run(words, check=True, capture_output=True)


@contextmanager
def _mounted(top: Path) -> Iterator[None]:
    """An archive that is another file system, for as long as it is not unmounted."""
    _mounted_again(top)
    try:
        yield
    finally:
        while not subprocess.run(("umount", "--lazy", top / ARCHIVE), check=False, capture_output=True).returncode:
            continue


@contextmanager
def _scene() -> Iterator[Path]:
    """A folder for the archive and what is beside it; what may be mounted there lies beside that folder."""
    with tempfile.TemporaryDirectory() as name:
        top = Path(name) / "top"
        (top / ARCHIVE).mkdir(parents=True)
        top.with_name(STORE).mkdir()
        yield top


def can_mount() -> bool:
    """Whether this process may mount."""
    with _scene() as top:
        try:
            with _mounted(top):
                return True
        except (OSError, subprocess.CalledProcessError):
            return False


def vanish(trials: int, seed: int = 0) -> Tally:
    """So many times, each way in turn, at a random moment of the first run."""
    tally, draw = Tally("the archive's folder vanishes in mid-run"), random.Random(seed)
    mounts = can_mount()
    ways = [way for way in WAYS if mounts or ("mounted" not in way and "pulled" not in way)]
    if not mounts:
        tally.notes.append("no right to mount: unmounting was left out")
    for trial, way in zip(range(trials), itertools.cycle(ways), strict=False):
        mounted = way.startswith(("unmounted", "pulled"))
        with _scene() as top, _mounted(top) if mounted else nullcontext():
            _one(tally, top, way, draw.randrange(1, LATEST), trial)
    return tally


def _one(tally: Tally, top: Path, way: str, after: int, trial: int) -> None:
    _, before_start, started_in = WAYS[way]
    taken, red = apart(lambda: _recorded(top, way, after))
    tally.trials += 1
    tally.seen[way] += 1
    where = f"trial {trial}, {way} after chunk {after}"
    if not red:
        tally.losses.append(f"{where}: nothing was said in red")
    if (top / ARCHIVE).is_dir() and list((top / ARCHIVE).iterdir()):
        tally.losses.append(f"{where}: something was written where the folder had been")
    before_start(top)
    folders = [top / started_in, top / FALLBACK]
    folders[0].mkdir(exist_ok=True)
    tally.judged(where, apart(lambda: judge(top, taken, folders=folders)))
    runs = list(top.rglob("*.h5"))
    if len(runs) != RUNS or {path.parent for path in runs} != {folders[0]}:
        tally.losses.append(f"{where}: at the end {[str(path.relative_to(top)) for path in runs]}")


def _recorded(top: Path, way: str, after: int) -> tuple[list[Taken], bool]:
    """Chunks taken, and whether the folder's end was said in red."""
    taken: list[Taken] = []
    red: list[Mapping[str, Any]] = []
    pulled: list[str] = []

    def take(chunk: Chunk) -> None:
        taken.append(Taken(chunk.received_ns, chunk.instrument, chunk.data))
        if len(taken) == after:
            WAYS[way][0](top)
            pulled.extend([way] * way.startswith("pulled"))

    def emit(event: Mapping[str, Any]) -> None:
        if event.get("severity") == "reject" and "no longer there" in str(event["text"]):
            red.append(event)

    def read(descriptor: int, size: int) -> bytes:
        if pulled:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(descriptor, size)

    real = os.read
    with mock.patch.object(journal_module.os, "read", read):
        feeds = lambda bench, queue: PacedFeeds(queue, PAUSE_S)  # noqa: E731
        recorder(top / ARCHIVE, take, emit, feeds, fallback=top / FALLBACK).record(RUNS, 60.0)
    return taken, bool(red)
