"""The virtual charge board: equation (1) integrated from sample to sample, noise on top, lines with a CRC.

Owns the electrometer's state and the board's answers. Knows nothing of ports; bytes come and go as values.
"""

from __future__ import annotations

import math
from itertools import accumulate

import numpy as np
import numpy.typing as npt

from chargebench.instruments.virtual.scenario import Electrometer
from chargebench.instruments.virtual.world import World
from chargebench.wire.framed import encode

__all__ = ["Board", "Noise"]

Floats = npt.NDArray[np.float64]
_PLATE_SHARE = 0.05
_LONGEST_COMMAND = 200


class Noise:
    """What an electrometer shows when nothing falls: white, with memory, wandering, hum, spikes."""

    def __init__(self, model: Electrometer, rng: np.random.Generator) -> None:
        self._model = model
        self._rng = rng
        self._hum_phase = rng.uniform(0, 2 * math.pi)
        self._spike_nC = 0.0
        parts = [(model.correlated_nC, model.correlated_s)] + [(model.wander_nC, s) for s in (1.0, 10.0, 100.0)]
        self._slow = [(sd, memory_s, sd * rng.standard_normal()) for sd, memory_s in parts if sd > 0]

    def sample(self, time_s: Floats, step_s: float) -> Floats:
        """Noise at evenly spaced virtual times that follow those of the last call, nC, shape of `time_s`."""
        model, count = self._model, len(time_s)
        total = model.white_nC * self._rng.standard_normal(count)
        total += model.hum_nC * np.sin(2 * math.pi * model.hum_Hz * time_s + self._hum_phase)
        for index, (sd, memory_s, last) in enumerate(self._slow):
            keep = math.exp(-step_s / memory_s)
            fresh = sd * math.sqrt(1 - keep * keep) * self._rng.standard_normal(count)
            slow = _first_order(keep, fresh, last)
            self._slow[index] = (sd, memory_s, float(slow[-1]))
            total += slow
        return total + self._spikes(count, step_s)

    def _spikes(self, count: int, step_s: float) -> Floats:
        """Touched cables at random, each dying away within tenths of a second."""
        if self._model.spikes_per_min <= 0:
            return np.zeros(count)
        hit = self._rng.random(count) < self._model.spikes_per_min / 60 * step_s
        fresh = np.where(hit, self._model.spike_nC * self._rng.standard_normal(count), 0.0)
        spikes = _first_order(math.exp(-step_s / 0.03), fresh, self._spike_nC)
        self._spike_nC = float(spikes[-1])
        return spikes


def _first_order(keep: float, fresh: Floats, last: float) -> Floats:
    """y[n] = keep·y[n-1] + fresh[n], beginning after `last`; shape of `fresh`."""
    running = accumulate(fresh.tolist(), lambda y, x: keep * y + x, initial=last)
    return np.fromiter(running, dtype=np.float64, count=len(fresh) + 1)[1:]


class Board:
    """The board: charge lines at its rate, humidity and temperature once a second, answers to commands."""

    def __init__(self, world: World, seed: int) -> None:
        self._world = world
        self._model = world.scenario.electrometer
        self._rng = np.random.default_rng([seed, 3])
        self._noise = Noise(self._model, self._rng)
        self._step_s = 1.0 / self._model.lines_per_s
        self._time_s = 0.0
        self._slow_time_s = 0.5
        self._charge_nC = 0.0
        self._was_zeroed = False
        self._sequence: dict[str, int] = {}
        self._received = bytearray()
        self._answers: list[str] = []
        self._uptime_ms = self._model.uptime_ms
        self._off_until_s = -math.inf

    def restart(self, now_s: float, off_s: float) -> None:
        """Switch off, and on again after so many virtual seconds: charge, clock, counters and answers begin anew."""
        self._off_until_s = now_s + off_s
        self._uptime_ms = -round(1000 * self._off_until_s)
        self._sequence.clear()
        self._answers.clear()
        self._received.clear()

    def line(self, kind: str, time_s: float, value_text: str, unit: str, status: str = "OK") -> bytes:
        """One framed line, counted by its kind, stamped with the board's uptime; both wrap."""
        sequence = self._sequence.get(kind, 0)
        self._sequence[kind] = sequence + 1
        device_ms = self._uptime_ms + round(1000 * time_s)
        return encode(kind, sequence, device_ms, value_text, unit, status)

    def advance(self, until_s: float) -> bytes:
        """Live until a virtual time; returns what was sent since the last call, in order however long that is."""
        lines = [self.line("N", self._time_s, text, "-") for text in self._answers]
        self._answers.clear()
        while count := self._steps_to(min(until_s, self._slow_time_s + self._step_s)):
            edges_s: Floats = self._time_s + self._step_s * np.arange(count + 1, dtype=np.float64)
            lines += self._charge_lines(edges_s)
            self._time_s = float(edges_s[-1])
            while self._slow_time_s <= self._time_s:
                if self._slow_time_s >= self._off_until_s:
                    lines += self._air_lines(self._slow_time_s)
                self._slow_time_s += 1.0
        return b"".join(lines)

    def _steps_to(self, until_s: float) -> int:
        """Whole steps that end by then."""
        return max(int((until_s - self._time_s) / self._step_s + 1e-6), 0)

    def _charge_lines(self, edges_s: Floats) -> list[bytes]:
        """Charge lines at all but the first of evenly spaced times."""
        time_s = edges_s[1:]
        shown, over, zeroed = self._display(edges_s)
        plates = [self._plate(sign, edges_s) for sign in (1, -1)] if self._model.plates else []
        lines = []
        for index, (at_s, value) in enumerate(zip(time_s.tolist(), shown.tolist(), strict=True)):
            if at_s < self._off_until_s:
                continue
            status = self._status(bool(over[index]), bool(zeroed[index]))
            lines.append(self.line("Q", at_s, f"{value:.4f}", "nC", status))
            lines += [self.line(f"Q{n}", at_s, f"{plate[index]:.4f}", "nC") for n, plate in enumerate(plates, start=2)]
        return lines

    def _display(self, edges_s: Floats) -> tuple[Floats, npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
        """What is shown at all but the first of evenly spaced times, where that is over range, and where zeroed."""
        time_s = edges_s[1:]
        zeroed = self._world.zeroed(time_s)
        held = self._electrometer(edges_s, zeroed | (time_s < self._off_until_s)) / self._model.gain
        shown = np.where(zeroed, 0.0, held + self._world.spikes_nC(time_s)) + self._noise.sample(time_s, self._step_s)
        over = np.abs(shown) > self._model.range_nC
        return np.clip(shown, -self._model.range_nC, self._model.range_nC), over, zeroed

    def _status(self, over: bool, zeroed: bool) -> str:
        """Flags of one charge line."""
        flags = ["OVER"] * over + ["ZERO"] * zeroed + ["RESET"] * (self._was_zeroed and not zeroed)
        self._was_zeroed = zeroed
        return "+".join(flags) or "OK"

    def _electrometer(self, edges_s: Floats, zeroed: npt.NDArray[np.bool_]) -> Floats:
        """Charge held at each edge but the first: equation (1), exact for a current constant between edges."""
        steady_nA = 1e-3 * (self._model.bias_current_pA + self._world.current_pA())
        current_nA = np.diff(self._world.charge_nC(edges_s)) / self._step_s + steady_nA
        tau_s = self._model.leakage_time_constant_s
        keep = math.exp(-self._step_s / tau_s)
        weight_s = self._step_s if math.isinf(tau_s) else -tau_s * math.expm1(-self._step_s / tau_s)
        fresh = zip((weight_s * current_nA).tolist(), zeroed.tolist(), strict=True)
        held = self._charge_nC
        charge_nC = []
        for gained, closed in fresh:
            held = 0.0 if closed else keep * held + gained
            charge_nC.append(held)
        self._charge_nC = held
        return np.array(charge_nC)

    def _plate(self, sign: int, edges_s: Floats) -> list[float]:
        """What a plate beside the chute shows: a share of one sign's charge, with white noise."""
        caught_nC = _PLATE_SHARE * self._world.plate_nC(sign, edges_s[1:])
        noise_nC = 0.5 * self._model.white_nC * self._rng.standard_normal(len(caught_nC))
        return list((caught_nC + noise_nC).tolist())

    def _air_lines(self, time_s: float) -> list[bytes]:
        """Humidity and temperature."""
        humidity = self._world.humidity_percent(time_s) + 0.05 * self._rng.standard_normal()
        swing = 0.2 * math.sin(2 * math.pi * time_s / 900)
        temperature = self._world.scenario.room.temperature_C + swing + 0.01 * self._rng.standard_normal()
        return [
            self.line("H", time_s, f"{humidity:.2f}", "%"),
            self.line("T", time_s, f"{temperature:.2f}", "C"),
        ]

    def hear(self, data: bytes) -> None:
        """Take what the host sent; whole lines are obeyed and answered, unless it is switched off."""
        if self._time_s < self._off_until_s:
            return
        self._received += data
        *commands, rest = bytes(self._received).split(b"\n")
        self._received = bytearray(rest[-_LONGEST_COMMAND:])
        self._answers += [self._obey(command.strip().decode("ascii", "replace")) for command in commands]

    def _obey(self, command: str) -> str:
        """Do one command; returns the words of the answer."""
        if command == "ID?":
            return "virtual charge board 1"
        if command == "ZERO":
            self._world.zero(self._time_s)
            return "ZERO closed for 500 ms"
        word, _, number = command.partition(" ")
        if word == "RATE" and number.isdecimal() and 1 <= int(number[:9]) <= 200:
            self._step_s = 1.0 / int(number)
            return f"RATE {int(number)}"
        return "not understood"
