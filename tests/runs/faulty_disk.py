"""A disk whose calls fail one by one: the real one, until its turn comes."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from chargebench.runs.disk import Disk

CALLS = ("create", "write", "sync", "close", "read", "name", "remove", "sync_folder")


class FaultyDisk(Disk):
    """Does everything for real and writes down what it did; the call of number `fails_at` raises instead.

    Parameters
    ----------
    fails_at : int
        Number of the call that fails, from 0; -1 for none.
    error : int
        Its errno.
    after : bool
        Whether the call takes effect before it fails, as a sync may.
    most : int
        Bytes a write takes at most.
    """

    def __init__(self, fails_at: int = -1, error: int = 0, after: bool = False, most: int = 1 << 16) -> None:
        self.fails_at, self.error, self.after, self.most = fails_at, error, after, most
        self.done: list[str] = []

    def __getattribute__(self, name: str) -> Any:
        found = super().__getattribute__(name)
        return self._watched(name, found) if name in CALLS else found

    def _watched(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*arguments: Any) -> Any:
            number = len(self.done)
            self.done.append(name)
            if number == self.fails_at and not self.after:
                raise OSError(self.error, os.strerror(self.error))
            result = call(*arguments)
            if number == self.fails_at:
                raise OSError(self.error, os.strerror(self.error))
            return result

        return watched

    def write(self, descriptor: int, data: memoryview) -> int:
        """At most `most` bytes."""
        return super().write(descriptor, data[: self.most])


def snapshot(folder: Path) -> dict[str, bytes]:
    """Every file of a folder with its bytes."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}
