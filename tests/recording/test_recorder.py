"""The recorder's loop: chunks in, journals, states, events and sealed runs out."""

from __future__ import annotations

import time
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from chargebench.errors import GaveUpError
from chargebench.instruments.feed import Chunk
from chargebench.recording.live import LiveRun
from chargebench.runs.load import load_run
from tests.recording.bench_model import Grind, traces
from tests.recording.byte_bench import BENCH_TEXT, NO_SCALE_TEXT, chunks
from tests.recording.played import GRIND, IDLE, Event, Played
from tests.recording.sealing import finish


def test_one_run_from_bytes_to_a_sealed_file(tmp_path: Path) -> None:
    """The journal is said first, states follow in order, the run is sealed and its outcome told last."""
    played = Played(tmp_path, chunks(GRIND))
    assert played.recorder.record(1, 60.0) == 1
    kinds = [kind for kind in played.kinds() if kind != "notice"]
    assert kinds == [
        *["journal", "waiting", "port", "port", "armed", "grinding", "settling", "done"],
        *["idle", "sealed", "outcome"],
    ]
    assert played.feeds[0].stopped
    [path] = (tmp_path / "runs").glob("*.h5")
    run = load_run(path)
    states = {mark.text: mark.time_s for mark in run.marks if mark.kind == "state"}
    assert list(states) == ["armed", "grinding", "settling", "done"]
    assert states["grinding"] == pytest.approx(GRIND.start_s, abs=1.5)
    sent = traces(GRIND)[1].round(4)[: len(run.traces["charge"])]
    assert run.traces["charge"].value.tolist() == sent.tolist()


def test_several_runs_follow_each_other_without_a_lost_line(tmp_path: Path) -> None:
    """While one run is sealed the next is recorded: not a number is missing between first and last."""
    made = [
        Chunk(c.instrument, c.received_ns + round(i * 45e9), c.kind, c.data, c.text)
        for i in range(3)
        for c in chunks(GRIND, ms0=7_000_000 + i * 45_000)
        if c.kind == "data" or i == 0
    ]
    played = Played(tmp_path, made)
    assert played.recorder.record(3, 60.0) == 3
    runs = [load_run(path) for path in sorted((tmp_path / "runs").glob("*.h5"), key=lambda p: p.stat().st_mtime_ns)]
    stamps = [ms for run in runs for ms in run.traces["charge"].device_ms.tolist()]
    assert stamps == sorted(set(stamps))
    assert len(stamps) >= (stamps[-1] - stamps[0]) / 50 - 2
    assert {run.instruments["scale"].lines_read > 100 for run in runs} == {True}


def test_a_slow_finisher_holds_up_nothing(tmp_path: Path) -> None:
    """States of the next run are told while the finisher is still at the last one."""
    entered: list[float] = []

    def slow(journal: Path) -> dict[str, Any]:
        entered.append(time.monotonic())
        while len(played.kinds()) - 1 <= played.kinds().index("done"):
            time.sleep(0.005)
        return finish(journal)

    played = Played(tmp_path, chunks(GRIND), finisher=slow)
    played.commands.put({"do": "nothing"})
    stop_when_next(played)
    played.recorder.record(None, None)
    kinds = played.kinds()
    assert entered
    assert kinds.index("waiting", kinds.index("done")) < kinds.index("sealed")


def stop_when_next(played: Played) -> None:
    """Stop as soon as the second journal is there."""
    emit = played.recorder._emit

    def stopping(event: Event) -> None:
        emit(event)
        if played.kinds().count("journal") == 2 and event.get("event") == "journal":
            played.commands.put({"do": "stop"})

    played.recorder._emit = stopping


@pytest.mark.parametrize(
    ("state", "text", "left"),
    [
        ("waiting", BENCH_TEXT, []),
        ("armed", BENCH_TEXT, []),
        ("armed", NO_SCALE_TEXT, [".h5"]),
        ("grinding", BENCH_TEXT, [".h5"]),
        ("settling", BENCH_TEXT, [".h5"]),
    ],
)
def test_stopping_keeps_what_may_hold_a_grind(tmp_path: Path, state: str, text: str, left: list[str]) -> None:
    """A stop while waiting leaves nothing behind; once a grind may have begun the run is kept and sealed."""

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("state") == state:
            commands.put({"do": "stop"})

    grind = GRIND if text == BENCH_TEXT else Grind(scale=False, end_s=18.0)
    played = Played(tmp_path, chunks(Grind(**{**grind.__dict__, "end_s": END_S[state]})), text=text, react=react)
    assert played.recorder.record(1, None) == 0
    assert played.files() == left
    for path in (tmp_path / "runs").glob("*.h5"):
        run = load_run(path)
        assert not run.recovered
        assert any("stopped while" in mark.text for mark in run.marks)


END_S = {"waiting": 3.0, "armed": 14.0, "grinding": 19.0, "settling": 29.0}


def test_giving_up_says_so_and_keeps_a_begun_run(tmp_path: Path) -> None:
    """When the time is up without a grind there is an error and no file."""
    played = Played(tmp_path, chunks(IDLE))
    with pytest.raises(GaveUpError, match="within"):
        played.recorder.record(1, 0.3)
    assert played.files() == []
    assert played.kinds()[-1] == "idle"


def test_discard_begins_anew(tmp_path: Path) -> None:
    """Discard drops the journal and waits again with another."""

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("state") == "armed":
            commands.put({"do": "discard"})
        if event.get("event") == "discarded" and not any(e.get("event") == "discarded" for e in played.events[:-1]):
            commands.put({"do": "stop"})

    played = Played(tmp_path, chunks(IDLE), react=react)
    played.recorder.record(None, None)
    assert played.kinds().count("journal") == 2
    assert played.kinds().count("discarded") == 2
    assert played.files() == []


def test_tags_before_the_grind_are_the_runs_and_during_it_the_next_ones(tmp_path: Path) -> None:
    """Tags go to the run being waited for; once a grind has begun they go to the one after it. Bad ones are refused."""

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("state") == "armed":
            commands.put({"do": "tags", "tags": {"coffee": "Low Meadow", "dose_g": 18}})
            commands.put({"do": "mark", "text": "second try"})
            commands.put({"do": "start"})
        if event.get("state") == "grinding":
            commands.put({"do": "tags", "tags": {"dose_g": -5}})
            commands.put({"do": "tags", "tags": {"coffee": "Third Field"}})
            commands.put({"do": "finish"})
        if event.get("state") == "settling":
            commands.put({"do": "stop"})

    played = Played(tmp_path, chunks(Grind(**{**GRIND.__dict__, "end_s": 14.0})), react=react)
    played.recorder.record(1, 30.0)
    [path] = (tmp_path / "runs").glob("*.h5")
    run = load_run(path)
    assert dict(run.tags) == {"coffee": "Low Meadow", "dose_g": 18.0, "incomplete": "ended while settling"}
    assert ("user", "second try") in [(mark.kind, mark.text) for mark in run.marks]
    assert played.codes().count("refused") == 1
    assert played.recorder._tags == {"coffee": "Third Field"}


@pytest.mark.parametrize("kind", ["missing", "held", "forbidden", "lost"])
def test_ports_that_cannot_be_used_are_said(tmp_path: Path, kind: Any) -> None:
    """What the feeds say of a port reaches whoever listens, in their words."""
    made = [Chunk("cup", 0, kind, text=f"cup: {kind}")]
    played = Played(tmp_path, made)
    with pytest.raises(GaveUpError):
        played.recorder.record(1, 0.2)
    assert [e for e in played.events if e.get("event") == "port"] == [
        {"event": "port", "instrument": "cup", "state": kind, "text": f"cup: {kind}"}
    ]


def test_wrong_baud_is_said_once(tmp_path: Path) -> None:
    """Line after line that makes no sense gives one sentence, and nothing that was read is lost from the journal."""
    made = [Chunk("cup", round(i * 1e8), "data", b"\xfe\x80x\x00\r\n\x9c\xf8\n" * 5) for i in range(200)]
    kept: list[bytes] = []

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("code") == "garbled":
            [journal] = (tmp_path / "runs").glob("*.journal")
            kept.append(journal.read_bytes())

    monotonic = Played(tmp_path, made, react=react)
    with pytest.raises(GaveUpError):
        monotonic.recorder.record(1, 0.6)
    assert monotonic.codes().count("garbled") == 1
    assert kept[0].count(b"\nraw ") == 200


def test_a_word_is_heard_after_a_bounded_number_of_chunks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever waits in the queue, a turn takes the first chunk and 500 more: then commands are heard."""
    taken: list[Chunk] = []
    monkeypatch.setattr(LiveRun, "take", lambda self, chunk: taken.append(chunk))
    played = Played(tmp_path, [Chunk("cup", 0, "data", b"x")] * 3000)
    played.commands.put({"do": "stop"})
    assert played.recorder.record(1, 60.0) == 0
    assert len(taken) == 501
