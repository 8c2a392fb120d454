"""How fast an instrument without a clock of its own usually speaks, and which of its lines came too late to tell when.

Owns the rule. Such lines are timed by the host as they come. Where the host was held up (suspended, asleep) and they
piled up meanwhile, they come in a lump, all at one time: their values are right and their times are not known. The
first lines after a silence may be as old as the silence is long. Pure; reads no clock.
"""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import Final

from chargebench.recording.gaps import INTERVALS, LEAST_S

__all__ = ["Pace"]

LUMP_S: Final = 0.5
"""Lines that took longer than that to be sent and come at once are a lump; so short a pause `processing` bridges."""
LUMP_LINES: Final = 3
"""Times as many as usually come at once, at least; some links always deliver a few lines together."""
TO_KNOW: Final = 5
REMEMBERED: Final = 25


class Pace:
    """Hears how many lines came when."""

    def __init__(self) -> None:
        self._last_ns: int | None = None
        self._recent: deque[tuple[float, int]] = deque(maxlen=REMEMBERED)
        self._was_late = False
        self._paced_lumps = 0

    def interrupted(self) -> None:
        """The stream was cut: that nothing came meanwhile tells nothing of its pace."""
        self._last_ns = None

    def late(self, received_ns: int, lines: int) -> bool:
        """Whether lines that came together now came too late for their times to be known."""
        since_s = None if self._last_ns is None else (received_ns - self._last_ns) / 1e9
        self._last_ns = received_ns
        late = len(self._recent) >= TO_KNOW and self._is_late(since_s, lines)
        self._was_late = late
        if not late:
            self._paced_lumps = 0
            if since_s is not None:
                self._recent.append((since_s / lines, lines))
        return late

    def _is_late(self, since_s: float | None, lines: int) -> bool:
        each_s = median(interval_s for interval_s, _ in self._recent)
        took_s = lines * each_s
        lump = took_s > LUMP_S and lines >= LUMP_LINES * median(number for _, number in self._recent)
        if since_s is None:
            return lump
        at_once = since_s < 0.5 * took_s
        silent = since_s > max(LEAST_S, INTERVALS * each_s)
        self._learn_anew(lump and not at_once and not silent)
        return silent or lump or (self._was_late and at_once)

    def _learn_anew(self, paced_lump: bool) -> None:
        """Lumps one after another, each as long in coming as its lines take, are how this link delivers from now on."""
        self._paced_lumps = self._paced_lumps + 1 if paced_lump else 0
        if self._paced_lumps >= TO_KNOW:
            self._recent.clear()
