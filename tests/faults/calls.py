"""The system's calls by which files change, watched, and failed one by one.

The calls are replaced in the module ``os`` for as long as a ``with`` lasts; what runs inside does them for real.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

__all__ = ["CALLS", "Call", "failing", "watched"]

CALLS = ("open", "write", "fsync", "fdatasync", "ftruncate", "link", "rename", "unlink", "mkdir")


@dataclass(frozen=True)
class Call:
    """One call as it was made, with its result."""

    name: str
    arguments: tuple[Any, ...]
    result: Any


@contextmanager
def _replaced(around: Callable[[str, Callable[..., Any]], Callable[..., Any]]) -> Iterator[None]:
    kept = {name: getattr(os, name) for name in CALLS if hasattr(os, name)}
    for name, call in kept.items():
        setattr(os, name, around(name, call))
    try:
        yield
    finally:
        for name, call in kept.items():
            setattr(os, name, call)


@contextmanager
def watched() -> Iterator[list[Call]]:
    """Every call of every thread, in order, once it has succeeded."""
    log: list[Call] = []
    turn = threading.Lock()

    def around(name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def noted(*arguments: Any, **more: Any) -> Any:
            copied = tuple(bytes(a) if isinstance(a, memoryview) else a for a in arguments)
            with turn:
                result = call(*arguments, **more)
                log.append(Call(name, copied, result))
            return result

        return noted

    with _replaced(around):
        yield log


@contextmanager
def failing(at: int, error: int) -> Iterator[list[str]]:
    """The call of number `at` of this thread raises; gives the names of those made."""
    made: list[str] = []
    thread = threading.get_ident()

    def around(name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*arguments: Any, **more: Any) -> Any:
            if threading.get_ident() == thread:
                made.append(name)
                if len(made) - 1 == at:
                    raise OSError(error, os.strerror(error))
            return call(*arguments, **more)

        return counted

    with _replaced(around):
        yield made
