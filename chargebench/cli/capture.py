"""A recording led by a person, not by a detector: so many seconds, until something jumps, until a word is said.

Owns the loop of a bench check: bytes go into a journal as in any recording, are sealed as any run, and the latest
readings are at hand to wait for. Where the disk fails it goes on in the fallback folder, as the recorder does. Time is
the run's own clock throughout.
"""

from __future__ import annotations

import math
import time
from array import array
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from itertools import chain
from pathlib import Path
from queue import Empty, SimpleQueue
from statistics import median
from types import TracebackType
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from chargebench.bounded import JsonObject
from chargebench.errors import GaveUpError, JournalError
from chargebench.instruments.benchfile import Bench
from chargebench.instruments.feed import Chunk, Feeds
from chargebench.instruments.host_clock import host_ns
from chargebench.recording.assemble import Assembler, Timed
from chargebench.recording.header import header_fields
from chargebench.recording.ids import new_run_id, utc_now_text
from chargebench.recording.journal import Journal
from chargebench.recording.recorder import RESCUE_EVERY_S
from chargebench.recording.records import json_payload, raw_payload
from chargebench.recording.recover import fallback_folder
from chargebench.recording.seal import seal
from chargebench.recording.segments import Row
from chargebench.runs.disk import Place
from chargebench.runs.layout import MOST_BYTES
from chargebench.runs.run import Knowledge, TagValue
from chargebench.units import quantity_of, value_text

__all__ = ["Capture"]

SILENT_S: Final = 10.0
"""Host's seconds without a reading after which a check gives up."""
READING_BYTES: Final = 90
"""Of a run file that a reading takes, with its line in the journal."""
LOOK_BACK_S: Final = 2.0
MEDIAN_S: Final = 0.4


class Capture:
    """One recording of a bench check; a context, to be sealed before it ends or its journal is discarded.

    Parameters
    ----------
    bench : Bench
    folder : Path
        Where the journal and the run go.
    tags, knowledge
        Of the run.
    warn : callable
        Is told in words when the journal cannot be written, and where recording goes on.
    fallback : Path, optional
        Where it goes on then; the user's data folder unless given.

    Attributes
    ----------
    run_id : str
    now_s : float
        The run's clock at the last reading of the charge or current (of anything, on a bench without).

    Raises
    ------
    JournalError
        When the folder takes no journal.
    """

    def __init__(
        self,
        bench: Bench,
        folder: Path,
        tags: Mapping[str, TagValue],
        knowledge: Knowledge,
        warn: Callable[[str], object],
        fallback: Path | None = None,
    ) -> None:
        self.run_id = new_run_id()
        self._warn, self._refused = warn, ""
        self._places = (Place(folder), Place(fallback or fallback_folder(), remade=True))

        def describe() -> JsonObject:
            now_ns, home = host_ns(), self._places[0].identity()
            return header_fields(self.run_id, utc_now_text(), now_ns, bench.text, tags, knowledge, {}, home)

        self._journal: Journal | None = Journal(self.run_id, describe)
        try:
            self._journal.go_on(self._places[:1])
        except JournalError:
            self._end()
            raise
        self._rescue_s = -math.inf
        self._assembler = Assembler(bench, self._journal.header, keep=False)
        self._queue: SimpleQueue[Chunk] = SimpleQueue()
        self._feeds = Feeds(bench, self._queue)
        self._trouble, self._count = "", 0
        self._heard: defaultdict[str, array[float]] = defaultdict(lambda: array("d"))
        carried = {channel for instrument in bench.instruments.values() for channel in instrument.carries}
        self._leads = carried & {"charge", "current"} or carried
        self.now_s = 0.0

    def __enter__(self) -> Self:
        self._feeds.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._feeds.stop()
        if self._journal is not None:
            try:
                self._journal.discard()
            finally:
                self._end()

    def _end(self) -> tuple[Path, ...]:
        """Let go of journal and folder; the segments, where there are any."""
        assert self._journal is not None, "sealed once"
        journal, self._journal = self._journal, None
        journal.close()
        self._places[0].close()
        return journal.paths

    def seal(self) -> Path:
        """End the recording; the run file.

        Raises
        ------
        RunFileError, JournalError
            When it could not be sealed, or no disk took all of it; its journal is kept.
        """
        self._feeds.stop()
        self._append("end", json_payload({"ns": host_ns(), "text": ""}))
        assert self._journal is not None, "sealed once"
        self._journal.settle()
        self._rescue()
        failure = self._journal.failure
        segments = self._end()
        if failure:
            raise JournalError(f"{failure}; the check is not stored, make it again; the next one seals what there is")
        folders = [segments[-1].parent, *(place.folder for place in self._places)]
        return seal(Row(self.run_id, segments, tuple(dict.fromkeys(folders))))

    def mark(self, text: str, kind: str = "user") -> None:
        """Keep a moment: the run's clock as it stands."""
        fields = {"ns": host_ns(), "kind": kind, "text": text, "time_s": self.now_s}
        self._append("mark", json_payload(fields))

    def listen(self, seconds: float) -> list[Timed]:
        """Record for so many seconds from now; readings that have waited come first in what is handed back.

        Raises
        ------
        GaveUpError
            When that is more than a run file holds, which is found within two seconds.
        """
        heard = self.catch_up()
        start_s = self.now_s if heard else None
        first_s, count, rated = self.now_s, self._count, False
        for reading in self._readings():
            heard.append(reading)
            start_s = self.now_s if start_s is None else start_s
            if not rated and self.now_s - first_s >= LOOK_BACK_S:
                self._hold_room((self._count - count) / (self.now_s - first_s), start_s + seconds - self.now_s)
                rated = True
            if self.now_s >= start_s + seconds:
                break
        return heard

    def _hold_room(self, per_s: float, seconds: float) -> None:
        """Hold that what is still to come goes into one run file.

        Raises
        ------
        GaveUpError
            When it does not.
        """
        left_s = (MOST_BYTES / READING_BYTES - self._count) / per_s
        if seconds > left_s:
            raise GaveUpError(
                f"{per_s:.0f} readings a second for {seconds:.0f} s are more than a run file holds; at this rate it "
                f"holds {max(left_s, 0):.0f} s: ask for less, or for fewer readings a second; nothing was stored"
            )

    def hear(self, channel: str) -> bool:
        """Record until the run's clock has passed a reading of a channel from now on; False where none comes.

        Instruments are read apart, so what one of them has to say of a stretch can come after that stretch is over.
        """
        began, from_s, heard_s = time.monotonic(), self.now_s, math.inf
        for reading in self._readings():
            if reading.channel == channel and reading.time_s >= from_s:
                heard_s = min(heard_s, reading.time_s)
            if self.now_s >= heard_s:
                return True
            if time.monotonic() - began > SILENT_S:
                break
        return False

    def so_far(self, channel: str) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Times and values of all readings of a channel so far, each of shape (n,)."""
        time_s, value = np.array(self._heard[channel], np.float64).reshape(-1, 2).T
        return time_s, value

    def catch_up(self) -> list[Timed]:
        """Take what came in while a person was asked something, or this process was held up."""
        heard: list[Timed] = []
        while True:
            try:
                heard += self._take(self._queue.get_nowait())
            except Empty:
                return heard

    def until_jump(self, channel: str, threshold: float, give_up_s: float, heard: Iterable[Timed] = ()) -> float:
        """Record until the readings of a channel jump; when they did.

        Parameters
        ----------
        channel : str
        threshold : float
            Median readings `LOOK_BACK_S` apart must differ by more. Slow drift does not count.
        give_up_s : float
            Seconds to wait for it.
        heard : iterable of Timed
            Readings of late, in which it may have happened already.

        Raises
        ------
        GaveUpError
            When nothing jumped in that time.
        """
        start_s = self.now_s
        window: deque[Timed] = deque()
        for reading in chain(heard, self._readings()):
            if self.now_s > start_s + give_up_s:
                break
            if reading.channel != channel:
                continue
            window.append(reading)
            while window[0].time_s < reading.time_s - LOOK_BACK_S - MEDIAN_S:
                window.popleft()
            before = [r.value for r in window if r.time_s < reading.time_s - LOOK_BACK_S]
            after = [r.value for r in window if r.time_s > reading.time_s - MEDIAN_S]
            if before and abs(median(after) - (level := median(before))) > threshold:
                return next((r.time_s for r in window if abs(r.value - level) > threshold / 2), reading.time_s)
        least = value_text(threshold, unit=quantity_of(channel).unit)
        raise GaveUpError(
            f"waited {give_up_s:g} s for the {channel} to jump by {least} or more, and it did not; nothing was stored"
        )

    def _readings(self) -> Iterator[Timed]:
        """Readings as they come.

        Raises
        ------
        GaveUpError
            When the run's clock stands still for long.
        """
        heard, at_s = time.monotonic(), self.now_s
        while True:
            with suppress(Empty):
                yield from self._take(self._queue.get(timeout=0.1))
            if self.now_s != at_s:
                heard, at_s = time.monotonic(), self.now_s
            elif time.monotonic() - heard > SILENT_S:
                why = self._trouble or "check that the instruments are on and send readings"
                raise GaveUpError(f"no reading of the {' or '.join(sorted(self._leads))} for {SILENT_S:g} s: {why}")

    def _take(self, chunk: Chunk) -> list[Timed]:
        if chunk.kind == "data":
            return self._append("raw", raw_payload(chunk.received_ns, chunk.instrument, chunk.data))
        fields = {"ns": chunk.received_ns, "instrument": chunk.instrument, "text": chunk.text}
        if chunk.kind in ("open", "lost", "asked"):
            return self._append(chunk.kind, json_payload(fields))
        self._trouble = chunk.text
        return self._append("note", json_payload(fields))

    def _append(self, kind: str, payload: str) -> list[Timed]:
        assert self._journal is not None, "not yet sealed"
        if time.monotonic() - self._rescue_s >= RESCUE_EVERY_S:
            self._rescue()
        readings = self._assembler.feed(self._journal.append(kind, payload))
        self._count += len(readings)
        for reading in readings:
            self._heard[reading.channel].extend((reading.time_s, reading.value))
        self.now_s = next((r.time_s for r in reversed(readings) if r.channel in self._leads), self.now_s)
        return readings

    def _rescue(self) -> None:
        """Where the journal can no longer be written, go on in another file; until one takes it, in memory."""
        assert self._journal is not None, "not yet sealed"
        if not (why := self._journal.failure):
            return
        self._rescue_s = time.monotonic()
        try:
            self._journal.go_on(self._places[::-1])
        except JournalError as error:
            if str(error) != self._refused:
                self._refused = str(error)
                self._warn(f"{why}; {error}; readings are kept in memory only")
        else:
            self._warn(f"{why}; recording goes on in {self._journal.path}")
