"""The recorder: one loop from the queue of the feeds to journals, states and events.

Owns the loop, the succession of journals and the handing over to the finisher, which gets a run only once it is whole
on a disk; until then memory holds it and the disks are tried again. Decodes nothing, detects nothing and seals nothing
itself. Nothing here waits for a sealing or a reader of events, nor for a slow disk but at the few moments when a
segment begins or is let go: bytes that come in then wait in the queue.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, Protocol

from chargebench.bounded import JsonObject
from chargebench.errors import ChargebenchError, GaveUpError, JournalError
from chargebench.instruments.benchfile import Bench
from chargebench.instruments.feed import Chunk, Feeds
from chargebench.instruments.host_clock import host_ns
from chargebench.recording.commands import COMMANDS, clear_the_way, errands_of, seconds_of
from chargebench.recording.health import Complaint, Health
from chargebench.recording.live import LiveRun
from chargebench.recording.ready import Ready
from chargebench.recording.recover import fallback_folder, tell_unsealed
from chargebench.recording.segments import Row
from chargebench.runs.disk import Place, free_bytes
from chargebench.runs.run import Knowledge, TagValue
from chargebench.runs.tags import check_tags

__all__ = ["Recorder"]

TICK_S = 0.05
CHUNKS_A_TURN = 500
CLOCK_EVERY_S = 10.0
RESCUE_EVERY_S = 5.0
QUIET_EVERY_S = 1.0
ROLL_AFTER_S = 600.0
MOST_HELD_BYTES = 500_000_000
"""Of ended runs that no disk takes; beyond that recording stops, before the system ends it and all of them are lost."""
LITTLE_DISK_BYTES = 200_000_000

PORT_STATES = frozenset({"open", "lost", "missing", "held", "forbidden"})

Emit = Callable[[Mapping[str, Any]], None]


class FeedsLike(Protocol):
    """What is needed of the feeds."""

    def start(self) -> None: ...
    def stop(self) -> None: ...


class Recorder:
    """Records runs from a bench, one after another.

    Parameters
    ----------
    bench : Bench
    folder : Path
        Where journals and runs go.
    tags, knowledge
        Of the next runs.
    finish : callable
        Given the segments of a closed journal, seals it and processes the run; gives ``path`` and ``outcome``. Called
        in a thread of its own, one journal at a time.
    emit : callable
        Is told every event, in order; called in the thread that records.
    commands : SimpleQueue of dict
        ``{"do": …}`` with one of `COMMANDS` and what belongs to it.
    ready : Ready, optional
        Judges whether a run may begin; one that waits for no plan and leaves nothing out unless given.
    fallback : Path, optional
        Where recording goes on when `folder` cannot be written; the user's data folder unless given.
    feeds : callable, optional
        Makes the feeds from bench and queue.
    """

    def __init__(
        self,
        bench: Bench,
        folder: Path,
        tags: Mapping[str, TagValue],
        knowledge: Knowledge,
        finish: Callable[[Row], JsonObject],
        emit: Emit,
        commands: SimpleQueue[JsonObject],
        ready: Ready | None = None,
        fallback: Path | None = None,
        feeds: Callable[[Bench, SimpleQueue[Chunk]], FeedsLike] = Feeds,
    ) -> None:
        self._bench = bench
        self._places = (Place(folder), Place(fallback or fallback_folder(), remade=True))
        self._tags = dict(tags)
        self._knowledge = knowledge
        self._finish = finish
        self._emit = emit
        self._commands = commands
        self._ready = ready or Ready(bench.instruments)
        self._make_feeds = feeds
        self._queue: SimpleQueue[Chunk] = SimpleQueue()
        self._health = Health({name: instrument.lines for name, instrument in bench.instruments.items()})
        self._ended: list[LiveRun] = []
        self._finishing: list[tuple[Row, Future[JsonObject]]] = []
        self._identities: dict[str, str] = {}
        self._wanted: int | None = None
        self._done = 0
        self._stopping = False
        self._not_followed = False
        self._clock_s = self._rescue_s = self._roll_s = self._again_s = self._quiet_s = 0.0

    def record(self, runs: int | None, give_up_s: float | None) -> int:
        """Record until so many runs are done, a ``stop`` command, or for ever.

        Parameters
        ----------
        runs : int or None
            None for no limit.
        give_up_s : float or None
            Seconds of the host's clock that a run may take from when it is waited for to its end.

        Returns
        -------
        int
            Runs that were recorded to their end.

        Raises
        ------
        GaveUpError
            When a run took longer than `give_up_s`; what there is of it is kept if a grind had begun.
        JournalError
            When no folder takes the first journal.
        """
        self._wanted, self._done, self._stopping = runs, 0, False
        feeds = self._make_feeds(self._bench, self._queue)
        with closing(self._places[0]), ThreadPoolExecutor(1, thread_name_prefix="finish") as pool:
            self._pool = pool
            self._live = self._open()
            feeds.start()
            try:
                gave_up = self._loop(give_up_s)
            except BaseException:
                self._live.rescue()  # what memory alone holds
                raise
            finally:
                feeds.stop()
                self._give_up()
                self._live.journal.close()
            self._emit({"event": "state", "run": "", "state": "idle", "text": "recording has stopped", "time_s": 0.0})
            self._hand_out(wait=True)
        if gave_up:
            raise GaveUpError(f"no run ended within {give_up_s:g} s: see the notices above, or allow more time")
        return self._done

    def _loop(self, give_up_s: float | None) -> bool:
        """Turn after turn until all is done or told to stop; True where the time ran out."""
        waiting_since, number = time.monotonic(), self._done
        while not self._stopping and (self._wanted is None or self._done < self._wanted):
            self._take_chunks()
            self._take_commands()
            self._tick()
            if self._done != number:
                waiting_since, number = time.monotonic(), self._done
            elif give_up_s is not None and time.monotonic() - waiting_since > give_up_s:
                self._stop("given up")
                return True
        return False

    # journals

    def _open(self, *, in_memory: bool = False) -> LiveRun:
        """The next run and its journal; says if the disk is nearly full."""
        folder = self._places[0].folder
        try:
            free = free_bytes(folder)
        except OSError:
            free = 0
        if free < LITTLE_DISK_BYTES:
            text = f"{folder}: only {free / 1e6:.0f} MB are free; make room before the next run"
            self._emit({"event": "notice", "severity": "doubt", "code": "disk-nearly-full", "text": text})
        now_ns = host_ns()
        self._clock_s = now_ns / 1e9  # the journal begins with a clock pair
        return LiveRun(
            self._bench, self._places, self._tags, self._knowledge, now_ns, self._emit, self._ready, self._identities,
            in_memory=in_memory,
        )  # fmt: skip

    def _close(self, text: str = "") -> None:
        """End the journal; the finisher gets it now or once it is whole."""
        self._identities, self._not_followed = self._live.identities, False
        self._live.end(host_ns(), text)
        self._ended.append(self._live)
        self._hand_over()

    def _hand_over(self) -> None:
        """Hand the ended runs that are whole to the finisher; the others wait."""
        for live in tuple(self._ended):
            if live.whole():
                self._ended.remove(live)
                live.journal.close()
                row = self._row(live)
                self._finishing.append((row, self._pool.submit(self._finish, row)))

    def _row(self, live: LiveRun) -> Row:
        """Where a run's journal lies; it is sealed where its last segment is."""
        segments = live.journal.paths
        last = segments[-1].parent
        others = (place.folder for place in self._places if place.folder != last)
        return Row(live.run_id, segments, (last, *others))

    def _give_up(self) -> None:
        """Try the runs that wait for a disk a last time, and say what is lost."""
        self._hand_over()
        while self._ended:
            self._ended.pop(0).give_up()

    def _roll(self) -> bool:
        """Let go of a long wait; False where no folder takes the next segment, which is said once."""
        try:
            self._live.roll()
        except JournalError as error:
            if not self._not_followed:
                self._not_followed = True
                text = f"{error}; {self._live.run_id} goes on and gets longer"
                self._live.notice(host_ns(), "doubt", "not-followed", text)
            return False
        self._not_followed = False
        return True

    def _stop(self, why: str) -> None:
        """End in good order: keep what may hold a grind, drop what only waited."""
        self._stopping = True
        state = self._live.state
        if state in ("grinding", "settling") or (state == "armed" and not self._live.has_mass):
            self._close(f"{why} while {state}")
        else:
            self._live.discard(f"{why} while {state}: nothing had been ground")

    # one turn

    def _take_chunks(self) -> None:
        """Wait a tick for the first chunk, then take what is there, up to a bound."""
        try:
            self._take(self._queue.get(timeout=TICK_S))
            for _ in range(CHUNKS_A_TURN):
                self._take(self._queue.get_nowait())
        except Empty:
            return

    def _take(self, chunk: Chunk) -> None:
        if self._stopping or (self._wanted is not None and self._done >= self._wanted):
            return
        self._live.take(chunk)
        now_s = chunk.received_ns / 1e9
        if chunk.kind == "data":
            self._complain(list(self._health.heard(chunk.instrument, now_s)))
        elif chunk.kind in PORT_STATES:
            self._health.port(chunk.instrument, opened=chunk.kind == "open", now_s=now_s)
            event = {"event": "port", "instrument": chunk.instrument, "state": chunk.kind, "text": chunk.text}
            self._emit(event)
        elif chunk.kind != "asked":
            severity = "reject" if chunk.kind == "failed" else "doubt"
            self._emit({"event": "notice", "severity": severity, "code": chunk.kind, "text": chunk.text})
        if self._live.state == "done":
            self._close()
            self._done += 1
            if (self._wanted is None or self._done < self._wanted) and not self._memory_is_full():
                self._live = self._open(in_memory=True)

    def _memory_is_full(self) -> bool:
        """Whether ended runs that no disk takes are all that memory may hold: then recording stops, which is said."""
        held_MB = sum(live.journal.held_bytes for live in self._ended) / 1e6
        if held_MB <= MOST_HELD_BYTES / 1e6:
            return False
        text = f"{len(self._ended)} runs wait in memory ({held_MB:.0f} MB) and no disk takes them: recording stops"
        self._emit({"event": "notice", "severity": "reject", "code": "memory-full", "text": text})
        self._stopping = True
        return True

    def _take_commands(self) -> None:
        while not self._stopping:
            try:
                command = self._commands.get_nowait()
            except Empty:
                return
            self._obey(command)

    def _obey(self, command: Mapping[str, Any]) -> None:
        ns = host_ns()
        match command.get("do"):
            case "start":
                self._live.by_hand(ns, "start", seconds_of(command))
            case "finish":
                self._live.by_hand(ns, "finish")
            case "discard":
                self._live.discard("discarded by hand")
                self._live = self._open(in_memory=True)
            case "stop":
                self._stop("stopped")
            case "tags":
                self._retag(ns, command)
            case "mark":
                self._live.mark(ns, str(command.get("text", "")))
            case "confirm" | "without" | "tare":
                self._clear_the_way(ns, command)
            case other:
                self._refuse(f"command {other!r}: allowed are {', '.join(COMMANDS)}")

    def _clear_the_way(self, ns: int, command: Mapping[str, Any]) -> None:
        done, refused = clear_the_way(command, self._ready, self._bench.instruments)
        if refused:
            self._refuse(refused)
        else:
            self._live.mark(ns, done)
            self._live.judge(ns)

    def _retag(self, ns: int, command: Mapping[str, Any]) -> None:
        """Tags of the next run: the one being waited for, or where a grind has begun the one after it.

        Where they come with what is to be done before it, they are those of a step of a plan.
        """
        tags, errands = command.get("tags"), errands_of(command)
        try:
            self._tags = dict(check_tags(tags if isinstance(tags, dict) else {}))
        except ChargebenchError as error:
            self._refuse(str(error))
            return
        if errands is not None:
            self._ready.begin_step(errands)
        if self._live.state in ("waiting", "armed"):
            self._live.tag(ns, self._tags)
        self._live.judge(ns)

    def _refuse(self, text: str) -> None:
        self._emit({"event": "notice", "severity": "doubt", "code": "refused", "text": text})

    def _tick(self) -> None:
        """What is done every turn, chunks or not."""
        now_ns = host_ns()
        now_s = now_ns / 1e9
        self._hand_out(wait=False)
        if self._stopping or (self._wanted is not None and self._done >= self._wanted):
            return
        self._complain(list(self._health.check(self._live.assembler.sources, now_s)))
        if now_s - self._clock_s >= CLOCK_EVERY_S:
            self._clock_s = now_s
            self._live.clock_pair(now_ns)
        if now_s - self._quiet_s >= QUIET_EVERY_S:
            self._quiet_s = now_s
            self._live.judge(now_ns)
            self._live.tell_quiet(now_ns)
        if self._live.journal.failure and now_s - self._rescue_s >= RESCUE_EVERY_S:
            self._rescue_s = 0.0 if self._live.rescue() else now_s
        if now_s - self._again_s >= RESCUE_EVERY_S:
            self._again_s = now_s
            self._live.journal.clear()
            self._hand_over()
        if self._live.age_s > ROLL_AFTER_S and self._live.calm and now_s - self._roll_s >= RESCUE_EVERY_S:
            self._roll_s = 0.0 if self._roll() else now_s

    def _complain(self, complaints: list[Complaint]) -> None:
        for complaint in complaints:
            self._live.notice(host_ns(), *complaint)

    def _hand_out(self, *, wait: bool) -> None:
        """Tell of runs that the finisher is done with, in the order in which they were recorded."""
        while self._finishing and (wait or self._finishing[0][1].done()):
            row, future = self._finishing.pop(0)
            try:
                answer = future.result()
            except ChargebenchError as error:
                tell_unsealed(row, error, self._emit)
                continue
            self._emit({"event": "sealed", "run": row.run_id, "path": str(answer["path"])})
            self._emit(answer["outcome"])
