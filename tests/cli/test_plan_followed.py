"""What is told to a recorder that follows a plan: the next step, what comes before it, and when nothing comes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from chargebench.cli.finisher import Finisher
from chargebench.cli.planned import Planned
from chargebench.errors import StorageError, UsageError

PURGE = {"words": "purge with 5 g of dry beans", "wait_s": 0.0}
WAIT = {"words": "wait 90 s", "wait_s": 90.0}
STEP = {"step": 2, "kind": "run", "words": "dry: 18 g of beans", "tags": {"treatment": "dry"}, "before": [PURGE]}
FOUND = {"next": STEP, "before_next": [PURGE, WAIT], "steps": {"2": STEP}, "remarks": ["5 and 7 µL/g are one dose"]}
THROUGH = {**FOUND, "next": None, "before_next": []}


class Sealing(Finisher):
    """A finisher that seals, or fails to, and answers about its plan, or fails to."""

    def __init__(self, found: Mapping[str, Any] | None, *, seals: bool = True) -> None:
        super().__init__()
        self._found, self._seals = found, seals

    def __call__(self, journal: Path) -> dict[str, Any]:
        if not self._seals:
            raise StorageError(f"{journal}: no room")
        return {"path": str(journal)}

    def upcoming(self, study: Path, archive: Path) -> dict[str, Any]:
        if self._found is None:
            raise StorageError("study.toml: not TOML")
        return dict(self._found)


class Following:
    """A plan that is followed, what it told and what it commanded."""

    def __init__(self, finisher: Finisher, *, asks: bool = True) -> None:
        self.told: list[Mapping[str, Any]] = []
        self.queue: SimpleQueue[dict[str, Any]] = SimpleQueue()
        self.plan = Planned(
            finisher, Path("s.toml"), Path("runs"), {"operator": "x"}, self.told.append, self.queue, asks=asks
        )

    def commands(self) -> list[dict[str, Any]]:
        """What was commanded since the last time."""
        return [self.queue.get_nowait() for _ in range(self.queue.qsize())]

    def codes(self) -> list[Any]:
        """Codes of notices."""
        return [event["code"] for event in self.told if "code" in event]


@pytest.mark.parametrize(("asks", "before", "codes"), [(True, [PURGE, WAIT], []), (False, [WAIT], ["unconfirmed"])])
def test_what_comes_before_a_step_goes_with_its_tags(asks: bool, before: list[Any], codes: list[str]) -> None:
    """Where nobody can say that a purge is done it is taken as done, which is told; a wait passes by itself anyway."""
    following = Following(Sealing(FOUND), asks=asks)
    following.plan(Path("a.journal"))
    tags = {"operator": "x", "treatment": "dry"}
    assert following.commands() == [{"do": "tags", "tags": tags, "before": before}]
    assert following.codes() == codes


def test_a_run_that_could_not_be_sealed_leaves_no_wrong_tags() -> None:
    """The plan is asked all the same, since otherwise the next run would wait for its step for ever."""
    following = Following(Sealing(FOUND, seals=False))
    with pytest.raises(StorageError, match="no room"):
        following.plan(Path("a.journal"))
    assert [command["do"] for command in following.commands()] == ["tags"]


def test_a_plan_that_cannot_be_read_any_more_stops_recording() -> None:
    """Without a next step nothing is recorded under the tags of the last one: it stops, and says why."""
    following = Following(Sealing(None))
    assert following.plan(Path("a.journal")) == {"path": "a.journal"}
    assert following.commands() == [{"do": "stop"}]
    [notice] = following.told
    assert (notice["severity"], notice["code"]) == ("reject", "plan")
    assert "not TOML" in notice["text"]


def test_a_plan_that_is_through_stops_recording() -> None:
    """After the last step there is nothing to wait for."""
    following = Following(Sealing(THROUGH))
    following.plan(Path("a.journal"))
    assert following.plan.through
    assert following.commands() == [{"do": "stop"}]
    assert following.told[-1]["text"] == "the plan is through"


def test_a_repeat_has_its_reason_and_what_comes_before_it() -> None:
    """A step done again is told like any other, with its purge; one that the plan does not have is wrong usage."""
    following = Following(Sealing(THROUGH))
    assert following.plan.first("2", "too coarse")["repeat_reason"] == "too coarse"
    assert following.commands()[0]["before"] == [PURGE]
    assert following.told[-1]["step"] == 2
    assert not following.plan.through
    with pytest.raises(UsageError, match="no run of this plan; allowed are 2"):
        following.plan.first("7", "x")


def test_what_is_to_be_known_of_a_plan_is_told_before_its_first_run() -> None:
    """Remarks of the plan are notices at the start."""
    following = Following(Sealing(FOUND))
    following.plan.first()
    assert [event["text"] for event in following.told if event.get("code") == "plan"] == FOUND["remarks"]
