"""Short-term memory of a bench: charge and mass in blocks of a quarter of a second, the last minute or so of them.

Owns the blocks. Judges nothing, opens nothing.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["BLOCK_S", "Blocks", "Floats"]

Floats = npt.NDArray[np.float64]
Series = tuple[Floats, Floats]

BLOCK_S = 0.25
NEVER = -(1 << 60)


class Blocks:
    """Means of charge and last values of mass, block by block, in a ring.

    Parameters
    ----------
    span_s : float
        How far back it reaches.
    """

    def __init__(self, span_s: float) -> None:
        self._size = math.ceil(span_s / BLOCK_S)
        self._newest = NEVER
        self._sum = np.zeros(self._size)
        self._count = np.zeros(self._size, dtype=np.int64)
        self._mass = np.full(self._size, np.nan)
        self._bad = np.zeros(self._size, dtype=bool)

    @property
    def empty(self) -> bool:
        """Whether nothing came yet."""
        return self._newest == NEVER

    @property
    def now_s(self) -> float:
        """End of the last whole block."""
        return self._newest * BLOCK_S

    def advance(self, time_s: float) -> bool:
        """Go on to the block of `time_s`; True where that completes one. A leap past the ring's span empties it."""
        index = math.floor(time_s / BLOCK_S)
        if index <= self._newest and index > self._newest - self._size:
            return False
        if self.empty or abs(index - self._newest) >= self._size:
            self._clear(np.arange(self._size))
            self._newest = index
            return False
        self._clear(np.arange(self._newest + 1, index + 1) % self._size)
        self._newest = index
        return True

    def _clear(self, slots: npt.NDArray[np.int64]) -> None:
        self._sum[slots] = 0.0
        self._count[slots] = 0
        self._mass[slots] = np.nan
        self._bad[slots] = False

    def _slot(self, time_s: float) -> int:
        index = math.floor(time_s / BLOCK_S)
        return index % self._size if self._newest - self._size < index <= self._newest else -1

    def add_charge(self, time_s: float, charge_nC: float) -> None:
        """A charge in its block; one that comes too late is dropped."""
        slot = self._slot(time_s)
        if slot >= 0:
            self._sum[slot] += charge_nC
            self._count[slot] += 1

    def add_mass(self, time_s: float, mass_g: float) -> None:
        """A mass in its block: the last one stays."""
        slot = self._slot(time_s)
        if slot >= 0:
            self._mass[slot] = mass_g

    def spoil(self, time_s: float) -> None:
        """State that the charge input was over range, reset or zeroed in that block."""
        slot = self._slot(time_s)
        if slot >= 0:
            self._bad[slot] = True

    def _order(self, span_s: float, before_s: float) -> npt.NDArray[np.int64]:
        """Indices of whole blocks in the `span_s` that end `before_s` before now, oldest first."""
        last = self._newest - round(before_s / BLOCK_S)
        first = max(last - round(span_s / BLOCK_S), self._newest - self._size + 1)
        return np.arange(first, max(last, first))

    def charge(self, span_s: float, before_s: float = 0.0) -> Series:
        """Times (block centres) and mean charges of blocks that have any."""
        order = self._order(span_s, before_s)
        slots = order % self._size
        have = self._count[slots] > 0
        time_s: Floats = np.multiply(order[have] + 0.5, BLOCK_S, dtype=np.float64)
        return time_s, np.divide(self._sum[slots][have], self._count[slots][have], dtype=np.float64)

    def mass(self, span_s: float, before_s: float = 0.0) -> Series:
        """Times (block centres) and masses of blocks that have any."""
        order = self._order(span_s, before_s)
        mass_g = self._mass[order % self._size]
        have = np.isfinite(mass_g)
        time_s: Floats = np.multiply(order[have] + 0.5, BLOCK_S, dtype=np.float64)
        return time_s, mass_g[have]

    def spoilt(self, span_s: float) -> bool:
        """Whether a block of the last `span_s` was over range, reset or zeroed."""
        return bool(self._bad[self._order(span_s, 0.0) % self._size].any())
