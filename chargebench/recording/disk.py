"""What the operating systems do differently about a file that grows: writing and syncing its data, locks, free space.

Owns those calls and nothing else; what sealed files need is in `chargebench.runs.disk`.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import sys
from pathlib import Path

from chargebench.errors import JournalError
from chargebench.runs.disk import Disk, sync_descriptor

__all__ = [
    "APPEND_NEW", "free_bytes", "lock", "make_folder", "own_folder", "remove", "sync_data", "sync_file", "sync_folder",
    "unlock", "write_all",
]  # fmt: skip

APPEND_NEW = (
    os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOINHERIT", 0)
)
"""Flags for a file that must not exist yet and is only ever appended to."""

_LOCK_OFFSET = 1 << 40  # Windows locks are mandatory: lock a byte that nobody reads


def write_all(descriptor: int, data: bytes) -> None:
    """Write all of it, however many calls the system needs.

    Raises
    ------
    OSError
        When the system could not; some of it may have been written.
    """
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]


def sync_data(descriptor: int) -> None:
    """Put a file's bytes on the disk itself.

    Raises
    ------
    OSError
        When the system could not; nothing written since the last success may then be trusted.
    """
    if hasattr(os, "fdatasync"):
        os.fdatasync(descriptor)
    else:  # pragma: no cover
        sync_descriptor(descriptor)


def sync_file(path: Path) -> None:
    """Put what another process had written of a file, and its name, on the disk itself; that one may be dead by now.

    Raises
    ------
    OSError
        When the system could not.
    """
    descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        sync_data(descriptor)
    finally:
        os.close(descriptor)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Put a folder's entries on the disk.

    Raises
    ------
    OSError
        When the system could not.
    """
    Disk().sync_folder(folder)


def make_folder(folder: Path) -> None:
    """A folder, made with those above it where they are not there, each new name on the disk.

    Raises
    ------
    OSError
        When it cannot be made or its name cannot be synced.
    """
    new = [path for path in (folder, *folder.parents) if not path.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for path in new:
        sync_folder(path.parent)


def own_folder(parent: Path, name: str) -> Path:
    """A folder of the program's own making in another, made where it is not there.

    Raises
    ------
    JournalError
        When a link or file bears its name: what is put there would end up elsewhere.
    OSError
        When it cannot be made.
    """
    folder = parent / name
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
        sync_folder(parent)
    if not stat.S_ISDIR(folder.lstat().st_mode):
        raise JournalError(f"{folder}: a link or file, where a folder of this program should be; move it away")
    return folder


def lock(descriptor: int) -> bool:
    """Take the advisory lock of an open file without waiting; False where another process has it.

    The lock goes when the descriptor is closed or the process dies, in whatever way.
    """
    if sys.platform == "win32":  # pragma: no cover
        import msvcrt

        os.lseek(descriptor, _LOCK_OFFSET, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(descriptor, 0, os.SEEK_SET)
        return True
    import fcntl

    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    return True


def unlock(descriptor: int) -> None:
    """Give the lock back; does nothing where there is none."""
    if sys.platform == "win32":  # pragma: no cover
        import msvcrt

        os.lseek(descriptor, _LOCK_OFFSET, os.SEEK_SET)
        with contextlib.suppress(OSError):
            msvcrt.locking(descriptor, msvcrt.LK_UNLCK, 1)
        os.lseek(descriptor, 0, os.SEEK_SET)
        return
    import fcntl

    fcntl.flock(descriptor, fcntl.LOCK_UN)


def remove(path: Path) -> None:
    """Remove a file and put its absence on the disk; a file that is gone already is no error.

    Raises
    ------
    OSError
        When it is there and cannot be removed.
    """
    Disk().remove(path)
    sync_folder(path.parent)


def free_bytes(folder: Path) -> int:
    """Bytes that may still be written in a folder's file system.

    Raises
    ------
    OSError
        When the folder is not there.
    """
    return shutil.disk_usage(folder).free
