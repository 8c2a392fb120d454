"""The virtual polled electrometer: the board's own physics, asked in the words of SCPI.

Owns its answers: identity, status bits, error queue, set-up commands, readings in coulomb. Knows nothing of ports.
"""

from __future__ import annotations

from collections import deque
from typing import Final

import numpy as np

from chargebench.instruments.virtual.board import Board, Floats
from chargebench.instruments.virtual.world import World

__all__ = ["START", "Meter"]

START: Final = ("FUNC CHAR", "*OPC?")
"""A start list that it takes."""
_POWER_ON: Final = 128
_COMMAND_ERROR: Final = 32


class Meter(Board):
    """An electrometer that says nothing unless asked."""

    def __init__(self, world: World, seed: int) -> None:
        super().__init__(world, seed)
        self._events = _POWER_ON
        self._errors: deque[str] = deque(maxlen=20)
        self._reading = "+0.000000E+00"

    def restart(self, now_s: float, off_s: float) -> None:
        """As `Board.restart`; the status bits then say so, and the error queue is empty."""
        super().restart(now_s, off_s)
        self._events = _POWER_ON
        self._errors.clear()

    def advance(self, until_s: float) -> bytes:
        """Live until a virtual time; returns the answers to what was heard since the last call."""
        count = max(int((until_s - self._time_s) / self._step_s), 0)
        if count:
            edges_s: Floats = self._time_s + self._step_s * np.arange(count + 1, dtype=np.float64)
            shown_nC, over, _ = self._display(edges_s)
            self._reading = "+9.900000E+37" if over[-1] else f"{1e-9 * float(shown_nC[-1]):+.6E}"
            self._time_s = float(edges_s[-1])
        said = "".join(f"{answer}\n" for answer in self._answers if answer).encode("ascii")
        self._answers.clear()
        return said

    def _obey(self, command: str) -> str:
        """Do one command; returns the answer, empty where there is none."""
        if command == "*ESR?":
            events, self._events = self._events, 0
            return str(events)
        if command == "SYST:ERR?":
            return self._errors.popleft() if self._errors else '0,"No error"'
        answers = {"*IDN?": "VIRTUAL,POLLED ELECTROMETER,0,1", "*OPC?": "1", "READ?": self._reading, "FUNC CHAR": ""}
        if command not in answers:
            self._events |= _COMMAND_ERROR
            self._errors.append('-113,"Undefined header"')
        return answers.get(command, "")
