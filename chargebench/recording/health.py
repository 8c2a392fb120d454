"""Says what is wrong with an instrument's stream while it runs: silent, unreadable, clock off. Owns those sentences.

Looks at counts only, once a tick; says each thing once and again only after it had been well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from chargebench.recording.source import Source

__all__ = ["Complaint", "Health"]

SILENT_S = {"framed": 3.0, "scpi": 8.0, "printed": 15.0}
LEAST_BAD = 20
MOSTLY = 0.8
CHECK_EVERY_S = 2.0
RATE_NOTE = 1e-3
RATE_SPAN_S = 10.0


class Complaint(NamedTuple):
    """One sentence with its severity and code."""

    severity: str
    code: str
    text: str


@dataclass(slots=True)
class _State:
    lines: str
    open: bool = False
    heard_s: float = 0.0
    silent: bool = False
    garbled: bool = False
    seen: tuple[int, int] = (0, 0)


class Health:
    """Watches the instruments of a bench.

    Parameters
    ----------
    lines : mapping of str to str
        Line format by instrument.
    """

    def __init__(self, lines: Mapping[str, str]) -> None:
        self._states = {name: _State(kind) for name, kind in lines.items()}
        self._checked_s = 0.0
        self._rate_said = False

    def port(self, instrument: str, *, opened: bool, now_s: float) -> None:
        """A port was opened or lost."""
        state = self._states[instrument]
        state.open, state.heard_s, state.silent = opened, now_s, False

    def heard(self, instrument: str, now_s: float) -> Iterator[Complaint]:
        """Bytes came."""
        state = self._states[instrument]
        state.heard_s = now_s
        if state.silent:
            state.silent = False
            yield Complaint("note", "heard-again", f"{instrument}: heard again")

    def check(self, sources: Mapping[str, Source], now_s: float) -> Iterator[Complaint]:
        """What is wrong now and was not before."""
        for name, state in self._states.items():
            if state.open and not state.silent and now_s - state.heard_s > SILENT_S[state.lines]:
                state.silent = True
                what = f"the port is open and nothing has come for {SILENT_S[state.lines]:g} s"
                yield Complaint("doubt", "silent", f"{name}: {what}; check power, cable and settings")
        if now_s - self._checked_s < CHECK_EVERY_S:
            return
        self._checked_s = now_s
        for name, state in self._states.items():
            yield from self._garbled(name, state, sources[name])
            yield from self._rate(name, sources[name])

    def _garbled(self, name: str, state: _State, source: Source) -> Iterator[Complaint]:
        total, bad = source.to_be_read, source.rejected
        new, new_bad = total - state.seen[0], bad - state.seen[1]
        if new < 0 or new_bad < 0:
            state.seen = (total, bad)
            return
        if max(new, new_bad) < LEAST_BAD:
            return
        state.seen = (total, bad)
        mostly = new_bad > MOSTLY * max(new, new_bad)
        if mostly and not state.garbled:
            shown = f', such as "{source.sample}"' if source.sample else ""
            what = f"{new_bad} of {max(new, new_bad)} {'replies' if state.lines == 'scpi' else 'lines'}"
            text = f"{name}: {what} make no sense{shown}; check baud, lines and carries in the bench file"
            yield Complaint("doubt", "garbled", text)
        state.garbled = mostly

    def _rate(self, name: str, source: Source) -> Iterator[Complaint]:
        clock = source.clock
        if self._rate_said or clock is None or clock.map.span_s < RATE_SPAN_S:
            return
        rate = clock.map.rate
        if abs(rate - 1.0) > max(RATE_NOTE, 0.05 / clock.map.span_s):
            self._rate_said = True
            text = f"{name}: its clock runs {rate:.5g} times as fast as the host's; its own clock governs"
            yield Complaint("note", "clock-rate", text)
