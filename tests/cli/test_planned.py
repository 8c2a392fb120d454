"""Recording a plan, as far as it stands between the finisher and the recorder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from chargebench.cli.finisher import Finisher
from chargebench.cli.planned import Planned

NEXT = {"step": "2", "words": "misted, 3 sprays", "tags": {"treatment": "misted"}}


class Sealed(Finisher):
    """A finisher whose journals are sealed already, and whose plan goes on with one step or is through."""

    def __init__(self, step: Mapping[str, Any] | None) -> None:
        super().__init__()
        self._step = step

    def __call__(self, journal: Path) -> dict[str, Any]:
        return {"path": str(journal)}

    def upcoming(self, study: Path, archive: Path) -> dict[str, Any]:
        return {"next": self._step, "before_next": []}


@pytest.mark.parametrize(
    ("step", "waiting"), [(NEXT, [{"do": "tags", "tags": NEXT["tags"], "before": []}]), (None, [])]
)
def test_the_next_run_is_tagged_before_its_step_is_told(step: Any, waiting: list[dict[str, Any]]) -> None:
    """Whoever hears what comes next may grind at once: the recorder has been given that step's tags by then."""
    commands: SimpleQueue[dict[str, Any]] = SimpleQueue()
    found: list[list[dict[str, Any]]] = []

    def told(event: Mapping[str, Any]) -> None:
        found.append([commands.get_nowait() for _ in range(commands.qsize())])

    Planned(Sealed(step), Path("study.toml"), Path("runs"), {}, told, commands)(Path("a.journal"))
    assert found == [waiting]
    assert commands.empty() == (step is not None)


@pytest.mark.parametrize(
    ("flags", "purpose", "told"), [(["no-mass"], "grind", 1), (["no-mass"], "blank", 0), (["slow-hum"], "grind", 0)]
)
def test_a_step_without_a_mass_is_told(flags: list[str], purpose: str, told: int) -> None:
    """A grind that nobody weighed completes its step for the charge only, which is said with what weighs the next."""
    outcome = {"run": "r", "tags": {"purpose": purpose}, "flags": [{"code": code} for code in flags]}

    class Unweighed(Sealed):
        def __call__(self, journal: Path) -> dict[str, Any]:
            return {"path": str(journal), "outcome": outcome}

    heard: list[Mapping[str, Any]] = []
    Planned(Unweighed(NEXT), Path("study.toml"), Path("runs"), {}, heard.append, SimpleQueue())(Path("a.journal"))
    texts = [event["text"] for event in heard if event.get("code") == "unweighed"]
    assert len(texts) == told
    assert all("mass_before_g" in text and "for the charge alone" in text for text in texts)
