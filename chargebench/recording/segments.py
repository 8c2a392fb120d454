"""A run's journal as it lies on disks: segments, which belong together, what they hold, and how they are joined.

Owns reading. A run's journal is a row of files, each begun with a header that says which records follow; where a disk
failed, the next segment begins with whatever may not be safe in the one before, under the same numbers. So a record is
known by its number, and joining segments twice, or with one that holds part of another, changes nothing.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Final, NamedTuple, Self

from chargebench.errors import JournalError, UnsealableError
from chargebench.files import FILE_FLAGS, JOURNAL, RefusedFileError, read_bytes
from chargebench.recording.header import wanted_of
from chargebench.recording.ids import segment_of
from chargebench.recording.records import Record, RecordParser, fields_of, json_payload, line_of
from chargebench.runs.disk import lock, unlock

__all__ = [
    "HeldJournal", "JournalContent", "Row", "is_locked", "joined", "journal_content", "journals_in", "read_journal",
    "rows_in",
]  # fmt: skip

MOST_LINES: Final = 700_000
"""Lines of a journal, half an hour at eight instruments that are read as often as any is; more are no journal."""
_NOTHING: Final[Mapping[str, Any]] = {}


class Row(NamedTuple):
    """Segments of one run in order, and the folders that may hold the run sealed; the first is where it is sealed."""

    run_id: str
    segments: tuple[Path, ...]
    folders: tuple[Path, ...]

    @property
    def here(self) -> bool:
        """Whether any of its segments is there."""
        return any(os.path.lexists(path) for path in self.segments)


@dataclass(frozen=True)
class JournalContent:
    """A journal, or a segment of one, as read.

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
    damaged : int
        Lines that do not hold.
    tail : bytes
        What comes after the last line end.
    """

    data: bytes
    records: tuple[Record, ...]
    header: Mapping[str, Any]
    complete: bool
    damaged: int
    tail: bytes

    @property
    def of_instruments(self) -> bool:
        """Whether it holds anything that an instrument sent."""
        return any(record.kind == "raw" for record in self.records)


def journal_content(data: bytes) -> JournalContent:
    """Records in the bytes of a journal; never raises, whatever they are."""
    parser = RecordParser()
    records = tuple(parser.feed(data))
    header = fields_of(records[0]) if records and records[0].kind == "header" else _NOTHING
    complete = bool(records) and records[-1].kind == "end" and not parser.tail
    return JournalContent(data, records, header, complete, parser.damaged, parser.tail)


def read_journal(path: Path) -> JournalContent:
    """Read a journal as far as it holds.

    Raises
    ------
    UnsealableError
        When it is no file that may be read, or larger or of more lines than any journal.
    JournalError
        When the file cannot be read; never because of what it contains.
    """
    try:
        data = read_bytes(path, JOURNAL)
    except RefusedFileError as error:
        raise UnsealableError(f"{path}: journal cannot be read: {error.strerror}") from error
    except OSError as error:
        raise JournalError(f"{path}: journal cannot be read: {error.strerror}") from error
    lines = data.count(b"\n")
    if lines > MOST_LINES:
        raise UnsealableError(f"{path}: journal cannot be read: {lines} lines found, at most {MOST_LINES} are allowed")
    return journal_content(data)


def joined(segments: Sequence[JournalContent]) -> JournalContent:
    """The one journal that segments in order make up: records by their numbers, from the first that is still wanted.

    One segment alone is taken as it is. The header is that of the first segment that holds only wanted records.

    Raises
    ------
    UnsealableError
        When two segments have different records of one number: no recorder writes that.
    """
    if len(segments) == 1:
        return segments[0]
    wanted = max((wanted_of(segment.header) for segment in segments), default=1)
    records: dict[int, Record] = {}
    for segment in segments:
        for record in segment.records:
            if record.kind != "header" and records.setdefault(record.number, record) != record:
                raise UnsealableError(f"record {record.number} is not the same in two segments of one run")
    kept = [records[number] for number in sorted(records) if number >= wanted]
    header = _header_of([segment for segment in segments if segment.header], wanted)
    return of_records(header, kept, segments[-1].tail)


def of_records(header: Record | None, records: Iterable[Record], tail: bytes = b"") -> JournalContent:
    """A journal of those records."""
    lines = [line_of(record) for record in ([] if header is None else [header]) + list(records)]
    return journal_content(b"".join(lines) + tail)


def _header_of(segments: Sequence[JournalContent], wanted: int) -> Record | None:
    """The header for what is left of a row once records before `wanted` are let go."""
    numbers = [next((record.number for record in segment.records[1:]), wanted) for segment in segments]
    ahead = (segment for segment, first in zip(segments, numbers, strict=True) if first >= wanted)
    found = next(ahead, segments[0] if segments else None)
    if found is None or wanted_of(found.header) == wanted:
        return None if found is None else found.records[0]
    return Record("header", 0, json_payload({**found.header, "from": wanted}))


def journals_in(folder: Path) -> list[Path]:
    """Segments in a folder by name: files with a name that a recorder gives; none where no folder is there."""
    return [path for path in sorted(folder.glob("*.journal")) if segment_of(path.name) and is_file(path)]


def rows_in(folders: Sequence[Path]) -> list[Row]:
    """Journals that lie in some folders, oldest run first; each is sealed in the folder of its last segment."""
    runs: dict[str, list[tuple[int, Path]]] = {}
    for path in (path for folder in folders for path in journals_in(folder)):
        run_id, number = segment_of(path.name) or ("", 0)
        runs.setdefault(run_id, []).append((number, path))
    rows = []
    for run_id, found in sorted(runs.items()):
        segments = [path for _, path in sorted(found, key=lambda one: one[0])]
        last = segments[-1].parent
        rows.append(Row(run_id, tuple(segments), (last, *(folder for folder in folders if folder != last))))
    return rows


def is_file(path: Path) -> bool:
    """Whether it is a file itself, which can be opened without waiting; True where that cannot be told."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return True


class HeldJournal:
    """Holds the lock of a segment that nobody writes any more, for as long as the ``with`` lasts.

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
    """Whether another process (or this one) is writing or sealing that segment; False where it is not there."""
    try:
        with HeldJournal(path):
            return False
    except JournalError:
        return path.exists()
