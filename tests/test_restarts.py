"""Restarts in mid-run, from the bytes of an independent bench to the outcome: no answer without a reject."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from heapq import merge
from itertools import pairwise
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from chargebench.instruments import conversation
from chargebench.instruments.benchfile import bench_from_text
from chargebench.instruments.conversation import Conversation
from chargebench.instruments.feed import Chunk, Feeds
from chargebench.instruments.host_clock import host_ns
from chargebench.instruments.virtual import SCENARIOS, VirtualBench
from chargebench.processing.outcome import Outcome
from chargebench.processing.recipe import process
from chargebench.recording.live import LiveRun
from chargebench.recording.ready import Ready
from chargebench.recording.seal import run_of
from chargebench.recording.segments import journal_content
from chargebench.runs.disk import Place
from chargebench.runs.run import Knowledge, Run
from tests.restarting_bench import Meter, Story, framed_lines, scale_lines

MOMENTS_S = [round(1.0 + 0.77 * n, 2) for n in range(40)]
"""From before the quiet stretch to the end of the one after the grind."""

FRAMED = """
[instrument.cup]
port = "/dev/ttyPAPER0"
lines = "framed"
carries = ["charge", "humidity"]
"""
SCPI = """
[instrument.cup]
port = "/dev/ttyPAPER0"
lines = "scpi"
carries = ["charge"]
start = [":FUNC CHAR", "*OPC?"]
"""
BENCH = """
[bench]
name = "Restarting bench"

[instrument.scale]
port = "/dev/ttyPAPER1"
lines = "printed"
carries = ["mass"]

[calibration]
leakage_time_constant_s = 900
u_leakage_time_constant_s = 40

[recording]
quiet_before_s = 5
quiet_after_s = 6
"""


@dataclass
class PlayTime:
    """Stands for clock and event: waiting costs no time but that of the play."""

    end_s: float
    now_s: float = 0.0

    def monotonic(self) -> float:
        return self.now_s

    def is_set(self) -> bool:
        return self.now_s >= self.end_s

    def wait(self, seconds: float, /) -> bool:
        self.now_s += max(seconds, 0.0)
        return self.is_set()


@dataclass
class Wire:
    """The port of a meter in play time, and everything that its conversation would put into the queue."""

    meter: Meter
    time: PlayTime
    chunks: list[Chunk] = field(default_factory=list)

    def write(self, data: bytes) -> None:
        for line in data.decode("ascii").splitlines():
            self.meter.hear(line, self.time.now_s)

    def take(self, _port: object, timeout_s: float) -> bytes:
        """Wait for the next answer."""
        until_s = self.time.now_s + timeout_s
        due = [answer for answer in self.meter.answers if answer[0] <= until_s]
        self.time.now_s = due[0][0] if due else until_s
        if not due:
            return b""
        self.meter.answers.remove(due[0])
        self.chunks.append(Chunk("cup", self._ns(), "data", due[0][1]))
        return due[0][1]

    def say(self, kind: Any, text: str) -> None:
        self.chunks.append(Chunk("cup", self._ns(), kind, text=text))

    def _ns(self) -> int:
        return round(self.time.now_s * 1e9)


def polled(story: Story, monkeypatch: pytest.MonkeyPatch) -> list[Chunk]:
    """What the feed of a polled electrometer would hand on, by the real conversation in play time."""
    clock = PlayTime(story.end_s)
    wire = Wire(Meter(story), clock)
    monkeypatch.setattr(conversation, "time", clock)
    instrument = bench_from_text(BENCH + SCPI).instruments["cup"]
    talk = Conversation(instrument, wire.say, wire.take, list, clock)
    talk.hold(wire)  # type: ignore[arg-type]
    return [Chunk("cup", 0, "open", text="cup: open"), *wire.chunks]


def streamed(story: Story) -> Iterator[Chunk]:
    """What the feed of a framed board would hand on, with the link lost and found again where the story says so."""
    yield Chunk("cup", 0, "open", text="cup: open")
    down = not story.link
    for at_s, line in framed_lines(story):
        ns = round(at_s * 1e9)
        if down and at_s >= story.restart_s:
            down = False
            yield Chunk("cup", round(story.restart_s * 1e9), "lost", text="cup: unplugged")
            yield Chunk("cup", ns, "open", text="cup: open")
        yield Chunk("cup", ns + 4_000_000, "data", line)


def recorded(text: str, cup: Iterable[Chunk], story: Story, folder: Path) -> tuple[Run, dict[str, float], list[Any]]:
    """The run sealed from the journal, the last time of each state, and what was told, of a recording of that bench."""
    events: list[Any] = []
    bench = bench_from_text(text)
    live = LiveRun(bench, [Place(folder)], {"dose_g": 18.3}, Knowledge(), 0, events.append, Ready(bench.instruments))
    scale = (Chunk("scale", round(at_s * 1e9) + 2_000_000, "data", line) for at_s, line in scale_lines(story))
    last_ns = 0
    for chunk in merge(cup, scale, key=lambda chunk: chunk.received_ns):
        live.take(chunk)
        last_ns = chunk.received_ns
        if live.state == "done":
            break
    live.end(last_ns)
    live.journal.close()
    states = {event["state"]: event["time_s"] for event in events if event.get("event") == "state"}
    return run_of(journal_content(live.journal.path.read_bytes()), live.run_id), states, events


def hold(story: Story, outcome: Outcome, states: dict[str, float], used: bool) -> None:
    """No answer without a reject; and where the restart was not in what the run used, the right answer."""
    answer = outcome.result["charge_to_mass_nC_per_g"]
    codes = {flag.code: flag.severity for flag in outcome.flags}
    if used:
        assert codes.get("restarted") == "reject", (story, states, codes)
        assert answer is None
        assert outcome.result["net_charge_nC"] is None
    elif "reject" not in codes.values():
        assert answer is not None
        truth = story.charge_to_mass_nC_per_g
        assert abs(answer.value - truth) < max(3.0 * answer.U95, 0.02 * abs(truth)), (story, states)


def in_use(run: Run) -> bool:
    """Whether a marked reading has others of its channel before it, since the bench was last quiet before the grind."""
    armed = [mark.time_s for mark in run.marks if mark.kind == "state" and mark.text == "armed"]
    waiting = [mark.time_s for mark in run.marks if mark.kind == "state" and mark.text == "waiting"]
    since_s = armed[-1] if armed and (not waiting or waiting[-1] < armed[-1]) else -1.0
    trace = run.traces["charge"]
    used = trace.time_s >= since_s
    return bool((trace.status[used][1:] & 64).any())


FASHIONS = (
    {"off_s": 0.12},
    {"off_s": 1.5},
    {"off_s": 0.5, "lost_after_s": 1.2},
    {"off_s": 2.5, "link": False},
    {"off_s": 0.3, "uptime_s": 0.4},
)
"""Quick, slow, with its first lines lost, over a new connection, and of a board that was itself just switched on."""


@pytest.mark.parametrize(("number", "moment_s"), list(enumerate(MOMENTS_S)))
def test_a_framed_board_that_starts_again(number: int, moment_s: float, tmp_path: Path) -> None:
    """At every moment of a run, quick or slow, with lines or the link lost: the run is rejected, without an answer."""
    story = replace(Story(restart_s=moment_s, seed=number), **FASHIONS[number % len(FASHIONS)])
    run, states, events = recorded(BENCH + FRAMED, streamed(story), story, tmp_path)
    hold(story, process(run), states, in_use(run))
    heard_again = run.traces["charge"].time_s[-1] > moment_s + 4.5
    for trace in (run.traces["charge"], run.traces["humidity"]):
        marked = trace.status[(trace.status & 64) > 0]
        assert len(marked) == 1 if heard_again else len(marked) <= 1, "each kind tells it once"
        assert (marked & 2).all()
    told = [event["severity"] for event in events if event.get("code") == "restarted"]
    assert len(told) == 1 if heard_again else len(told) <= 1
    if heard_again and moment_s > states["grinding"] + 4.0:
        assert told == ["reject"]


@pytest.mark.parametrize(("number", "moment_s"), list(enumerate(MOMENTS_S)))
def test_a_polled_electrometer_that_was_switched_off(
    number: int, moment_s: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At every moment of a run, between two polls or for seconds: the run is rejected, without an answer."""
    story = Story(restart_s=moment_s, off_s=(0.02, 0.4, 3.0)[number % 3], seed=number)
    run, states, _events = recorded(BENCH + SCPI, polled(story, monkeypatch), story, tmp_path)
    hold(story, process(run), states, in_use(run))
    assert abs(run.traces["charge"].value).max() < 2000.0


@pytest.mark.parametrize("kind", ["framed", "scpi"])
def test_without_a_restart_there_is_an_answer(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same benches give the right answer when nothing starts anew (else the rules above would hold by silence)."""
    story = Story(seed=3)
    made = streamed(story) if kind == "framed" else polled(story, monkeypatch)
    run, states, events = recorded(BENCH + (FRAMED if kind == "framed" else SCPI), made, story, tmp_path)
    outcome = process(run)
    assert not in_use(run)
    assert not [flag.code for flag in outcome.flags if flag.severity == "reject"]
    assert outcome.result["charge_to_mass_nC_per_g"] is not None
    hold(story, outcome, states, used=False)
    assert not [event for event in events if event.get("code") == "restarted"]


def test_moments_cover_the_run(tmp_path: Path) -> None:
    """The forty moments lie in every state of the run, and after it."""
    _, states, _ = recorded(BENCH + FRAMED, streamed(Story()), Story(), tmp_path)
    begins = [states["armed"], states["grinding"], states["settling"], states["done"], 99.0]
    inside = [sum(a <= moment < b for moment in MOMENTS_S) for a, b in pairwise(begins)]
    assert min(inside) >= 2, inside


SHORT = "\n[recording]\nquiet_before_s = 2\nquiet_after_s = 2\n"
PLAYED = replace(SCENARIOS["quarry"], electrometer=replace(SCENARIOS["quarry"].electrometer, speaks="scpi"))


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
@pytest.mark.parametrize(("state", "off_s"), [("armed", 0.2), ("grinding", 0.2), ("settling", 2.5), ("", 0.0)])
def test_on_a_real_terminal(state: str, off_s: float, tmp_path: Path) -> None:
    """The virtual electrometer on a terminal, switched off in a state of the run: a reject, and else an answer."""
    with VirtualBench(tmp_path / "bench", scenario=PLAYED, speed=1.0) as virtual:
        text = virtual.bench_path.read_text(encoding="utf-8") + SHORT
        bench, events, queue = bench_from_text(text), [], SimpleQueue[Chunk]()
        ready, now_ns = Ready(bench.instruments), host_ns()
        live = LiveRun(bench, [Place(tmp_path)], {"dose_g": 4.0}, Knowledge(), now_ns, events.append, ready)
        feeds = Feeds(bench, queue)
        feeds.start()
        ground, deadline = False, time.monotonic() + 60.0
        while live.state != "done" and time.monotonic() < deadline:
            live.take(queue.get(timeout=10.0))
            if live.state == "armed" and not ground:
                ground = True
                virtual.grind(4.0)
            if live.state == state and ground:
                state = ""
                virtual.restart(off_s)
        feeds.stop()
        live.end(host_ns())
        live.journal.close()
    run = run_of(journal_content(live.journal.path.read_bytes()), live.run_id)
    outcome = process(run)
    codes = {flag.code for flag in outcome.flags}
    assert state == ""
    assert live.state == "done"
    assert ("restarted" in codes) == bool(off_s)
    assert (outcome.result["charge_to_mass_nC_per_g"] is None) == bool(off_s)
    assert abs(run.traces["charge"].value).max() < 2000.0
