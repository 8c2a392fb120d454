"""Puts the bytes of a sealed run under their final name, or leaves nothing there.

Owns the order: aside, exclusively; sync; read back and compare; name without replacing anything; sync the folder. Knows
nothing of what the bytes mean.
"""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

from chargebench.errors import RunFileError
from chargebench.runs.disk import Disk

__all__ = ["leftovers", "publish"]

_ASIDE: Final = ".part"


def publish(path: Path, data: bytes, verify: Callable[[Path], None] | None = None, disk: Disk | None = None) -> None:
    """A new file with these bytes, safe against a power cut when this returns.

    Parameters
    ----------
    path : Path
        Final name; its folder exists.
    data : bytes
    verify : callable, optional
        Given the file under its passing name, raises where it is not what it should be.
    disk : Disk, optional
        Calls to the operating system, for tests.

    Raises
    ------
    RunFileError
        When the name is taken, the disk refuses or does not give back what was written. Under the final name there is
        then nothing, or the complete file where only the last sync failed.
    """
    disk = disk or Disk()
    aside = path.with_name(f".{path.name}.{secrets.token_hex(4)}{_ASIDE}")
    try:
        _write(disk, aside, data)
        if disk.read(aside) != data:
            raise RunFileError(f"{path}: the disk did not give back what was written; nothing was published")
        if verify is not None:
            verify(aside)
        disk.name(aside, path)
        with contextlib.suppress(OSError):
            disk.remove(aside)
        disk.sync_folder(path.parent)
    except FileExistsError as error:
        raise RunFileError(f"{path}: already there; a sealed run is never replaced") from error
    except OSError as error:
        raise RunFileError(f"{path}: cannot be written ({error.strerror or error}); the journal is kept") from error
    finally:
        with contextlib.suppress(OSError):
            disk.remove(aside)


def _write(disk: Disk, path: Path, data: bytes) -> None:
    descriptor = disk.create(path)
    try:
        rest = memoryview(data)
        while rest:
            rest = rest[disk.write(descriptor, rest) :]
        disk.sync(descriptor)
    finally:
        disk.close(descriptor)


def leftovers(folder: Path, name: str = "*") -> Iterable[Path]:
    """Files that a killed `publish` of `name` left aside; whoever holds the run's journal may remove them."""
    return sorted(folder.glob(f".{name}.*{_ASIDE}"))
