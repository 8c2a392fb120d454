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
