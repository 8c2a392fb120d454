"""What can be said to a recorder, and what of it concerns only whether a run may begin. Owns no state."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, Final

from chargebench.recording.ready import Errand, Ready

__all__ = ["COMMANDS", "clear_the_way", "errands_of", "seconds_of"]

Command = Mapping[str, Any]

COMMANDS: Final = ("start", "finish", "discard", "stop", "tags", "mark", "confirm", "without", "tare")


def seconds_of(command: Command) -> float:
    """How long a grind that is begun by hand lasts; for ever where that is not told."""
    given = command.get("seconds")
    return float(given) if isinstance(given, int | float) and given > 0 else math.inf


def errands_of(command: Command) -> list[Errand] | None:
    """What is to be done before the run that tags are for; None where they are no step of a plan."""
    before = command.get("before")
    if not isinstance(before, list):
        return None
    told = [errand for errand in before if isinstance(errand, dict)]
    return [Errand(str(errand.get("words", "")), _wait_s(errand.get("wait_s"))) for errand in told]


def _wait_s(given: object) -> float:
    return float(given) if isinstance(given, int | float) and given > 0 else 0.0


def clear_the_way(command: Command, ready: Ready, instruments: Iterable[str]) -> tuple[str, str]:
    """Hear a person's word about what stands between the bench and a run.

    Returns
    -------
    done, refused : str
        What the run keeps of it, or why it means nothing now; the other is empty.
    """
    match command.get("do"):
        case "confirm":
            done = ready.confirm()
            return (f"done before the run: {done}", "") if done else ("", "nothing is to be done before this run")
        case "without":
            name = str(command.get("instrument", ""))
            if ready.go_without(name):
                return f"goes on without {name}", ""
            return "", f"without {name!r}: no instrument of this bench; allowed are {', '.join(instruments)}"
    if ready.tare():
        return "this is the empty cup", ""
    return "", "there is no mass to take for that of the empty cup"
