"""Sealing for tests: a finisher that only seals, what it says, and what is left."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from chargebench.recording.ids import segment_of
from chargebench.recording.seal import seal
from chargebench.recording.segments import Row
from chargebench.runs.load import load_run

OTHER_ID = "20260314T093000Z-00ff11"


def names(folder: Path) -> list[str]:
    """What is in a folder."""
    return sorted(path.name for path in folder.iterdir())


def row_of(*segments: Path) -> Row:
    """The row of some segments of one run, to be sealed where the last of them is."""
    name = segment_of(segments[-1].name)
    assert name is not None
    return Row(name[0], segments, tuple(dict.fromkeys(segment.parent for segment in reversed(segments))))


def seal_at(*segments: Path) -> Path:
    """Seal a journal whose segments are these."""
    return seal(row_of(*segments))


def finish(row: Row) -> dict[str, Any]:
    """A finisher that only seals."""
    path = seal(row)
    return {"path": str(path), "outcome": {"run": path.stem, "recovered": load_run(path).recovered, "result": {}}}


class Heard(list[Mapping[str, Any]]):
    """Events in order."""

    def kinds(self) -> list[str]:
        return [str(event.get("event", "outcome")) for event in self]
