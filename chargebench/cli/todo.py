"""What to do next, in one line, from what the recorder says. Owns the words for a person at the command line.

Prints nothing and commands nothing: whoever prints asks for the line, whoever hears a key asks what Enter means now.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from chargebench.bounded import JsonObject
from chargebench.cli.words import printable

__all__ = ["Todo"]

Event = Mapping[str, Any]

_HOLDS: Mapping[str, str] = {
    "silent": "; or type: without {instrument}",
    "cup-full": " (another cup, or the scale tared anew: type tare)",
    "cup-away": " (another cup, or the scale tared anew: type tare)",
    "before": ", then press Enter",
}
"""What a person may do about what stands in the way, besides mending it."""


class Todo:
    """Follows the recorder's events.

    Parameters
    ----------
    asks : bool
        Whether there is somebody at the keyboard.
    weighs : bool
        Whether a scale shows the grounds falling, so that a grind is found by itself.
    purpose : str
        Tag of the runs where no plan says otherwise.
    timed_s : float or None
        How long a run is that is begun and ended by the clock.
    study : str
        The study file whose plan is followed; empty without one.
    """

    def __init__(
        self, *, asks: bool, weighs: bool, purpose: str = "grind", timed_s: float | None = None, study: str = ""
    ) -> None:
        self._asks, self._weighs, self._timed_s = asks, weighs, timed_s
        self._purpose, self._study = purpose, study
        self._step: Event | None = None
        self._event: Event = {}
        self._through = self._unweighed = False
        self._lost: dict[str, None] = {}

    def hear(self, event: Event) -> None:
        """Take one event; those that do not change what is to be done are passed over."""
        if event.get("event") == "plan":
            self._step = event.get("next")
            self._through = self._step is None
        elif event.get("event") == "port":
            gone = event.get("state") != "open"
            self._lost.pop(str(event.get("instrument")), None)
            self._lost |= {str(event.get("instrument")): None} if gone else {}
        elif event.get("event") == "state":
            self._event = event
            if self.state == "armed":
                self._unweighed = False
            elif self.state == "done":
                self._unweighed = not self._weighs and self._purpose_now != "blank"

    @property
    def _purpose_now(self) -> str:
        return self._purpose if self._step is None else str(self._step["tags"].get("purpose"))

    @property
    def state(self) -> str:
        """The recorder's state, as told."""
        return str(self._event.get("state", ""))

    @property
    def unseen(self) -> bool:
        """Whether the next run cannot be seen to begin and end: a blank, or grounds that nobody weighs."""
        return self._purpose_now == "blank" or not self._weighs

    @property
    def enter(self) -> JsonObject | None:
        """What Enter commands now; None where it means nothing."""
        if self._event.get("hold") == "before":
            return {"do": "confirm"}
        if self.state == "armed" and self.unseen:
            return {"do": "start"}
        if self.state == "grinding" and self._event.get("by_hand"):
            return {"do": "finish"}
        return None

    @property
    def line(self) -> str:
        """What to do next; empty before the recorder has said anything."""
        if self._lost and self.state in ("armed", "grinding", "settling"):
            return printable(self._unplugged())
        return printable(getattr(self, f"_{self.state or 'silent'}", self._silent)())

    def _unplugged(self) -> str:
        """Ports that are gone while a run is under way or could begin."""
        kept = "" if self.state == "armed" else " and keeps what there is of this run"
        ends = "stop ends it" if self._asks else "Ctrl-C ends it"
        names = " and ".join(self._lost)
        return f"no connection to {names}: put the cable back, recording goes on by itself; {ends}{kept}"

    def _silent(self) -> str:
        return ""

    def _next(self) -> str:
        """``step 3: misted, 3 sprays``, with the ioniser where the plan has one; empty without a plan."""
        if self._step is None:
            return ""
        ioniser = {True: ", ioniser on", False: ", ioniser off", None: ""}[self._step.get("ioniser")]
        return f"step {self._step['step']}: {self._step['brief']}{ioniser}"

    def _waiting(self) -> str:
        hold, text = self._event.get("hold"), str(self._event.get("text", ""))
        emptied = "empty the cup, then " if self._unweighed else ""
        if hold is None:
            return f"{emptied}hands off until it is quiet; then {self._next() or self._grind_words}"
        more = _HOLDS.get(hold, "").format(instrument=self._event.get("instrument", "")) if self._asks else ""
        which = self._next().partition(":")[0] or "the run"
        return f"{emptied}before {which}: {text}{more}" if hold == "before" else text + more

    @property
    def _grind_words(self) -> str:
        return "run the grinder empty" if self._purpose_now == "blank" else "grind"

    @property
    def _grinder(self) -> str:
        return "the empty grinder" if self._purpose_now == "blank" else "the grinder"

    def _armed(self) -> str:
        ready = f"ready, {self._next()}" if self._step is not None else "ready"
        if self.unseen and self._timed_s is not None:
            return f"{ready}; start {self._grinder} now, for {self._timed_s:g} s"
        if self.unseen and self._asks:
            return f"{ready}; press Enter, then start {self._grinder}"
        return ready if self._step is not None else f"{ready}: start {self._grinder}"

    def _grinding(self) -> str:
        if self._event.get("by_hand") and self._timed_s is not None:
            return f"run the grinder now, for {self._timed_s:g} s; touch neither cup nor cables"
        if self._event.get("by_hand") and self._asks:
            return "stop the grinder when it is through, then press Enter; touch neither cup nor cables"
        return "let it grind; touch neither cup nor cables"

    def _settling(self) -> str:
        return "hands off until the run is done"

    def _done(self) -> str:
        return "hands off" if self._purpose_now == "blank" else "empty the cup"

    def _idle(self) -> str:
        if self._through:
            return f"the plan is through: ask `chargebench study {self._study}`"
        return "recording has stopped; the same command goes on with the next run"
