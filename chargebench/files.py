"""How every file from outside is opened and read: in one way, with a bound for its kind.

Owns what a file may be before a byte of it is believed: a regular file (no pipe, device or folder, which could hang or
never end), reached through no symbolic link in the parts that a stranger's folder could have made, no larger than its
kind is allowed to be, counted while it is read, since what a file says of its size need not be true. Knows nothing of
what the bytes mean; `chargebench.bounded` parses TOML and JSON.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
from contextlib import suppress
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from typing import Final

__all__ = [
    "BENCH", "CHECK", "FILE_FLAGS", "JOURNAL", "RECIPE", "RUN", "SETTINGS", "STUDY", "TRACE", "Kind",
    "RefusedFileError", "is_regular", "open_file", "read_bytes", "replace_file",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of file: what it is called and how large one may be, in bytes."""

    noun: str
    most_bytes: int


BENCH: Final = Kind("bench file", 1_000_000)
STUDY: Final = Kind("study file", 1_000_000)
RECIPE: Final = Kind("recipe", 1_000_000)
SETTINGS: Final = Kind("settings file", 100_000)
CHECK: Final = Kind("bench check", 4_000_000)
TRACE: Final = Kind("trace file", 64 << 20)
RUN: Final = Kind("run file", 96 << 20)
JOURNAL: Final = Kind("journal", 96 << 20)

_PIECE: Final = 1 << 20
FILE_FLAGS: Final = (
    os.O_RDONLY
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)  # opening a pipe that nobody writes would wait for ever
    | getattr(os, "O_NOCTTY", 0)
    | getattr(os, "O_CLOEXEC", 0)
)
"""Of the system's open: never through a link, never waiting, never over to a child."""
_FOLDER_FLAGS: Final = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_CLOEXEC", 0)
_CAN_WALK: Final = os.open in os.supports_dir_fd and hasattr(os, "O_NOFOLLOW")


class RefusedFileError(OSError):
    """Raised when what bears the name is not a file that may be read; `strerror` says why in words."""


def read_bytes(path: Path, kind: Kind, own_parts: int = 1) -> bytes:
    """Everything in a file.

    Parameters
    ----------
    path : Path
    kind : Kind
        Bounds its size.
    own_parts : int
        How many of the last parts of the path may be no symbolic link: 1 for a file that a person named or that lies
        in a folder that a person named, 2 for one in a subfolder of it.

    Raises
    ------
    RefusedFileError
        When it is a link, pipe, device or folder, or larger than its kind.
    OSError
        When the system cannot open or read it.
    """
    with open_file(path, kind, own_parts) as file:
        pieces, left = [], kind.most_bytes
        while piece := file.read(min(_PIECE, left + 1)):
            left -= len(piece)
            if left < 0:
                raise _too_large(path, kind)
            pieces.append(piece)
    return b"".join(pieces)


def open_file(path: Path, kind: Kind, own_parts: int = 1) -> BufferedReader:
    """A file open for reading, errors as `read_bytes`; whoever reads it bounds what is read by its kind."""
    descriptor = _descriptor(path, own_parts)
    try:
        about = os.fstat(descriptor)
        if not stat.S_ISREG(about.st_mode):
            raise _refused(path, "a folder, pipe or device, not a file")
        if about.st_size > kind.most_bytes:
            raise _too_large(path, kind)
        return os.fdopen(descriptor, "rb")
    except BaseException:
        os.close(descriptor)
        raise


def replace_file(path: Path, data: bytes) -> None:
    """Write a file so that its name holds the old or the new content whole, never a part.

    It is written aside under a name that nobody can have laid a link at, with the permissions of the file it replaces.

    Raises
    ------
    OSError
        When it cannot be written; it names `path`.
    """
    aside = path.with_name(f".{path.name[:100]}.{secrets.token_hex(4)}.new")
    try:
        mode = stat.S_IMODE(path.stat().st_mode) if path.exists() else 0o666
        descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
        try:
            with open(descriptor, "wb") as file:
                file.write(data)
            aside.replace(path)
        except BaseException:
            with suppress(OSError):
                aside.unlink()
            raise
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from error


def is_regular(path: Path) -> bool:
    """Whether a file of that name is there that `read_bytes` may read, size apart."""
    with suppress(OSError, ValueError):
        return stat.S_ISREG(path.lstat().st_mode)
    return False


def _descriptor(path: Path, own_parts: int) -> int:
    parts = path.parts[-own_parts:]
    try:
        if not _CAN_WALK:
            return _open_after_a_look(path, len(parts))
        folder = os.open(Path(*path.parts[:-own_parts]) if len(path.parts) > own_parts else Path(), _FOLDER_FLAGS)
        try:
            for part in parts[:-1]:
                inner = os.open(part, _FOLDER_FLAGS | os.O_NOFOLLOW, dir_fd=folder)
                os.close(folder)
                folder = inner
            return os.open(parts[-1] if parts else ".", FILE_FLAGS, dir_fd=folder)
        finally:
            os.close(folder)
    except RefusedFileError:
        raise
    except ValueError as error:  # a NUL in the name
        raise OSError(errno.EINVAL, str(error), str(path)) from error
    except OSError as error:
        if _is_link(path, len(parts)):
            raise _refused(path, "a symbolic link, or in a linked folder; name the file itself") from error
        if error.errno == errno.ENXIO:  # a socket
            raise _refused(path, "a folder, pipe or device, not a file") from error
        raise OSError(error.errno, error.strerror, str(path)) from error


def _open_after_a_look(path: Path, own_parts: int) -> int:
    """For systems that cannot refuse links while opening."""
    if _is_link(path, own_parts):
        raise _refused(path, "a symbolic link, or in a linked folder; name the file itself")
    if path.is_dir():
        raise _refused(path, "a folder, pipe or device, not a file")
    return os.open(path, FILE_FLAGS)


def _is_link(path: Path, own_parts: int) -> bool:
    own = [path, *path.parents][:own_parts]
    return any(part.is_symlink() or getattr(os.path, "isjunction", lambda _: False)(part) for part in own)


def _refused(path: Path, why: str) -> RefusedFileError:
    return RefusedFileError(errno.EINVAL, why, str(path))


def _too_large(path: Path, kind: Kind) -> RefusedFileError:
    most = f"{kind.most_bytes >> 20} MiB" if kind.most_bytes >= 1 << 20 else f"{kind.most_bytes} bytes"
    return RefusedFileError(errno.EFBIG, f"larger than {most}, which no {kind.noun} is", str(path))
