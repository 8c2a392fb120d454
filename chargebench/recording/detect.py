"""Finds the run: from charge and mass on the run's clock to states, with the times at which they began.

Owns the reasoning, not the thresholds of charge (`chargebench.recording.measures`) nor the order of states
(`chargebench.recording.states`). Reads no clock, opens nothing: the same readings give the same run, live or later.

Where a scale speaks, a grind is what makes mass rise like a grind: half a gram or more, for a second or more, no
faster than a grinder can. That holds for neutralised grounds, which bring no charge, and no touched cable imitates it.
Without a scale (or with one that sees nothing) a long steady ramp of charge counts. Once found, the start is dated back
to where charge or mass first left its quiet course.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from chargebench.recording.assemble import Timed
from chargebench.recording.blocks import BLOCK_S, Blocks, Floats
from chargebench.recording.measures import (
    Before,
    charge_quiet,
    charge_still,
    departure_s,
    mass_moved,
    mass_noise,
    mass_steady,
    noise,
    ramp,
    slope_of,
)
from chargebench.recording.states import Signal, State, step
from chargebench.wire.reading import Status

__all__ = ["Change", "Detector"]

Signals = dict[Signal, tuple[float, str]]

SPOILT = int(Status.OVER | Status.RESET | Status.ZERO | Status.LATE)
BASE_G = 0.3
BASE_SPAN_S = 5.5
BASE_BEFORE_S = 2.5
CONFIRM_G = 0.5
CONFIRM_S = 1.0
STEP_G = 10.0
FASTEST_G_PER_S = 25.0
STILL_S = 2.5
STILL_WITHOUT_SCALE_S = 4.0
DISTURBED_S = 6.0
SHORTEST_GRIND_S = 1.5
LONGEST_GRIND_S = 300.0
SCALE_SILENT_S = 6.0
LONGEST_SETTLING = 5.0
SHORTEST_QUIET_S = 2.5


@dataclass(frozen=True, slots=True)
class Change:
    """A state, when it began on the run's clock, and why, in words."""

    state: State
    time_s: float
    text: str


class Detector:
    """Takes timed readings, tells changes of state.

    Parameters
    ----------
    has_charge, has_mass : bool
        What the bench carries.
    quiet_before_s, quiet_after_s : float
        Lengths of the quiet stretches.

    Attributes
    ----------
    state : str
    before_g, resolution_g : float
        Mass before the grind (NaN where none was read); least change of mass seen so far.
    begun_by_hand, ended_by_hand : bool
        Whether a person began the run; whether one ended the grind, and nothing fell after that.
    cut : str
        Why whoever stood there cut the run short; empty where it was not.
    """

    def __init__(self, *, has_charge: bool, has_mass: bool, quiet_before_s: float, quiet_after_s: float) -> None:
        self.state: State = "waiting"
        self._has_charge = has_charge
        self._has_mass = has_mass
        self._before_s = quiet_before_s
        self._after_s = quiet_after_s
        self._blocks = Blocks(max(quiet_before_s, quiet_after_s) + 40.0)
        self.resolution_g = 0.0
        self._last_mass_g = np.nan
        self._last_mass_s = -np.inf
        self._newest_s = self._first_s = 0.0
        self._last_current_s = np.inf
        self._integral_nC = 0.0
        self._handled_s = -np.inf
        self._crossed_s = np.inf
        self._base_g = np.nan
        self.before_g = np.nan
        self._before = Before()
        self._start_s = 0.0
        self._end_s = 0.0
        self._unquiet_since_s = np.inf
        self._moved = False
        self.begun_by_hand = self.ended_by_hand = False
        self._ends_s = np.inf
        self.cut = ""
        self._settled_g = np.nan
        self._by_hand: Signal | None = None
        self._started_anew = False
        self._checks = self._just_checked = False

    @property
    def newest_s(self) -> float:
        """Time of the newest reading."""
        return self._newest_s

    @property
    def calm(self) -> bool:
        """Whether nothing hints at a grind: the moment to change journals."""
        return self.state in ("waiting", "armed") and np.isinf(self._crossed_s) and np.isinf(self._unquiet_since_s)

    @property
    def quiet_so_far(self) -> tuple[float, float] | None:
        """Seconds of quiet that there are by now and that are needed, where quiet is being waited for; else None."""
        if self._blocks.empty or self.state not in ("waiting", "settling"):
            return None
        waiting = self.state == "waiting"
        needed_s = self._before_s if waiting else self._after_s
        since_s = max(self._handled_s, self._first_s) if waiting else self._end_s
        limit_s = max(0.0, min(needed_s, self._blocks.now_s - since_s))
        spans_s = (*np.arange(SHORTEST_QUIET_S, limit_s, 1.0).tolist(), limit_s)
        return max(itertools.takewhile(self._quiet, spans_s), default=0.0), needed_s

    def by_hand(self, signal: Signal, seconds: float = np.inf) -> list[Change]:
        """A person says ``start`` or ``finish``: obeyed at once where the state allows it.

        A grind that is started for so many `seconds` ends by itself then.
        """
        self._by_hand = signal
        if signal == "start" and self.state in ("waiting", "armed"):
            self._ends_s = self._newest_s + seconds
        return self._evaluate()

    def checked(self) -> list[Change]:
        """An instrument that can be asked answered that it did not start anew; once one has, quiet waits for that."""
        self._checks = self._just_checked = True
        changes = self._evaluate()
        self._just_checked = False
        return changes

    def feed(self, readings: Iterable[Timed]) -> list[Change]:
        """Changes of state that these readings bring about."""
        changes: list[Change] = []
        for channel, time_s, value, status in readings:
            if channel not in ("charge", "current", "mass") or (channel == "mass" and status & Status.LATE):
                continue
            self._newest_s = time_s
            if self._blocks.empty:
                self._first_s = time_s
            if self._blocks.advance(time_s):
                changes += self._evaluate()
            if status & Status.RESTARTED:
                self._started_anew = True
            if channel == "mass":
                if status & Status.RESTARTED:
                    self._handled_s = self._blocks.now_s
                self._take_mass(time_s, value)
            elif status & SPOILT or value != value:
                self._blocks.spoil(time_s)
            elif channel == "charge":
                self._blocks.add_charge(time_s, value)
            else:
                self._blocks.add_charge(time_s, self._integrated_nC(time_s, value))
        return changes

    def _integrated_nC(self, time_s: float, current_nA: float) -> float:
        """Charge so far of an instrument that reads current; a hole adds nothing."""
        interval_s = time_s - self._last_current_s
        self._last_current_s = time_s
        if 0.0 < interval_s < 2.0:
            self._integral_nC += current_nA * interval_s
        return self._integral_nC

    def _take_mass(self, time_s: float, mass_g: float) -> None:
        if mass_g != mass_g:
            return
        self._blocks.add_mass(time_s, mass_g)
        change_g = abs(mass_g - self._last_mass_g)
        if change_g > 1e-6 and (self.resolution_g == 0.0 or change_g < self.resolution_g):
            self.resolution_g = change_g
        self._last_mass_g, self._last_mass_s = mass_g, time_s

    def _evaluate(self) -> list[Change]:
        """Signals of this moment, and the change they bring."""
        if self._blocks.empty or self.state == "done":
            return []
        self._watch_mass()
        signals = getattr(self, f"_signals_{self.state}")()
        by_hand, self._by_hand = self._by_hand, None
        if by_hand is not None:
            signals[by_hand] = (self._newest_s, "by hand")
        taken = step(self.state, signals.keys())
        if taken is None:
            return []
        signal, after = taken
        time_s, text = signals[signal]
        if after == "grinding":
            self._begin(time_s, moved=signal == "grind")
        elif after == "settling":
            self._end_s, self._settled_g = time_s, np.nan
            self.ended_by_hand = signal == "finish"
            too_soon = self.ended_by_hand and time_s - self._start_s < SHORTEST_GRIND_S
            self.cut = f"ended by hand after {max(time_s - self._start_s, 0.0):.1f} s" if too_soon else ""
        elif after == "done" and signal == "settled":
            return self._finish(time_s, text)
        elif after == "done":
            self.cut = text
        self.state = after
        self._unquiet_since_s = np.inf
        return [Change(after, time_s, text)]

    def _begin(self, time_s: float, *, moved: bool) -> None:
        if self.state != "settling":
            self._start_s, self._moved = time_s, moved
            self.begun_by_hand = not moved
            _, mass_g = self._blocks.mass(8.0, max(self._blocks.now_s - time_s, 0.0))
            self.before_g = float(np.median(mass_g)) if len(mass_g) else np.nan
            quiet_s, charge_nC = self._blocks.charge(8.0, max(self._blocks.now_s - time_s, 0.0))
            level_nC = float(np.median(charge_nC[-4:])) if len(charge_nC) else 0.0
            self._before = Before(level_nC, slope_of(quiet_s, charge_nC), noise(charge_nC))
        self._crossed_s = np.inf

    def _finish(self, time_s: float, text: str) -> list[Change]:
        """Done; where the quiet stretch had to begin later than the grind first seemed to end, say so first."""
        self.state = "done"
        moved_s = time_s - self._after_s
        late = moved_s > self._end_s + 1.0 and not text
        again = [Change("settling", moved_s, "quiet from here on")] if late else []
        return [*again, Change("done", time_s, text)]

    # what the scale says

    @property
    def _scale_speaks(self) -> bool:
        return self._newest_s - self._last_mass_s < SCALE_SILENT_S

    def _least_g(self, floor_g: float, span_s: float = 8.0, before_s: float = 0.0) -> float:
        """The least change of mass that counts: a floor, or what noise and resolution ask for."""
        _, mass_g = self._blocks.mass(span_s, before_s)
        return max(floor_g, 8.0 * mass_noise(mass_g), 2.5 * min(self.resolution_g, 1.0))

    def _watch_mass(self) -> None:
        """Keep the base that a grind rises from, when it was left, and when the scale was handled."""
        now_s = self._blocks.now_s
        time_s, mass_g = self._blocks.mass(2.0)
        if len(mass_g) < 2:
            return
        leap = np.diff(mass_g)[np.diff(time_s) <= 2 * BLOCK_S]
        fast = mass_g[-1] - mass_g[time_s >= time_s[-1] - 1.0][0] > FASTEST_G_PER_S
        if fast or (leap.size and np.abs(leap).max() > STEP_G):
            self._handled_s = now_s
        if now_s - self._handled_s < BASE_SPAN_S + BASE_BEFORE_S:
            self._crossed_s = np.inf
            return
        if np.isinf(self._crossed_s):
            _, base = self._blocks.mass(BASE_SPAN_S, BASE_BEFORE_S)
            self._base_g = float(np.median(base)) if len(base) else np.nan
        rise_g = float(np.min(mass_g[-2:])) - self._base_g
        if rise_g > self._least_g(BASE_G, BASE_SPAN_S, BASE_BEFORE_S):
            self._crossed_s = min(self._crossed_s, now_s)
        else:
            self._crossed_s = np.inf

    def _rising(self) -> bool:
        """Whether mass rises as it does in a grind."""
        if self._blocks.now_s - self._crossed_s < CONFIRM_S:
            return False
        _, mass_g = self._blocks.mass(1.0)
        before_s = self._blocks.now_s - self._crossed_s + BASE_BEFORE_S
        enough_g = max(CONFIRM_G, 1.5 * self._least_g(BASE_G, BASE_SPAN_S, before_s))
        return len(mass_g) > 0 and float(np.min(mass_g[-2:])) - self._base_g > enough_g

    def _mass_onset_s(self) -> float:
        """Last moment at which the mass was still at its base."""
        time_s, mass_g = self._blocks.mass(30.0)
        home_g = max(0.06, 1.2 * min(self.resolution_g, 0.1))
        near = np.flatnonzero(mass_g <= self._base_g + home_g)
        if not near.size:
            return self._blocks.now_s - 3.0
        left_s, rise_g = float(time_s[near[-1]]), float(mass_g[-1]) - self._base_g
        return left_s - min(home_g * (self._blocks.now_s - left_s) / rise_g, 3.0)

    def _removed(self) -> Signals:
        """A cup that is taken away ends the run where it was."""
        _, mass_g = self._blocks.mass(1.0)
        reference_g = self._settled_g if np.isfinite(self._settled_g) else self.before_g
        if len(mass_g) and np.max(mass_g) < reference_g - 1.0:
            return {"removed": (self._blocks.now_s - 1.5, "the cup was moved before the quiet stretch was over")}
        return {}

    # signals, state by state

    def _onset_s(self) -> float:
        """Where the grind began: charge or mass, whichever left first, with a margin."""
        now_s = self._blocks.now_s
        mass_s = self._mass_onset_s()
        back_s = min(max(now_s - mass_s, 0.0) + 4.0, 30.0)
        charge_s = departure_s(self._blocks.charge(8.0, back_s), self._blocks.charge(back_s))
        return min(mass_s - 0.75, np.inf if charge_s is None else charge_s - 2 * BLOCK_S)

    def _grind(self) -> Signals:
        if self._rising():
            return {"grind": (self._onset_s(), "mass is rising")}
        if self._has_mass and self._scale_speaks:
            return self._charge_grind(4.0, 2, 0.6, 20.0)
        return self._charge_grind(1.75, 2, 0.6, 3.0) or self._charge_grind(6.0, 8, 1.5, 5.0)

    def _charge_grind(self, span_s: float, hop: int, least_nC: float, total_nC: float) -> Signals:
        """A grind told by charge alone: a ramp over that span."""
        before = self._blocks.charge(8.0, span_s + 1.0)
        after = self._blocks.charge(span_s)
        if abs(ramp(before, after, hop, least_nC)) < total_nC:
            return {}
        left_s = departure_s(before, self._blocks.charge(span_s + 1.0))
        start_s = float(after[0][0]) if left_s is None else left_s
        return {"grind": (start_s - 2 * BLOCK_S, "charge is coming in")}

    def _quiet(self, span_s: float) -> bool:
        """Whether charge and mass are both at rest over that span up to now."""
        return not self.restless(span_s)

    def restless(self, span_s: float = 4.0) -> tuple[str, ...]:
        """Which of charge and mass are not at rest over that span up to now."""
        time_s, charge_nC = self._blocks.charge(span_s)
        moved = self._has_charge and (self._blocks.spoilt(span_s) or not charge_quiet(time_s, charge_nC, span_s))
        _, mass_g = self._blocks.mass(span_s)
        shaken = not mass_steady(mass_g, self._least_g(0.1, span_s))
        return tuple(name for name, there in (("charge", moved), ("mass", shaken)) if there)

    @property
    def _vouched_for(self) -> bool:
        """Whether nothing can have started anew unseen by now: asked just now, or there is nobody to ask."""
        return self._just_checked or not self._checks

    def _signals_waiting(self) -> Signals:
        now_s = self._blocks.now_s
        self._started_anew = False
        if now_s - self._handled_s < 3.0:
            return {}
        _, base = self._blocks.mass(3.0, max(now_s - self._crossed_s, 0.0) + BASE_BEFORE_S)
        rested = len(base) > 3 and mass_steady(base, self._least_g(0.1))
        if rested and self._rising():
            return {"grind": (self._onset_s(), "mass is rising before the bench had been quiet")}
        _, mass_g = self._blocks.mass(BASE_SPAN_S + BASE_BEFORE_S)  # or armed could see the base that it stepped from
        based = mass_steady(mass_g, self._least_g(0.1))
        long_enough = based and now_s - self._handled_s > self._before_s
        if long_enough and self._vouched_for and self._quiet(self._before_s + 0.5):
            return {"quiet": (now_s - self._before_s, "quiet: grind when ready")}
        return {}

    def _signals_armed(self) -> Signals:
        now_s = self._blocks.now_s
        if self._started_anew:
            return {"disturbed": (now_s, "an instrument started anew")}
        if now_s - self._handled_s < 1.0:
            return {"disturbed": (now_s, "something was moved on the scale")}
        _, mass_g = self._blocks.mass(1.0)
        if len(mass_g) and float(np.max(mass_g)) < self._base_g - self._least_g(0.5, BASE_SPAN_S, BASE_BEFORE_S):
            return {"disturbed": (now_s, "something was taken off the scale")}
        found = self._grind()
        if found or not np.isinf(self._crossed_s):
            return found
        if self._blocks.spoilt(1.0):
            return {"disturbed": (now_s, "the charge input was over range, reset or zeroed")}
        if self._quiet(4.0):
            self._unquiet_since_s = np.inf
        else:
            self._unquiet_since_s = min(self._unquiet_since_s, now_s)
        if now_s - self._unquiet_since_s > DISTURBED_S:
            return {"disturbed": (now_s, "charge or mass is no longer quiet")}
        return {}

    def _signals_grinding(self) -> Signals:
        now_s = self._blocks.now_s
        if now_s >= self._ends_s:
            return {"finish": (now_s, "the time given is over")}
        if now_s - self._start_s > LONGEST_GRIND_S:
            return {"still": (now_s, f"ended after {LONGEST_GRIND_S:g} s without an end in sight")}
        removed = self._removed()
        if removed:
            return removed
        seeing = self._has_mass and self._scale_speaks
        span_s = STILL_S if seeing else STILL_WITHOUT_SCALE_S
        _, mass_g = self._blocks.mass(span_s)
        mass_still = len(mass_g) < 3 or mass_moved(mass_g) <= max(0.08, 1.2 * min(self.resolution_g, 0.5))
        still = mass_still and charge_still(*self._blocks.charge(span_s), self._before)
        self._moved = self._moved or not still
        if not still or not self._moved or now_s - self._start_s < span_s + SHORTEST_GRIND_S:
            return {}
        if self.begun_by_hand and not self._gained(mass_g):
            return {}  # nothing tells it from a grinder that runs on, empty or unweighed: who began it ends it
        if seeing and not self.begun_by_hand and self._nothing_stayed(mass_g):
            return {"nothing": (now_s, "nothing stayed in the cup: waiting again")}
        return {"still": (now_s - span_s + 1.0, "the grind has ended")}

    def _gained(self, mass_g: Floats) -> bool:
        """Whether the scale shows grounds in the cup."""
        least_g = max(CONFIRM_G, 2.5 * min(self.resolution_g, 1.0))
        return len(mass_g) > 0 and float(np.median(mass_g)) - self.before_g > least_g

    def _nothing_stayed(self, mass_g: Floats) -> bool:
        """Whether the mass that had risen is gone again, and no charge came either."""
        before_s = max(self._blocks.now_s - self._start_s, 0.0)
        _, charge_before = self._blocks.charge(2.0, before_s)
        _, charge_after = self._blocks.charge(2.0)
        gained_g = float(np.median(mass_g)) - self.before_g if len(mass_g) else np.nan
        if not len(charge_before) or not len(charge_after) or not np.isfinite(gained_g):
            return False
        gained_nC = abs(float(charge_after.mean() - charge_before.mean()))
        leaked_nC = (abs(float(charge_before.mean())) / 150.0 + 0.3) * before_s
        return gained_g < BASE_G and gained_nC < max(3.0, 10.0 * self._before.noise_nC) + leaked_nC

    def _signals_settling(self) -> Signals:
        now_s = self._blocks.now_s
        since_s = now_s - self._end_s
        _, mass_g = self._blocks.mass(min(since_s, 3.0))
        if not np.isfinite(self._settled_g) and since_s >= 3.0 and len(mass_g):
            self._settled_g = float(np.median(mass_g))
        removed = self._removed()
        if removed:
            return removed
        if self._poured_late(mass_g):
            self._settled_g = np.nan
            return {"grind": (now_s - 2.0, "more is falling")}
        if since_s < self._after_s:
            return {}
        if self._vouched_for and self._quiet(self._after_s):
            return {"settled": (now_s, "")}
        if since_s > LONGEST_SETTLING * self._after_s:
            return {"settled": (now_s, "it did not become quiet after the grind")}
        return {}

    def _poured_late(self, mass_g: Floats) -> bool:
        if not np.isfinite(self._settled_g) or len(mass_g) < 2:
            return False
        return float(np.min(mass_g[-2:])) - self._settled_g > self._least_g(BASE_G)
