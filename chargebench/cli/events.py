"""The lines that ``record --json`` and ``qualify --json`` print while they work, by their keys; for schemas only.

Owns no event: the recorder makes them. What each is for stands in DEVELOPERS.md.
"""

from __future__ import annotations

from typing import Literal, NotRequired

from pydantic import ConfigDict, with_config
from typing_extensions import TypedDict

from chargebench.processing.outcome import Severity
from chargebench.study.told import StepTold

__all__ = ["Ask", "Discarded", "Journal", "Notice", "PlanNext", "Port", "Sealed", "State", "StepSaid"]

_CLOSED = ConfigDict(extra="forbid")


@with_config(_CLOSED)
class Port(TypedDict):
    """An instrument's port opened, was lost, is missing, held or forbidden."""

    event: Literal["port"]
    instrument: str
    state: str
    text: str


@with_config(_CLOSED)
class Journal(TypedDict):
    """Recording has begun, or goes on in another file with what is seen of it."""

    event: Literal["journal"]
    run: str
    path: str
    goes_on: bool


@with_config(_CLOSED)
class State(TypedDict):
    """Where a run stands."""

    event: Literal["state"]
    run: str
    state: Literal["waiting", "armed", "grinding", "settling", "done", "idle"]
    text: str
    time_s: float
    by_hand: NotRequired[bool]
    quiet_s: NotRequired[float]
    quiet_needed_s: NotRequired[float]
    hold: NotRequired[str]
    instrument: NotRequired[str]


@with_config(_CLOSED)
class PlanNext(TypedDict):
    """What comes next in the plan that is followed."""

    event: Literal["plan"]
    step: int | None
    tags: dict[str, str | float]
    text: str
    next: StepTold | None
    before_next: list[StepTold]


@with_config(_CLOSED)
class Notice(TypedDict):
    """Something to know."""

    event: Literal["notice"]
    severity: Severity
    code: str
    text: str


@with_config(_CLOSED)
class Sealed(TypedDict):
    """A run file was published."""

    event: Literal["sealed", "recovered"]
    run: str
    path: str


@with_config(_CLOSED)
class Discarded(TypedDict):
    """Nothing of a run was kept, and why."""

    event: Literal["discarded"]
    run: str
    text: str


@with_config(_CLOSED)
class StepSaid(TypedDict):
    """What a check does now, or what was typed."""

    event: Literal["step", "typed"]
    text: str


@with_config(_CLOSED)
class Ask(TypedDict):
    """What a person is to do and to confirm by Enter."""

    event: Literal["ask"]
    text: str
