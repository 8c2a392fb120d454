"""Replies of a polled electrometer (IEEE 488.2, SCPI-99). Owns the reply grammar; what to ask, and when, is the feed's.

Numbers come in SI base units, 9.9E37 stands for over range (either sign) and 9.91E37 for not a number (SCPI-99 volume
1, section 7.2.1.4 and 7.2.1.5, from memory). An answer to ``*IDN?`` or ``SYST:ERR?`` is a notice.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import nan
from typing import Final

from chargebench.units import base_channel
from chargebench.wire.decoder import LineDecoder
from chargebench.wire.lines import LineSplitter
from chargebench.wire.numbers import finite
from chargebench.wire.reading import Reading, Status

__all__ = ["ERROR_REPLY", "ScpiDecoder"]

LINE_LIMIT: Final = 512
OVER: Final = 9.9e37
NOT_A_NUMBER: Final = 9.91e37
_POWER: Final = {"charge": 9, "current": 9, "mass": 3, "humidity": 0, "temperature": 0}  # C, A, kg, %, degC

ERROR_REPLY = re.compile(r'(?P<code>[+-]?[0-9]{1,5}),\s*"(?P<words>[ -~]*)"')
_IDENTITY = re.compile(r"[A-Za-z][ -+\--~]*(?:,[ -+\--~]*){3}")


class ScpiDecoder(LineDecoder):
    """Decoder of SCPI replies (see `chargebench.wire.decoder.Decoder`).

    Parameters
    ----------
    carries : sequence of str
        Channels of a reply's numbers, in order.

    Raises
    ------
    ValueError
        When a channel is not one that has an SI unit here.
    """

    def __init__(self, carries: Sequence[str]) -> None:
        super().__init__(LineSplitter(LINE_LIMIT))
        unknown = [channel for channel in carries if base_channel(channel) not in _POWER]
        if unknown:
            raise ValueError(f"channel {unknown[0]!r}: allowed are {', '.join(_POWER)}")
        self._powers = [(channel, _POWER[base_channel(channel)]) for channel in carries]

    def _decode(self, line: bytes, received_ns: int, readings: list[Reading]) -> None:
        """Append the readings of one reply, or count why there is none."""
        text = line.decode("ascii", "replace").strip(" \t")
        if ERROR_REPLY.fullmatch(text) or _IDENTITY.fullmatch(text):
            readings.append(Reading("notice", nan, line, received_ns, text=text))
            return
        fields = text.split(",")
        if len(fields) != len(self._powers):
            self._rejected["fields"] += 1
            return
        found: list[Reading] = []
        for (channel, power), field in zip(self._powers, fields, strict=True):
            value, status = _number(field.strip(" "), power)
            if value is None:
                self._rejected["number"] += 1
                return
            found.append(Reading(channel, value, line, received_ns, status))
        readings.extend(found)


def _number(text: str, power: int) -> tuple[float | None, Status]:
    """Value in the canonical unit and what it stands for; None where `text` is no number."""
    plain = finite(text, 0)
    if plain is None:
        return None, Status.NONE
    if plain == NOT_A_NUMBER:
        return nan, Status.NOT_A_NUMBER
    if abs(plain) == OVER:
        return nan, Status.OVER
    return finite(text, power), Status.NONE
