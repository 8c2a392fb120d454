"""What must be so before a run may begin: reason by reason, and in the recorder from bytes to what is told."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from chargebench.recording import recorder
from chargebench.recording.assemble import Timed
from chargebench.recording.ready import Errand, Ready
from chargebench.runs.load import load_run
from chargebench.wire.reading import Status
from tests.recording.byte_bench import BENCH_TEXT, bench
from tests.recording.played import Event, Played
from tests.recording.stories import EMPTIED, GRIND, QUIET, SETTLE, Stretch, told

S = 1_000_000_000
ROOM = '[instrument.room]\nport = "/dev/ttyPAPER2"\nlines = "framed"\ncarries = ["humidity"]\n'
OVER, ZERO = int(Status.OVER), int(Status.ZERO)


def heard(at_s: float, **channels: tuple[float, int] | float) -> list[Timed]:
    """Readings of that time: values, or values with a status."""
    pairs = {name: value if isinstance(value, tuple) else (value, 0) for name, value in channels.items()}
    return [Timed(name, at_s, value, status) for name, (value, status) in pairs.items()]


def reason(ready: Ready, at_s: float, cup_g: float = math.nan) -> str:
    """Code of what stands in the way; empty where nothing does."""
    hold = ready.hold(round(at_s * S), cup_g)
    return "" if hold is None else hold.code


@pytest.mark.parametrize(
    ("readings", "text", "without", "says"),
    [
        ({"charge": 1.0, "mass": 210.0}, BENCH_TEXT, (), ""),
        ({"charge": 1.0}, BENCH_TEXT, (), "scale delivers no mass: check power, cable and settings"),
        ({"mass": 210.0}, BENCH_TEXT, (), "cup delivers no charge"),
        ({"charge": 1.0}, BENCH_TEXT, ("scale",), ""),
        ({"charge": (math.nan, OVER), "mass": 210.0}, BENCH_TEXT, (), "over range: empty and zero the cup"),
        ({"charge": 1.0, "mass": (math.nan, OVER)}, BENCH_TEXT, (), "the scale is over its range"),
        ({"charge": (0.0, ZERO), "mass": 210.0}, BENCH_TEXT, (), "the zero switch is closed: open it"),
        ({"charge": 1.0, "mass": 210.0}, BENCH_TEXT + ROOM, (), "room delivers no humidity"),
        ({"charge": 1.0, "mass": 210.0, "humidity": 41.0}, BENCH_TEXT + ROOM, (), ""),
    ],
)
def test_each_reason_says_what_to_do(readings: Mapping[str, Any], text: str, without: Sequence[str], says: str) -> None:
    """Every instrument of the bench file delivers, unless it is left out by name, and none is beyond its range."""
    ready = Ready(bench(text).instruments, without)
    reason(ready, 0.0)
    ready.take(heard(20.0, **readings), 20 * S)
    hold = ready.hold(21 * S, math.nan)
    assert (hold is None) if not says else (hold is not None and hold.text.startswith(says))


def test_an_instrument_that_falls_silent_is_missed_again() -> None:
    """What was heard once is asked for again; a slow one, such as of the room, need only have been heard at all."""
    ready = Ready(bench(BENCH_TEXT + ROOM).instruments)
    assert reason(ready, 0.0) == "silent"
    ready.take(heard(1.0, charge=1.0, mass=210.0, humidity=41.0), S)
    assert reason(ready, 2.0) == ""
    ready.take(heard(100.0, mass=210.0), 100 * S)
    assert reason(ready, 100.0) == "silent"
    ready.take(heard(100.0, charge=1.0), 100 * S)
    assert reason(ready, 100.0) == ""


def test_nobody_is_blamed_before_the_first_reading_can_be_there() -> None:
    """In the first seconds a bench that has said nothing yet is waited for, without a word of cables."""
    ready = Ready(bench().instruments)
    first = ready.hold(0, math.nan)
    assert first is not None
    assert first.text.startswith("wait for the first charge of cup")


@pytest.mark.parametrize(
    ("cup_g", "code"),
    [
        (210.0, ""),
        (211.7, ""),  # a tenth of 18 g may cling
        (212.0, "cup-full"),
        (228.0, "cup-full"),
        (0.0, "cup-away"),
        (208.0, "cup-away"),
        (math.nan, ""),
    ],
)
def test_the_cup_is_back_near_its_tare(cup_g: float, code: str) -> None:
    """After a run the cup is back, empty to a tenth of what was in it; before the first any mass will do."""
    ready = Ready(bench().instruments)
    ready.take(heard(1.0, charge=0.0, mass=228.0), S)
    assert reason(ready, 1.0, cup_g) == ""
    ready.ground(210.0, 0.01)
    assert reason(ready, 1.0, cup_g) == code


def test_another_cup_is_taken_by_a_word() -> None:
    """A cup of another weight, or a scale tared anew, dead-locks nobody: `tare` takes the mass as it is."""
    ready = Ready(bench().instruments)
    assert not ready.tare()
    ready.take(heard(1.0, charge=0.0, mass=228.0), S)
    ready.ground(210.0, 0.01)
    ready.take(heard(9.0, mass=0.0), 9 * S)
    assert reason(ready, 3.0, ready.mass_g) == "cup-away"
    assert ready.tare()
    assert reason(ready, 3.0, ready.mass_g) == ""


def test_who_grinds_into_a_full_cup_is_still_asked_to_empty_it() -> None:
    """The mass before such a run is not taken for that of the empty cup."""
    ready = Ready(bench().instruments)
    ready.take(heard(1.0, charge=0.0, mass=228.0), S)
    ready.ground(210.0, 0.01)
    ready.ground(228.0, 0.01)
    assert reason(ready, 1.0, 228.0) == "cup-full"
    assert reason(ready, 1.0, 210.0) == ""


def test_a_wait_passes_by_itself_and_a_purge_by_a_word() -> None:
    """What the plan puts before a step is done in its order; a wait counts the run's own clock, over runs' ends too."""
    ready = Ready(bench().instruments, planned=True)
    ready.take(heard(1.0, charge=0.0, mass=210.0), S)
    ready.ground(210.0, 0.01)
    assert reason(ready, 1.0) == "plan"
    ready.begin_step([Errand("purge"), Errand("wait", 30.0)])
    ready.pass_time(0.0)
    ready.pass_time(90.0)
    assert reason(ready, 1.0) == "before"
    assert ready.confirm() == "purge"
    ready.pass_time(110.0)
    ready.begin_run()
    ready.pass_time(0.5)
    assert reason(ready, 1.0) == "before"
    ready.pass_time(11.0)
    assert reason(ready, 1.0) == ""
    assert ready.confirm() == ""


# in the recorder

React = Callable[[Event, "SimpleQueue[dict[str, Any]]"], None]


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands are heard between any two chunks, as they are in real time."""
    monkeypatch.setattr(recorder, "CHUNKS_A_TURN", 0)


def recorded(
    folder: Path, story: Sequence[Stretch], react: React = lambda event, commands: None, runs: int | None = 1
) -> Played:
    """What a recorder told of a story; it is stopped when the story is over."""

    def stopping(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        react(event, commands)
        if event.get("code") == "failed":
            commands.put({"do": "stop"})

    played = Played(folder, told(story), react=stopping)
    played.recorder.record(runs, None)
    return played


def told_states(played: Played) -> list[str]:
    """States as told, with the reason where one stands in the way, each once in a row."""
    events = [e for e in played.events if e.get("event") == "state" and e["state"] != "idle"]
    states = [str(e.get("hold") or e["state"]) for e in events]
    return [s for n, s in enumerate(states) if n == 0 or s != states[n - 1]]


def tags_of(played: Played) -> list[dict[str, Any]]:
    """Tags of the runs that were sealed, in order."""
    paths = sorted((played.folder / "runs").glob("*.h5"), key=lambda path: path.stat().st_mtime_ns)
    return [dict(load_run(path).tags) for path in paths]


WHOLE = (QUIET, GRIND, SETTLE)


def test_a_silent_scale_holds_the_word_back_until_somebody_goes_on_without_it(tmp_path: Path) -> None:
    """With a scale of the bench file unheard nobody is told to grind; after `without` it is recorded, and noted."""
    story = (Stretch(40.0, silent=frozenset({"scale"})), *(replace(s, silent=frozenset({"scale"})) for s in WHOLE))

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("hold") == "silent" and "delivers no" in event["text"]:
            commands.put({"do": "without", "instrument": "scales"})
            commands.put({"do": "without", "instrument": event["instrument"]})

    held = recorded(tmp_path / "held", story)
    assert "armed" not in told_states(held)
    freed = recorded(tmp_path / "freed", story, react)
    assert "armed" in told_states(freed)
    assert freed.codes().count("refused") == 1
    assert "without" in freed.codes()


def test_over_range_is_not_ready(tmp_path: Path) -> None:
    """A charge over range takes the word ready back, says what to do, and gives it again when that is done."""
    played = recorded(tmp_path, (QUIET, Stretch(5.0, status="OVER"), QUIET), runs=None)
    assert told_states(played) == ["silent", "waiting", "armed", "over-range", "waiting", "armed"]
    [event] = [e for e in played.events if e.get("hold") == "over-range" and "quiet_s" not in e]
    assert event["text"] == "over range: empty and zero the cup"


def test_a_cup_that_is_still_full_is_not_ready(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a run it says to empty the cup, again and again while that is not done; then it becomes ready again."""
    monkeypatch.setattr(recorder, "QUIET_EVERY_S", 0.0)
    played = recorded(tmp_path, (*WHOLE, Stretch(30.0), EMPTIED, QUIET), runs=2)
    states = told_states(played)
    assert states == ["silent", "waiting", "armed", "grinding", "settling", "done", "cup-full", "waiting", "armed"]
    full = [e for e in played.events if e.get("hold") == "cup-full"]
    assert {e["text"] for e in full} == {"empty the cup"}
    assert sum(e.get("quiet_s") == 10.0 for e in full) > 20  # also while quiet is had and only the cup is missing


@pytest.mark.parametrize("confirmed", [True, False])
def test_what_comes_before_a_step_is_waited_for(tmp_path: Path, confirmed: bool) -> None:
    """Ready only once it is confirmed; a run that began before that is kept, says so, and completes no step."""

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("event") == "journal" and len(played_events) < 3:
            commands.put({"do": "tags", "tags": {"plan_step": "3"}, "before": [{"words": "purge", "wait_s": 0.0}]})
        played_events.append(event)
        if confirmed and event.get("hold") == "before":
            commands.put({"do": "confirm"})

    played_events: list[Event] = []
    played = recorded(tmp_path, WHOLE, react)
    assert ("armed" in told_states(played)) == confirmed
    [tags] = tags_of(played)
    assert tags["plan_step"] == "3"
    assert tags.get("incomplete", "") == ("" if confirmed else "begun before it was time: purge")
    assert ("not-ready" in played.codes()) != confirmed


def on(state: str, **command: Any) -> React:
    """Gives a command when that state is told for the first time."""
    given: list[str] = []

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("state") == state and not given:
            given.append(state)
            commands.put(command)

    return react


DOSED = {"do": "tags", "tags": {"dose_g": 18.0}}
SHORT = (QUIET, replace(GRIND, seconds=1.5), SETTLE)


@pytest.mark.parametrize(
    ("story", "react", "why"),
    [
        (WHOLE, on("grinding", do="stop"), "ended while grinding"),
        (WHOLE, on("settling", do="stop"), "ended while settling"),
        ((QUIET, GRIND, Stretch(8.0), Stretch(5.0, cup_g=0.0)), on("", do=""), "the cup was moved before"),
        (SHORT, on("grinding", do="finish"), "ended by hand with 4.5 of 18 g in the cup"),
        (WHOLE, on("grinding", do="finish"), ""),
        (WHOLE, on("", do=""), ""),
    ],
    ids=["stopped in the grind", "stopped settling", "cup taken", "finished early", "finished, and went on", "whole"],
)
def test_a_run_that_was_ended_in_its_middle_says_so(
    tmp_path: Path, story: Sequence[Stretch], react: React, why: str
) -> None:
    """Whoever ends a run in its middle leaves it incomplete; a finish that more grounds overrule does not."""

    def dosed(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("event") == "journal":
            commands.put(dict(DOSED))
        react(event, commands)

    played = recorded(tmp_path, story, dosed)
    [tags] = tags_of(played)
    assert tags.get("incomplete", "").startswith(why)
    assert bool(tags.get("incomplete")) == bool(why)


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ({"do": "confirm"}, "nothing is to be done before this run"),
        ({"do": "without", "instrument": "x"}, "allowed are cup, scale"),
        ({"do": "boil"}, "allowed are start, finish"),
    ],
)
def test_words_that_mean_nothing_now_are_refused(tmp_path: Path, command: dict[str, Any], says: str) -> None:
    """A command that finds nothing to do is answered."""
    played = recorded(tmp_path, (QUIET,), on("armed", **command))
    assert [says in e["text"] for e in played.events if e.get("code") == "refused"] == [True]


def test_a_run_begun_for_so_many_seconds_ends_by_itself(tmp_path: Path) -> None:
    """Guided by time, an empty grinder gives a whole run of that length on the run's own clock."""
    played = recorded(tmp_path, (Stretch(60.0),), on("armed", do="start", seconds=8.0))
    [path] = (tmp_path / "runs").glob("*.h5")
    marks = {mark.text: mark.time_s for mark in load_run(path).marks if mark.kind == "state"}
    assert marks["settling"] - marks["grinding"] == pytest.approx(8.0, abs=0.5)
    assert "incomplete" not in tags_of(played)[0]


@pytest.mark.parametrize("shaken_g", [0.0, 0.2])
def test_who_begins_an_empty_grinder_ends_it(tmp_path: Path, shaken_g: float) -> None:
    """A blank begun by hand is not ended because nothing moves any more, also where the grinder shook the scale."""
    shaken = replace(GRIND, grams_per_s=shaken_g, nC_per_s=0.0, seconds=1.0)
    played = recorded(tmp_path, (QUIET, shaken, Stretch(60.0)), on("armed", do="start"))
    assert told_states(played)[-1] == "grinding"


def test_a_bench_that_will_not_come_to_rest_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a minute without rest it is said once what moves and what to do, so that nobody waits for ever."""
    monkeypatch.setattr(recorder, "QUIET_EVERY_S", 0.0)
    swinging = [Stretch(8.0, nC_per_s=sign * 10.0) for _ in range(5) for sign in (1.0, -1.0)]
    played = recorded(tmp_path, (Stretch(2.0), *swinging), runs=None)
    [notice] = [e for e in played.events if e.get("code") == "restless"]
    assert notice["text"].startswith("the charge will not come to rest: look for draughts")
