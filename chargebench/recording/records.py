"""The journal's grammar: records to lines of text and back. Owns the noun `Record`; opens no file.

A record is one line of printable ASCII::

    KIND NUMBER PAYLOAD CRC32

``KIND`` says what it is, ``NUMBER`` counts from 0 without a hole, ``CRC32`` (eight hex digits) is over everything
before the last blank. The payload of a ``raw`` record is the host's monotonic time in nanoseconds, the instrument's
name and the bytes as received, escaped; every other payload is a JSON object, with ``ns`` for its time.

Reading never raises on content: a line that does not hold is counted and left out.
"""

from __future__ import annotations

import json
import math
import re
import zlib
from collections.abc import Mapping
from typing import Any, NamedTuple

from chargebench.bounded import JsonObject

__all__ = [
    "KINDS",
    "MAX_LINE_BYTES",
    "MOST_NUMBER",
    "Raw",
    "Record",
    "RecordParser",
    "escape",
    "fields_of",
    "json_payload",
    "line_of",
    "raw_of",
    "raw_payload",
    "unescape",
]

KINDS = frozenset({"header", "raw", "asked", "discarded", "lost", "open", "clock", "tag", "mark", "note", "end"})

MAX_LINE_BYTES = 8_000_000
MOST_NUMBER = 2**63 - 1
"""No whole number in a journal is further from nought, so that all fit the columns of a run."""


class Record(NamedTuple):
    """One line of a journal, its checksum already held against its content."""

    kind: str
    number: int
    payload: str


class Raw(NamedTuple):
    """What a ``raw`` record holds: bytes of one instrument as read at one moment."""

    received_ns: int
    instrument: str
    data: bytes


_UNPRINTABLE = re.compile(rb"[^\x20-\x7e]")
_ESCAPED = re.compile(rb"\\(?:x([0-9a-f]{2})|(.))", re.DOTALL)
_LETTERS = {b"n": b"\n", b"r": b"\r", b"\\": b"\\"}


def escape(data: bytes) -> str:
    r"""Bytes as printable ASCII: ``\n``, ``\r``, ``\\`` and ``\xHH`` stand for what is not printable.

    `unescape` gives the same bytes back, whatever they were.
    """
    quick = data.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    return _UNPRINTABLE.sub(lambda m: b"\\x%02x" % m[0][0], quick).decode("ascii")


def unescape(text: str) -> bytes:
    """Bytes that `escape` turned into `text`; an escape it never writes is kept as it stands."""
    data = text.encode("ascii", "replace")
    if b"\\x" not in data and b"\\\\" not in data:
        return data.replace(b"\\n", b"\n").replace(b"\\r", b"\r")
    return _ESCAPED.sub(lambda m: bytes([int(m[1], 16)]) if m[1] else _LETTERS.get(m[2], m[0]), data)


def raw_payload(received_ns: int, instrument: str, data: bytes) -> str:
    """Payload of a ``raw`` record."""
    name = escape(instrument.encode()).replace(" ", "\\x20")
    return f"{received_ns} {name} {escape(data)}"


def json_payload(fields: Mapping[str, Any]) -> str:
    """Payload of every other record: one line of ASCII JSON.

    Raises
    ------
    ValueError
        When a number is not finite.
    """
    return json.dumps(fields, ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def line_of(record: Record) -> bytes:
    """The line, its end included."""
    body = f"{record.kind} {record.number} {record.payload}".encode("ascii")
    return b"%b %08x\n" % (body, zlib.crc32(body))


def raw_of(record: Record) -> Raw | None:
    """Content of a ``raw`` record, or None where the payload has another shape or a time that no clock gives."""
    parts = record.payload.split(" ", 2)
    if record.kind != "raw" or len(parts) != 3 or not parts[0].isdecimal() or len(parts[0]) > 19:
        return None
    received_ns = int(parts[0])
    if received_ns > MOST_NUMBER:
        return None
    return Raw(received_ns, unescape(parts[1]).decode("utf-8", "replace"), unescape(parts[2]))


def fields_of(record: Record) -> JsonObject:
    """Fields of a record other than ``raw``; empty where it is damaged.

    That is a payload which is no JSON object, or which holds a number that is not finite or beyond `MOST_NUMBER`: no
    recorder writes one.
    """
    try:
        fields = json.loads(record.payload, parse_int=_whole, parse_float=_finite, parse_constant=_finite)
    except (ValueError, RecursionError):
        return {}
    return fields if isinstance(fields, dict) else {}


def _whole(text: str) -> int:
    number = int(text)
    if abs(number) > MOST_NUMBER:
        raise ValueError(f"{len(text)} digits")
    return number


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(text)
    return number


def _record_of(line: bytes) -> Record | None:
    """The record in a line without its end, or None where kind, number or checksum do not hold."""
    body, _, crc = line.rpartition(b" ")
    if len(crc) != 8 or b"%08x" % zlib.crc32(body) != crc or not body.isascii():
        return None
    parts = body.decode("ascii").split(" ", 2)
    if len(parts) != 3 or parts[0] not in KINDS or not parts[1].isdecimal() or len(parts[1]) > 15:
        return None
    return Record(parts[0], int(parts[1]), parts[2])


class RecordParser:
    """Bytes of a journal, in pieces of any size, to records.

    Attributes
    ----------
    damaged : int
        Whole lines whose checksum or shape does not hold.
    tail : bytes
        What comes after the last line end: a line still being written, or torn.
    """

    def __init__(self) -> None:
        self.damaged = 0
        self.tail = b""
        self._next = 0
        self._skipping = False

    def next_segment(self) -> None:
        """What comes next is the beginning of another segment of the same journal."""
        self.tail, self._skipping = b"", False

    def feed(self, data: bytes) -> list[Record]:
        """Records completed by `data`, in order, each number at most once."""
        *lines, self.tail = (self.tail + data).split(b"\n")
        if self._skipping and lines:
            lines.pop(0)
            self._skipping = False
        if len(self.tail) > MAX_LINE_BYTES:
            self.damaged += not self._skipping
            self.tail, self._skipping = b"", True
        return [record for line in lines if (record := self._accept(line)) is not None]

    def _accept(self, line: bytes) -> Record | None:
        record = _record_of(line)
        if record is None:
            self.damaged += 1
            return None
        if record.number < self._next:
            return None
        self._next = record.number + 1
        return record
