"""What must be so before a run may begin, and what to do about what is not. Owns those reasons and their sentences.

Takes readings, the passing of time and a person's words, and lives as long as a recorder does. Opens nothing, reads no
clock. It holds back a word only, never a reading: a grind that begins all the same is recorded, and says so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final, Literal, Protocol

from chargebench.recording.assemble import Timed
from chargebench.recording.health import SILENT_S
from chargebench.wire.reading import Status

__all__ = ["UNTOLD", "Errand", "Hold", "Ready"]

Code = Literal["silent", "over-range", "zero-closed", "cup-full", "cup-away", "plan", "before"]

UNTOLD: Final[frozenset[str]] = frozenset({"plan", "before"})
"""Reasons with which a run cannot be the step of a plan that it seems to be."""

MAIN: Final = ("charge", "current", "mass")
LOOK_BACK_S: Final = 2.0
NEAR_G: Final = 0.3
NEAR_SHARE: Final = 0.1
NEAR_STEPS: Final = 2.5
"""A cup counts as emptied within 0.3 g, a tenth of what was in it, or 2.5 steps of the scale; common practice, no
source: charged grounds cling, and what stays is weighed before the next run."""


@dataclass(frozen=True, slots=True)
class Hold:
    """One thing that stands in the way, in words that say what to do."""

    code: Code
    text: str
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Errand:
    """Something to do before a run: done when a person says so, or by itself after `wait_s` where that is above 0."""

    words: str
    wait_s: float = 0.0


class InstrumentLike(Protocol):
    """What is needed of an instrument."""

    @property
    def lines(self) -> str: ...
    @property
    def carries(self) -> Sequence[str]: ...


class Ready:
    """Judges whether a run may begin.

    Parameters
    ----------
    instruments : mapping of str to InstrumentLike
        Of the bench file, by name.
    without : collection of str
        Instruments that a person goes on without.
    planned : bool
        Whether each run after the first waits for `begin_step`, since its tags come from a plan.
    """

    def __init__(
        self, instruments: Mapping[str, InstrumentLike], without: Collection[str] = (), *, planned: bool = False
    ) -> None:
        self._instruments = instruments
        self._without = set(without)
        self._planned = planned
        self._plan_awaited = False
        self._errands: list[Errand] = []
        self._waited_s = 0.0
        self._time_s: float | None = None
        self._heard_ns: dict[str, int] = {}
        self._since_ns: int | None = None
        self._status: dict[str, int] = {}
        self._mass: deque[tuple[float, float]] = deque()
        self._tare_g: float | None = None
        self._near_g = NEAR_G

    # what comes in

    def take(self, readings: Iterable[Timed], ns: int) -> None:
        """Readings, and the host's monotonic time at which they came."""
        for channel, time_s, value, status in readings:
            self._heard_ns[channel], self._status[channel] = ns, status
            if channel == "mass" and value == value:
                self._keep_mass(time_s, value)

    def _keep_mass(self, time_s: float, mass_g: float) -> None:
        if self._mass and time_s < self._mass[-1][0]:
            self._mass.clear()  # another run's clock
        self._mass.append((time_s, mass_g))
        while self._mass[0][0] < time_s - LOOK_BACK_S:
            self._mass.popleft()

    def begin_run(self) -> None:
        """Another run's clock begins."""
        self._time_s = None

    def pass_time(self, time_s: float) -> None:
        """The run's clock; a wait that is through is done."""
        passed_s = 0.0 if self._time_s is None else time_s - self._time_s
        self._time_s = time_s
        if self._errands and self._errands[0].wait_s:
            self._waited_s += max(passed_s, 0.0)
            if self._waited_s >= self._errands[0].wait_s:
                self._next_errand()

    def ground(self, before_g: float, resolution_g: float) -> None:
        """A run is done: mass before its grind, and the step of the scale; what the cup holds now is to be emptied."""
        known = self._tare_g is not None and before_g > self._tare_g + self._near_g  # it was not empty then either
        if before_g == before_g and not known:
            filled_g = abs(self.mass_g - before_g) if self._mass else 0.0
            self._tare_g = before_g
            self._near_g = max(NEAR_G, NEAR_SHARE * filled_g, NEAR_STEPS * min(resolution_g, 1.0))
        self._plan_awaited = self._planned

    # what a person or a plan says

    def begin_step(self, errands: Iterable[Errand]) -> None:
        """The next run's tags are known, and what is to be done before it."""
        self._plan_awaited = False
        self._errands, self._waited_s = list(errands), 0.0

    def confirm(self) -> str:
        """The first thing to be done before the run is done; its words, empty where there is none."""
        return self._next_errand().words if self._errands else ""

    def _next_errand(self) -> Errand:
        self._waited_s = 0.0
        return self._errands.pop(0)

    def go_without(self, instrument: str) -> bool:
        """Go on without an instrument for as long as it delivers nothing; False where the bench has none such."""
        if instrument in self._instruments:
            self._without.add(instrument)
        return instrument in self._instruments

    def tare(self) -> bool:
        """The mass as it is now is that of the empty cup (another one, or a scale tared anew); False without a mass."""
        if self._mass:
            self._tare_g = self.mass_g
        return bool(self._mass)

    # what follows

    @property
    def mass_g(self) -> float:
        """Mass of late; NaN where there is none."""
        return median(mass_g for _, mass_g in self._mass) if self._mass else float("nan")

    @property
    def left_out(self) -> list[str]:
        """Instruments that are gone on without and have never been heard."""
        return [name for name in sorted(self._without) if any(c not in self._heard_ns for c in self._main(name))]

    def hold(self, ns: int, cup_g: float) -> Hold | None:
        """The first thing that stands in the way.

        Parameters
        ----------
        ns : int
            The host's monotonic clock.
        cup_g : float
            Mass of the cup to judge; NaN to leave it out.
        """
        self._since_ns = ns if self._since_ns is None else self._since_ns
        found = self._silent(ns, ns - self._since_ns) or self._range_hold() or self._cup_hold(cup_g)
        if found is None and self._plan_awaited:
            return Hold("plan", "wait: the plan is asked for the next step")
        if found is None and self._errands:
            return Hold("before", self._errands[0].words)
        return found

    def _main(self, name: str) -> list[str]:
        """What an instrument must deliver: charge, current and mass; or, where it carries none of them, anything."""
        carries = self._instruments[name].carries
        return [channel for channel in carries if channel in MAIN]

    def _silent(self, ns: int, watched_ns: int) -> Hold | None:
        for name, instrument in self._instruments.items():
            if name in self._without:
                continue
            limit_ns = SILENT_S[instrument.lines] * 1e9
            channels = self._main(name)
            if channels:
                late = [c for c in channels if c not in self._heard_ns or ns - self._heard_ns[c] > limit_ns]
            else:  # a slow one, such as of the room: it is enough that it was ever heard
                late = [] if any(c in self._heard_ns for c in instrument.carries) else list(instrument.carries)
            if not late:
                continue
            if not any(c in self._heard_ns for c in late) and watched_ns <= limit_ns:
                return Hold("silent", f"wait for the first {' and '.join(late)} of {name}", name)
            return Hold("silent", f"{name} delivers no {' and '.join(late)}: check power, cable and settings", name)
        return None

    def _range_hold(self) -> Hold | None:
        over = {channel for channel, status in self._status.items() if status & int(Status.OVER)}
        if over & {"charge", "current"}:
            return Hold("over-range", "over range: empty and zero the cup")
        if "mass" in over:
            return Hold("over-range", "the scale is over its range: take the load off")
        if any(self._status.get(channel, 0) & int(Status.ZERO) for channel in ("charge", "current")):
            return Hold("zero-closed", "the zero switch is closed: open it")
        return None

    def _cup_hold(self, cup_g: float) -> Hold | None:
        if self._tare_g is None or cup_g != cup_g:
            return None
        if cup_g > self._tare_g + self._near_g:
            return Hold("cup-full", "empty the cup")
        if cup_g < self._tare_g - self._near_g:
            return Hold("cup-away", "put the cup back")
        return None
