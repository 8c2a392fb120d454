"""The calls to the operating system that put bytes on disk for good, each in one place.

Owns what differs between systems: what a sync takes, which errors only mean "try again", how a file is locked, how a
folder is made and held. A test hands in a `Disk` whose calls fail one by one, or replaces a call of `os`.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import stat
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from chargebench.errors import JournalError

__all__ = [
    "APPEND_NEW", "Disk", "Place", "free_bytes", "lock", "make_folder", "own_folder", "remove", "sync_data",
    "sync_file", "sync_folder", "unlock", "write_all",
]  # fmt: skip

_BINARY: Final = getattr(os, "O_BINARY", 0) | getattr(os, "O_NOINHERIT", 0)
APPEND_NEW: Final = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | _BINARY
"""Flags for a file that must not exist yet and is only ever appended to; what it holds can be read back."""

_RETRIES: Final = 20
_PAUSE_S: Final = 0.05
_NO_LINKS: Final = frozenset({errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EINVAL})
_LOCK_OFFSET: Final = 1 << 40  # Windows locks are mandatory: lock a byte that nobody reads


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


def _sync_descriptor(descriptor: int) -> None:
    """All that was written is on the disk when this returns.

    On macOS ``fsync`` leaves data in the drive's cache; ``F_FULLFSYNC`` does not, where the file system has it.
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
        _sync_descriptor(descriptor)


def sync_file(path: Path) -> None:
    """Put what another process had written of a file, and its name, on the disk itself; that one may be dead by now.

    Raises
    ------
    OSError
        When the system could not.
    """
    descriptor = os.open(path, os.O_RDWR | _BINARY)
    try:
        sync_data(descriptor)
    finally:
        os.close(descriptor)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """A folder's own entries are on the disk when this returns; Windows has no such call and needs none.

    Raises
    ------
    OSError
        When the system could not.
    """
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        _sync_descriptor(descriptor)
    finally:
        os.close(descriptor)


def remove(path: Path) -> None:
    """Remove a file and put its absence on the disk; a file that is gone already is no error.

    Raises
    ------
    OSError
        When it is there and cannot be removed.
    """
    _patiently(lambda: path.unlink(missing_ok=True))
    sync_folder(path.parent)


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


def free_bytes(folder: Path) -> int:
    """Bytes that may still be written in a folder's file system.

    Raises
    ------
    OSError
        When the folder is not there.
    """
    return shutil.disk_usage(folder).free


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


class Place:
    """A folder that files go to for as long as it is the one that it was at first.

    Where it is moved, removed or unmounted, another folder may bear its name, which nothing is to be written into.

    Parameters
    ----------
    folder : Path
    remade : bool
        Whether another folder of that name will do, and is made where there is none.
    """

    def __init__(self, folder: Path, *, remade: bool = False) -> None:
        self.folder = folder
        self._remade = remade
        self._first: os.stat_result | None = None
        self._held: int | None = None

    def ready(self) -> Path:
        """The folder, made where it was not there at first.

        Raises
        ------
        JournalError
            When it cannot be made, or is no longer the one that it was.
        """
        try:
            if self._first is None or self._remade:
                make_folder(self.folder)
                if not self._remade:
                    self._hold()
            elif not os.path.samestat(self._first, self.folder.stat()):
                raise JournalError(f"{self.folder}: another folder now has this name; move it back or mount it again")
        except FileNotFoundError as error:
            raise JournalError(f"{self.folder}: no longer there; it was moved, removed or unmounted") from error
        except OSError as error:
            raise JournalError(f"{self.folder}: cannot be made or used: {error.strerror or error}") from error
        return self.folder

    def identity(self) -> tuple[str, int]:
        """Path of the folder as it was at first, and its number in its file system; 0 where that is not known."""
        with contextlib.suppress(OSError):
            return str(self.folder.resolve()), (self._first or self.folder.stat()).st_ino
        return str(self.folder.absolute()), 0

    def _hold(self) -> None:
        """Remember which folder it is; held open where the system can, so that its number goes to no other."""
        if hasattr(os, "O_DIRECTORY"):
            self._held = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        self._first = self.folder.stat()

    def close(self) -> None:
        """Let the folder go."""
        if self._held is not None:
            os.close(self._held)
        self._held = self._first = None


class Disk:
    """What publishing a file takes. Every method raises OSError as the system does."""

    def create(self, path: Path) -> int:
        """Descriptor of a new file open for writing; FileExistsError where there is one."""
        return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o666)

    def write(self, descriptor: int, data: memoryview) -> int:
        """Number of bytes taken, which may be fewer than given."""
        return os.write(descriptor, data)

    def sync(self, descriptor: int) -> None:
        """All that was written is on the disk when this returns."""
        _sync_descriptor(descriptor)

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
        """Remove a file; no error where there is none. Its absence is on the disk with the folder's next sync."""
        _patiently(lambda: path.unlink(missing_ok=True))

    def sync_folder(self, folder: Path) -> None:
        """As the function of that name."""
        sync_folder(folder)


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
