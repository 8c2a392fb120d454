"""Events of a board's clock: wraps, restarts, stray stamps, late lines, a host that slept; with known truth."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from chargebench.recording.clocks import WRAP_MS, DeviceClock
from tests.faults.tally import Tally

KINDS = ("wrap", "restart", "stray", "late", "host slept", "silence")


@dataclass
class _Board:
    """A board and a host, both in true seconds."""

    draw: random.Random
    true_s: float = 0.0
    host_slept_s: float = 0.0
    boot_s: float = 0.0
    boot_ms: int = 1_000_000
    clock: DeviceClock = field(default_factory=DeviceClock)
    errors_s: list[float] = field(default_factory=list)

    def line(self, ms: int | None = None, true_s: float | None = None) -> None:
        """One line, stamped `ms` or as the board would, arriving a little late."""
        at_s = self.true_s if true_s is None else true_s
        stamp = round((at_s - self.boot_s) * 1000) + self.boot_ms if ms is None else ms
        host_s = self.true_s - self.host_slept_s + self.draw.expovariate(200.0)
        found_s = self.clock.seconds(stamp % WRAP_MS, host_s)
        self.clock.arrived(found_s, host_s)
        if ms is None:
            self.errors_s.append(found_s - at_s)

    def run(self, seconds: float) -> None:
        """Lines every 10 ms."""
        for _ in range(round(100 * seconds)):
            self.true_s += 0.01
            self.line()

    def happen(self, kind: str) -> None:
        """One event."""
        if kind == "wrap":
            self.boot_ms, self.boot_s = WRAP_MS - 500, self.true_s
            self.clock, self.errors_s = DeviceClock(), []
            self.run(1.0)
        elif kind == "restart":
            self.true_s += self.draw.uniform(0.5, 20.0)
            self.boot_ms, self.boot_s = self.draw.randrange(0, 300), self.true_s
        elif kind == "stray":
            self.line(ms=self.draw.randrange(WRAP_MS))
        elif kind == "late":
            self.line(true_s=self.true_s - self.draw.uniform(0.0, 0.3))
        elif kind == "host slept":
            slept_s = self.draw.uniform(600.0, 7200.0)
            self.true_s += slept_s
            self.host_slept_s += slept_s
        else:
            self.true_s += self.draw.uniform(1.0, 30.0)


def clock_events(trials: int, seed: int = 0) -> Tally:
    """Events one after another on boards that are each used for five; times must stay within 0.1 s for each event."""
    tally, draw = Tally("device clock event"), random.Random(seed)
    while tally.trials < trials:
        board = _Board(draw)
        board.run(3.0)
        for number in range(5):
            kind = draw.choice(KINDS)
            start = len(board.errors_s)
            board.happen(kind)
            board.run(2.0)
            errors_s = board.errors_s[start if kind != "wrap" else 0 :]
            spread_s = max(errors_s[2:]) - min(errors_s[2:])
            tally.trials += 1
            tally.seen[kind] += 1
            if spread_s > 0.002 or abs(errors_s[-1] - board.errors_s[0]) > 0.1 * (number + 1):
                tally.losses.append(f"{kind}: times off by {errors_s[-1]:.3f} s, spread {spread_s:.3f} s")
    return tally
