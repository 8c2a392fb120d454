"""Stands between the program and the calls that change files: writes them down, and lets one of them fail.

Owns the watched calls and the model of a disk that forgets what was not synced. Works on the functions of `os`, so the
program under test runs unchanged; used in forked processes only.
"""

from __future__ import annotations

import os
import random
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Final, NamedTuple, Self

__all__ = ["WATCHED", "Call", "Calls", "Fails", "Fault", "ForgetfulDisk"]

WATCHED: Final = ("open", "write", "fdatasync", "fsync", "ftruncate", "close", "link", "rename", "unlink", "mkdir")


class Call(NamedTuple):
    """One call that took effect on a file below the folder.

    `other` is a second path, how a file was opened, or when a sync ended; `at_s` is when that began.
    """

    name: str
    path: str
    other: str
    data: bytes
    at_s: float


class Fault(NamedTuple):
    """How a call fails: before anything is done, after all of it, or half way through a write."""

    number: int
    when: str = "before"


Fails = Callable[[str, str, int], Fault | None]


class Calls:
    """While entered, every watched call below `folder` is written down, and fails where `fails` says so.

    Parameters
    ----------
    folder : Path
    fails : callable
        Given the call's name, its path and how many of its name there were before, the fault, or None.
    """

    def __init__(self, folder: Path, fails: Fails = lambda name, path, n: None) -> None:
        self.done: list[Call] = []
        self.counts: dict[str, int] = dict.fromkeys(WATCHED, 0)
        self._folder = str(folder)
        self._fails = fails
        self._paths: dict[int, str] = {}
        self._turn = threading.RLock()
        self._real = {name: getattr(os, name) for name in WATCHED}

    def __enter__(self) -> Self:
        for name in WATCHED:
            setattr(os, name, self._watching(name))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for name, real in self._real.items():
            setattr(os, name, real)

    def note(self, text: str, data: bytes) -> None:
        """Write down something that is no call, in its place between them."""
        with self._turn:
            self.done.append(Call(text, "", "", data, time.monotonic()))

    def _watching(self, name: str) -> Callable[..., Any]:
        real = self._real[name]

        def watched(*arguments: Any, **more: Any) -> Any:
            path = self._path_of(arguments[0])
            if path is None:
                return real(*arguments, **more)
            with self._turn:
                number, self.counts[name] = self.counts[name], self.counts[name] + 1
                fault = self._fails(name, path, number)
            if fault is not None and fault.when == "half" and name == "write":
                half = bytes(arguments[1])[: len(arguments[1]) // 2]
                self._write_down(name, path, arguments, real(arguments[0], half))
            elif fault is not None and (fault.when == "after" or name == "close"):
                self._write_down(name, path, arguments, real(*arguments, **more))
            if fault is not None:
                raise OSError(fault.number, os.strerror(fault.number), path)
            if name in ("fsync", "fdatasync"):  # what is written while it works is not promised by it
                upto = time.monotonic()
                result = real(*arguments, **more)
                self._write_down(name, path, (time.monotonic(),), result, upto)
                return result
            with self._turn:
                result = real(*arguments, **more)
                self._write_down(name, path, arguments, result)
            return result

        return watched

    def _path_of(self, first: Any) -> str | None:
        path = self._paths.get(first) if isinstance(first, int) else os.path.abspath(os.fspath(first))
        return path if path is not None and path.startswith(self._folder) else None

    def _write_down(self, name: str, path: str, arguments: Any, result: Any, at_s: float | None = None) -> None:
        other, data = "", b""
        if name == "open":
            self._paths[result] = path
            other = "new" if arguments[1] & os.O_CREAT else ""
        elif name in ("fsync", "fdatasync"):
            other = str(arguments[0])
        elif name == "close":
            self._paths.pop(arguments[0], None)
        elif name == "write":
            data = bytes(arguments[1])[:result]
        elif name == "ftruncate":
            other = str(arguments[1])
        elif name in ("link", "rename"):
            other = os.path.abspath(os.fspath(arguments[1]))
        with self._turn:
            self.done.append(Call(name, path, other, data, time.monotonic() if at_s is None else at_s))


@dataclass
class _Inode:
    now: bytearray = field(default_factory=bytearray)
    durable: bytes = b""
    lengths: list[tuple[float, int]] = field(default_factory=list)

    def sync(self, upto_s: float) -> None:
        """Make durable what had been written when the sync began."""
        length = next((n for at_s, n in reversed(self.lengths) if at_s <= upto_s), len(self.durable))
        safe = bytes(self.now[: min(length, len(self.now))])
        if not self.durable.startswith(safe):  # a sync that began earlier and ended later takes nothing back
            self.durable = safe


class ForgetfulDisk:
    """A disk as the calls left it: what is there now, and what would be there after the power went.

    A file's bytes are safe once that file was synced; a name is safe once its folder was. What is not safe may be there
    or not, in part, or as zeros or rubbish of the right length.

    Parameters
    ----------
    start : mapping of str to bytes
        Safe from before, by path.

    Attributes
    ----------
    synced : dict of str to bytes
        Bytes that were ever promised to be safe, by the path at which they were: synced, and so was their name.
    """

    def __init__(self, start: Mapping[str, bytes] | None = None) -> None:
        self._names = {path: _Inode(bytearray(data), data) for path, data in (start or {}).items()}
        self._safe_names = dict(self._names)
        self._pending: list[tuple[str, _Inode | None]] = []
        self.synced: dict[str, bytes] = {}

    def take(self, call: Call) -> None:
        """One more call."""
        inode = self._names.get(call.path)
        if call.name == "open" and call.other and inode is None:
            self._rename(call.path, _Inode())
        elif call.name == "write" and inode is not None:
            inode.now += call.data
            inode.lengths.append((call.at_s, len(inode.now)))
        elif call.name == "ftruncate" and inode is not None:
            del inode.now[int(call.other) :]
            inode.lengths.append((call.at_s, len(inode.now)))
        elif call.name in ("fsync", "fdatasync"):
            self._sync(call, inode)
        elif call.name in ("link", "rename") and inode is not None:
            self._rename(call.other, inode)
            if call.name == "rename":
                self._rename(call.path, None)
        elif call.name == "unlink" and inode is not None:
            self._rename(call.path, None)

    def _rename(self, path: str, inode: _Inode | None) -> None:
        self._pending.append((path, inode))
        if inode is None:
            self._names.pop(path, None)
        else:
            self._names[path] = inode

    def _sync(self, call: Call, inode: _Inode | None) -> None:
        if inode is not None:
            inode.sync(call.at_s)
            if self._safe_names.get(call.path) is inode:
                self.synced[call.path] = inode.durable
            return
        for path, found in self._pending:
            if os.path.dirname(path) == call.path:
                _set(self._safe_names, path, found)
                if found is not None:
                    self.synced[path] = found.durable
        self._pending = [entry for entry in self._pending if os.path.dirname(entry[0]) != call.path]

    def now(self) -> dict[str, bytes]:
        """What is there as long as the power stays, by path."""
        return {path: bytes(inode.now) for path, inode in self._names.items()}

    def after_power_cut(self, draw: random.Random) -> dict[str, bytes]:
        """What might be found, by path."""
        names = dict(self._safe_names)
        kept = draw.randint(0, len(self._pending))
        in_order = draw.random() < 0.5
        for number, (path, inode) in enumerate(self._pending):
            if number < kept if in_order else draw.random() < 0.5:
                _set(names, path, inode)
        contents: dict[int, bytes] = {}
        for inode in names.values():
            contents.setdefault(id(inode), _remains(inode, draw))
        return {path: contents[id(inode)] for path, inode in names.items()}


def _set(names: dict[str, _Inode], path: str, inode: _Inode | None) -> None:
    if inode is None:
        names.pop(path, None)
    else:
        names[path] = inode


def _remains(inode: _Inode, draw: random.Random) -> bytes:
    """A file's bytes after the power went: what was synced, and something of the rest."""
    safe, now = inode.durable, bytes(inode.now)
    if now[: len(safe)] != safe:  # cut back without a sync
        return draw.choice((safe, now))
    tail = now[len(safe) :]
    cut = draw.randint(0, len(tail))
    rest = len(tail) - cut
    return safe + draw.choice((b"", tail, tail[:cut], tail[:cut] + bytes(rest), tail[:cut] + draw.randbytes(rest)))
