"""Who opens anything in a folder, told by the system while it happens (inotify of Linux)."""

from __future__ import annotations

import ctypes
import os
import struct
from pathlib import Path

__all__ = ["Watch"]

ACCESS, MODIFY, OPEN, CREATE, DELETE, MOVED = 0x01, 0x02, 0x20, 0x100, 0x200, 0xC0
ATTRIB = 0x04
IS_FOLDER = 0x4000_0000
_HEAD = struct.Struct("iIII")
_LIBC = ctypes.CDLL(None, use_errno=True)


class Watch:
    """Watches every folder below one for files that are opened, read, changed, made or removed."""

    def __init__(self, folder: Path) -> None:
        self._descriptor = _LIBC.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if self._descriptor < 0:
            raise OSError(ctypes.get_errno(), "nothing can be watched")
        self._names: dict[int, str] = {}
        for path in (folder, *(path for path in folder.rglob("*") if path.is_dir())):
            number = _LIBC.inotify_add_watch(
                self._descriptor, os.fsencode(path), ACCESS | MODIFY | OPEN | CREATE | DELETE | MOVED | ATTRIB
            )
            self._names[number] = str(path.relative_to(folder))

    def ended(self) -> set[str]:
        """What was touched so far; watches no longer. That a folder itself was looked at does not count."""
        try:
            data = os.read(self._descriptor, 1 << 20)
        except BlockingIOError:
            data = b""
        os.close(self._descriptor)
        touched = set()
        while data:
            number, mask, _, length = _HEAD.unpack_from(data)
            name = data[_HEAD.size : _HEAD.size + length].rstrip(b"\0").decode()
            data = data[_HEAD.size + length :]
            if not mask & IS_FOLDER:
                touched.add(f"{self._names.get(number, '?')}/{name}")
        return touched
