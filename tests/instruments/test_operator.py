"""The virtual operator: does at the bench what the recorder's events ask for."""

from __future__ import annotations

from typing import Any

import pytest

from chargebench.errors import InputError
from chargebench.instruments.virtual.operator import REST_S, VirtualOperator


class Hands:
    """What was done at a bench whose clock stands where it is put."""

    def __init__(self) -> None:
        self.done: list[str] = []
        self.now_s, self.busy = 0.0, False

    def grind(self, *what: Any) -> dict[str, Any]:
        self.done.append(f"grind {what[1]:g}")
        return {}

    def empty_cup(self) -> dict[str, Any]:
        if self.busy:
            raise InputError("busy")
        self.done.append("empty")
        return {"end_s": self.now_s}


def state(run: str, name: str, **more: str) -> dict[str, str]:
    """A state event."""
    return {"event": "state", "run": run, "state": name, **more}


FULL = {"hold": "cup-full"}


@pytest.mark.parametrize(
    ("events", "done"),
    [
        ([state("a", "armed"), state("a", "done"), state("b", "armed")], ["grind 5", "empty", "grind 10"]),
        ([state("a", "armed"), state("a", "armed")], ["grind 5"]),
        ([state("a", "armed"), state("a", "done"), state("b", "waiting", **FULL)], ["grind 5", "empty"]),
        ([state("a", "armed"), state("a", "waiting", **FULL), state("a", "armed")], ["grind 5", "empty", "grind 5"]),
    ],
    ids=["in turn", "once a run", "emptied already", "again where the grind was missed"],
)
def test_it_does_what_is_asked_for(events: list[dict[str, str]], done: list[str]) -> None:
    """A step is ground when all is ready and the cup emptied after it; a grind that was missed is made again."""
    hands = Hands()
    operator = VirtualOperator(hands, [{"water_uL_per_g": dose} for dose in (5.0, 10.0)])
    for event in events:
        operator.on_event(event)
        hands.now_s += 2 * REST_S
    assert hands.done == done


def test_a_cup_that_cannot_be_emptied_yet_is_emptied_when_asked_again() -> None:
    """While the grinder is still on, emptying waits for the next time that it is asked for."""
    hands = Hands()
    operator = VirtualOperator(hands, [{"water_uL_per_g": 5.0}])
    operator.on_event(state("a", "armed"))
    for hands.busy in (True, False, False):
        operator.on_event(state("a", "waiting", **FULL))
    assert hands.done == ["grind 5", "empty"]
