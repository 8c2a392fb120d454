"""The last line of a run file: SHA-256 of everything before it.

HDF5 ignores bytes behind its own end, so every HDF5 program still opens the file. One changed, missing or added byte
anywhere is found before the file is looked into. It says nothing of who wrote the file: a stranger can make such a
line as well, which is why `chargebench.runs.image` trusts nothing.
"""

from __future__ import annotations

import hashlib
import re
from typing import Final

from chargebench.errors import DamagedRunError, ForeignRunError

__all__ = ["sealed", "unsealed"]

_LINE: Final = re.compile(rb"\nchargebench run, sha256 ([0-9a-f]{64})\n")
_LENGTH: Final = len(b"\nchargebench run, sha256 ") + 64 + 1
_HDF5: Final = b"\x89HDF\r\n\x1a\n"


def sealed(image: bytes) -> bytes:
    """An HDF5 image with its line behind it."""
    return image + b"\nchargebench run, sha256 " + hashlib.sha256(image).hexdigest().encode() + b"\n"


def unsealed(data: bytes, where: str) -> bytes:
    """The HDF5 image in front of a line that agrees with it.

    Parameters
    ----------
    data : bytes
        A whole run file.
    where : str
        What to call it in messages.

    Raises
    ------
    ForeignRunError
        When the file does not begin as HDF5, or ends without the line.
    DamagedRunError
        When the line does not agree with what comes before it.
    """
    line = _LINE.fullmatch(data[-_LENGTH:])
    if not data.startswith(_HDF5):
        if line:
            raise DamagedRunError(f"{where}: the beginning is damaged; restore it from a copy")
        raise ForeignRunError(f"{where}: not an HDF5 file, so not a run file")
    if line is None:
        raise ForeignRunError(f"{where}: no checksum line at its end; not a run of this program, or cut short")
    image = data[:-_LENGTH]
    if hashlib.sha256(image).hexdigest().encode() != line[1]:
        raise DamagedRunError(f"{where}: content and checksum disagree; the file has changed since it was sealed")
    return image
