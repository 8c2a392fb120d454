"""Damaged copies of a run file: by accident, by accident with a checksum that fits, and by forged headers.

Used by the tests of the reader and by the fault campaign.
"""

from __future__ import annotations

import contextlib
import random
from collections.abc import Iterator

from chargebench.runs.checksum import sealed

__all__ = ["damaged", "forged", "resealed"]


def damaged(good: bytes, count: int, seed: int = 0) -> Iterator[tuple[str, bytes]]:
    """Copies with accidental damage: bits, bytes and blocks changed, stretches lost, doubled or swapped, ends cut.

    Yields
    ------
    what : str
    data : bytes
        Differs from `good`.
    """
    chance = random.Random(seed)
    kinds = (_bit, _byte, _block, _zeros, _lost, _doubled, _swapped, _cut, _added)
    made = 0
    while made < count:
        kind = kinds[made % len(kinds)]
        data = kind(good, chance)
        if data != good:
            made += 1
            yield kind.__name__.strip("_"), data


def resealed(good: bytes, count: int, seed: int = 0) -> Iterator[bytes]:
    """As `damaged`, with a checksum that agrees with the damage, wherever its place survived."""
    for _, data in damaged(good, count, seed):
        with contextlib.suppress(ValueError):
            yield sealed(data)


def _place(good: bytes, chance: random.Random, most: int = 4096) -> tuple[int, int]:
    start = chance.randrange(len(good))
    return start, min(start + chance.randint(1, most), len(good))


def _bit(good: bytes, chance: random.Random) -> bytes:
    place = chance.randrange(len(good))
    return good[:place] + bytes([good[place] ^ 1 << chance.randrange(8)]) + good[place + 1 :]


def _byte(good: bytes, chance: random.Random) -> bytes:
    place = chance.randrange(len(good))
    return good[:place] + chance.randbytes(1) + good[place + 1 :]


def _block(good: bytes, chance: random.Random) -> bytes:
    start, end = _place(good, chance)
    return good[:start] + chance.randbytes(end - start) + good[end:]


def _zeros(good: bytes, chance: random.Random) -> bytes:
    start, end = _place(good, chance)
    return good[:start] + bytes(end - start) + good[end:]


def _lost(good: bytes, chance: random.Random) -> bytes:
    start, end = _place(good, chance)
    return good[:start] + good[end:]


def _doubled(good: bytes, chance: random.Random) -> bytes:
    start, end = _place(good, chance)
    return good[:end] + good[start:]


def _swapped(good: bytes, chance: random.Random) -> bytes:
    (a, b), size = sorted(chance.sample(range(len(good)), 2)), chance.randint(1, 512)
    size = min(size, b - a, len(good) - b)
    return good[:a] + good[b : b + size] + good[a + size : b] + good[a : a + size] + good[b + size :]


def _cut(good: bytes, chance: random.Random) -> bytes:
    return good[: chance.randrange(len(good))]


def _added(good: bytes, chance: random.Random) -> bytes:
    return good + chance.randbytes(chance.randint(1, 4096))


def forged(good: bytes, count: int, seed: int = 0) -> Iterator[bytes]:
    """Copies in which one to four bytes of an object header are other, and every checksum fits again.

    What accident cannot do, since HDF5 guards its headers, a stranger can: this is where HDF5's own code is on its own.
    """
    chance = random.Random(seed)
    headers = list(_object_headers(good))
    for _ in range(count):
        start, end = chance.choice(headers)
        header = bytearray(good[start:end])
        for _ in range(chance.randint(1, 4)):
            header[chance.randrange(4, len(header))] = chance.choice((0, 1, 0x7F, 0xFF, chance.randrange(256)))
        yield sealed(good[:start] + bytes(header) + _lookup3(bytes(header)).to_bytes(4, "little") + good[end + 4 :])


def _object_headers(image: bytes) -> Iterator[tuple[int, int]]:
    """Start and end, before its checksum, of every version 2 object header (HDF5 file format, IV.A.1.b)."""
    start = image.find(b"OHDR")
    while start >= 0:
        flags = image[start + 5]
        at = start + 6 + (16 if flags & 0x20 else 0) + (4 if flags & 0x10 else 0)
        width = 1 << (flags & 3)
        end = at + width + int.from_bytes(image[at : at + width], "little")
        if end + 4 <= len(image) and _lookup3(image[start:end]) == int.from_bytes(image[end : end + 4], "little"):
            yield start, end
        start = image.find(b"OHDR", start + 4)


def _lookup3(data: bytes) -> int:
    """The checksum of HDF5's metadata: Bob Jenkins' lookup3, public domain, with initial value 0."""
    mask = 0xFFFFFFFF

    def turned(value: int, by: int) -> int:
        return (value << by | value >> 32 - by) & mask

    a = b = c = 0xDEADBEEF + len(data) & mask
    if not data:
        return c
    whole = max(len(data) - 1, 0) // 12 * 12
    for at in range(0, whole + 12, 12):
        x, y, z = (int.from_bytes(data[at + k : at + k + 4], "little") for k in (0, 4, 8))
        a, b, c = a + x & mask, b + y & mask, c + z & mask
        if at == whole:
            break
        a = (a - c ^ turned(c, 4)) & mask
        c = c + b & mask
        b = (b - a ^ turned(a, 6)) & mask
        a = a + c & mask
        c = (c - b ^ turned(b, 8)) & mask
        b = b + a & mask
        a = (a - c ^ turned(c, 16)) & mask
        c = c + b & mask
        b = (b - a ^ turned(a, 19)) & mask
        a = a + c & mask
        c = (c - b ^ turned(b, 4)) & mask
        b = b + a & mask
    c = ((c ^ b) - turned(b, 14)) & mask
    a = ((a ^ c) - turned(c, 11)) & mask
    b = ((b ^ a) - turned(a, 25)) & mask
    c = ((c ^ b) - turned(b, 16)) & mask
    a = ((a ^ c) - turned(c, 4)) & mask
    b = ((b ^ a) - turned(a, 14)) & mask
    return ((c ^ b) - turned(b, 24)) & mask
