"""The few calls to the operating system that put bytes on disk for good, each in one place.

Owns what differs between systems: what a sync takes, which errors only mean "try again". A test hands in a `Disk` whose
calls fail one by one.
"""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

__all__ = ["Disk", "sync_descriptor"]

_RETRIES: Final = 20
_PAUSE_S: Final = 0.05
_NO_LINKS: Final = frozenset({errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EINVAL})


def sync_descriptor(descriptor: int) -> None:
    """All that was written is on the disk when this returns.

    On macOS ``fsync`` leaves data in the drive's cache; ``F_FULLFSYNC`` does not, where the file system has it.

    Raises
    ------
    OSError
        As the system says; what the descriptor holds cannot be trusted any more.
    """
    if sys.platform == "darwin":
        import fcntl

        try:
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
        except OSError as error:
            if error.errno not in (errno.ENOTSUP, errno.EINVAL, errno.ENOTTY):
                raise
        else:
            return
    os.fsync(descriptor)


class Disk:
    """Files as the system has them. Every method raises OSError as the system does."""

    def create(self, path: Path) -> int:
        """Descriptor of a new file open for writing; FileExistsError where there is one."""
        return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)

    def write(self, descriptor: int, data: memoryview) -> int:
        """Number of bytes taken, which may be fewer than given."""
        return os.write(descriptor, data)

    def sync(self, descriptor: int) -> None:
        """As `sync_descriptor`."""
        sync_descriptor(descriptor)

    def close(self, descriptor: int) -> None:
        """Close."""
        os.close(descriptor)

    def read(self, path: Path) -> bytes:
        """A file's bytes."""
        return path.read_bytes()

    def name(self, aside: Path, target: Path) -> None:
        """Give a finished file its name; FileExistsError where the name is taken.

        A hard link, then the first name goes. Where links do not exist, a rename: never over an existing file on
        Windows; elsewhere after a look, which is enough since run names carry random digits and the journal's lock
        keeps other recorders away.
        """
        try:
            _patiently(lambda: os.link(aside, target))
        except (OSError, NotImplementedError) as error:
            if isinstance(error, OSError) and error.errno not in _NO_LINKS:
                raise
            if os.path.lexists(target):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target)) from error
            _patiently(lambda: os.rename(aside, target))

    def remove(self, path: Path) -> None:
        """Remove a file; no error where there is none."""
        _patiently(lambda: path.unlink(missing_ok=True))

    def sync_folder(self, folder: Path) -> None:
        """The folder's own entries are on disk when this returns; Windows has no such call and needs none."""
        if os.name == "nt":
            return
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            sync_descriptor(descriptor)
        finally:
            os.close(descriptor)


def _patiently(call: Callable[[], None]) -> None:
    """On Windows a virus scanner or indexer may hold a new file for a moment: PermissionError there means wait."""
    for left in range(_RETRIES if os.name == "nt" else 0, -1, -1):
        try:
            return call()
        except PermissionError:
            if not left:
                raise
            time.sleep(_PAUSE_S)
    return None
