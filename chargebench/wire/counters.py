"""The counters of a board's lines: which were lost, which came twice or late, and whether the board started again.

Owns the verdict on SEQ and MS. A clock that runs backwards without a wrap is a restart, and so is a line counter that
went further than lines can have been sent in the time between. Two things that look like the first are none, and give
no reading: a line whose number was found missing a moment ago, and a line that is byte for byte one of the last.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal

__all__ = ["MS_MODULUS", "SEQUENCE_MODULUS", "Counters", "Verdict"]

SEQUENCE_MODULUS: Final = 1 << 16
MS_MODULUS: Final = 1 << 32
LATE_LINES: Final = 64  # a hole of more lines is a loss, which no late line fills
LATE_MS: Final = 500
YOUNG_MS: Final = 10_000
LATE_RUN: Final = 3  # so many late lines one after the other are a board that counts anew
REMEMBERED: Final = 256
FASTEST_PER_MS: Final = 10.0  # RATE 10000, the most that a board can be asked for
UNEVEN: Final = 2.0  # times as many lines as at the fastest pace seen …
SOME_LINES: Final = 16  # … and a few more may have been lost in a given time

Verdict = Literal["next", "repeated", "late", "restart"]


@dataclass(slots=True)
class _Seen:
    """What is remembered of one kind of line."""

    sequence: int
    ms: int
    late: int = 0
    cut: bool = False
    holes: deque[tuple[int, int, int, int]] = field(default_factory=lambda: deque(maxlen=8))
    lines: deque[bytes] = field(default_factory=lambda: deque(maxlen=REMEMBERED))

    def is_late(self, line: bytes, sequence: int, ms: int) -> bool:
        """Whether a line from before the last one was sent before it: then the clock did not go back."""
        if line in self.lines:
            return not self.cut and (sequence > 0 or ms > YOUNG_MS)  # the first lines of a board may be all alike
        self.late += 1
        return self.late < LATE_RUN and any(
            0 < (sequence - first) % SEQUENCE_MODULUS < (after - first) % SEQUENCE_MODULUS
            and (ms - first_ms) % MS_MODULUS <= (after_ms - first_ms) % MS_MODULUS
            and (self.ms - after_ms) % MS_MODULUS <= LATE_MS
            for first, first_ms, after, after_ms in self.holes
        )

    def may_have_lost(self, count: int, in_ms: int) -> bool:
        """Whether so many lines can have been sent, and lost, in that time."""
        return count <= SOME_LINES or count <= SOME_LINES + UNEVEN * self._pace_per_ms() * in_ms

    def _pace_per_ms(self) -> float:
        """Most lines a millisecond that neighbours among the last lines show."""
        stamps = [tuple(map(int, line.split(b",", 3)[1:3])) for line in self.lines]
        steps = [
            (ms - last_ms) % MS_MODULUS
            for (last, last_ms), (sequence, ms) in pairwise(stamps)
            if (sequence - last) % SEQUENCE_MODULUS == 1 and ms != last_ms
        ]
        return 1.0 / min(steps) if steps else FASTEST_PER_MS

    def go_on(self, lines: list[bytes], sequence: int, ms: int) -> None:
        """Take lines that follow, with the counters of the last of them."""
        if len(lines) == 1 and 1 < (sequence - self.sequence) % SEQUENCE_MODULUS <= LATE_LINES:
            self.holes.append((self.sequence, self.ms, sequence, ms))
        self.sequence, self.ms, self.late, self.cut = sequence, ms, 0, False
        self.lines.extend(lines)


class Counters:
    """Holds each line of a board against the last one of its kind.

    Attributes
    ----------
    lost, repeated : int
        Numbers skipped, and lines that came twice in a row.
    last : dict of str to (int, int)
        Sequence number and device time of the last line of each channel.
    """

    def __init__(self) -> None:
        self.lost = 0
        self.repeated = 0
        self.last: dict[str, tuple[int, int]] = {}
        self._seen: dict[str, _Seen] = {}

    def interrupted(self) -> None:
        """The connection was lost: what was missing by then will not come any more."""
        for seen in self._seen.values():
            seen.holes.clear()
            seen.cut = True

    def follow(self, channel: str, line: bytes, sequence: int, ms: int) -> Verdict:
        """What a line's counters say; at a restart all kinds count anew."""
        seen = self._seen.get(channel)
        if seen is None:
            self.take(channel, [line], sequence, ms)
            return "next"
        step = (sequence - seen.sequence) % SEQUENCE_MODULUS
        step_ms = (ms - seen.ms) % MS_MODULUS
        if step == 0 and step_ms == 0:
            self.repeated += 1
            return "repeated"
        if step_ms >= MS_MODULUS // 2:
            if seen.is_late(line, sequence, ms):
                return "late"
        elif seen.may_have_lost((step - 1) % SEQUENCE_MODULUS, step_ms):
            self.lost += step - 1
            self.take(channel, [line], sequence, ms)
            return "next"
        self._seen.clear()
        self.last.clear()
        self.take(channel, [line], sequence, ms)
        return "restart"

    def take(self, channel: str, lines: list[bytes], sequence: int, ms: int) -> None:
        """Take lines that are known to follow one another; counters are those of the last."""
        if channel not in self._seen:
            self._seen[channel] = _Seen(sequence, ms)
        self._seen[channel].go_on(lines, sequence, ms)
        self.last[channel] = (sequence, ms)
