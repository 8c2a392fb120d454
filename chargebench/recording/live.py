"""One run while it is recorded: its journal, what the journal says so far, and the state that follows from it.

Owns the order in which a chunk goes: journal first, then decoding, then detection, then whoever is told. Knows no
ports, no queue and no commands.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

from chargebench.bounded import JsonObject
from chargebench.errors import JournalError
from chargebench.instruments.benchfile import Bench
from chargebench.instruments.feed import Chunk
from chargebench.recording.assemble import Assembler
from chargebench.recording.detect import Change, Detector
from chargebench.recording.header import header_fields
from chargebench.recording.ids import new_run_id, utc_now_text
from chargebench.recording.journal import Journal, ns_of
from chargebench.recording.ready import UNTOLD, Hold, Ready
from chargebench.recording.records import Record, json_payload, raw_payload
from chargebench.recording.source import Source
from chargebench.recording.states import Signal, State
from chargebench.runs.disk import Place
from chargebench.runs.run import Knowledge, TagValue
from chargebench.wire.reading import Status

__all__ = ["LiveRun"]

Emit = Callable[[Mapping[str, Any]], None]

LEAST_PART: Final = 0.5
"""Of the dose that must be in the cup where a person ends a grind by hand; with less it was not ground to its end."""
LONG_UNREST_S: Final = 60.0
REST_WORDS: Final = "look for draughts, vibration, a loose cable or an open lid; `start` begins all the same"
MEASURED: Final = frozenset({"charge", "current", "mass"})
OF_PORTS: Final = frozenset({"lost", "open", "asked"})


class LiveRun:
    """A run from the moment its journal exists until the journal is closed.

    Parameters
    ----------
    bench : Bench
    places : sequence of Place
        Where the journal may go: the archive first, then others.
    tags, knowledge
        For the header.
    now_ns : int
        Host's monotonic clock.
    emit : callable
        Is told of the journal, of states and of notices.
    ready : Ready
        Judges whether the run may begin; the same for all runs of a recorder.
    identities : mapping of str to str
        What instruments said of themselves earlier.
    in_memory : bool
        Begin also where no folder takes the journal, and have `rescue` find one that does.

    Raises
    ------
    JournalError
        When no folder takes the journal and it may not begin in memory.
    """

    def __init__(
        self,
        bench: Bench,
        places: Sequence[Place],
        tags: Mapping[str, TagValue],
        knowledge: Knowledge,
        now_ns: int,
        emit: Emit,
        ready: Ready,
        identities: Mapping[str, str] = MappingProxyType({}),
        *,
        in_memory: bool = False,
    ) -> None:
        self.run_id = new_run_id()
        self._refused = ""
        self._emit = emit
        self._bench, self._places, self._knowledge = bench, places, knowledge
        self._ready, self._tags = ready, dict(tags)
        self._change = Change("waiting", 0.0, "waiting for a quiet bench")
        self._hold: Hold | None = None
        self._told: JsonObject = {}
        self._rest_s, self._unrest_said = 0.0, False
        channels = {channel for instrument in bench.instruments.values() for channel in instrument.carries}
        self.has_mass = "mass" in channels
        self._quiet_before_s = bench.recording.quiet_before_s
        self._detector = Detector(
            has_charge=bool({"charge", "current"} & channels),
            has_mass=self.has_mass,
            quiet_before_s=self._quiet_before_s,
            quiet_after_s=bench.recording.quiet_after_s,
        )
        self._heard: set[str] = set()
        self._vouched_ns: int | None = None
        self._restarted: tuple[str, ...] = ()
        self._rolled_s = 0.0
        self._newest_ns = now_ns
        self._identities, self._sources = dict(identities), dict[str, Source]()
        self.journal = Journal(self.run_id, self._described)
        self._assembler = Assembler(bench, self.journal.header, keep=False)
        self._sources |= self._assembler.sources
        self._begin(now_ns, in_memory=in_memory)

    def _described(self) -> JsonObject:
        """Header of a segment that begins now."""
        return header_fields(
            self.run_id, utc_now_text(), self._newest_ns, self._bench.text, self._tags, self._knowledge,
            self.identities, self._places[0].identity(), self.state,
        )  # fmt: skip

    def _begin(self, now_ns: int, *, in_memory: bool) -> None:
        """Find a place for the journal, and say in which state we are."""
        try:
            self.journal.go_on(self._places)
        except JournalError as error:
            self._refused = self.journal.failure = str(error)
            if not in_memory:
                self.journal.close()
                raise
            self._tell("reject", "journal", f"{error}; readings are kept in memory only")
        else:
            if self.journal.refused:
                where = self.journal.path.parent if self.journal.path else ""
                self._tell("reject", "fallback", f"{self.journal.refused}; recording goes to {where} instead")
            self.tell_journal()
        self._ready.begin_run()
        self.judge(now_ns)
        self.clock_pair(now_ns)

    def tell_journal(self, *, goes_on: bool = False) -> None:
        """Say where the journal is; it goes on where what was read before belongs to what is seen now."""
        path = str(self.journal.path)
        self._emit({"event": "journal", "run": self.run_id, "path": path, "goes_on": goes_on})

    @property
    def state(self) -> State:
        """Where the run stands."""
        return self._detector.state

    @property
    def calm(self) -> bool:
        """Whether nothing hints at a grind."""
        return self._detector.calm

    @property
    def age_s(self) -> float:
        """Governing seconds since the journal began or last let go of a stretch of waiting."""
        return self._assembler.now_s - self._rolled_s

    @property
    def assembler(self) -> Assembler:
        """What the journal says so far."""
        return self._assembler

    def take(self, chunk: Chunk) -> None:
        """One chunk: into the journal, then through decoder and detector, then states are told."""
        if chunk.kind == "data":
            record = self.journal.append("raw", raw_payload(chunk.received_ns, chunk.instrument, chunk.data))
        elif chunk.kind in OF_PORTS:
            fields = {"ns": chunk.received_ns, "instrument": chunk.instrument, "text": chunk.text}
            record = self.journal.append(chunk.kind, json_payload(fields))
            if chunk.kind != "asked":
                self.journal.sync_soon()
        else:
            record = self._note(chunk.received_ns, "note", chunk.kind, chunk.text)
        state = self.state
        changes = self._take(record)
        if self._restarted:
            self._tell_restart(chunk, lost=state in ("grinding", "settling"))
        self._mark_states(changes, chunk.received_ns)

    def by_hand(self, ns: int, signal: Signal, seconds: float = math.inf) -> None:
        """A person starts the grind, perhaps for so many seconds, or finishes it."""
        self._mark_states(self._detector.by_hand(signal, seconds), ns)

    def _take(self, record: Record) -> list[Change]:
        readings = self._assembler.feed(record)
        now_s = self._assembler.now_s
        self._newest_ns = ns_of(record) or self._newest_ns
        self._ready.take(readings, self._newest_ns)
        self._ready.pass_time(now_s)
        anew = {reading.channel for reading in readings if reading.status & Status.RESTARTED}
        self._restarted = tuple(sorted(anew & self._heard & MEASURED))
        self._heard.update(reading.channel for reading in readings)
        changes = self._detector.feed(readings)
        vouched_ns = self._assembler.vouched_ns
        if vouched_ns != self._vouched_ns:
            self._vouched_ns = vouched_ns
            changes += self._detector.checked()
        return changes

    def _tell_restart(self, chunk: Chunk, *, lost: bool) -> None:
        """An instrument that was heard before has started anew."""
        what = f"{chunk.instrument} started anew: its {' and '.join(self._restarted)} begins again from nothing"
        then = "this run will be rejected, make it again" if lost else "wait until the bench is ready again"
        self.notice(chunk.received_ns, "reject" if lost else "doubt", "restarted", f"{what}; {then}")

    def _mark_states(self, changes: Sequence[Change], ns: int) -> None:
        for change in changes:
            fields = {"kind": "state", "text": change.state, "ago_s": round(self._assembler.now_s - change.time_s, 6)}
            self._assembler.feed(self.journal.append("mark", json_payload(fields)))
            self.journal.sync_soon()
            begins = change.state == "grinding" and self._change.state in ("waiting", "armed")
            self._change = change
            if begins:
                self._note_unready(ns)
            elif change.state == "done":
                self._note_cut(ns)
                self._ready.ground(self._detector.before_g, self._detector.resolution_g)
            self._tell_state()
        self.judge(ns)

    def judge(self, ns: int) -> None:
        """Look again at what stands between the bench and a run, and say so where that is news."""
        if self.state in ("waiting", "armed"):
            cup_g = math.nan if self._told.get("state") == "armed" else self._ready.mass_g  # grounds may fall by now
            self._hold = self._ready.hold(ns, cup_g)
            self._tell_state()

    def _note_unready(self, ns: int) -> None:
        """A grind has begun: say in the run what was not as it should be."""
        hold = None if self._told["state"] == "armed" else self._ready.hold(ns, self._detector.before_g)
        if hold is not None:
            self.notice(ns, "doubt", "not-ready", f"begun before the bench was ready: {hold.text}")
            if hold.code in UNTOLD:
                self._incomplete(ns, f"begun before it was time: {hold.text}")
        for name in self._ready.left_out:
            self.notice(ns, "note", "without", f"recorded without {name}, as told")

    def _note_cut(self, ns: int) -> None:
        """A run is done: say in it if somebody ended it in its middle."""
        why, dose_g = self._detector.cut, self._tags.get("dose_g")
        got_g = self._ready.mass_g - self._detector.before_g
        blank = self._tags.get("purpose") == "blank"
        if self._detector.ended_by_hand and isinstance(dose_g, float) and not blank and got_g < LEAST_PART * dose_g:
            why = why or f"ended by hand with {got_g:.1f} of {dose_g:g} g in the cup"
        if why:
            self._incomplete(ns, why)

    def _incomplete(self, ns: int, why: str) -> None:
        self.tag(ns, {**self._tags, "incomplete": why})

    def _tell_state(self) -> None:
        """Say the state and what stands in the way; again only where that is news."""
        change = self._change
        hold = self._hold if change.state in ("waiting", "armed") else None
        event: JsonObject = {"event": "state", "run": self.run_id, "state": change.state, "text": change.text}
        if hold is not None:
            event |= {"state": "waiting", "text": hold.text, "hold": hold.code, "instrument": hold.instrument}
        if change.state == "grinding":
            event["by_hand"] = self._detector.begun_by_hand
        waits = event["state"] in ("waiting", "armed")
        if not (waits and event.items() <= self._told.items()):
            self._told = {**event, "time_s": round(change.time_s, 3)}
            self._emit(self._told)

    def tell_quiet(self, ns: int) -> None:
        """While quiet is waited for, say the state again with how long it has been quiet and how long it must be.

        Where there has been none for long, say what moves, so that nobody waits for ever.
        """
        quiet = self._detector.quiet_so_far
        if self._hold is not None and self.state == "armed":
            quiet = (self._quiet_before_s,) * 2  # quiet there is; only that reason is left
        if quiet is not None and self._told["state"] in ("waiting", self.state):
            self._emit({**self._told, "quiet_s": round(quiet[0], 2), "quiet_needed_s": quiet[1]})
        if self.state != "waiting" or self._hold is not None or not self._detector.restless():
            self._rest_s, self._unrest_said = self._assembler.now_s, False
        elif self._assembler.now_s - self._rest_s > LONG_UNREST_S and not self._unrest_said:
            self._unrest_said = True
            text = f"the {' and the '.join(self._detector.restless())} will not come to rest: {REST_WORDS}"
            self.notice(ns, "doubt", "restless", text)

    def _tell(self, severity: str, code: str, text: str) -> None:
        self._emit({"event": "notice", "severity": severity, "code": code, "text": text})

    def _note(self, ns: int, severity: str, code: str, text: str) -> Record:
        fields = {"ns": ns, "severity": severity, "code": code, "text": text}
        record = self.journal.append("note", json_payload(fields))
        self.journal.sync_soon()
        return record

    def notice(self, ns: int, severity: str, code: str, text: str) -> None:
        """Something to know about this run: into the journal, then told."""
        self._assembler.feed(self._note(ns, severity, code, text))
        self._tell(severity, code, text)

    def mark(self, ns: int, text: str) -> None:
        """A person's word."""
        self._assembler.feed(self.journal.append("mark", json_payload({"ns": ns, "kind": "user", "text": text})))
        self.journal.sync_soon()

    def tag(self, ns: int, tags: Mapping[str, TagValue]) -> None:
        """Other tags for this run."""
        self._tags = dict(tags)
        self._assembler.feed(self.journal.append("tag", json_payload({"ns": ns, "tags": dict(tags)})))
        self.journal.sync_soon()

    def clock_pair(self, ns: int) -> None:
        """Host's monotonic clock beside the wall clock, as a label."""
        self._assembler.feed(self.journal.append("clock", json_payload({"ns": ns, "utc": utc_now_text()})))

    def rescue(self) -> bool:
        """Where the journal can no longer be written, go on in the next segment; True where all is well.

        In another folder if one takes it, otherwise in the same. That none does is said once.
        """
        if not self.journal.failure:
            return True
        why, was = self.journal.failure, self.journal.path
        try:
            self.journal.go_on(sorted(self._places, key=lambda place: was is not None and place.folder == was.parent))
        except JournalError as error:
            if str(error) != self._refused:
                self._refused = str(error)
                self._tell("reject", "journal", f"{why}; {error}; readings are kept in memory only")
            return False
        self.tell_journal(goes_on=True)
        self._tell("reject", "journal", f"{why}; recording goes on in {self.journal.path}")
        return True

    def roll(self) -> None:
        """Let go of a long wait: the journal keeps the last stretch of it and goes on in the next segment.

        Raises
        ------
        JournalError
            When no folder takes that; the journal then goes on as it is.
        """
        before = self.journal.path
        self.journal.roll(self._places)
        self._rolled_s = self._assembler.now_s
        if self.journal.path != before:
            self.tell_journal()
            self._told = {}
            self._tell_state()

    @property
    def identities(self) -> dict[str, str]:
        """What instruments said of themselves."""
        return self._identities | {name: source.identity for name, source in self._sources.items()}

    def end(self, ns: int, text: str = "") -> None:
        """Say that recording ended as meant and sync; see `whole` for whether that is on the disk."""
        self.rescue()
        self.journal.append("end", json_payload({"ns": ns, "text": text}))
        self.journal.settle()

    def whole(self) -> bool:
        """After the end: whether the journal can be sealed, since disks have all of it; tries again what failed."""
        return self.rescue() and not self.journal.out_of_reach

    def give_up(self) -> None:
        """Close a journal that is not `whole`, and say what becomes of it."""
        self.journal.close()
        if self.journal.failure:
            text = f"{self.journal.failure}; no folder has taken the rest, which is lost; make room and record again"
        else:
            missing = ", ".join(map(str, self.journal.out_of_reach))
            text = f"{missing} cannot be read now; it is sealed at the next start at which that is there again"
        self._tell("reject", "not-sealed", f"{self.run_id}: {text}")

    def discard(self, why: str) -> None:
        """Close and remove the journal: nothing in it is wanted. Where some of it stays, that is said."""
        try:
            self.journal.discard()
        except JournalError as error:
            self._tell("doubt", "not-discarded", f"{error}; it is sealed at the next start")
        else:
            self._emit({"event": "discarded", "run": self.run_id, "text": why})
