"""Follows a journal that another process is writing, segment by segment, for whoever wants to see it grow.

Owns the position in the row of files. Never writes, never locks, and holds no file open between two looks, so that the
recorder may remove any of them at any time.
"""

from __future__ import annotations

from collections import deque
from pathlib import Path

from chargebench.instruments.benchfile import bench_from_text
from chargebench.recording.assemble import Assembler, Timed
from chargebench.recording.records import Record, RecordParser, fields_of

__all__ = ["JournalFollower"]

MOST_BYTES = 4_000_000


class JournalFollower:
    """Readings of a growing journal, on the run's clock as far as it is known by then.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self._paths = deque([path])
        self._position = 0
        self._parser = RecordParser()
        self._assembler: Assembler | None = None

    def go_on(self, path: Path) -> None:
        """The journal goes on in another segment; what the one before it still holds comes first."""
        self._paths.append(path)

    def poll(self) -> list[Timed]:
        """What came since the last call; nothing once the file is gone.

        Raises
        ------
        BenchFileError
            When the header's bench file is not one of this version.
        OSError
            When the file is there and cannot be read.
        """
        readings: list[Timed] = []
        while True:
            data = self._new_bytes()
            for record in self._parser.feed(data):
                if self._assembler is not None:
                    readings += self._assembler.feed(record)
                elif record.kind == "header":
                    self._begin(record)
            if data or len(self._paths) == 1:
                return readings
            self._paths.popleft()
            self._position = 0
            self._parser.next_segment()

    def _new_bytes(self) -> bytes:
        try:
            with self._paths[0].open("rb") as file:
                file.seek(self._position)
                data = file.read(MOST_BYTES)
        except FileNotFoundError:
            return b""
        self._position += len(data)
        return data

    def _begin(self, record: Record) -> None:
        header = fields_of(record)
        bench = bench_from_text(str(header.get("bench", "")), self._paths[0].name)
        self._assembler = Assembler(bench, header, keep=False)
