"""Replies of a polled electrometer (IEEE 488.2, SCPI-99). Owns the reply grammar; what to ask, and when, is the feed's.

Nothing on a reply tells which question it answers, so the decoder is told of each question before its reply comes, live
as on replay, and only answers to the poll are readings. Numbers come in SI base units, 9.9E37 stands for over range
(either sign) and 9.91E37 for not a number (SCPI-99 volume 1, section 7.2.1.4 and 7.2.1.5, from memory). Bit 7 of the
answer to ``*ESR?`` says that the instrument was switched on since it was last asked (IEEE 488.2, 11.5.1, from memory).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import nan
from typing import Final

from chargebench.units import QUANTITIES, base_channel
from chargebench.wire.decoder import LineDecoder
from chargebench.wire.lines import LineSplitter
from chargebench.wire.numbers import finite
from chargebench.wire.reading import RESTART, Reading, Status

__all__ = [
    "ERRORS",
    "EVENTS",
    "IDENTITY",
    "POLL",
    "POWER_ON",
    "ScpiDecoder",
    "error_of",
    "events_of",
    "is_query",
    "looks_numeric",
]

POLL: Final = "READ?"
IDENTITY: Final = "*IDN?"
EVENTS: Final = "*ESR?"
ERRORS: Final = "SYST:ERR?"
POWER_ON: Final = 128

LINE_LIMIT: Final = 512
OVER: Final = 9.9e37
NOT_A_NUMBER: Final = 9.91e37
_POWER: Final = {"charge": 9, "current": 9, "mass": 3, "humidity": 0, "temperature": 0}  # C, A, kg, %, degC

_FIELD = re.compile(r"(?P<number>[+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)(?: *(?P<unit>[A-Za-z%][A-Za-z]{0,3}))?")
_ERROR = re.compile(r'(?P<code>[+-]?[0-9]{1,5})(?:,\s*"(?P<words>[ -~]*)")?')
_EVENTS = re.compile(r"\+?(?P<bits>[0-9]{1,3})")
_IDENTITY = re.compile(r"[A-Za-z][ -+\--~]*(?:,[ -+\--~]*){3}")
_FURTHER = re.compile(r" *(?:[+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)? *[A-Za-z%#]{0,8} *")


def is_query(command: str) -> bool:
    """Whether a command of a start list is answered."""
    return "?" in command


def looks_numeric(reply: str) -> bool:
    """Whether a reply begins as numbers do: no identity does, and no words."""
    return reply.strip()[:1] in tuple("+-.0123456789")


def events_of(reply: str) -> int | None:
    """Bits of an answer to ``*ESR?``; None where it is none."""
    match = _EVENTS.fullmatch(reply.strip())
    return None if match is None or int(match["bits"]) > 255 else int(match["bits"])


def error_of(reply: str) -> int | None:
    """Number of an answer to ``SYST:ERR?``, 0 for no error; None where it is none."""
    match = _ERROR.fullmatch(reply.strip())
    return None if match is None else int(match["code"])


class ScpiDecoder(LineDecoder):
    """Decoder of SCPI replies (see `chargebench.wire.decoder.Decoder`).

    Until it is told of a question (`asked`) no line is an answer to it, nor after a `reset`.

    Parameters
    ----------
    carries : sequence of str
        Channels of a reply's numbers, in order; further fields are passed over.
    query : str
        The poll.

    Attributes
    ----------
    vouched_ns : int or None
        When the instrument last answered that it had not been switched on since it was asked before.

    Raises
    ------
    ValueError
        When a channel is not one that has an SI unit here.
    """

    def __init__(self, carries: Sequence[str], query: str = POLL) -> None:
        super().__init__(LineSplitter(LINE_LIMIT, either_end=True))
        unknown = [channel for channel in carries if base_channel(channel) not in _POWER]
        if unknown:
            raise ValueError(f"channel {unknown[0]!r}: allowed are {', '.join(_POWER)}")
        self.vouched_ns: int | None = None
        self._channels = tuple(carries)
        self._poll = query
        self._asked = ""
        self._restarted: set[str] = set()

    def asked(self, command: str) -> None:
        """The instrument is being sent this: the next line answers it, where it is a query.

        Whatever else it is sent sets it up anew, as after a restart.
        """
        if is_query(command):
            self._asked = command
        if not is_query(command) or ";" in command:
            self._restarted.update(self._channels)

    def reset(self) -> None:
        """Drop the unfinished line; what comes next answers nothing that was asked before."""
        super().reset()
        self._asked = ""

    def _decode(self, line: bytes, received_ns: int, readings: list[Reading]) -> None:
        """Append what one reply gives, or count why it gives nothing."""
        text = line.decode("ascii", "replace").strip(" \t")
        if self._asked == self._poll:
            self._answer_to_poll(text, line, received_ns, readings)
            return
        if not self._asked:
            self._reject("unasked", line)
        elif self._asked == IDENTITY and looks_numeric(text):
            self._reject("unasked", line)  # it answers an earlier question: the identity is still to come
        else:
            self.spoken += 1
            said = self._said(text, received_ns)
            if said:
                readings.append(Reading("notice", nan, line, received_ns, text=said))
            self._asked = ""

    def _said(self, text: str, received_ns: int) -> str:
        """Words to keep of an answer to anything but the poll; empty where there is nothing to tell."""
        if self._asked == IDENTITY:
            return text
        if self._asked == ERRORS:
            return "" if error_of(text) == 0 else f"{ERRORS} {text}"
        if self._asked != EVENTS:
            return f"{self._asked} {text}"
        bits = events_of(text)
        if bits is not None and not bits & POWER_ON:
            self.vouched_ns = received_ns
            return ""
        if bits is not None:
            self._restarted.update(self._channels)
        return f"{EVENTS} {text}" + ("" if bits is None else ": switched on since it was last asked")

    def _answer_to_poll(self, text: str, line: bytes, received_ns: int, readings: list[Reading]) -> None:
        """Append the readings of a reply, or count why there are none."""
        if _IDENTITY.fullmatch(text) or ((error := _ERROR.fullmatch(text)) and error["words"] is not None):
            self.spoken += 1
            readings.append(Reading("notice", nan, line, received_ns, text=text))
            return
        found = self._numbers(text)
        if isinstance(found, str):
            self._reject(found, line)
            return
        for channel, (value, status) in zip(self._channels, found, strict=True):
            if channel in self._restarted:
                self._restarted.remove(channel)
                status |= RESTART
            readings.append(Reading(channel, value, line, received_ns, status))

    def _numbers(self, text: str) -> list[tuple[float, Status]] | str:
        """Value and status for each channel from the first fields of a reply; else the reason there are none."""
        fields = text.split(",")
        further = fields[len(self._channels) :]
        if len(fields) < len(self._channels) or not all(map(_FURTHER.fullmatch, further)):
            return "fields"
        found = []
        for channel, field in zip(self._channels, fields, strict=False):
            value, status = _number(field.strip(" "), channel)
            if isinstance(value, str):
                return value
            found.append((value, status))
        return found


def _number(text: str, channel: str) -> tuple[float | str, Status]:
    """Value in the canonical unit and what it stands for; the reason instead where `text` is no number in its unit."""
    match = _FIELD.fullmatch(text)
    plain = None if match is None else finite(match["number"], 0)
    if match is None or plain is None:
        return "number", Status.NONE
    name = base_channel(channel)
    power = _POWER[name] if match["unit"] is None else QUANTITIES[name].powers.get(match["unit"])
    if power is None:
        return "unit", Status.NONE
    if plain == NOT_A_NUMBER:
        return nan, Status.NOT_A_NUMBER
    if abs(plain) == OVER:
        return nan, Status.OVER
    value = finite(match["number"], power)
    return ("number" if value is None else value), Status.NONE
