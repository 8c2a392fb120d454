"""One number as one instrument sent it. Owns the noun `Reading`; knows nothing of clocks, ports or files.

A named tuple rather than a frozen dataclass: as unchangeable, and made in a quarter of the time, which at a million
lines a second is what decoding them costs.
"""

from __future__ import annotations

from enum import IntFlag
from typing import NamedTuple

__all__ = ["RESTART", "Reading", "Status"]


class Status(IntFlag):
    """What an instrument says about a reading, as bits that travel into the run file unchanged.

    ``SETTLED`` and ``UNSETTLED`` are both unset where the line does not tell. ``RESTARTED`` comes with ``RESET`` and
    is the decoder's word: the instrument started anew, or was set up anew, since its last reading of this channel.
    ``LATE`` is the recorder's: the line came in a lump or after a silence, and when it was sent is not known.
    """

    NONE = 0
    OVER = 1
    RESET = 2
    ZERO = 4
    UNSETTLED = 8
    SETTLED = 16
    NOT_A_NUMBER = 32
    RESTARTED = 64
    LATE = 128


RESTART = Status.RESET | Status.RESTARTED


class Reading(NamedTuple):
    """One value as received.

    Attributes
    ----------
    channel : str
        ``charge``, ``charge2`` …, ``current``, ``mass``, ``humidity``, ``temperature``, or ``notice`` (text).
    value : float
        In the channel's canonical unit (see `chargebench.units`); NaN for a notice and where the status says so.
    raw : bytes
        The line as received, without its end.
    received_ns : int
        Host's monotonic time at which the chunk that completed the line was read, in nanoseconds.
    status : Status
        What the line says of the reading.
    sequence : int or None
        Line counter of the device, 0..65535, where the line carries one.
    device_ms : int or None
        Uptime of the device in ms, 0..4294967295, where the line carries one.
    text : str
        Words of a notice, else empty.
    """

    channel: str
    value: float
    raw: bytes
    received_ns: int
    status: Status = Status.NONE
    sequence: int | None = None
    device_ms: int | None = None
    text: str = ""
