"""The virtual scale: first-order lag, vibration, rounding, a stability flag, lines without a clock.

Owns the scale's state. Knows nothing of ports.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from chargebench.instruments.virtual.world import World

__all__ = ["PrintingScale"]

_PARTS = 10
"""Steps of the lag's integration within one printed line."""
_STILL_LINES = 5


class PrintingScale:
    """Prints ``ST,  +152.30,g`` or ``US, …`` (unstable) at its own rate."""

    def __init__(self, world: World, seed: int) -> None:
        self._world = world
        self._model = world.scenario.scale
        self._rng = np.random.default_rng([seed, 4])
        self._step_s = 1.0 / self._model.lines_per_s
        self._time_s = float(self._rng.uniform(0, self._step_s))
        self._felt_g = float(world.load_g(np.array([self._time_s]))[0])
        self._printed: deque[float] = deque(maxlen=_STILL_LINES)
        places = -math.floor(math.log10(self._model.resolution_g))
        self._format = f"{{flag}},{{value:+{6 + max(places, 0)}.{max(places, 0)}f}},g\r\n"

    def advance(self, until_s: float) -> bytes:
        """Live until a virtual time; returns the lines printed since the last call."""
        lines = []
        while self._time_s + self._step_s <= until_s:
            lines.append(self._next_line())
        return b"".join(lines)

    def _next_line(self) -> bytes:
        """Follow the load for one line's time, exactly for a load constant over each tenth of it; print."""
        inner_s = self._time_s + self._step_s * (np.arange(_PARTS) + 0.5) / _PARTS
        keep = math.exp(-self._step_s / _PARTS / self._model.lag_s) if self._model.lag_s > 0 else 0.0
        for load_g in self._world.load_g(inner_s).tolist():
            self._felt_g = keep * self._felt_g + (1 - keep) * load_g
        self._time_s += self._step_s
        shaken = bool(self._world.grinding(np.array([self._time_s]))[0])
        noise_g = math.hypot(self._model.noise_g, self._model.vibration_g * shaken) * self._rng.standard_normal()
        step_g = self._model.resolution_g
        shown_g = step_g * round((self._felt_g + noise_g) / step_g)
        self._printed.append(shown_g)
        still = len(self._printed) == _STILL_LINES and max(self._printed) - min(self._printed) < 2.5 * step_g
        return self._format.format(flag="ST" if still else "US", value=shown_g + 0.0).encode("ascii")
