"""The journal of a run while it is recorded: a row of append-only text files, locked, synced beside the reading path.

Owns the files and the thread that syncs the last of them. Decodes nothing and knows no states. What `append` is given
stands in the file when it returns, in one write; it is on the disk at most half a second later, and until then it is
in memory too. When writing or syncing fails, or a file is no longer found under its name, nothing more is written to
it, and `go_on` begins the next segment with what is not known to be on a disk, under the same numbers.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from chargebench.errors import JournalError
from chargebench.recording.ids import segment_name
from chargebench.recording.records import Record, RecordParser, fields_of, json_payload, line_of, raw_of
from chargebench.runs.disk import APPEND_NEW, Place, lock, remove, sync_data, sync_folder, unlock, write_all

__all__ = ["Journal", "ns_of"]

SYNC_EVERY_S: Final = 0.1
"""Half a second is promised; the rest of it is for a slow disk and a machine that is busy with other things."""
LOCK_TRIES: Final = 50
LOCK_PAUSE_S: Final = 0.02
PIECE_BYTES: Final = 1 << 20


class Journal:
    """A journal that is being written by this process; in memory only until `go_on` has found a place for it.

    Parameters
    ----------
    run_id : str
    describe : callable
        Gives the header's fields as they are now, see `chargebench.recording.header`.

    Attributes
    ----------
    header : mapping
        Fields of the first header.
    failure : str
        Why nothing more is written for now, or empty. Set by a failed write or sync, or where a file is gone.
    refused : str
        What the places said that did not take the last segment.
    """

    def __init__(self, run_id: str, describe: Callable[[], Mapping[str, Any]]) -> None:
        self.run_id = run_id
        self.header = describe()
        self.failure = "not begun"
        self.refused = ""
        self._describe = describe
        self._segments: list[_Segment] = []
        self._begun = 0
        self._unsynced: deque[tuple[int, bytes]] = deque()
        self._next = self._wanted = self._rolled = 1
        self._written = 0
        self._closing = False
        self._turn = threading.Lock()
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._sync_until_closed, name=f"sync {run_id}", daemon=True)
        self._thread.start()

    @property
    def path(self) -> Path | None:
        """The segment that is written now, or was last; None before the first."""
        return self._segments[-1].path if self._segments else None

    @property
    def paths(self) -> tuple[Path, ...]:
        """The segments that make up the journal."""
        return tuple(segment.path for segment in self._segments if not segment.carried)

    @property
    def out_of_reach(self) -> tuple[Path, ...]:
        """Those of them that cannot be read now: their disk is gone."""
        return tuple(path for path in self.paths if not os.path.exists(path))

    @property
    def held_bytes(self) -> int:
        """How much of it is in memory only."""
        return sum(len(line) for _, line in tuple(self._unsynced))  # the other thread takes from it

    def append(self, kind: str, payload: str) -> Record:
        """Write one record; never raises for the disk's sake, see `failure`."""
        record = Record(kind, self._next, payload)
        line = line_of(record)
        self._next += 1
        self._unsynced.append((record.number, line))
        if not self.failure:
            try:
                write_all(self._segments[-1].descriptor, line)
            except OSError as error:
                self._fail("written", error)
            else:
                self._written = record.number
        return record

    def sync_soon(self) -> None:
        """Have the other thread sync now rather than at its next turn."""
        self._wake.set()

    def sync(self) -> None:
        """Sync before returning, and see whether every segment is still found under its name."""
        with self._turn:
            if self.failure:
                return
            upto = self._written
            if self._unsynced and self._unsynced[0][0] <= upto:
                try:
                    sync_data(self._segments[-1].descriptor)
                except OSError as error:
                    self._fail("synced", error)
                    return
                self._drop(upto + 1)
            gone = next((segment.path for segment in self._segments if segment.gone), None)
            if gone is not None:
                self.failure = f"{gone}: no longer there; its folder was moved, removed or unmounted"

    def settle(self) -> None:
        """End the other thread and sync what is left; afterwards `failure` says for good whether all is on the disk."""
        if not self._closing:
            self._closing = True
            self._wake.set()
            self._thread.join()
        self.sync()

    def go_on(self, places: Iterable[Place]) -> None:
        """Begin the next segment in the first of some places that takes it.

        It begins with all that is not known to be on a disk, and with what is in files that are no longer found under
        their names and can still be read.

        Raises
        ------
        JournalError
            When none does, with what each said; the journal then stays as it was.
        """
        with self._turn:
            lines, carried = self._to_carry()
            first = min(lines, default=self._next)
            content = b"".join(lines[number] for number in sorted(lines))
            refused = []
            for place in places:
                self._begun += 1
                header = self._next_header(first, lines.get(first, b""))
                try:
                    path = place.ready() / segment_name(self.run_id, self._begun)
                    segment = _Segment(path, _new_file(path, header + content), first)
                except JournalError as error:
                    refused.append(str(error))
                else:
                    self._segments.append(segment)
                    break
            else:
                raise JournalError("; ".join(refused) or "no folder to record in")
            for segment in carried:
                segment.carried = True
            self._written = self._next - 1
            self._unsynced.clear()
            self.failure, self.refused = "", "; ".join(refused)

    def roll(self, places: Iterable[Place]) -> None:
        """Let go of what was appended before the last roll, and begin the next segment.

        Where nothing can be written for now only memory is relieved; `go_on` is then for whoever calls.

        Raises
        ------
        JournalError
            When no place takes the next segment; the journal goes on as it was.
        """
        self.sync()
        wanted, self._wanted = self._wanted, self._rolled
        try:
            if not self.failure:
                self.go_on(places)
        except JournalError:
            self._wanted = wanted
            raise
        self._drop(self._wanted)
        self._rolled = self._next
        self.clear()

    def clear(self) -> None:
        """Remove the segments that hold nothing wanted; those that cannot be removed now are tried again next time."""
        with self._turn:
            for segment, after in list(zip(self._segments, self._segments[1:], strict=False)):
                if after.first <= self._wanted and segment.removed():
                    self._segments.remove(segment)

    def discard(self) -> None:
        """Close and remove every segment: nothing in them is wanted.

        Raises
        ------
        JournalError
            When one of them cannot be removed.
        """
        self.settle()
        left = [segment for segment in self._segments if not segment.removed()]
        if left:
            raise JournalError(f"{left[0].path}: cannot be removed")

    def close(self) -> None:
        """Sync, give the locks back, end the thread. The files stay. A second call does nothing."""
        self.settle()
        for segment in self._segments:
            segment.close()

    def _drop(self, before: int) -> None:
        """Let records with lower numbers go from memory."""
        while self._unsynced and self._unsynced[0][0] < before:
            self._unsynced.popleft()

    def _to_carry(self) -> tuple[dict[int, bytes], list[_Segment]]:
        """Lines by number that the next segment begins with; the files whose lines are all among them.

        What a file held that is gone and cannot be read stays there.
        """
        lines: dict[int, bytes] = {}
        carried = []
        for segment in self._segments:
            if segment.gone and (records := segment.read_back()) is not None:
                lines.update((record.number, line_of(record)) for record in records if record.number >= self._wanted)
                carried.append(segment)
        lines.pop(0, None)
        lines.update(self._unsynced)
        return lines, carried

    def _next_header(self, first: int, line: bytes) -> bytes:
        """The line that the next segment begins with: its clock begins no later than its first record."""
        fields = dict(self._describe())
        if first == 1:
            fields = dict(self.header)
        elif begun := [ns for record in RecordParser().feed(line) if (ns := ns_of(record)) is not None]:
            fields["ns"] = min(begun[0], fields.get("ns", begun[0]))
        fields |= {"segment": self._begun, "first": first, "from": self._wanted}
        return line_of(Record("header", 0, json_payload(fields)))

    def _fail(self, what: str, error: OSError) -> None:
        self.failure = f"{self.path}: could not be {what}: {error.strerror or error}"

    def _sync_until_closed(self) -> None:
        while not self._closing:
            self._wake.wait(SYNC_EVERY_S)
            self._wake.clear()
            self.sync()


class _Segment:
    """One file of the row, open and locked until it is closed or removed.

    Attributes
    ----------
    path, descriptor
    first : int
        Number of its first record.
    carried : bool
        Whether all that it holds was put into a later one, since it is no longer found under its name.
    """

    def __init__(self, path: Path, descriptor: int, first: int) -> None:
        self.path, self.descriptor, self.first = path, descriptor, first
        self.carried = self._unread = self._closed = False

    @property
    def gone(self) -> bool:
        """Whether it is no longer found under its name, and nothing was done about that."""
        return not (self.carried or self._unread or self._closed) and not _is_at(self.path, self.descriptor)

    def read_back(self) -> list[Record] | None:
        """What it holds, through the open descriptor; None where its disk no longer gives it."""
        parser, records = RecordParser(), []
        try:
            os.lseek(self.descriptor, 0, os.SEEK_SET)
            while piece := os.read(self.descriptor, PIECE_BYTES):
                records += parser.feed(piece)
        except OSError:
            self._unread = True
            return None
        return records

    def removed(self) -> bool:
        """Remove it; False where that cannot be done now. A file that is no longer its own is let be."""
        if self.carried or self.gone:
            self.close()
            return True
        self.close()
        try:
            remove(self.path)
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Give the lock back; a second call does nothing."""
        if self._closed:
            return
        self._closed = True
        with contextlib.suppress(OSError):  # nothing is left to be written
            unlock(self.descriptor)
        with contextlib.suppress(OSError):
            os.close(self.descriptor)


def ns_of(record: Record) -> int | None:
    """Host's monotonic time of a record."""
    raw = raw_of(record)
    ns = fields_of(record).get("ns") if raw is None else raw.received_ns
    return ns if isinstance(ns, int) else None


def _new_file(path: Path, content: bytes) -> int:
    """A new locked file with that content, on the disk together with its name; its descriptor."""
    descriptor = _new_locked(path)
    try:
        write_all(descriptor, content)
        sync_data(descriptor)
        sync_folder(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.close(descriptor)
        with contextlib.suppress(OSError):
            path.unlink()
        raise JournalError(f"{path}: journal cannot be written: {error.strerror}") from error
    return descriptor


def _new_locked(path: Path) -> int:
    """A new empty file, locked. A start beside may look at it first, and even move it away as empty: then again."""
    try:
        for _ in range(LOCK_TRIES):
            descriptor = os.open(path, APPEND_NEW, 0o644)
            for _ in range(LOCK_TRIES):
                if lock(descriptor):
                    if _is_at(path, descriptor):
                        return descriptor
                    break
                time.sleep(LOCK_PAUSE_S)
            os.close(descriptor)
    except OSError as error:
        raise JournalError(f"{path}: journal cannot be created: {error.strerror}") from error
    raise JournalError(f"{path}: another process has taken this journal")


def _is_at(path: Path, descriptor: int) -> bool:
    """Whether the open file is still the one of that name."""
    try:
        return os.path.samestat(path.stat(), os.fstat(descriptor))
    except OSError:
        return False
