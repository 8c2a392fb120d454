"""What is to be done next, line by line, and what the keys mean meanwhile."""

from __future__ import annotations

from typing import Any

import pytest

from chargebench.cli.keyboard import HELP, command
from chargebench.cli.screen import Screen
from chargebench.cli.todo import Todo

MISTED = {"step": 3, "brief": "misted, 3 sprays", "ioniser": None, "tags": {"purpose": "grind"}}
BLANK = {"step": 5, "brief": "blank", "ioniser": True, "tags": {"purpose": "blank"}}
DRY = {"step": 6, "brief": "dry", "ioniser": False, "tags": {"purpose": "grind"}}


def state(state: str, **more: Any) -> dict[str, Any]:
    """A state event."""
    return {"event": "state", "state": state, "text": "", **more}


def held(code: str, text: str, **more: Any) -> dict[str, Any]:
    """A state event with a reason why a run may not begin."""
    return state("waiting", hold=code, text=text, **more)


def plan(step: object) -> dict[str, Any]:
    """What comes next."""
    return {"event": "plan", "next": step}


def led(*events: dict[str, Any], asks: bool = True, weighs: bool = True, timed_s: float | None = None) -> Todo:
    """Somebody led through these events."""
    todo = Todo(asks=asks, weighs=weighs, timed_s=timed_s, study="hill.toml")
    for event in events:
        todo.hear(event)
    return todo


def port(instrument: str, state: str) -> dict[str, Any]:
    """A port opened, or is gone."""
    return {"event": "port", "instrument": instrument, "state": state, "text": ""}


GONE = (port("cup", "lost"), port("scale", "lost"), port("cup", "missing"))


@pytest.mark.parametrize(
    ("events", "asks", "line"),
    [
        (
            (state("grinding"), *GONE),
            True,
            "no connection to scale and cup: put the cable back, recording goes on by itself; stop ends it and keeps "
            "what there is of this run",
        ),
        (
            (state("settling"), port("cup", "lost")),
            False,
            "no connection to cup: put the cable back, recording goes on by itself; Ctrl-C ends it and keeps what "
            "there is of this run",
        ),
        (
            (state("armed"), port("cup", "held")),
            False,
            "no connection to cup: put the cable back, recording goes on by itself; Ctrl-C ends it",
        ),
        (
            (state("grinding"), *GONE, port("cup", "open"), port("scale", "open")),
            True,
            "let it grind; touch neither cup nor cables",
        ),
        ((held("silent", "check power"), *GONE), False, "check power"),
    ],
)
def test_a_port_that_is_gone_is_what_to_do_next(events: tuple[dict[str, Any], ...], asks: bool, line: str) -> None:
    """While ports are gone in a run the line says to put the cable back, that it goes on, and how to end it."""
    assert led(*events, asks=asks).line == line


def test_a_blank_is_not_ground() -> None:
    """Before a blank without a plan the line says to run the grinder empty."""
    todo = Todo(asks=True, weighs=True, purpose="blank")
    todo.hear(state("waiting"))
    assert todo.line == "hands off until it is quiet; then run the grinder empty"


@pytest.mark.parametrize(
    ("events", "more", "line", "enter"),
    [
        ((), {}, "", None),
        ((state("waiting"),), {}, "hands off until it is quiet; then grind", None),
        ((plan(MISTED), state("waiting")), {}, "hands off until it is quiet; then step 3: misted, 3 sprays", None),
        ((plan(MISTED), state("armed")), {}, "ready, step 3: misted, 3 sprays", None),
        ((state("armed"),), {}, "ready: start the grinder", None),
        ((plan(DRY), state("armed")), {}, "ready, step 6: dry, ioniser off", None),
        (
            (plan(BLANK), state("armed")),
            {},
            "ready, step 5: blank, ioniser on; press Enter, then start the empty grinder",
            "start",
        ),
        (
            (plan(BLANK), state("armed")),
            {"timed_s": 15.0, "asks": False},
            "ready, step 5: blank, ioniser on; start the empty grinder now, for 15 s",
            "start",
        ),
        ((state("armed"),), {"weighs": False}, "ready; press Enter, then start the grinder", "start"),
        (
            (plan(MISTED), held("before", "purge with 5 g of dry beans")),
            {},
            "before step 3: purge with 5 g of dry beans, then press Enter",
            "confirm",
        ),
        (
            (held("silent", "scale delivers no mass", instrument="scale"),),
            {},
            "scale delivers no mass; or type: without scale",
            None,
        ),
        (
            (held("silent", "scale delivers no mass", instrument="scale"),),
            {"asks": False},
            "scale delivers no mass",
            None,
        ),
        ((held("cup-full", "empty the cup"),), {"asks": False}, "empty the cup", None),
        ((held("over-range", "over range: empty and zero the cup"),), {}, "over range: empty and zero the cup", None),
        ((state("grinding", by_hand=False),), {}, "let it grind; touch neither cup nor cables", None),
        (
            (state("grinding", by_hand=True),),
            {},
            "stop the grinder when it is through, then press Enter; touch neither cup nor cables",
            "finish",
        ),
        ((state("settling"),), {}, "hands off until the run is done", None),
        ((state("done"),), {}, "empty the cup", None),
        ((plan(BLANK), state("done")), {}, "hands off", None),
        (
            (state("done"), state("waiting")),
            {"weighs": False},
            "empty the cup, then hands off until it is quiet; then grind",
            None,
        ),
        ((plan(None), state("idle")), {}, "the plan is through: ask `chargebench study hill.toml`", None),
        ((state("idle"),), {}, "recording has stopped; the same command goes on with the next run", None),
    ],
)
def test_one_line_says_what_to_do_next(
    events: tuple[dict[str, Any], ...], more: dict[str, Any], line: str, enter: str | None
) -> None:
    """Every state, with every reason that stands in the way, has its line, and Enter means what that line says."""
    todo = led(*events, **more)
    assert todo.line.startswith(line)
    assert (line == "") == (todo.line == "")
    assert (todo.enter or {}).get("do") == enter


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("start", {"do": "start"}),
        (" finish ", {"do": "finish"}),
        ("without scale", {"do": "without", "instrument": "scale"}),
        ("tare", {"do": "tare"}),
        ("mark a door slammed", {"do": "mark", "text": "a door slammed"}),
        ("stop", {"do": "stop"}),
        ("help", HELP),
    ],
)
def test_words_are_commands(typed: str, meant: object) -> None:
    """What is typed becomes the command it says."""
    assert command(typed, led()) == meant


@pytest.mark.parametrize("typed", ["boil", "without", "start now", "\x1b[2J", ""])
def test_other_words_are_answered(typed: str) -> None:
    """What is not understood, or means nothing now, is answered in words that a terminal can bear."""
    answer = command(typed, led())
    assert isinstance(answer, str)
    assert answer.isprintable()
    assert "'help' lists the words" in answer


def test_the_last_line_is_what_to_do_next(capsys: pytest.CaptureFixture[str]) -> None:
    """Whatever is printed after it, the line comes again as the last; unchanged it is not repeated."""
    todo = Todo(asks=True, weighs=True)
    screen = Screen(todo)
    for event in (plan(MISTED), state("armed", text="quiet"), {"event": "sealed", "path": "a.h5"}, plan(MISTED)):
        todo.hear(event)
        screen.show(event)
        screen.rest()
    lines = capsys.readouterr().out.splitlines()
    ready = "ready, step 3: misted, 3 sprays"
    assert lines == ["armed     quiet", ready, "sealed a.h5", ready]
