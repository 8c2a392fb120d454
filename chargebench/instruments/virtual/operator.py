"""The virtual bench's operator: starts a grind when the recorder is armed, empties the cup when a run is done.

It sees only what a person would: the recorder's own events. It owns the order of a demonstration series.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from chargebench.bounded import JsonObject

__all__ = ["GrinderAndCup", "VirtualOperator", "series"]

REST_S = 9.0
"""Nobody can be armed sooner than this after the cup was put back, in virtual seconds."""

Tags = Mapping[str, str | float]


class GrinderAndCup(Protocol):
    """What the operator's hands reach of a virtual bench."""

    def grind(
        self, dose_g: float, water_uL_per_g: float = 0.0, treatment: str = "dry", purpose: str = "grind"
    ) -> JsonObject:
        """Start a grind now; the truth of it."""

    def empty_cup(self) -> JsonObject:
        """Empty, wipe and put back the cup; ``end_s`` is when that is done."""

    @property
    def now_s(self) -> float:
        """Virtual seconds."""


class VirtualOperator:
    """Works through a series of runs as a person at the bench would.

    Parameters
    ----------
    bench : GrinderAndCup
        The virtual bench.
    steps : sequence of mapping
        Tags of each run, in order; ``dose_g``, ``water_uL_per_g``, ``treatment`` and ``purpose`` are what is done.

    Attributes
    ----------
    truths : dict of str to dict
        What the virtual bench really let fall into the cup, by run.
    """

    def __init__(self, bench: GrinderAndCup, steps: Sequence[Tags]) -> None:
        self._bench = bench
        self._steps = list(steps)
        self._at = 0
        self._ground: set[str] = set()
        self._answered = 0
        self._rest_from_s = self._over_s = -math.inf
        self.truths: dict[str, JsonObject] = {}

    @property
    def first_tags(self) -> dict[str, str | float]:
        """Tags of the first run of the series."""
        return dict(self._steps[0])

    @property
    def finished(self) -> bool:
        """True once every run of the series has its outcome."""
        return self._answered >= len(self._steps)

    def on_event(self, event: Mapping[str, Any]) -> list[JsonObject]:
        """Act on one line of the recorder; the commands to send back to it."""
        if "result" in event:
            self._answered += event["run"] in self._ground
            return [{"do": "stop"}] if self.finished else []
        if event.get("event") != "state":
            return []
        run = event.get("run", "")
        if event["state"] == "armed" and self._at < len(self._steps):
            self._armed(run)
        elif event.get("hold") == "cup-full" and run in self._ground:
            self._missed(run)
        elif event["state"] == "done" and run in self._ground:
            return self._next_step()
        return []

    def _armed(self, run: str) -> None:
        """Grind when rested; empty the cup of a grind that is over and was not seen, where readings were lost, say."""
        now_s = self._bench.now_s
        if run not in self._ground:
            if now_s >= self._rest_from_s:
                self._grind(run)
        else:
            self._missed(run)

    def _missed(self, run: str) -> None:
        """A run that was ground and is waited for all the same: once it is over, empty the cup and do it once more."""
        if self._bench.now_s >= self._over_s + REST_S:
            self._ground.discard(run)
            self._rest_from_s = self._bench.empty_cup()["end_s"] + REST_S

    def _grind(self, run: str) -> None:
        step = self._steps[self._at]
        self._ground.add(run)
        self.truths[run] = self._bench.grind(
            float(step.get("dose_g", 18.0)),
            float(step.get("water_uL_per_g", 0.0)),
            str(step.get("treatment", "dry")),
            str(step.get("purpose", "grind")),
        )
        self._over_s = self.truths[run]["end_s"]

    def _next_step(self) -> list[JsonObject]:
        self._at += 1
        # a recorder that was armed before the cup was emptied will be disarmed by that: its word is out of date
        self._rest_from_s = self._bench.empty_cup()["end_s"] + REST_S
        return [{"do": "tags", "tags": dict(self._steps[self._at])}] if self._at < len(self._steps) else []


def series(common: Tags, doses_uL_per_g: Sequence[float], blocks: int, seed: int) -> list[dict[str, str | float]]:
    """Tags of a short fair series: in each block a dry control, then every dose once in random order; dry at the end.

    Parameters
    ----------
    common : mapping
        Tags of every run (coffee, grinder, dose).
    doses_uL_per_g : sequence of float
        Water doses above zero.
    blocks : int
        How many blocks.
    seed : int
        Seed of the order.
    """
    order = random.Random(seed)
    steps = []
    for block in range(1, blocks + 1):
        shuffled = list(doses_uL_per_g)
        order.shuffle(shuffled)
        steps += [_step(common, dose, block) for dose in (0.0, *shuffled)]
    return [*steps, _step(common, 0.0, blocks)]


def _step(common: Tags, dose_uL_per_g: float, block: int) -> dict[str, str | float]:
    treatment = "misted" if dose_uL_per_g else "dry"
    return {**common, "water_uL_per_g": dose_uL_per_g, "treatment": treatment, "purpose": "grind", "block": str(block)}
