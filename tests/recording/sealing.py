"""Sealing for tests: a finisher that only seals, what it says, and what is left."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from chargebench.recording.seal import seal
from chargebench.runs.load import load_run

OTHER_ID = "20260314T093000Z-00ff11"


def names(folder: Path) -> list[str]:
    """What is in a folder."""
    return sorted(path.name for path in folder.iterdir())


def finish(journal: Path) -> dict[str, Any]:
    """A finisher that only seals."""
    path = seal(journal)
    return {"path": str(path), "outcome": {"run": path.stem, "recovered": load_run(path).recovered, "result": {}}}


class Heard(list[Mapping[str, Any]]):
    """Events in order."""

    def kinds(self) -> list[str]:
        return [str(event.get("event", "outcome")) for event in self]
