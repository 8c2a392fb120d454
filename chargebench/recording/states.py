"""The recorder's states as one table. Owns which signal leads where; measures nothing."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final, Literal

__all__ = ["TABLE", "Signal", "State", "step"]

State = Literal["waiting", "armed", "grinding", "settling", "done"]
Signal = Literal["start", "finish", "grind", "quiet", "disturbed", "still", "nothing", "removed", "settled"]

TABLE: Final[Mapping[State, tuple[tuple[Signal, State], ...]]] = {
    # waiting for quiet: cup and charge have not yet been at rest for long enough
    "waiting": (("start", "grinding"), ("grind", "grinding"), ("quiet", "armed")),
    # armed: the quiet stretch before the grind is in the journal and goes on
    "armed": (("start", "grinding"), ("grind", "grinding"), ("disturbed", "waiting")),
    # grinding: grounds fall
    "grinding": (("finish", "settling"), ("removed", "done"), ("nothing", "waiting"), ("still", "settling")),
    # settling: nothing falls any more, the quiet stretch after the grind is being recorded
    "settling": (("grind", "grinding"), ("removed", "done"), ("settled", "done")),
    "done": (),
}
"""From each state, the signals it heeds in order of precedence, and where each leads."""


def step(state: State, signals: Collection[Signal]) -> tuple[Signal, State] | None:
    """The first heeded signal and the next state, or None where the state stays."""
    return next(((signal, after) for signal, after in TABLE[state] if signal in signals), None)
