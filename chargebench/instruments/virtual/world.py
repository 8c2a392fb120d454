"""What is physically going on at the virtual bench: grounds fall, the cup is handled, air dampens and dries.

Owns the state that both instruments look at. Knows nothing of lines, ports or real time; virtual times only.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from chargebench.bounded import JsonObject
from chargebench.errors import InputError
from chargebench.instruments.virtual.grind import Fall, GrindOrder, draw_grind, loss, step
from chargebench.instruments.virtual.scenario import Scenario

__all__ = ["World"]

Floats = npt.NDArray[np.float64]
LARGEST_NC, MOST_SPRAYS = 10_000.0, 100
_LIFT_S, _REPLACE_S, _OPEN_S = 0.5, 2.5, 3.5
"""Emptying the cup: zero switch closed at once, cup lifted, put back, switch opened."""


class World:
    """The cup, the grinder and the air.

    Parameters
    ----------
    scenario : Scenario
        What the bench is made of.
    seed : int
        The same seed gives the same truth for the n-th grind, whenever it is started (water carried over excepted:
        it dries as time goes by).
    """

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self.seed = seed
        self.ioniser_on = False
        self._falls: list[Fall] = []
        self._grinds = 0
        self._zeroed: list[tuple[float, float]] = []
        self._lifted: list[tuple[float, float]] = []
        self._emptied: list[tuple[float, float]] = []
        self._touches: list[tuple[float, float]] = []
        self._water: tuple[float, float] = (-math.inf, 0.0)
        self._busy_until_s = -math.inf
        self._damp: list[tuple[float, float]] = []

    def _claim(self, start_s: float, end_s: float, what: str) -> None:
        """Hold that the bench does one thing at a time.

        Raises
        ------
        InputError
            When it is still busy.
        """
        if start_s < self._busy_until_s:
            raise InputError(
                f"{what}: the bench is busy for another {self._busy_until_s - start_s:.1f} virtual seconds"
            )
        self._busy_until_s = end_s

    def grind(self, order: GrindOrder, now_s: float) -> JsonObject:
        """Start a grind; returns its truth at once."""
        self._claim(now_s, now_s, "grind")
        room = self.scenario.room
        since_s, left = self._water
        carried = room.carry_over * left * math.exp((since_s - now_s) / room.carry_over_return_s)
        rng = np.random.default_rng([self.seed, 1, self._grinds])
        grind = draw_grind(self.scenario, order, rng, now_s, carried, self.ioniser_on)
        self._claim(now_s, grind.fall.end_s, "grind")
        self._grinds += 1
        self._falls.append(grind.fall)
        self._water = (grind.fall.end_s, order.water_uL_per_g + carried)
        if order.water_uL:
            self._damp.append((grind.fall.end_s, room.humidity_per_uL * order.water_uL))
        return {"number": self._grinds, **grind.truth}

    def inject(self, charge_nC: float, now_s: float) -> JsonObject:
        """Put a known charge on the cup, as a capacitor and a voltage would."""
        if not abs(charge_nC) <= LARGEST_NC:
            raise InputError(f"charge {charge_nC:g} nC: allowed -{LARGEST_NC:g} to {LARGEST_NC:g}")
        fall = step(now_s, charge_nC)
        self._claim(now_s, fall.end_s, "inject")
        self._falls.append(fall)
        return {"start_s": now_s, "charge_nC": charge_nC}

    def spray(self, count: int, now_s: float) -> JsonObject:
        """So many sprays elsewhere, of a bottle that stands on the scale: it is lighter by them from now on."""
        if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST_SPRAYS:
            raise InputError(f"sprays {count!r}: allowed 1 to {MOST_SPRAYS}")
        sprayer = self.scenario.sprayer
        rng = np.random.default_rng([self.seed, 3, round(1000 * now_s)])
        mass_g = float(np.sum(sprayer.spray_g + sprayer.spray_sd_g * rng.standard_normal(count)))
        fall = loss(now_s, mass_g)
        self._claim(now_s, now_s, "spray")
        self._falls.append(fall)
        return {"start_s": now_s, "sprays": count, "mass_g": mass_g}

    def empty_cup(self, now_s: float) -> JsonObject:
        """Close the zero switch, take the cup away, pour it out, put it back, open the switch."""
        self._claim(now_s, now_s + _OPEN_S, "empty_cup")
        self._zeroed.append((now_s, now_s + _OPEN_S))
        self._lifted.append((now_s + _LIFT_S, now_s + _REPLACE_S))
        fallen_g = float(self._fallen("mass_g", np.array([now_s]))[0])
        self._emptied.append((now_s + _LIFT_S, fallen_g - sum(mass_g for _, mass_g in self._emptied)))
        return {"start_s": now_s, "end_s": now_s + _OPEN_S}

    def zero(self, now_s: float) -> None:
        """Close the zero switch for half a second."""
        self._zeroed.append((now_s, now_s + 0.5))

    def touch(self, now_s: float) -> JsonObject:
        """Somebody brushes against the cable: a burst of spikes that leave no charge behind."""
        rng = np.random.default_rng([self.seed, 2, round(1000 * now_s)])
        times_s = now_s + np.sort(rng.uniform(0.0, 0.6, 5))
        sizes_nC = self.scenario.electrometer.spike_nC * rng.standard_normal(5)
        self._touches += [(float(t), float(s)) for t, s in zip(times_s, sizes_nC, strict=True)]
        return {"start_s": now_s}

    def _fallen(self, what: str, time_s: Floats) -> Floats:
        """Sum over all that has fallen, shape of `time_s`."""
        return sum((fall.at(what, time_s) for fall in self._falls), np.zeros(len(time_s)))

    def charge_nC(self, time_s: Floats) -> Floats:
        """Net charge brought in since the beginning."""
        return self._fallen("charge_nC", time_s)

    def plate_nC(self, sign: int, time_s: Floats) -> Floats:
        """Charge of one sign brought by the grounds since the beginning."""
        return self._fallen("positive_nC" if sign > 0 else "negative_nC", time_s)

    def current_pA(self) -> float:
        """Steady current of the ioniser's ions into the cup."""
        return self.scenario.room.ioniser_current_pA if self.ioniser_on else 0.0

    def spikes_nC(self, time_s: Floats) -> Floats:
        """What touched cables add to the display; each dies away within tenths of a second."""
        total = np.zeros(len(time_s))
        for start_s, size_nC in self._touches:
            after_s = time_s - start_s
            total += np.where(after_s >= 0, size_nC * np.exp(-np.maximum(after_s, 0.0) / 0.03), 0.0)
        return total

    @staticmethod
    def _inside(spans: list[tuple[float, float]], time_s: Floats) -> npt.NDArray[np.bool_]:
        """True where a time lies in one of the spans."""
        inside = np.zeros(len(time_s), dtype=bool)
        for start_s, end_s in spans:
            inside |= (time_s >= start_s) & (time_s < end_s)
        return inside

    def zeroed(self, time_s: Floats) -> npt.NDArray[np.bool_]:
        """True where the zero switch is closed."""
        return self._inside(self._zeroed, time_s)

    def load_g(self, time_s: Floats) -> Floats:
        """What stands on the scale."""
        scale = self.scenario.scale
        poured_g = sum((mass_g * (time_s >= start_s) for start_s, mass_g in self._emptied), np.zeros(len(time_s)))
        standing_g = scale.tare_g + self._fallen("mass_g", time_s) - poured_g
        return np.where(self._inside(self._lifted, time_s), 0.0, standing_g)

    def grinding(self, time_s: Floats) -> npt.NDArray[np.bool_]:
        """True where the grinder runs and shakes the scale."""
        return self._inside([(fall.start_s, fall.end_s) for fall in self._falls if fall.mass_g[-1] > 0], time_s)

    def humidity_percent(self, time_s: float) -> float:
        """Relative humidity in the chamber."""
        room = self.scenario.room
        since = [(time_s - end_s, rise) for end_s, rise in self._damp if time_s >= end_s]
        extra = sum(rise * (math.exp(-s / room.humidity_return_s) - math.exp(-s / 4.0)) for s, rise in since)
        return min(room.humidity_percent + extra, 99.0)

    def forget_before(self, time_s: float) -> None:
        """Fold what ended long ago into constants, so that a long day costs no more than a short one."""
        keep_s = time_s - 10.0
        self._falls = self._folded([fall for fall in self._falls if fall.end_s < keep_s]) + [
            fall for fall in self._falls if fall.end_s >= keep_s
        ]
        self._zeroed = [span for span in self._zeroed if span[1] >= keep_s]
        self._lifted = [span for span in self._lifted if span[1] >= keep_s]
        self._touches = [touch for touch in self._touches if touch[0] >= keep_s]
        self._damp = [damp for damp in self._damp if damp[0] >= time_s - 600.0]
        old = [emptied for emptied in self._emptied if emptied[0] < keep_s]
        if len(old) > 1:
            self._emptied = [(old[0][0], sum(mass for _, mass in old)), *self._emptied[len(old) :]]

    @staticmethod
    def _folded(old: list[Fall]) -> list[Fall]:
        """One constant in place of many falls that have ended."""
        if len(old) < 2:
            return old
        last = {
            name: np.array([sum(float(getattr(fall, name)[-1]) for fall in old)] * 2)
            for name in ("mass_g", "charge_nC", "positive_nC", "negative_nC")
        }
        return [Fall(old[0].start_s, np.array([0.0, 0.0]), **last)]
