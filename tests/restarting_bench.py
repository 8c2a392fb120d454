"""A bench whose electrometer starts anew in mid-run, played by itself: nothing of chargebench is imported here.

Physics, lines, check field and the instrument's side of a conversation are its own. The charge obeys
dq/dt = i(t) + I_b - q/tau, in exact steps; a restart empties the integrator and begins the instrument's clock, line
numbers and status bits again. Times are seconds of play.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

TICK_S = 0.01


@dataclass(frozen=True)
class Story:
    """One run; the restart comes at `restart_s` and takes `off_s`."""

    restart_s: float = math.inf
    off_s: float = 0.5
    start_s: float = 14.0
    grind_s: float = 8.0
    end_s: float = 60.0
    mass_g: float = 18.0
    charge_to_mass_nC_per_g: float = -61.1
    tau_s: float = 900.0
    bias_nC_per_s: float = 0.01
    noise_nC: float = 0.05
    uptime_s: float = 7000.0
    lost_after_s: float = 0.0
    link: bool = True
    seed: int = 0

    def fallen_share(self, time_s: np.ndarray) -> np.ndarray:
        """Share of the grounds that has fallen."""
        x = np.clip((time_s - self.start_s) / self.grind_s, 0.0, 1.0)
        return x - np.sin(2 * np.pi * x) / (2 * np.pi) * 0.2

    def is_off(self, time_s: float) -> bool:
        """Whether the electrometer has no power."""
        return self.restart_s <= time_s < self.restart_s + self.off_s

    def charge_nC(self) -> np.ndarray:
        """What the display shows on a grid of `TICK_S`; nothing is held while it is off."""
        time_s = np.arange(0.0, self.end_s, TICK_S)
        total = self.charge_to_mass_nC_per_g * self.mass_g
        come = np.diff(total * self.fallen_share(time_s), prepend=0.0) + self.bias_nC_per_s * TICK_S
        keep, held, shown = math.exp(-TICK_S / self.tau_s), 2.0, []
        for at_s, more in zip(time_s.tolist(), come.tolist(), strict=True):
            held = 0.0 if self.is_off(at_s) else keep * held + more
            shown.append(held)
        return np.array(shown) + np.random.default_rng(self.seed).normal(0.0, self.noise_nC, len(shown))


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE, bit by bit."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = ((register << 1) ^ 0x1021 if register & 0x8000 else register << 1) & 0xFFFF
    return register


def scale_lines(story: Story) -> Iterator[tuple[float, bytes]]:
    """(time, line) of the scale, five a second, with a lag and a flag."""
    rng = np.random.default_rng([story.seed, 1])
    time_s = np.arange(0.03, story.end_s, 0.2)
    felt, level = [], 0.0
    for load in (story.mass_g * story.fallen_share(time_s)).tolist():
        level += (load - level) * (1 - math.exp(-0.2 / 0.4))
        felt.append(210.0 + level)
    shown = np.round(np.array(felt) + rng.normal(0.0, 0.004, len(felt)), 2)
    for n, (at_s, grams) in enumerate(zip(time_s.tolist(), shown.tolist(), strict=True)):
        still = np.ptp(shown[max(0, n - 4) : n + 1]) < 0.03
        yield at_s, f"{'ST' if still else 'US'},{grams:+9.2f},g\r\n".encode()


def framed_lines(story: Story) -> Iterator[tuple[float, bytes]]:
    """(time, line) of a framed board: charge ten times a second, humidity once; no flag tells of the restart."""
    shown = story.charge_nC()
    booted_s, count = -story.uptime_s, {"Q": round(10 * story.uptime_s), "H": round(story.uptime_s)}
    for tick in range(0, len(shown), round(0.1 / TICK_S)):
        at_s = tick * TICK_S
        if at_s >= story.restart_s and booted_s < story.restart_s:
            booted_s, count = story.restart_s + story.off_s - 0.03, {"Q": 0, "H": 0}
        if story.is_off(at_s):
            continue
        due = [("Q", f"{shown[tick]:.3f}", "nC")] + [("H", "41.5", "%")] * (tick % round(1 / TICK_S) == 0)
        for kind, value, unit in due:
            ms = round(1000 * (at_s - booted_s)) % 4294967296
            body = f"{kind},{count[kind] % 65536},{ms},{value},{unit},OK".encode()
            count[kind] += 1
            if not 0.0 <= at_s - story.restart_s < story.off_s + story.lost_after_s:
                yield at_s, body + b"*%04X\r\n" % crc16(body)


class Meter:
    """A polled electrometer: bits of what happened, an error queue, an answer some hundredths of a second later."""

    def __init__(self, story: Story) -> None:
        self._story = story
        self._shown_C = story.charge_nC() * 1e-9
        self._bits, self._errors = 128, ['-102,"Syntax error"']
        self._booted = False
        self.answers: list[tuple[float, bytes]] = []

    def hear(self, line: str, now_s: float) -> None:
        """A command or query, at a time."""
        story = self._story
        if now_s >= story.restart_s and not self._booted:
            self._booted = True
            self._bits, self._errors, self.answers = 128, [], []
        if story.is_off(now_s):
            return
        reply = self._answer(line, now_s)
        if reply is not None:
            self.answers.append((now_s + 0.02, reply.encode() + b"\r\n"))

    def _answer(self, line: str, now_s: float) -> str | None:
        if line == "*IDN?":
            return "MAKER,METER,0001,1.0"
        if line == "*ESR?":
            bits, self._bits = self._bits, 0
            return f"+{bits}"
        if line == "SYST:ERR?":
            return self._errors.pop(0) if self._errors else '+0,"No error"'
        if line == "*OPC?":
            return "1"
        if line == "READ?":
            tick = min(round(now_s / TICK_S), len(self._shown_C) - 1)
            return f"{self._shown_C[tick]:+.6E}C,{now_s:.3f}"
        return None
