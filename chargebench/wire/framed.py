"""Lines of the bench's own boards: ``KIND,SEQ,MS,VALUE,UNIT,STATUS*CRC``. Owns their grammar in both directions.

One counter per kind runs from 0 to 65535 and wraps; the device's uptime in ms wraps at 2**32. A line is believed only
when its check field agrees; then a wrong field is the board's mistake and is counted under its own name. After a
restart (see `chargebench.wire.counters`) the next reading of every kind says so, whatever its own flags are.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Sequence
from functools import reduce
from itertools import permutations
from math import isfinite, nan
from operator import or_
from typing import Final

from chargebench.units import base_channel, from_wire
from chargebench.wire.counters import MS_MODULUS, SEQUENCE_MODULUS, Counters
from chargebench.wire.crc import START, crc_text
from chargebench.wire.decoder import LineDecoder
from chargebench.wire.framed_batch import FEWEST, alike
from chargebench.wire.lines import LineSplitter
from chargebench.wire.numbers import DECIMAL
from chargebench.wire.reading import RESTART, Reading, Status

__all__ = ["LINE_LIMIT", "MS_MODULUS", "SEQUENCE_MODULUS", "FramedDecoder", "command", "encode", "kind_of"]

LINE_LIMIT: Final = 200
BATCH_LINES: Final = 1024

_UNITS: Final = {  # unit on the wire -> power of ten to the canonical unit
    "charge": {b"pC": -3, b"nC": 0, b"uC": 3},
    "current": {b"pA": -3, b"nA": 0, b"uA": 3},
    "mass": {b"mg": -3, b"g": 0, b"kg": 3},
    "humidity": {b"%": 0},
    "temperature": {b"C": 0},
}
_LETTERS: Final = {"current": "I", "mass": "M", "humidity": "H", "temperature": "T"}
_FLAGS: Final = {"OVER": Status.OVER, "RESET": Status.RESET, "ZERO": Status.ZERO, "UNST": Status.UNSETTLED}
_STATUS: Final = {b"OK": Status.NONE} | {  # every order of every choice of flags, each flag once
    "+".join(words).encode(): reduce(or_, (_FLAGS[word] for word in words))
    for count in range(1, len(_FLAGS) + 1)
    for words in permutations(_FLAGS, count)
}
_KIND = re.compile(rb"Q(?:[2-9]|[1-9][0-9])?|[IMHT]")
_CHANNEL = re.compile(r"charge(?P<number>[2-9]|[1-9][0-9])?")
_BODY = re.compile(rb"[ -)+\--~]{1,64}")  # printable, no comma, no star
_RATES: Final = range(1, 10_001)


def kind_of(channel: str) -> str:
    """KIND of a channel's lines: ``charge2`` travels as ``Q2``.

    Raises
    ------
    ValueError
        When no framed line carries such a channel.
    """
    if (match := _CHANNEL.fullmatch(channel)) is not None:
        return f"Q{match['number'] or ''}"
    if channel not in _LETTERS:
        raise ValueError(f"channel {channel!r}: allowed are charge, charge2 … charge99, {', '.join(_LETTERS)}")
    return _LETTERS[channel]


def encode(kind: str, sequence: int, device_ms: int, value_text: str, unit: str, status: str = "OK") -> bytes:
    """One line as a board sends it, LF included. Counters are wrapped; fields are taken as they are.

    Raises
    ------
    ValueError
        When a field holds a comma, a star, a line end or a character that is not printable ASCII.
    """
    fields = {"kind": kind, "value": value_text, "unit": unit, "status": status}
    for name, text in fields.items():
        if _BODY.fullmatch(text.encode("ascii", "replace")) is None or not text.isascii():
            raise ValueError(f"{name} {text!r}: allowed are 1 to 64 printable ASCII characters without comma and star")
    counters = f"{sequence % SEQUENCE_MODULUS},{device_ms % MS_MODULUS}"
    body = f"{kind},{counters},{value_text},{unit},{status}".encode("ascii")
    return body + b"*" + crc_text(body) + b"\n"


def command(word: str, rate: int | None = None) -> bytes:
    """What the host says to a board: ``ID?``, ``ZERO`` or ``RATE n`` (lines per second), LF included.

    Raises
    ------
    ValueError
        When the word is none of these, or the rate is missing, unwanted or out of range.
    """
    if word == "RATE" and rate is not None and rate in _RATES:
        return f"RATE {rate}\n".encode("ascii")
    if word in ("ID?", "ZERO") and rate is None:
        return f"{word}\n".encode("ascii")
    raise ValueError(f"command {word!r}, rate {rate}: allowed are ID?, ZERO, and RATE with 1 to {_RATES[-1]} lines/s")


def _meanings(carries: Sequence[str]) -> dict[tuple[bytes, bytes], tuple[str, int]]:
    """(KIND, UNIT) as on the wire → channel and power of ten."""
    meanings: dict[tuple[bytes, bytes], tuple[str, int]] = {}
    for channel in carries:
        kind = kind_of(channel).encode("ascii")
        for unit, power in _UNITS[base_channel(channel)].items():
            meanings[kind, unit] = (channel, power)
    return meanings


def _decimal(text: bytes, power: int) -> float | None:
    """As `chargebench.wire.numbers.finite`, at a third of its cost: the characters first, then ``float``'s grammar."""
    if text.strip(DECIMAL):
        return None
    try:
        value = float(text)
        if power:
            value = from_wire(text.decode(), power)
    except ValueError:
        return None
    return value if isfinite(value) else None


class FramedDecoder(LineDecoder):
    """Decoder of framed lines (see `chargebench.wire.decoder.Decoder`).

    Parameters
    ----------
    carries : sequence of str
        Channels to give readings of; lines of others are counted. Notices are always given.

    Raises
    ------
    ValueError
        When a channel cannot travel in framed lines.
    """

    def __init__(self, carries: Sequence[str]) -> None:
        super().__init__(LineSplitter(LINE_LIMIT))
        self._meaning = _meanings(carries)
        self._kinds = {kind for kind, _unit in self._meaning}
        self._counters = Counters()
        self._restarted: set[str] = set()
        self._first = True

    @property
    def lost(self) -> int:
        """Line numbers that were skipped."""
        return self._counters.lost

    @property
    def repeated(self) -> int:
        """Lines that came twice in a row."""
        return self._counters.repeated

    def reset(self) -> None:
        """Drop the unfinished line; counters go on, so that lines lost meanwhile are counted."""
        super().reset()
        self._counters.interrupted()
        self._first = True

    def feed(self, chunk: bytes, received_ns: int) -> list[Reading]:
        """Readings that `chunk` completes, in order of arrival."""
        lines = list(filter(None, self._splitter.feed(chunk)))
        readings: list[Reading] = []
        self.lines_read += len(lines)
        for start in range(0, len(lines), BATCH_LINES):
            self._decode_some(lines[start : start + BATCH_LINES], received_ns, readings)
        return readings

    def _decode_some(self, lines: list[bytes], received_ns: int, readings: list[Reading]) -> None:
        """Append the readings of some lines, all at once where they allow it."""
        plain = len(lines) >= FEWEST and not self._restarted
        found = alike(lines, received_ns, self._meaning, self._counters.last) if plain else None
        if found is None:
            for line in lines:
                self._decode(line, received_ns, readings)
            return
        self._first = False
        newest = found[-1]
        assert newest.sequence is not None
        assert newest.device_ms is not None
        self._counters.take(newest.channel, lines, newest.sequence, newest.device_ms)
        readings.extend(found)

    def _decode(self, line: bytes, received_ns: int, readings: list[Reading]) -> None:
        """Append the reading of one line, or count why there is none."""
        found = self._parse(line, received_ns)
        if isinstance(found, Reading):
            self.spoken += found.channel == "notice"
            readings.append(found)
        elif found:
            torn = self._first and found in ("no_check", "check")
            self._reject("cut" if torn else found, line)
        self._first = False

    def _parse(self, line: bytes, received_ns: int) -> Reading | str:
        """The reading of a line; else the reason, empty for a repeat (which has a count of its own)."""
        body = line[:-5]
        if b"*%04X" % crc_hqx(body, START) != line[-5:]:
            return "check" if line[-5:-4] == b"*" else "no_check"
        fields = body.split(b",")
        if len(fields) != 6:
            return "fields"
        kind, sequence_text, ms_text, value_text, unit, status_text = fields
        if not (sequence_text.isdigit() and ms_text.isdigit()):
            return "counter"
        sequence, ms = int(sequence_text), int(ms_text)
        if sequence >= SEQUENCE_MODULUS or ms >= MS_MODULUS:
            return "counter"
        status = _STATUS.get(status_text)
        if status is None:
            return "status"
        meaning = self._meaning.get((kind, unit))
        if meaning is None:
            return self._other(kind, line, received_ns, status, sequence, ms)
        channel, power = meaning
        value = _decimal(value_text, power)
        if value is None:
            return "number"
        reason = self._follow(channel, line, sequence, ms)
        if reason is not None:
            return reason
        if channel in self._restarted:
            self._restarted.remove(channel)
            status |= RESTART
        return Reading(channel, value, line, received_ns, status, sequence, ms)

    def _other(
        self, kind: bytes, line: bytes, received_ns: int, status: Status, sequence: int, ms: int
    ) -> Reading | str:
        """A notice; else why the line's kind and unit stand for nothing."""
        if kind != b"N":
            if kind in self._kinds:
                return "unit"
            return "kind" if _KIND.fullmatch(kind) is None else "not_carried"
        reason = self._follow("notice", line, sequence, ms)
        if reason is not None:
            return reason
        text = line.split(b",")[3].decode("utf-8", "replace")
        return Reading("notice", nan, line, received_ns, status, sequence, ms, text)

    def _follow(self, channel: str, line: bytes, sequence: int, ms: int) -> str | None:
        """Hold a line's counters against the last ones of its channel.

        Returns
        -------
        str or None
            Reason to leave the line out (empty for a repeat), or None.
        """
        verdict = self._counters.follow(channel, line, sequence, ms)
        if verdict == "restart":
            self._restarted = {channel for channel, _power in self._meaning.values()}
        return {"repeated": "", "late": "late"}.get(verdict)
