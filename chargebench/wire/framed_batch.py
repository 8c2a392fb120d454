"""Many framed lines at once, where nothing about them is unusual. Owns speed only: no rule of the format lives here.

A flood, or a reader that comes back late, brings hundreds of lines in one piece. When they are all of one kind, sound,
and in sequence, column-wise work on them costs half of what line by line does. Anything else is left to the line-wise
decoder, whose answer this must equal; the tests hold the two together.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx, unhexlify
from collections.abc import Mapping
from itertools import repeat
from math import isfinite
from typing import Final

from chargebench.units import from_wire
from chargebench.wire.crc import START
from chargebench.wire.numbers import DECIMAL
from chargebench.wire.reading import Reading, Status

__all__ = ["FEWEST", "alike"]

FEWEST: Final = 16  # below this many lines, line by line is as quick
_HEX: Final = b"0123456789ABCDEF"


def alike(
    lines: list[bytes],
    received_ns: int,
    meanings: Mapping[tuple[bytes, bytes], tuple[str, int]],
    last: Mapping[str, tuple[int, int]],
) -> list[Reading] | None:
    """Readings of lines that are all of one kind, sound, ``OK`` and in sequence; None where any is not.

    Parameters
    ----------
    lines : list of bytes
        Whole lines, none of them empty.
    received_ns : int
        Time of receipt.
    meanings : mapping
        (KIND, UNIT) → channel and power of ten.
    last : mapping
        Sequence number and device time of the last line of each channel.
    """
    count = len(lines)
    bodies = [line[:-5] for line in lines]
    if not _sound(lines, bodies):
        return None
    kind, _, rest = bodies[0].partition(b",")
    unit = rest.split(b",")[3] if rest.count(b",") == 4 else b""
    meaning = meanings.get((kind, unit))
    block = b"\n".join(bodies)
    between = b",%b,OK\n%b," % (unit, kind)  # what stands between the numbers of neighbouring lines that are alike
    if meaning is None or block.count(between) != count - 1 or not block.endswith(between[: -len(kind) - 2]):
        return None
    numbers = block[len(kind) + 1 : -len(unit) - 4].replace(between, b"\n")
    if numbers.translate(None, DECIMAL) != (b",,\n" * count)[:-1]:  # three numbers a line, and nothing else
        return None
    columns = numbers.replace(b"\n", b",").split(b",")
    channel, power = meaning
    sequences, times_ms, values = _counters(columns[0::3]), _counters(columns[1::3]), _floats(columns[2::3], power)
    before = last.get(channel, (-1, -1))
    if values is None or sequences is None or times_ms is None:
        return None
    start = before[0] + 1 if before[0] >= 0 else sequences[0]
    if sequences != list(range(start, start + count)) or sequences[-1] > 0xFFFF:
        return None
    if times_ms != sorted(times_ms) or times_ms[0] < before[1] or times_ms[-1] > 0xFFFFFFFF:
        return None
    rows = zip(
        repeat(channel), values, lines, repeat(received_ns), repeat(Status.NONE), sequences, times_ms, repeat("")
    )
    return list(map(tuple.__new__, repeat(Reading), rows))  # what Reading._make does, without a call a line


def _sound(lines: list[bytes], bodies: list[bytes]) -> bool:
    """Whether every line ends in a star and the right check field."""
    tails = b"".join([line[-5:] for line in lines])
    checks = tails.translate(None, b"*")
    if len(checks) != 4 * len(lines) or tails[0::5] != b"*" * len(lines) or checks.strip(_HEX):
        return False
    return struct.pack(f">{len(lines)}H", *map(crc_hqx, bodies, repeat(START))) == unhexlify(checks)


def _floats(texts: list[bytes], power: int) -> list[float] | None:
    """Finite decimal numbers of characters that were looked at before, or None.

    Such characters spell no NaN, so a sum that is finite has finite parts only.
    """
    try:
        values = [from_wire(text.decode(), power) for text in texts] if power else list(map(float, texts))
    except ValueError:
        return None
    return values if isfinite(sum(values)) else None


def _counters(texts: list[bytes]) -> list[int] | None:
    """Numbers of ASCII digits, or None."""
    if not b"".join(texts).isdigit():
        return None
    try:
        return list(map(int, texts))
    except ValueError:  # an empty one among them
        return None
