"""One instrument's part of a run while it is read: its decoder, its clock, and columns that grow.

Owns those three. Knows no other instrument and no file.
"""

from __future__ import annotations

from array import array
from collections import Counter
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from chargebench.recording.clocks import DeviceClock
from chargebench.recording.pace import Pace
from chargebench.runs.run import InstrumentRecord
from chargebench.wire.make import make_decoder
from chargebench.wire.reading import Reading, Status

__all__ = ["Columns", "Described", "Own", "Source"]


class Described(Protocol):
    """What is needed of an instrument of the bench file."""

    @property
    def name(self) -> str: ...
    @property
    def port(self) -> str: ...
    @property
    def lines(self) -> str: ...
    @property
    def carries(self) -> tuple[str, ...]: ...
    @property
    def pattern(self) -> str | None: ...
    @property
    def unit(self) -> str | None: ...
    @property
    def query(self) -> str: ...


class Own(NamedTuple):
    """A reading with seconds on its own instrument's clock: the board's where it has one, else the host's."""

    reading: Reading
    own_s: float


@dataclass(slots=True)
class Columns:
    """What one channel sent, column by column; grows without a Python object per reading."""

    own_s: array[float] = field(default_factory=lambda: array("d"))
    value: array[float] = field(default_factory=lambda: array("d"))
    status: array[int] = field(default_factory=lambda: array("q"))
    sequence: array[int] = field(default_factory=lambda: array("q"))
    device_ms: array[int] = field(default_factory=lambda: array("q"))
    received_ns: array[int] = field(default_factory=lambda: array("q"))

    def add(self, reading: Reading, own_s: float) -> None:
        """One more reading."""
        self.own_s.append(own_s)
        self.value.append(reading.value)
        self.status.append(int(reading.status))
        self.sequence.append(-1 if reading.sequence is None else reading.sequence)
        self.device_ms.append(-1 if reading.device_ms is None else reading.device_ms)
        self.received_ns.append(reading.received_ns)

    def own_s_array(self) -> npt.NDArray[np.float64]:
        """Times on the instrument's own clock, a copy."""
        return np.array(self.own_s, dtype=np.float64)


class Source:
    """One instrument: bytes in, readings with the instrument's own seconds out.

    Attributes
    ----------
    clock : DeviceClock or None
        None where its lines carry no clock: then own seconds are the host's.
    columns : dict of str to Columns
        By channel.
    notices : list of Own
        What it said in words.

    Parameters
    ----------
    instrument : Described
    identity : str
        What it said of itself in an earlier run.
    keep : bool
        Whether columns grow; without, readings are handed on and forgotten, and of the notices only the first stays.
    paced : bool
        Whether lines that the host's clock times and that came too late for that are told, see
        `chargebench.recording.pace`.
    """

    def __init__(self, instrument: Described, identity: str = "", keep: bool = True, *, paced: bool = True) -> None:
        self.name = instrument.name
        self._keep = keep
        self._identity = identity
        self._described = instrument
        self._decoder = make_decoder(
            instrument.lines, instrument.carries, instrument.pattern, unit=instrument.unit, query=instrument.query
        )
        self.clock = DeviceClock() if instrument.lines == "framed" else None
        self._pace = Pace() if paced and self.clock is None else None
        self.columns = {channel: Columns() for channel in instrument.carries}
        self.notices: list[Own] = []

    def feed(self, data: bytes, received_ns: int, start_ns: int) -> list[Own]:
        """Readings given by a chunk; host seconds count from `start_ns`.

        A decoder may hold lines back until it knows their shape, so each reading tells when it came itself.
        """
        found = []
        newest_s = -1.0
        host_s = (received_ns - start_ns) / 1e9
        for reading in self._timed(self._decoder.feed(data, received_ns), received_ns):
            own_s = host_s if reading.received_ns == received_ns else (reading.received_ns - start_ns) / 1e9
            if self.clock is not None and reading.device_ms is not None:
                anew = bool(reading.status & Status.RESTARTED)
                own_s = self.clock.seconds(reading.device_ms, own_s, anew=anew)
                newest_s = max(newest_s, own_s)
            own = Own(reading, own_s)
            if reading.channel == "notice":
                if self._keep or not self.notices:
                    self.notices.append(own)
                continue
            if self._keep:
                self.columns[reading.channel].add(reading, own_s)
            found.append(own)
        if self.clock is not None and newest_s >= 0:
            self.clock.arrived(newest_s, host_s)
        return found

    def _timed(self, readings: list[Reading], received_ns: int) -> list[Reading]:
        """The same readings; where the host's clock times them and they came too late for that, they say so."""
        if self._pace is None:
            return readings
        now = [reading for reading in readings if reading.received_ns == received_ns and reading.channel != "notice"]
        lines = max(Counter(reading.channel for reading in now).values(), default=0)
        if not lines or not self._pace.late(received_ns, lines):
            return readings
        return [r._replace(status=r.status | Status.LATE) if r in now else r for r in readings]

    def asked(self, command: str) -> None:
        """It is being sent a command; where that is a query, what follows answers it."""
        self._decoder.asked(command)

    def interrupted(self) -> None:
        """The stream was cut: what comes next does not continue the last line."""
        self._decoder.reset()
        if self._pace is not None:
            self._pace.interrupted()

    @property
    def lines_read(self) -> int:
        """Whole lines seen."""
        return self._decoder.lines_read

    @property
    def to_be_read(self) -> int:
        """Lines that were to give a reading: all but words and answers to other questions."""
        return self._decoder.lines_read - self._decoder.spoken

    @property
    def sample(self) -> str:
        """The latest line that gave nothing, in printable characters."""
        return self._decoder.sample[:80].decode("ascii", "backslashreplace")

    @property
    def vouched_ns(self) -> int | None:
        """When it last said that it had not started anew; None where it cannot be asked."""
        return self._decoder.vouched_ns

    @property
    def rejected(self) -> int:
        """Lines that gave no reading."""
        return sum(self._decoder.rejects.values())

    @property
    def identity(self) -> str:
        """What it said of itself when it was asked at opening: its first words, or those of an earlier run."""
        return self._identity or (self.notices[0].reading.text if self.notices else "")

    def record(self) -> InstrumentRecord:
        """What is known of it; lines lost and repeated by their numbers stand among the rejects."""
        rejects = dict(self._decoder.rejects)
        for reason, count in (("lost", self._decoder.lost), ("repeated", self._decoder.repeated)):
            if count:
                rejects[reason] = count
        described = self._described
        return InstrumentRecord(
            self.name, described.port, described.lines, described.carries, self.identity, self.lines_read, rejects
        )
