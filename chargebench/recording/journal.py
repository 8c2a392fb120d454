"""The journal of a run while it is recorded: an append-only text file, locked, synced beside the reading path.

Owns the file and the thread that syncs it. Decodes nothing and knows no states. What `append` is given stands in the
file when it returns, in one write; it is on the disk at most half a second later. When writing or syncing fails, the
file is cut back to what is known to be good, nothing more is written to that descriptor, and everything since is kept
in memory until `continue_in` has put the whole journal into another file.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from chargebench.errors import JournalError
from chargebench.files import FILE_FLAGS, JOURNAL, open_file, read_bytes
from chargebench.recording.disk import (
    APPEND_NEW,
    lock,
    make_folder,
    remove,
    sync_data,
    sync_folder,
    unlock,
    write_all,
)
from chargebench.recording.ids import first_name
from chargebench.recording.records import MAX_LINE_BYTES, Record, RecordParser, fields_of, json_payload, line_of

__all__ = [
    "HeldJournal",
    "Journal",
    "JournalContent",
    "is_locked",
    "journal_content",
    "read_header",
    "read_journal",
    "write_journal",
]

SYNC_EVERY_S = 0.25
KEPT_BYTES = 32_000_000
LOCK_TRIES = 50
LOCK_PAUSE_S = 0.02


class Journal:
    """A journal that is being written by this process; made by `create` or, where no disk takes it, `in_memory`.

    Attributes
    ----------
    path : Path
    failure : str
        Why this file takes nothing more, or empty. Set by a failed write or a failed sync.
    left : tuple of Path
        Files that hold nothing but what this journal holds too and could not be removed yet, see `clear`.
    """

    def __init__(self, path: Path, descriptor: int | None, lines: deque[bytes], failure: str = "") -> None:
        self.path = path
        self.failure = failure
        self.left: tuple[Path, ...] = ()
        self._descriptor = descriptor
        self._header = lines[0]
        self._kept = lines
        self._kept_bytes = sum(map(len, lines))
        self._kept_from = 0
        self._let_go = False
        self._number = len(lines)
        self._written = self._synced = self._kept_bytes
        self._closing = self._closed = False
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._sync_until_closed, name=f"sync {path.name}", daemon=True)
        self._thread.start()

    @classmethod
    def create(cls, path: Path, header: Mapping[str, Any]) -> Self:
        """Begin a journal: opened exclusively, locked, its header and its name in the folder on the disk.

        Raises
        ------
        JournalError
            When the file exists, cannot be written or synced, or another process took its lock.
        """
        line = line_of(Record("header", 0, json_payload(header)))
        return cls(path, _new_file(path, line), deque([line]))

    @classmethod
    def in_memory(cls, path: Path, header: Mapping[str, Any], failure: str) -> Self:
        """A journal that no disk has taken yet: it has failed from the first, and `continue_in` gives it a file."""
        return cls(path, None, deque([line_of(Record("header", 0, json_payload(header)))]), failure)

    def append(self, kind: str, payload: str) -> Record:
        """Write one record; never raises for the disk's sake, see `failure`."""
        record = Record(kind, self._number, payload)
        line = line_of(record)
        self._number += 1
        self._keep(line)
        if not self.failure:
            try:
                write_all(self._open, line)
            except OSError as error:
                self._fail("written", error)
            else:
                self._written += len(line)
        return record

    def sync_soon(self) -> None:
        """Have the other thread sync now rather than at its next turn."""
        self._wake.set()

    def sync(self) -> None:
        """Sync before returning; for the moments that must not be lost."""
        if not self.failure and self._synced < self._written:
            self._sync_once()

    def settle(self) -> None:
        """End the other thread and sync what is left; afterwards `failure` says for good whether all is on the disk."""
        if not self._closing:
            self._closing = True
            self._wake.set()
            self._thread.join()
        self.sync()

    def kept_records(self, since: int) -> list[Record]:
        """Records still in memory with at least that number."""
        first = max(since - self._kept_from, 0)
        parser = RecordParser()
        return parser.feed(b"".join(line for i, line in enumerate(self._kept) if i >= first))

    @property
    def kept_bytes(self) -> int:
        """How much memory holds of it."""
        return self._kept_bytes

    def forget(self, before: int) -> None:
        """Let records with lower numbers go: nobody wants them. The file keeps them until the journal moves."""
        self._let_go = True
        self._drop(before)

    def continue_in(self, folder: Path) -> Journal:
        """The same journal, whole, in a new file of that folder, written on from there; this one is closed.

        The folder may be the one that it is in: the new file's name then ends in ``-r1``, ``-r2`` … so that nothing
        that holds readings is ever replaced. The old file is removed once all it held is on the disk in the new one;
        where that fails it is among those `left`. Where its beginning is no longer in memory and cannot be read back,
        the new one holds header and what memory has, and the old one stays unless its beginning was let go.

        Raises
        ------
        JournalError
            When that folder does not take it either; this journal then stays as it was.
        """
        before = self._before_kept()
        content = (self._header if before is None else before) + b"".join(self._kept)
        try:
            make_folder(folder)
            path = _free_name(folder, self.path.stem)
        except OSError as error:
            raise JournalError(f"{folder}: cannot be made: {error.strerror}; choose another fallback folder") from error
        moved = Journal(path, _new_file(path, content), deque(self._kept))
        moved._header, moved._number, moved._kept_from = self._header, self._number, self._kept_from
        moved._written = moved._synced = len(content)
        self.close()
        moved.left = self.left
        if self._descriptor is not None and (before is not None or self._let_go):
            moved.left += (self.path,)
            moved.clear()
        return moved

    def continue_in_one_of(self, folders: Iterable[Path]) -> Journal:
        """The same as `continue_in`, in the first of some folders that takes it; the one that it is in comes last.

        Raises
        ------
        JournalError
            When none does, with what each said.
        """
        refused = []
        for folder in sorted(folders, key=lambda folder: folder == self.path.parent):
            try:
                return self.continue_in(folder)
            except JournalError as error:
                refused.append(str(error))
        raise JournalError("; ".join(refused))

    def clear(self) -> bool:
        """Try to remove the files that are `left`; True where none is left any more."""
        self.left = tuple(path for path in self.left if not _removed(path))
        return not self.left

    def discard(self) -> None:
        """Close and remove the file, and those that are `left` of it: nothing in them is wanted.

        Raises
        ------
        JournalError
            When one of them cannot be removed.
        """
        self.close()
        if not self.clear():
            raise JournalError(f"{self.left[0]}: cannot be removed")
        if self._descriptor is None:
            return
        try:
            remove(self.path)
        except OSError as error:
            raise JournalError(f"{self.path}: cannot be removed: {error.strerror}") from error

    def close(self) -> None:
        """Sync, give the lock back, end the thread. The file stays. A second call does nothing."""
        if self._closed:
            return
        self._closed = True
        self.settle()
        if self._descriptor is not None:
            unlock(self._descriptor)
            with contextlib.suppress(OSError):  # nothing is left to be written
                os.close(self._descriptor)

    @property
    def _open(self) -> int:
        """The descriptor; asked for only while nothing has failed."""
        assert self._descriptor is not None, "in memory: it has failed from the first"
        return self._descriptor

    def _drop(self, before: int) -> None:
        """Let records with lower numbers go from memory."""
        while self._kept_from < before and self._kept:
            self._kept_bytes -= len(self._kept.popleft())
            self._kept_from += 1

    def _keep(self, line: bytes) -> None:
        """Hold the line in memory; let the oldest go where they are on the disk and memory is short."""
        self._kept.append(line)
        self._kept_bytes += len(line)
        while self._kept_bytes > KEPT_BYTES and not self.failure and len(self._kept) > 1:
            self._drop(self._kept_from + 1)

    def _before_kept(self) -> bytes | None:
        """What memory no longer holds, read back from the file; None where it cannot be had whole."""
        if not self._kept_from:
            return b""
        try:
            content = read_journal(self.path)
        except JournalError:
            return None
        lines = [line_of(record) for record in content.records[: self._kept_from]]
        return b"".join(lines) if len(lines) == self._kept_from and not content.damaged + content.missing else None

    def _sync_once(self) -> None:
        upto = self._written
        try:
            sync_data(self._open)
        except OSError as error:
            self._fail("synced", error)
        else:
            self._synced = max(self._synced, upto)

    def _fail(self, what: str, error: OSError) -> None:
        """Cut back to the last good length and close the way to this file."""
        good = self._written if what == "written" else self._synced
        self.failure = f"{self.path}: could not be {what}: {error.strerror or error}"  # first: nothing is written now
        with contextlib.suppress(OSError):
            os.ftruncate(self._open, good)

    def _sync_until_closed(self) -> None:
        while not self._closing:
            self._wake.wait(SYNC_EVERY_S)
            self._wake.clear()
            if not self.failure and self._synced < self._written:
                self._sync_once()


def _free_name(folder: Path, run_id: str) -> Path:
    """The first name of a run's journal that neither a journal nor a sealed run in that folder has."""
    first = first_name(run_id)
    names = (folder / f"{first}-r{version}.journal" if version else folder / f"{first}.journal" for version in count())
    return next(path for path in names if not path.exists() and not path.with_suffix(".h5").exists())


def _removed(path: Path) -> bool:
    """Whether a file is gone for good."""
    try:
        remove(path)
    except OSError:
        return False
    return True


def write_journal(folder: Path, run_id: str, records: Iterable[Record]) -> Path:
    """A journal that nobody writes any more, of those records, under the first free name of its run.

    Raises
    ------
    JournalError
        When it cannot be written or synced.
    """
    path = _free_name(folder, run_id)
    descriptor = _new_file(path, b"".join(map(line_of, records)))
    unlock(descriptor)
    os.close(descriptor)
    return path


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
    except FileNotFoundError:
        return False


@dataclass(frozen=True)
class JournalContent:
    """A journal as read.

    Attributes
    ----------
    data : bytes
        The file as it is.
    records : tuple of Record
        Those that hold, in order.
    header : mapping
        Fields of the first record; empty where there is none.
    complete : bool
        True where the last record says that recording ended as meant.
    damaged, missing, repeated, tail_bytes : int
        As counted by `RecordParser`.
    """

    data: bytes
    records: tuple[Record, ...]
    header: Mapping[str, Any]
    complete: bool
    damaged: int
    missing: int
    repeated: int
    tail_bytes: int


def journal_content(data: bytes) -> JournalContent:
    """Records in the bytes of a journal; never raises, whatever they are."""
    parser = RecordParser()
    records = tuple(parser.feed(data))
    header = fields_of(records[0]) if records and records[0].kind == "header" else {}
    complete = bool(records) and records[-1].kind == "end" and not parser.tail_bytes
    return JournalContent(
        data, records, header, complete, parser.damaged, parser.missing, parser.repeated, parser.tail_bytes
    )


def read_journal(path: Path) -> JournalContent:
    """Read a journal as far as it holds.

    Raises
    ------
    JournalError
        When the file cannot be read; never because of what it contains.
    """
    try:
        return journal_content(read_bytes(path, JOURNAL))
    except OSError as error:
        raise JournalError(f"{path}: journal cannot be read: {error.strerror}") from error


def read_header(path: Path) -> Mapping[str, Any]:
    """Fields of a journal's header, without reading the rest; empty where there is none.

    Raises
    ------
    JournalError
        When the file cannot be read.
    """
    try:
        with open_file(path, JOURNAL) as file:
            return journal_content(file.readline(MAX_LINE_BYTES)).header
    except OSError as error:
        raise JournalError(f"{path}: journal cannot be read: {error.strerror}") from error


class HeldJournal:
    """Holds the lock of a journal that nobody writes any more, for as long as the ``with`` lasts.

    Raises
    ------
    JournalError
        On entry, when the file cannot be opened or another process holds it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def __enter__(self) -> Self:
        try:
            self._descriptor = os.open(self.path, FILE_FLAGS)
        except OSError as error:
            raise JournalError(f"{self.path}: journal cannot be opened: {error.strerror}") from error
        if not lock(self._descriptor):
            os.close(self._descriptor)
            raise JournalError(f"{self.path}: another process is using this journal; left alone")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        unlock(self._descriptor)
        with contextlib.suppress(OSError):  # it was only read
            os.close(self._descriptor)


def is_locked(path: Path) -> bool:
    """Whether another process (or this one) is writing or sealing that journal; False where it is not there."""
    try:
        with HeldJournal(path):
            return False
    except JournalError:
        return path.exists()
