"""Power cuts: what was not synced may be gone, or half there; what was promised must not be.

A recording is made for real while its calls are written down. For a cut after any call the folder is built anew as the
disk might then hold it: of each file what its last sync covered, and a random part of what was written since; of the
folder the names as of its last sync, and a random part, in order, of later changes.
"""

from __future__ import annotations

import random
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from chargebench.instruments.feed import Chunk
from chargebench.recording.journal import journal_content
from chargebench.recording.records import raw_of
from tests.faults.calls import Call, watched
from tests.faults.scene import RUNS, judge, recorder
from tests.faults.tally import Tally, apart


@dataclass
class _File:
    written: bytearray = field(default_factory=bytearray)
    synced: bytes = b""


@dataclass
class _Disk:
    """A folder as calls build it, with what of it is on the disk for good."""

    folder: str
    names: dict[str, _File] = field(default_factory=dict)
    synced_names: dict[str, _File] = field(default_factory=dict)
    later: list[dict[str, _File]] = field(default_factory=list)
    open: dict[int, _File | None] = field(default_factory=dict)

    def apply(self, call: Call) -> None:
        """One more call."""
        handler = getattr(self, f"_{call.name}", None)
        if handler is not None:
            handler(call.result, *call.arguments)

    def _inside(self, path: Any) -> str | None:
        text = str(path)
        return text[len(self.folder) + 1 :] if text.startswith(self.folder + "/") else None

    def _renamed(self, names: dict[str, _File]) -> None:
        self.names = names
        self.later.append(names)

    def _open(self, descriptor: int, path: Any, *_: Any) -> None:
        name = self._inside(path)
        if name is not None and name not in self.names and Path(str(path)).suffix != ".tmp":
            self._renamed({**self.names, name: _File()})
        self.open[descriptor] = self.names.get(name) if name is not None else None

    def _write(self, count: int, descriptor: int, data: bytes) -> None:
        file = self.open.get(descriptor)
        if file is not None:
            file.written += data[:count]

    def _ftruncate(self, _: None, descriptor: int, length: int) -> None:
        file = self.open.get(descriptor)
        if file is not None:
            del file.written[length:]

    def _fsync(self, _: None, descriptor: int) -> None:
        file = self.open.get(descriptor)
        if file is not None:
            file.synced = bytes(file.written)
        else:
            self.synced_names, self.later = self.names, []

    _fdatasync = _fsync

    def _link(self, _: None, source: Any, target: Any) -> None:
        old, new = self._inside(source), self._inside(target)
        if old is not None and new is not None:
            self._renamed({**self.names, new: self.names[old]})

    def _unlink(self, _: None, path: Any) -> None:
        gone = self._inside(path)
        self._renamed({name: file for name, file in self.names.items() if name != gone})

    def after_cut(self, draw: random.Random) -> dict[str, bytes]:
        """Names and bytes that the disk may hold."""
        names = draw.choice([self.synced_names, *self.later])
        return {name: self._bytes(file, draw) for name, file in names.items()}

    @staticmethod
    def _bytes(file: _File, draw: random.Random) -> bytes:
        more = bytes(file.written[len(file.synced) :])
        return file.synced + more[: draw.randrange(len(more) + 1)]

    def promised(self) -> list[bytes]:
        """Chunks that stand in what was synced of the journals whose name was synced."""
        found = []
        for name, file in self.synced_names.items():
            if name.endswith(".journal"):
                records = journal_content(file.synced).records
                found += [raw.data for record in records if (raw := raw_of(record)) is not None]
        return found


def _recorded() -> tuple[str, list[Call]]:
    """A recording's calls and the folder they were made in."""
    folder = Path(tempfile.mkdtemp())

    def ignore(what: Chunk | Any) -> None:
        return None

    with watched() as log:
        recorder(folder, taken=ignore, emit=ignore).record(RUNS, 60.0)
    shutil.rmtree(folder)
    return str(folder), list(log)


def _cut(folder: str, calls: Sequence[Call], seed: int) -> dict[str, Any]:
    """A cut after the last of the calls: what was promised then, and what a start finds wrong."""
    disk, draw = _Disk(folder), random.Random(seed)
    for call in calls:
        disk.apply(call)
    after = Path(tempfile.mkdtemp())
    for name, data in disk.after_cut(draw).items():
        (after / name).write_bytes(data)
    wrong = judge(after, disk.promised())
    shutil.rmtree(after)
    return {"wrong": wrong, "call": calls[-1].name}


def cut_power(trials: int, seed: int = 0) -> Tally:
    """Cuts at random calls, a third of them at those of the sealing."""

    def work() -> dict[str, Any]:
        folder, calls = _recorded()
        draw = random.Random(seed)
        seals = [i for i, call in enumerate(calls) if call.name in ("link", "unlink", "fsync")]
        found = []
        for trial in range(trials):
            at = draw.choice(seals) if trial % 3 == 0 else draw.randrange(len(calls))
            found.append(_cut(folder, calls[: at + 1], seed + trial))
        return {"cuts": found, "calls": len(calls)}

    tally = Tally("power cut (unsynced data dropped)")
    for number, cut in enumerate(apart(work)["cuts"]):
        tally.trials += 1
        tally.seen[f"after {cut['call']}"] += 1
        tally.losses += [f"cut {number} after {cut['call']}: {wrong}" for wrong in cut["wrong"]]
    return tally
