"""Clocks: a device's millisecond counter to seconds, and one clock to another. Owns the arithmetic, reads no clock.

Three clocks take part. A board stamps its lines with its own uptime, which wraps every 49.7 days and starts again with
the board. The host stamps every chunk with its monotonic clock; a chunk arrives after it was sent, never before, by a
delay that jumps about. And a run has one *governing* clock: that of the board that carries the charge, else the host's.
Device and host may run at different rates (a crystal is off by tens of ppm; a virtual bench runs many times faster than
the wall clock), so the rate is fitted, to the lower envelope of the arrival delays: the straight line below all points
(device time, host time) that lies closest to them on the whole is an edge of their lower convex hull.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["ClockEvent", "DeviceClock", "Envelope", "HostMap", "Line"]

Floats = npt.NDArray[np.float64]

WRAP_MS = 1 << 32
LATE_MS = 500
SETTLE_HOST_S = 0.2
SLOWEST_RATE = 1e-6
"""A device clock slower than this against the host's stands still: it tells no rate."""
NO_NEW_POINT_HOST_S = 0.01


class Line(NamedTuple):
    """Host seconds = `offset_s` + device seconds / `rate`; `rate` is device seconds per host second."""

    offset_s: float
    rate: float


class Envelope:
    """Straight line under the arrivals, kept up as they come; memory grows with the hull's corners only."""

    def __init__(self, rate: float = 1.0) -> None:
        self._default = rate
        self._hull: list[tuple[float, float]] = []
        self._first_host_s = math.nan
        self._last_host_s = math.nan
        self._line: Line | None = None

    @property
    def span_s(self) -> float:
        """Host seconds between the first and the last arrival."""
        return 0.0 if not self._hull else self._last_host_s - self._first_host_s

    def add(self, device_s: float, host_s: float) -> None:
        """One arrival; device times must not run backwards (such a point is left out)."""
        hull = self._hull
        if not hull:
            self._first_host_s = host_s
        elif device_s < hull[-1][0]:
            return
        self._last_host_s = host_s
        if hull and device_s == hull[-1][0]:
            if host_s >= hull[-1][1]:
                return
            hull.pop()
        while len(hull) > 1 and _above(hull[-2], hull[-1], (device_s, host_s)):
            hull.pop()
        hull.append((device_s, host_s))
        self._line = None

    def line(self) -> Line:
        """The line; before there is enough to fit, the rate given at the start through the least delayed arrival.

        Raises
        ------
        ValueError
            Before the first arrival.
        """
        if self._line is None:
            self._line = self._fit()
        return self._line

    def _fit(self) -> Line:
        hull = self._hull
        if not hull:
            raise ValueError("no arrival yet: at least one is needed")
        rate = self._default
        if self.span_s >= SETTLE_HOST_S and len(hull) > 1:
            middle = 0.5 * (self._first_host_s + self._last_host_s)
            right = min(max(bisect_right(hull, middle, key=lambda point: point[1]), 1), len(hull) - 1)
            (d0, h0), (d1, h1) = hull[right - 1], hull[right]
            if h1 > h0 and (d1 - d0) / (h1 - h0) > SLOWEST_RATE:
                rate = (d1 - d0) / (h1 - h0)
        return Line(min(h - d / rate for d, h in hull), rate)


def _above(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    """Whether `b` lies on or above the straight line from `a` to `c`."""
    return (b[1] - a[1]) * (c[0] - a[0]) >= (c[1] - a[1]) * (b[0] - a[0])


@dataclass(frozen=True, slots=True)
class ClockEvent:
    """Something a device clock did other than run on: `kind` is ``restart`` or ``jump``; times on that clock."""

    kind: Literal["restart", "jump"]
    before_s: float
    after_s: float


class HostMap:
    """Host time to a device's time and back, in stretches between which the two clocks lost each other.

    A new stretch begins where the device restarted or one clock stood still (a suspended host).
    """

    def __init__(self) -> None:
        self._starts_host_s: list[float] = []
        self._starts_device_s: list[float] = []
        self._envelopes: list[Envelope] = []
        self._longest_ended: Envelope | None = None

    def __bool__(self) -> bool:
        return bool(self._envelopes)

    @property
    def rate(self) -> float:
        """Device seconds per host second over the longest stretch; 1 before the first arrival."""
        return self._longest.line().rate if self._envelopes else 1.0

    @property
    def span_s(self) -> float:
        """Host seconds of the longest stretch."""
        return self._longest.span_s if self._envelopes else 0.0

    @property
    def _longest(self) -> Envelope:
        """Of the stretch that goes on and the longest one before it the longer."""
        ended, current = self._longest_ended, self._envelopes[-1]
        return current if ended is None or current.span_s > ended.span_s else ended

    def begin(self, device_s: float, host_s: float) -> None:
        """Begin a new stretch; until it can tell its own rate it uses that of the others."""
        rate = self.rate
        if self._envelopes:
            self._longest_ended = self._longest
        self._starts_host_s.append(host_s)
        self._starts_device_s.append(device_s)
        self._envelopes.append(Envelope(rate))

    def add(self, device_s: float, host_s: float) -> None:
        """One arrival in the current stretch."""
        if not self._envelopes:
            self.begin(device_s, host_s)
        self._envelopes[-1].add(device_s, host_s)

    def device_s(self, host_s: float) -> float:
        """Device time at a host time; the host time itself before anything is known."""
        if not self._envelopes:
            return host_s
        line = self._envelopes[max(bisect_right(self._starts_host_s, host_s) - 1, 0)].line()
        return (host_s - line.offset_s) * line.rate

    def device_s_array(self, host_s: Floats) -> Floats:
        """As `device_s`, for an array."""
        if not self._envelopes:
            return host_s.copy()
        lines = np.array([e.line() for e in self._envelopes])
        which = np.maximum(np.searchsorted(self._starts_host_s, host_s, side="right") - 1, 0)
        found: Floats = (host_s - lines[which, 0]) * lines[which, 1]
        return found

    def host_s(self, device_s: float) -> float:
        """Host time at a device time; the device time itself before anything is known."""
        if not self._envelopes:
            return device_s
        line = self._envelopes[max(bisect_right(self._starts_device_s, device_s) - 1, 0)].line()
        return line.offset_s + device_s / line.rate

    def host_s_array(self, device_s: Floats) -> Floats:
        """Host time at which the device's time was that, for an array."""
        if not self._envelopes:
            return device_s.copy()
        lines = np.array([e.line() for e in self._envelopes])
        which = np.maximum(np.searchsorted(self._starts_device_s, device_s, side="right") - 1, 0)
        found: Floats = lines[which, 0] + device_s / lines[which, 1]
        return found


class DeviceClock:
    """One board's counter of milliseconds to seconds, through wraps, restarts and stray values.

    The first line is given the host's time; from there the board's own counter runs.

    A value that does not fit what went before is believed only once a second line agrees with it: until then the time
    is carried on by the host's clock. After a restart the seconds go on by the host's clock from where they were.

    Attributes
    ----------
    events : list of ClockEvent
        Restarts and jumps found.
    map : HostMap
        From the host's clock to this one.
    """

    def __init__(self) -> None:
        self.events: list[ClockEvent] = []
        self.map = HostMap()
        self._base_ms = 0
        self._last_ms = -1
        self._last_host_s = 0.0
        self._doubt: tuple[int, float] | None = None
        self._last_added_host_s = -math.inf

    def seconds(self, device_ms: int, host_s: float, *, anew: bool = False) -> float:
        """Seconds of a line stamped `device_ms` that was received at `host_s`.

        With `anew` the line's own counters say that the board started again: a stamp just before the last one, which
        otherwise is a line that came late, then is the first of a new count.
        """
        if self._last_ms < 0:
            self._accept(device_ms, host_s)
            self._base_ms = device_ms - round(host_s * 1000)
            return (device_ms - self._base_ms) / 1000
        step_ms = _step(self._last_ms, device_ms, host_s - self._last_host_s)
        if step_ms is None:
            return self._doubted(device_ms, host_s)
        self._doubt = None
        if step_ms < 0 and anew:
            last_s = (self._last_ms - self._base_ms) / 1000
            return self._begin_again(device_ms, host_s, last_s, self._by_host_s(host_s, last_s))
        if step_ms < 0:
            return (self._last_ms - self._base_ms + step_ms) / 1000
        self._base_ms -= WRAP_MS if device_ms < self._last_ms else 0
        self._accept(device_ms, host_s)
        return (device_ms - self._base_ms) / 1000

    def arrived(self, device_s: float, host_s: float) -> None:
        """Take the youngest line of a chunk as a point of the map."""
        if host_s - self._last_added_host_s >= NO_NEW_POINT_HOST_S:
            self.map.add(device_s, host_s)
            self._last_added_host_s = host_s

    def _accept(self, device_ms: int, host_s: float) -> None:
        self._last_ms, self._last_host_s = device_ms, host_s

    def _doubted(self, device_ms: int, host_s: float) -> float:
        """Time of a line that does not follow; believed when the one before it in doubt leads to it."""
        last_s = (self._last_ms - self._base_ms) / 1000
        by_host_s = self._by_host_s(host_s, last_s)
        doubt, self._doubt = self._doubt, (device_ms, host_s)
        if doubt is None or (_step(doubt[0], device_ms, host_s - doubt[1]) or -1) < 0:
            return by_host_s
        self._doubt = None
        forward_ms = (device_ms - self._last_ms) % WRAP_MS
        if forward_ms >= WRAP_MS // 2 or device_ms <= _most_ms(host_s - self._last_host_s):
            return self._begin_again(device_ms, host_s, last_s, by_host_s)
        if device_ms < self._last_ms:
            self._base_ms -= WRAP_MS
        return self._go_on("jump", device_ms, host_s, last_s)

    def _by_host_s(self, host_s: float, last_s: float) -> float:
        """Time by the host's clock, not before that of the last line."""
        return max(self.map.device_s(host_s), last_s) if self.map else last_s

    def _begin_again(self, device_ms: int, host_s: float, last_s: float, by_host_s: float) -> float:
        """The board started again: its new count goes on from the time by the host's clock."""
        self._base_ms = device_ms - round(by_host_s * 1000)
        return self._go_on("restart", device_ms, host_s, last_s)

    def _go_on(self, kind: Literal["restart", "jump"], device_ms: int, host_s: float, last_s: float) -> float:
        """Take a line after which the two clocks have lost each other."""
        now_s = (device_ms - self._base_ms) / 1000
        self.events.append(ClockEvent(kind, last_s, now_s))
        self._accept(device_ms, host_s)
        self.map.begin(now_s, host_s)
        self.map.add(now_s, host_s)
        self._last_added_host_s = host_s
        return now_s


def _most_ms(host_step_s: float) -> float:
    """How far a device may have run while the host ran that long: sixty times as fast, and a minute."""
    return 60_000.0 * (1.0 + max(host_step_s, 0.0))


def _step(last_ms: int, device_ms: int, host_step_s: float) -> int | None:
    """Milliseconds from one stamp to the next: negative for a line that came late, None where it does not follow."""
    forward_ms = (device_ms - last_ms) % WRAP_MS
    if forward_ms < WRAP_MS // 2:
        return forward_ms if forward_ms <= _most_ms(host_step_s) else None
    late_ms = WRAP_MS - forward_ms
    return -late_ms if late_ms <= LATE_MS else None
