"""What each command prints with ``--json``: one class, or several where its lines differ, and the version of that form.

Owns the table that schemas are made from: ``python -m
chargebench.cli.printed`` writes them anew into ``schemas/``. The version is raised whenever a key goes, or means
something else; keys may be added.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from chargebench.cli.events import Ask, Discarded, Journal, Notice, PlanNext, Port, Sealed, State, StepSaid
from chargebench.cli.lines import Check, FindingLine, KnownOfBench, TagLine
from chargebench.plain import JsonObject, schema_of
from chargebench.processing.outcome import Outcome
from chargebench.study.nouns import StudyAnswer
from chargebench.study.told import NextTold, PlanTold
from chargebench.study.volunteers import Volunteers

__all__ = ["PRINTED", "schema"]

FOLDER: Final = Path(__file__).with_name("schemas")


PRINTED: Final[Mapping[str, tuple[Any, int]]] = {
    "archive": (FindingLine, 1),
    "import": (Outcome, 1),
    "plan": (PlanTold | NextTold, 1),
    "qualify": (Check | KnownOfBench | StepSaid | Ask | Notice, 1),
    "record": (Outcome | Port | Journal | State | PlanNext | Notice | Sealed | Discarded | StepSaid, 1),
    "show": (Outcome, 1),
    "study": (StudyAnswer, 1),
    "tags": (TagLine, 1),
    "volunteers": (Volunteers, 1),
}
"""By command, what one line of its JSON is, and the version of that form."""


def schema(command: str) -> JsonObject:
    """The JSON Schema of one line that a command prints, from its classes."""
    kind, version = PRINTED[command]
    return schema_of(kind, f"chargebench {command}", version)


def schema_text(command: str) -> str:
    """The same as its file holds it."""
    return json.dumps(schema(command), indent=1, sort_keys=True) + "\n"


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name in PRINTED:
        (FOLDER / f"{name}.json").write_text(schema_text(name), encoding="utf-8")
