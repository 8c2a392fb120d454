"""Cuts a byte stream into lines. Owns the unfinished line, which never grows past a limit; knows no line's meaning."""

from __future__ import annotations

__all__ = ["LineSplitter"]


class LineSplitter:
    """Cuts chunks into lines, whatever the chunks' borders.

    Parameters
    ----------
    limit : int
        Longest line in bytes, its end excluded. A longer one is skipped to its end and counted once, as soon as it is
        longer than that.
    drop_first : bool
        Whether everything up to the first line end is dropped after the start and after each `reset`: it may be the
        tail of a line. Where a check field tells tails from lines there is no need.
    either_end : bool
        Whether a lone CR ends a line too. CR LF then gives an empty line, which decoders pass over.
    """

    def __init__(self, limit: int, *, drop_first: bool = False, either_end: bool = False) -> None:
        self.limit = limit
        self.too_long = 0
        self.cut = 0
        self._drop_first = drop_first
        self._either_end = either_end
        self._rest = b""
        self._skipping = False
        self._at_first = drop_first

    def reset(self) -> None:
        """Forget the unfinished line: what comes next belongs to another."""
        self._rest = b""
        self._skipping = False
        self._at_first = self._drop_first

    def feed(self, chunk: bytes) -> list[bytes]:
        """Lines that `chunk` completes, without their ends, in order; empty lines included."""
        if self._either_end:
            chunk = chunk.replace(b"\r", b"\n")
        lines = chunk.split(b"\n")
        if self._skipping:
            if len(lines) == 1:
                return []
            lines[0] = b""
            self._skipping = False
        elif self._rest:
            lines[0] = self._rest + lines[0]
        self._rest = lines.pop()
        if len(self._rest) > self.limit:
            self._rest = b""
            self._skipping = True
            self.too_long += 1
        if self._at_first and lines:
            self._at_first = False
            first = lines.pop(0)
            self.cut += 0 < len(first) <= self.limit
            self.too_long += len(first) > self.limit
        if not lines:
            return lines
        lines = self._short_enough(lines)
        if self._either_end or not (b"\r" in chunk or (lines and b"\r" in lines[0])):
            return lines
        return [line[:-1] if line.endswith(b"\r") else line for line in lines]

    def _short_enough(self, lines: list[bytes]) -> list[bytes]:
        """The lines within the limit; the others counted."""
        if max(map(len, lines)) > self.limit:
            kept = [line for line in lines if len(line) <= self.limit]
            self.too_long += len(lines) - len(kept)
            lines = kept
        return lines
