"""JSON lines from a pipe: bytes in, objects out, bounded memory. No Qt, no process."""

from __future__ import annotations

import json
from typing import Any, Final

__all__ = ["JsonLines"]

MAX_LINE_BYTES: Final = 8_000_000


class JsonLines:
    """Splits a byte stream into JSON objects.

    A line that is no JSON object is kept as text in `strays`, at most the last twenty; an endless line is dropped.
    """

    def __init__(self) -> None:
        self._rest = b""
        self._skipping = False
        self.strays: list[str] = []

    def feed(self, chunk: bytes) -> list[dict[str, Any]]:
        """Objects completed by a chunk, in order."""
        lines = (self._rest + chunk).split(b"\n")
        self._rest = lines.pop()
        found = []
        for line in lines:
            if self._skipping:
                self._skipping = False
                continue
            if line.strip() and (parsed := self._parse(line)) is not None:
                found.append(parsed)
        if len(self._rest) > MAX_LINE_BYTES:
            self._stray(f"a line longer than {MAX_LINE_BYTES} bytes")
            self._rest, self._skipping = b"", True
        return found

    def _parse(self, line: bytes) -> dict[str, Any] | None:
        try:
            value = json.loads(line)
        except (ValueError, RecursionError):
            value = None
        if isinstance(value, dict):
            return value
        self._stray(line.decode("utf-8", "replace").strip()[:500])
        return None

    def _stray(self, text: str) -> None:
        self.strays = [*self.strays[-19:], text]
