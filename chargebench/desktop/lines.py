"""JSON lines from a pipe: bytes in, objects out, bounded memory. No Qt, no process."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterable
from typing import Final

from chargebench.plain import JsonObject
from chargebench.processing.outcome import Outcome

__all__ = ["JsonLines", "outcomes_in"]

log = logging.getLogger(__name__)

MAX_LINE_BYTES: Final = 8_000_000


class JsonLines:
    """Splits a byte stream into JSON objects.

    A line that is no JSON object is kept as text in `strays`, at most the last twenty; an endless line is dropped.
    """

    def __init__(self) -> None:
        self._rest = b""
        self._skipping = False
        self.strays: list[str] = []

    def feed(self, chunk: bytes) -> list[JsonObject]:
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

    def _parse(self, line: bytes) -> JsonObject | None:
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


def outcomes_in(objects: Iterable[JsonObject]) -> list[Outcome]:
    """The outcomes among objects; what only looks like one, as another version of the program prints it, is logged."""
    found = []
    for one in objects:
        if "result" in one:
            try:
                found.append(Outcome.from_json(one))
            except ValueError as error:
                log.warning("no outcome of this version: %s", error)
    return found
