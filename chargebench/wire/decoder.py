"""What every decoder must do, and the counting they share. Owns the contract; knows no line format."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Protocol

from chargebench.wire.lines import LineSplitter
from chargebench.wire.reading import Reading

__all__ = ["Decoder", "LineDecoder"]


class Decoder(Protocol):
    """Turns the bytes of one instrument into readings.

    Must: give the same readings and counts however the stream is cut into chunks; keep a bounded amount of input;
    count every whole line that gives no reading, by reason (see `chargebench.wire.rejects.REASONS`).
    Must not: raise on any bytes; guess a value; read a clock, file or port.

    Attributes
    ----------
    lines_read : int
        Whole lines seen within the length limit, empty ones apart.
    spoken : int
        Those of them that are no attempt at a reading: words, and answers to other questions than the poll.
    sample : bytes
        One of the lines that were to give a reading and did not; the latest, empty before there is any.
    vouched_ns : int or None
        When the instrument last said, asked for it, that it had not started anew; None where that cannot be asked.
    rejects : mapping of str to int
        Lines that gave no reading, by reason.
    lost, repeated : int
        From the sequence numbers, where lines carry one: numbers skipped, and lines that came twice.
    """

    @property
    def lines_read(self) -> int: ...
    @property
    def spoken(self) -> int: ...
    @property
    def sample(self) -> bytes: ...
    @property
    def vouched_ns(self) -> int | None: ...
    @property
    def rejects(self) -> Mapping[str, int]: ...
    @property
    def lost(self) -> int: ...
    @property
    def repeated(self) -> int: ...

    def feed(self, chunk: bytes, received_ns: int) -> list[Reading]:
        """Readings that `chunk` completes, in order of arrival."""
        ...

    def asked(self, command: str) -> None:
        """The instrument is about to be sent a command; where lines speak for themselves that tells nothing."""
        ...

    def reset(self) -> None:
        """Drop the unfinished line, as after a reconnect. Counts, and what was learnt of the lines, stay."""
        ...


class LineDecoder:
    """Line splitting and counts, for the decoders here to build on. A subclass gives `_decode`."""

    def __init__(self, splitter: LineSplitter) -> None:
        self.lines_read = 0
        self.spoken = 0
        self.sample = b""
        self.vouched_ns: int | None = None
        self._splitter = splitter
        self._rejected: Counter[str] = Counter()

    @property
    def lost(self) -> int:
        """Nothing, where lines carry no number."""
        return 0

    @property
    def repeated(self) -> int:
        """Nothing, where lines carry no number."""
        return 0

    @property
    def rejects(self) -> Mapping[str, int]:
        """Lines that gave no reading, by reason."""
        counts = self._rejected + Counter({"cut": self._splitter.cut, "too_long": self._splitter.too_long})
        return dict(counts)

    def asked(self, command: str) -> None:
        """Tells nothing about lines that speak for themselves."""

    def reset(self) -> None:
        """Drop the unfinished line."""
        self._splitter.reset()

    def feed(self, chunk: bytes, received_ns: int) -> list[Reading]:
        """Readings that `chunk` completes, in order of arrival."""
        readings: list[Reading] = []
        for line in self._splitter.feed(chunk):
            if line:
                self.lines_read += 1
                self._decode(line, received_ns, readings)
        return readings

    def _reject(self, reason: str, line: bytes) -> None:
        """Count a line that gives nothing, and keep it as a sample."""
        self._rejected[reason] += 1
        self.sample = line

    def _decode(self, line: bytes, received_ns: int, readings: list[Reading]) -> None:
        """Append what `line` gives to `readings`, or count why it gives nothing."""
        raise NotImplementedError
