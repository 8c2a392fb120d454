"""Frames a line of the board; stands in until the wire room's encoder is there."""

from __future__ import annotations

from binascii import crc_hqx

__all__ = ["encode"]


def encode(kind: str, sequence: int, device_ms: int, value_text: str, unit: str, status: str = "OK") -> bytes:
    """One line with its check sequence and LF."""
    body = f"{kind},{sequence},{device_ms},{value_text},{unit},{status}".encode("ascii")
    return b"%s*%04X\n" % (body, crc_hqx(body, 0xFFFF))
