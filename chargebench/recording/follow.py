"""Follows a journal that another process is writing, for whoever wants to see it grow.

Owns the position in the file. Never writes, never locks, and holds no file open between two looks, so that the recorder
may remove the journal at any time.
"""

from __future__ import annotations

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
        self.path = path
        self._position = 0
        self._parser = RecordParser()
        self._assembler: Assembler | None = None

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
        for record in self._parser.feed(self._new_bytes()):
            if self._assembler is not None:
                readings += self._assembler.feed(record)
            elif record.kind == "header":
                self._begin(record)
        return readings

    def _new_bytes(self) -> bytes:
        try:
            with self.path.open("rb") as file:
                file.seek(self._position)
                data = file.read(MOST_BYTES)
        except FileNotFoundError:
            return b""
        self._position += len(data)
        return data

    def _begin(self, record: Record) -> None:
        header = fields_of(record)
        bench = bench_from_text(str(header.get("bench", "")), self.path.name)
        self._assembler = Assembler(bench, header, keep=False)
