"""The check field of a framed line: CRC-16/CCITT-FALSE. Owns the parameters; the arithmetic is the standard library's.

`binascii.crc_hqx` divides by the same polynomial, 0x1021, with neither reflection nor final inversion; started from
0xFFFF it is this check sequence. The board's side computes it from a table of its own (``firmware_notes``), and the
tests hold the two together and against the catalogue's check value.
"""

from binascii import crc_hqx

__all__ = ["START", "crc16", "crc_text"]

START = 0xFFFF


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE of `data`, 0..65535."""
    return crc_hqx(data, START)


def crc_text(data: bytes) -> bytes:
    """The check field as it stands on a line: four upper-case hex digits."""
    return b"%04X" % crc_hqx(data, START)
