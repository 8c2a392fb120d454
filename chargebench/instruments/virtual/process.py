"""A virtual bench in a process of its own: client of ``python -m chargebench.instruments.virtual``.

Used where the caller has better things to do than keep a model in time: a window, a demonstration. Deaf to the caller's
Ctrl-C; ends when its standard input does, so it never outlives its caller.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Any

from chargebench.bounded import JsonObject
from chargebench.errors import BenchError, InputError

__all__ = ["VirtualBenchProcess"]


class VirtualBenchProcess:
    """A running virtual bench; parameters as `chargebench.instruments.virtual.VirtualBench`.

    Attributes
    ----------
    bench_path, truth_path : Path
        The bench file to record with, and the file that the truth goes to.
    header : dict
        First line of the truth file: the scenario and the doses that follow from its curve.
    speed : float
        Virtual seconds per second.
    """

    def __init__(self, folder: Path, *, scenario: str = "quarry", seed: int = 0, speed: float = 10.0) -> None:
        self.speed = speed
        words = ["--folder", str(folder), "--scenario", scenario, "--seed", str(seed), "--speed", repr(speed)]
        apart: JsonObject = {"start_new_session": True}
        if sys.platform == "win32":
            apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
        self._child = subprocess.Popen(
            [sys.executable, "-m", "chargebench.instruments.virtual", *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            encoding="utf-8",
            **apart,
        )
        try:
            ready = self._answer()
        except (BenchError, InputError):
            self.close()
            raise
        self.bench_path, self.truth_path = Path(ready["bench"]), Path(ready["truth"])
        with self.truth_path.open(encoding="utf-8") as file:
            self.header: JsonObject = json.loads(file.readline())

    def __enter__(self) -> VirtualBenchProcess:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def coffee(self) -> str:
        """Name of the coffee in the hopper."""
        return str(self.header["scenario"]["coffee"]["name"])

    @property
    def grinder(self) -> str:
        """Name of the grinder."""
        return str(self.header["scenario"]["grinder"]["name"])

    def grind(
        self, dose_g: float, water_uL_per_g: float = 0.0, treatment: str = "dry", purpose: str = "grind"
    ) -> JsonObject:
        """Start a grind now and return at once with its truth."""
        return self.do("grind", dose_g=dose_g, water_uL_per_g=water_uL_per_g, treatment=treatment, purpose=purpose)

    def empty_cup(self) -> JsonObject:
        """Zero the electrometer and pour the cup out; ``end_s`` is when that is done."""
        return self.do("empty_cup")

    @property
    def now_s(self) -> float:
        """Virtual seconds since the bench began."""
        return float(self.do("now")["now_s"])

    def do(self, command: str, **values: Any) -> JsonObject:
        """Send one command and wait for its answer.

        Raises
        ------
        InputError
            When the bench refuses it.
        BenchError
            When the bench is gone.
        """
        assert self._child.stdin is not None
        try:
            self._child.stdin.write(json.dumps({"do": command, **values}) + "\n")
            self._child.stdin.flush()
        except BrokenPipeError:
            raise BenchError(f"virtual bench: ended with code {self._child.wait()}") from None
        return self._answer()

    def close(self) -> None:
        """End the process and wait for it."""
        with contextlib.suppress(BrokenPipeError):
            self._child.communicate()

    def _answer(self) -> JsonObject:
        assert self._child.stdout is not None
        line = self._child.stdout.readline()
        if not line:
            raise BenchError(f"virtual bench: ended with code {self._child.wait()}; what it said is above")
        answer: JsonObject = json.loads(line)
        if answer.get("event") == "error":
            raise InputError(f"virtual bench: {answer['text']}")
        return answer
