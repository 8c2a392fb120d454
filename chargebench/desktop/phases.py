"""Which stretch of the time axis was which phase, from the recorder's state events; no Qt here."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

__all__ = ["MAX_PHASES", "Phase", "add_state", "view_span"]

MAX_PHASES: Final = 6
_SHOWN: Final = {"waiting": "waiting", "armed": "quiet", "grinding": "grinding", "settling": "quiet"}
GROUNDS: Final = {"waiting": "calm", "armed": "ready", "grinding": "busy", "settling": "wait"}
IDLE_SPAN_S: Final = 60.0
LEAD_S: Final = 15.0


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch in one state; `end_s` is infinite while it lasts."""

    state: str
    start_s: float
    end_s: float = math.inf

    @property
    def label(self) -> str:
        """Word on the plot."""
        return _SHOWN.get(self.state, self.state)


def add_state(phases: tuple[Phase, ...], state: str, time_s: float) -> tuple[Phase, ...]:
    """Phases after a state event, whose time may lie before it was noticed: what follows gives way to it.

    The same state again changes nothing; only the last few are kept.
    """
    if phases and phases[-1].state == state and math.isinf(phases[-1].end_s):
        return phases
    closed = tuple(Phase(p.state, p.start_s, min(p.end_s, time_s)) for p in phases if p.start_s < time_s)
    new = (Phase(state, time_s),) if state in _SHOWN else ()
    return (*closed, *new)[-MAX_PHASES:]


def view_span(phases: tuple[Phase, ...], now_s: float) -> tuple[float, float]:
    """What the time axis shows: the last minute while waiting, the whole grind with a lead once it has begun."""
    grind = next((p.start_s for p in reversed(phases) if p.state == "grinding"), None)
    quiet = next((p.start_s for p in reversed(phases) if p.state == "armed"), 0.0)
    start = now_s - IDLE_SPAN_S if grind is None else max(quiet - 1.0, grind - LEAD_S)
    start = max(0.0, start)
    return start, max(now_s, start + IDLE_SPAN_S / 2)
