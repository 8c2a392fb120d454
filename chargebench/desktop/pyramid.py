"""A trace of any length in a fixed amount of memory: minima and maxima at doubling widths, each level a ring.

Owns the arrays behind a live curve. Drawing a stretch costs the same whether it holds a thousand readings or a
hundred million; no array ever grows. Knows nothing of Qt, channels or units.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Pyramid"]

Floats = npt.NDArray[np.float64]


@dataclass(slots=True)
class _Level:
    """One ring of buckets: rows are time of the first reading, minimum, maximum."""

    ring: Floats
    written: int = 0
    carry: Floats | None = None

    def append(self, buckets: Floats) -> None:
        """Write buckets, shape (3, n), over the oldest ones."""
        size = self.ring.shape[1]
        kept = buckets[:, -size:]
        first = self.written + buckets.shape[1] - kept.shape[1]
        self.ring[:, (first + np.arange(kept.shape[1])) % size] = kept
        self.written += buckets.shape[1]

    def pair(self, buckets: Floats) -> Floats:
        """Buckets of twice the width made of the carried one and these; keeps an odd one for the next time."""
        if self.carry is not None:
            buckets = np.concatenate([self.carry, buckets], axis=1)
        whole = buckets.shape[1] // 2 * 2
        self.carry = buckets[:, whole:].copy() if whole < buckets.shape[1] else None
        left, right = buckets[:, 0:whole:2], buckets[:, 1:whole:2]
        return np.stack([left[0], np.fmin(left[1], right[1]), np.fmax(left[2], right[2])])

    @property
    def full(self) -> bool:
        """Whether old buckets have been written over."""
        return bool(self.written > self.ring.shape[1])

    @property
    def oldest_s(self) -> float:
        """Time of the oldest bucket still held; infinite where there is none."""
        if self.written == 0:
            return math.inf
        return float(self.ring[0, self.written % self.ring.shape[1] if self.full else 0])

    def in_order(self) -> Floats:
        """Buckets from old to new, a new array of shape (3, n)."""
        if not self.full:
            return self.ring[:, : self.written].copy()
        start = self.written % self.ring.shape[1]
        return np.concatenate([self.ring[:, start:], self.ring[:, :start]], axis=1)


class Pyramid:
    """Minima and maxima of a growing trace.

    Parameters
    ----------
    buckets : int
        Buckets held at each level; a stretch is drawn with at most this many.
    levels : int
        Level k holds buckets of 2**k readings. With 1,024 buckets and 19 levels a day at 1,000 readings/s fits three
        times over, in 0.5 MB.
    """

    def __init__(self, buckets: int = 1024, levels: int = 19) -> None:
        self._levels = [_Level(np.full((3, buckets), np.nan)) for _ in range(levels)]
        self.last_time_s = math.nan
        self.last_value = math.nan

    @property
    def count(self) -> int:
        """Readings taken in since `clear`."""
        return self._levels[0].written

    @property
    def nbytes(self) -> int:
        """Memory of the rings, constant."""
        return sum(level.ring.nbytes for level in self._levels)

    def clear(self) -> None:
        """Forget everything; the memory stays."""
        for level in self._levels:
            level.written = 0
            level.carry = None
        self.last_time_s = self.last_value = math.nan

    def extend(self, time_s: npt.ArrayLike, value: npt.ArrayLike) -> None:
        """Take in readings, shapes (n,), in order of time; a value may be NaN where the instrument gave none."""
        times, values = np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64)
        if times.size == 0:
            return
        buckets = np.stack([times, values, values])
        for index, level in enumerate(self._levels):
            level.append(buckets)
            if index + 1 == len(self._levels):
                break
            buckets = level.pair(buckets)
            if buckets.shape[1] == 0:
                break
        self.last_time_s = float(times[-1])
        usable = values[np.isfinite(values)]
        if usable.size:
            self.last_value = float(usable[-1])

    def _level_for(self, start_s: float) -> int:
        """The finest level that still reaches back to a time; the coarsest where none does."""
        for index, level in enumerate(self._levels):
            if not level.full or level.oldest_s <= start_s:
                return index
        return len(self._levels) - 1

    def curve(self, start_s: float, end_s: float = math.inf) -> tuple[Floats, Floats]:
        """Points of a line that covers a stretch: each bucket's minimum and maximum at its time.

        Returns
        -------
        time_s, value : float64 arrays (n,)
            At most two points a bucket and level; one bucket more on either side, so that the line reaches the edges.
        """
        index = self._level_for(start_s)
        rest = [level.carry for level in reversed(self._levels[:index]) if level.carry is not None]
        buckets = np.concatenate([self._levels[index].in_order(), *rest], axis=1)
        low = max(int(np.searchsorted(buckets[0], start_s)) - 1, 0)
        high = int(np.searchsorted(buckets[0], end_s, side="right")) + 1
        buckets = buckets[:, low:high]
        if index == 0:
            return buckets[0], buckets[1]
        return np.repeat(buckets[0], 2), buckets[1:].T.ravel()
