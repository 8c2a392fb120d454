"""The checksum that a run file carries of itself: SHA-256 of all its bytes, the digits themselves taken as zeros.

It stands in a small text of its own, which can be found without HDF5. One changed, missing or
added byte anywhere is found before the file is looked into. (A line behind the image's own end would be simpler, but
programs that open a file for writing and write nothing, as some viewers do, cut it off.) It says nothing of who made
the file: a stranger can compute it as well, which is why `chargebench.runs.image` trusts nothing.
"""

from __future__ import annotations

import hashlib
import re
from typing import Final

from chargebench.errors import DamagedRunError, ForeignRunError

__all__ = ["PLACE", "check_seal", "sealed"]

PLACE: Final = b"chargebench run file, sha256 with these digits as zeros: " + b"0" * 64 + b"\n"
"""The text before its digits are known."""

_DIGITS: Final = re.compile(re.escape(PLACE[:-65]) + rb"([0-9a-f]{64})\n")
_HDF5: Final = b"\x89HDF\r\n\x1a\n"


def sealed(image: bytes) -> bytes:
    """An image with the right digits in its last place for them.

    Raises
    ------
    ValueError
        When it has no such place.
    """
    digits = _last_digits(image)
    if digits is None:
        raise ValueError("no place for the checksum in the image")
    start, end = digits
    return image[:start] + _sum(image, start, end) + image[end:]


def check_seal(data: bytes, where: str) -> None:
    """Return where a file's bytes agree with the checksum they carry.

    Parameters
    ----------
    data : bytes
        A whole run file.
    where : str
        What to call it in messages.

    Raises
    ------
    ForeignRunError
        When the file does not begin as HDF5, or carries no checksum of ours.
    DamagedRunError
        When it carries one that does not agree.
    """
    digits = _last_digits(data)
    if not data.startswith(_HDF5):
        if digits:
            raise DamagedRunError(f"{where}: the beginning is damaged; restore it from a copy")
        raise ForeignRunError(f"{where}: not an HDF5 file, so not a run file")
    if digits is None:
        raise ForeignRunError(f"{where}: carries no checksum of its own; not a run of this program, or cut short")
    start, end = digits
    if _sum(data, start, end) != data[start:end]:
        raise DamagedRunError(f"{where}: content and checksum disagree; the file has changed since it was sealed")


def _last_digits(data: bytes) -> tuple[int, int] | None:
    match = _DIGITS.match(data, max(data.rfind(PLACE[:-65]), 0))
    return match.span(1) if match else None


def _sum(data: bytes, start: int, end: int) -> bytes:
    digest = hashlib.sha256(memoryview(data)[:start])
    digest.update(b"0" * (end - start))
    digest.update(memoryview(data)[end:])
    return digest.hexdigest().encode()
