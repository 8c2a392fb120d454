"""The virtual bench's operator, told by hand what a recorder would say, on a bench whose clock the test moves."""

from __future__ import annotations

from typing import Any

import pytest

from chargebench.instruments.virtual.operator import REST_S, VirtualOperator

STEPS = [{"dose_g": 18.0, "treatment": "dry"}, {"dose_g": 17.0, "treatment": "dry"}]
GRIND_S, EMPTY_S = 13.0, 3.5


class Bench:
    """Notes what is done with it, and refuses two things at once as the virtual bench does."""

    def __init__(self) -> None:
        self.now_s = self._busy_until_s = 0.0
        self.done: list[tuple[str, float]] = []

    def _do(self, what: str, value: float, takes_s: float) -> dict[str, Any]:
        assert self.now_s >= self._busy_until_s, f"{what}: busy"
        self.done.append((what, value))
        self._busy_until_s = self.now_s + takes_s
        return {"end_s": self._busy_until_s}

    def grind(
        self, dose_g: float, water_uL_per_g: float = 0.0, treatment: str = "dry", purpose: str = "grind"
    ) -> dict[str, Any]:
        return self._do("grind", dose_g, GRIND_S)

    def empty_cup(self) -> dict[str, Any]:
        return self._do("empty", 0.0, EMPTY_S)


ARMED, DONE, WAITING, GRINDING, FULL = "armed", "done", "waiting", "grinding", "waiting: cup-full"
FIRST, SECOND, EMPTIED = ("grind", 18.0), ("grind", 17.0), ("empty", 0.0)


@pytest.mark.parametrize(
    ("heard", "done"),
    [
        ([(0, "a", WAITING), (11, "a", ARMED), (13, "a", GRINDING)], [FIRST]),
        ([(11, "a", ARMED), (40, "a", DONE), (55, "b", ARMED)], [FIRST, EMPTIED, SECOND]),
        ([(11, "a", ARMED), (40, "a", DONE), (41, "b", ARMED)], [FIRST, EMPTIED]),
        ([(11, "a", ARMED), (12, "a", WAITING), (13, "a", ARMED)], [FIRST]),
        ([(11, "a", ARMED), (40, "a", WAITING), (50, "a", ARMED)], [FIRST, EMPTIED]),
        ([(11, "a", ARMED), (50, "a", ARMED), (51, "a", ARMED)], [FIRST, EMPTIED]),
        ([(11, "a", ARMED), (50, "a", ARMED), (50 + EMPTY_S + REST_S, "a", ARMED)], [FIRST, EMPTIED, FIRST]),
        ([(11, "a", ARMED), (20, "a", FULL), (50, "a", FULL), (70, "a", ARMED)], [FIRST, EMPTIED, FIRST]),
        ([(11, "a", ARMED), (40, "a", DONE), (44, "b", FULL), (60, "b", ARMED)], [FIRST, EMPTIED, SECOND]),
    ],
    ids=[
        "grinds",
        "goes on",
        "rests",
        "word from before",
        "missed",
        "empties once",
        "again",
        "asked to empty",
        "emptied already",
    ],
)
def test_it_does_what_the_recorder_says(heard: list[tuple[float, str, str]], done: list[tuple[str, float]]) -> None:
    """It grinds when armed and rested, empties when done, and does once more what a held-up recorder did not see."""
    bench = Bench()
    operator = VirtualOperator(bench, STEPS)
    for now_s, run, state in heard:
        bench.now_s = now_s
        name, _, hold = state.partition(": ")
        operator.on_event({"event": "state", "run": run, "state": name, **({"hold": hold} if hold else {})})
    assert bench.done == done
