"""Journal records to timed readings, and at the end to a `Run`. The one path for live detection, sealing, recovery
and whoever follows a recording.

Owns the order of things (bytes, decoder, clocks, run) and what becomes of records that are not bytes. Opens no file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np

from chargebench.recording.gaps import late, silences, unexplained
from chargebench.recording.header import (
    format_of,
    identities_of,
    knowledge_of,
    start_ns_of,
    state_of,
    tags_of,
    versions_of,
    wanted_of,
)
from chargebench.recording.records import Record, fields_of, raw_of
from chargebench.recording.source import Columns, Described, Source
from chargebench.runs.run import Gap, Mark, Run, TagValue, Trace

__all__ = ["Assembler", "BenchLike", "Timed", "governing_instrument"]

RATE_NOTE = 1e-3
RATE_SPAN_S = 0.05
LUMP = 2


class Timed(NamedTuple):
    """A reading on the run's clock; `status` holds the bits of `chargebench.wire.reading.Status`."""

    channel: str
    time_s: float
    value: float
    status: int


class BenchLike(Protocol):
    """What is needed of a bench."""

    @property
    def text(self) -> str: ...
    @property
    def instruments(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True)
class _Break:
    """At which host time an instrument was cut off, and why."""

    instrument: str
    host_s: float
    reason: str


def governing_instrument(instruments: Iterable[Described]) -> str | None:
    """The board whose clock governs: the first that carries charge or current in framed lines; None for the host."""
    for instrument in instruments:
        if instrument.lines == "framed" and {"charge", "current"} & set(instrument.carries):
            return instrument.name
    return None


class Assembler:
    """Takes the records of a journal one by one.

    Parameters
    ----------
    bench : Bench
    header : mapping
        Fields of the header record.
    keep : bool
        Whether everything taken is kept for `run`. While recording it is not: the journal keeps it, and memory stays
        the same however long a bench is open.
    """

    def __init__(self, bench: BenchLike, header: Mapping[str, Any], *, keep: bool = True) -> None:
        self._keep = keep
        self._header = header
        self._bench_text = bench.text
        self._start_ns = start_ns_of(header)
        said = identities_of(header)
        paced = format_of(header) > 1  # runs of the version before are assembled as they were
        self._sources = {
            name: Source(found, said.get(name, ""), keep, paced=paced) for name, found in bench.instruments.items()
        }
        self._governor = governing_instrument(bench.instruments.values())
        self._tags = tags_of(header)
        rested = state_of(header) == "armed"
        self._marks: list[tuple[float | None, float, Mark]] = [(None, 0.0, Mark(0.0, "state", "armed"))] * rested
        self._breaks: list[_Break] = []
        self._next_number = wanted_of(header)
        self._host_s = 0.0
        self._ended = False
        self._cut_short = ""

    @property
    def sources(self) -> Mapping[str, Source]:
        """Instruments by name."""
        return self._sources

    @property
    def now_s(self) -> float:
        """The governing clock at the last record."""
        return self._govern(self._host_s)

    @property
    def rate(self) -> float:
        """Governing seconds per host second, as far as known."""
        clock = self._governing_clock
        return 1.0 if clock is None else clock.map.rate

    @property
    def vouched_ns(self) -> int | None:
        """When the instrument of the cup last said that it had not started anew; None where it cannot be asked."""
        for channel in ("charge", "current"):
            for source in self._sources.values():
                if channel in source.columns:
                    return source.vouched_ns
        return None

    @property
    def _governing_clock(self) -> Any:
        return None if self._governor is None else self._sources[self._governor].clock

    def _govern(self, host_s: float) -> float:
        clock = self._governing_clock
        return host_s if clock is None else clock.map.device_s(host_s)

    def host_s(self, ns: int) -> float:
        """Seconds of the host's monotonic clock since the journal began."""
        return (ns - self._start_ns) / 1e9

    def feed(self, record: Record) -> list[Timed]:
        """Readings that a record completes, on the run's clock as far as it is known by now."""
        if record.kind == "header":
            return []
        if record.number != self._next_number:
            self._hole(f"{record.number - self._next_number} records are missing from the journal")
        self._next_number = record.number + 1
        if record.kind == "raw":
            return self._bytes(record)
        fields = fields_of(record)
        if not fields:
            self._damaged(record)
            return []
        ns = fields.get("ns")
        if isinstance(ns, int):
            self._host_s = self.host_s(ns)
        getattr(self, f"_on_{record.kind}", self._on_other)(fields)
        return []

    def cut_short(self, why: str) -> None:
        """State that the recording did not end as meant."""
        self._cut_short = why

    def _bytes(self, record: Record) -> list[Timed]:
        raw = raw_of(record)
        if raw is None:
            self._damaged(record)
            return []
        source = self._sources.get(raw.instrument)
        if source is None:
            return []
        self._host_s = self.host_s(raw.received_ns)
        own = source.feed(raw.data, raw.received_ns, self._start_ns)
        return [
            Timed(reading.channel, self._live_s(source, own_s), reading.value, int(reading.status))
            for reading, own_s in own
        ]

    def _live_s(self, source: Source, own_s: float) -> float:
        if source.name == self._governor:
            return own_s
        return self._govern(own_s if source.clock is None else source.clock.map.host_s(own_s))

    def _damaged(self, record: Record) -> None:
        self._hole(f"record {record.number} of the journal ({record.kind}) is damaged")

    def _hole(self, reason: str) -> None:
        """Something is missing from the journal: no line goes on across the hole."""
        for source in self._sources.values():
            source.interrupted()
            self._breaks.append(_Break(source.name, self._host_s, reason))

    def _on_lost(self, fields: Mapping[str, Any]) -> None:
        source = self._sources.get(str(fields.get("instrument")))
        if source is not None:
            source.interrupted()
            text = str(fields.get("text") or "the connection was lost")
            self._breaks.append(_Break(source.name, self._host_s, text))

    def _on_open(self, fields: Mapping[str, Any]) -> None:
        source = self._sources.get(str(fields.get("instrument")))
        if source is not None:
            source.interrupted()

    def _on_asked(self, fields: Mapping[str, Any]) -> None:
        source = self._sources.get(str(fields.get("instrument")))
        if source is not None:
            source.asked(str(fields.get("text", "")))

    def _on_tag(self, fields: Mapping[str, Any]) -> None:
        self._tags = tags_of(fields)

    def _on_mark(self, fields: Mapping[str, Any]) -> None:
        time_s, ago_s = fields.get("time_s"), fields.get("ago_s")
        known_s = float(time_s) if isinstance(time_s, int | float) else None
        if isinstance(ago_s, int | float):
            known_s = self.now_s - ago_s
        kind = str(fields.get("kind", "user"))
        self._marks.append((known_s, self._host_s, Mark(0.0, kind, str(fields.get("text", "")))))

    def _on_note(self, fields: Mapping[str, Any]) -> None:
        self._marks.append((None, self._host_s, Mark(0.0, "note", str(fields.get("text", "")))))

    _on_discarded = _on_note

    def _on_end(self, fields: Mapping[str, Any]) -> None:
        self._ended = True
        if fields.get("text"):
            self._on_note(fields)

    def _on_other(self, fields: Mapping[str, Any]) -> None:
        """Clock pairs are labels for people: nothing is timed with them."""

    def run(self, journal: bytes = b"", *, recovered: bool = False, run_id: str = "") -> Run:
        """Everything taken so far as a `Run`; times come from the clocks as known at the end."""
        assert self._keep, "nothing was kept to make a run of"
        traces = {
            channel: self._trace(channel, source, columns)
            for source in self._sources.values()
            for channel, columns in source.columns.items()
            if len(columns.value)
        }
        clock = self._clock()
        return Run(
            run_id=run_id or str(self._header.get("run", "")),
            started=str(self._header.get("started", "")),
            tags=self._tags,
            traces=traces,
            marks=self._all_marks(str(clock.get("note", ""))),
            gaps=self._gaps(traces),
            instruments={name: source.record() for name, source in self._sources.items()},
            bench_text=self._bench_text,
            knowledge=knowledge_of(self._header),
            clock=clock,
            journal=journal,
            recovered=recovered,
            versions=versions_of(self._header),
        )

    def _trace(self, channel: str, source: Source, columns: Columns) -> Trace:
        time_s = columns.own_s_array()
        if source.name != self._governor:
            if source.clock is not None:
                time_s = source.clock.map.host_s_array(time_s)
            clock = self._governing_clock
            time_s = time_s if clock is None else clock.map.device_s_array(time_s)
        return Trace(
            channel,
            source.name,
            time_s,
            np.array(columns.value, dtype=np.float64),
            np.array(columns.status, dtype=np.int64),
            np.array(columns.sequence, dtype=np.int64),
            np.array(columns.device_ms, dtype=np.int64),
            np.array(columns.received_ns, dtype=np.int64),
        )

    def _clock(self) -> dict[str, TagValue]:
        clock = self._governing_clock
        if clock is None or not clock.map:
            return {"governs": "host", "rate": 1.0, "note": ""}
        rate = clock.map.rate
        note = ""
        if abs(rate - 1.0) > max(RATE_NOTE, RATE_SPAN_S / max(clock.map.span_s, 1e-9)):
            note = f"the clock of {self._governor} ran {rate:.6g} times as fast as the host's; it governs all times"
        return {"governs": str(self._governor), "rate": rate, "note": note}

    def _all_marks(self, clock_note: str) -> tuple[Mark, ...]:
        marks = [
            Mark(self._govern(host_s) if time_s is None else time_s, mark.kind, mark.text)
            for time_s, host_s, mark in self._marks
        ]
        for source in self._sources.values():
            for reading, own_s in source.notices:
                marks.append(Mark(self._live_s(source, own_s), "note", f"{source.name}: {reading.text}"))
            for event in [] if source.clock is None else source.clock.events:
                words = "started again" if event.kind == "restart" else "jumped"
                text = f"clock of {source.name} {words} at {event.before_s:.3f} s and went on at {event.after_s:.3f} s"
                marks.append(Mark(self._live_s(source, event.after_s), "note", text))
        if clock_note:
            marks.append(Mark(0.0, "note", clock_note))
        if self._cut_short:
            marks.append(Mark(self.now_s, "note", self._cut_short))
        return tuple(sorted(marks, key=lambda mark: mark.time_s))

    def _gaps(self, traces: Mapping[str, Trace]) -> tuple[Gap, ...]:
        """Breaks as stated in the journal, then long silences that they do not explain."""
        gaps = [self._gap_of(stated, traces) for stated in self._breaks]
        found = traces.values()
        for silent in (late(found, LUMP), silences(found, self.now_s), late(found, 1)):
            gaps += list(unexplained(silent, gaps))
        if self._cut_short:
            gaps += [Gap(name, self.now_s, self.now_s, self._cut_short) for name in self._sources]
        return tuple(sorted(gaps, key=lambda gap: (gap.start_s, gap.instrument)))

    def _gap_of(self, stated: _Break, traces: Mapping[str, Trace]) -> Gap:
        """From the last reading before a break to the first after it."""
        start_s = self._govern(stated.host_s)
        break_ns = self._start_ns + round(stated.host_s * 1e9)
        before_s, after_s = [-np.inf], [np.inf]
        for trace in traces.values():
            if trace.instrument == stated.instrument:
                cut = int(np.searchsorted(trace.received_ns, break_ns, side="right"))
                before_s += [float(trace.time_s[cut - 1])] if cut else []
                after_s += [float(trace.time_s[cut])] if cut < len(trace) else []
        begin_s = max(before_s) if np.isfinite(max(before_s)) else start_s
        end_s = min(after_s) if np.isfinite(min(after_s)) else max(self.now_s, begin_s)
        return Gap(stated.instrument, begin_s, max(end_s, begin_s), stated.reason)
