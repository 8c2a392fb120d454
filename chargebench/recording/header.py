"""What the first record of a journal holds, written and read. Owns that shape; opens no file."""

from __future__ import annotations

import math
import platform
from collections.abc import Mapping
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from chargebench import __version__
from chargebench.bounded import JsonObject
from chargebench.runs.run import Knowledge, Known, TagValue

__all__ = [
    "format_of", "header_fields", "home_of", "identities_of", "knowledge_of", "start_ns_of", "state_of", "tags_of",
    "versions_of", "wanted_of",
]  # fmt: skip

JOURNAL_FORMAT = 2


def _versions() -> dict[str, str]:
    found = {"chargebench": __version__, "python": platform.python_version(), "system": platform.platform(terse=True)}
    for name in ("numpy", "h5py", "pyserial"):
        try:
            found[name] = version(name)
        except PackageNotFoundError:  # pragma: no cover
            continue
    return found


def header_fields(
    run_id: str,
    started: str,
    ns: int,
    bench_text: str,
    tags: Mapping[str, TagValue],
    knowledge: Knowledge,
    identities: Mapping[str, str],
    home: tuple[str, int] = ("", 0),
    state: str = "waiting",
) -> JsonObject:
    """Fields of the header of a segment: everything a run needs besides what the instruments send.

    `home` is the archive that the run belongs to, wherever it is recorded: its path and number; `state` is where the
    run stood when the segment began. The journal adds which segment it is.
    """
    known = {key: asdict(entry) for key, entry in knowledge.known.items()}
    for entry in known.values():
        entry["dof"] = entry["dof"] if math.isfinite(entry["dof"]) else None
    return {
        "format": JOURNAL_FORMAT,
        "run": run_id,
        "started": started,
        "ns": ns,
        "tags": dict(tags),
        "knowledge": known,
        "identities": dict(identities),
        "versions": _versions(),
        "home": list(home),
        "state": state,
        "bench": bench_text,
    }


def format_of(fields: Mapping[str, Any]) -> int:
    """Version of the journal's layout: 1 before a run's journal had segments."""
    number = fields.get("format")
    return number if isinstance(number, int) else 1


def _texts(fields: Mapping[str, Any], key: str) -> dict[str, str]:
    found = fields.get(key)
    return {name: str(text) for name, text in found.items()} if isinstance(found, dict) else {}


def identities_of(fields: Mapping[str, Any]) -> dict[str, str]:
    """What instruments had said of themselves before this journal began."""
    return _texts(fields, "identities")


def versions_of(fields: Mapping[str, Any]) -> dict[str, str]:
    """Software that recorded."""
    return _texts(fields, "versions")


def wanted_of(fields: Mapping[str, Any]) -> int:
    """Number of the first record of the run that was still wanted when the segment began."""
    number = fields.get("from")
    return number if isinstance(number, int) and number > 0 else 1


def state_of(fields: Mapping[str, Any]) -> str:
    """Where the run stood when the segment began."""
    return str(fields.get("state") or "waiting")


def home_of(fields: Mapping[str, Any]) -> tuple[str, int]:
    """Path and number of the archive that the run belongs to; nothing where the journal does not say."""
    match fields.get("home"):
        case [str(path), int(number)]:
            return path, number
    return "", 0


def start_ns_of(fields: Mapping[str, Any]) -> int:
    """Host's monotonic time at which the journal begins."""
    ns = fields.get("ns")
    return ns if isinstance(ns, int) else 0


def tags_of(fields: Mapping[str, Any]) -> dict[str, TagValue]:
    """Tags in a header or tag record; anything that cannot be one is left out."""
    tags = fields.get("tags")
    if not isinstance(tags, dict):
        return {}
    return {key: value for key, value in tags.items() if isinstance(value, str | float | int)}


def knowledge_of(fields: Mapping[str, Any]) -> Knowledge:
    """Knowledge in a header; anything that cannot be an entry is left out."""
    found = {}
    known = fields.get("knowledge")
    for key, entry in (known if isinstance(known, dict) else {}).items():
        try:
            dof = math.inf if entry["dof"] is None else float(entry["dof"])
            words = {name: str(entry[name]) for name in ("source", "date", "until")}
            found[key] = Known(float(entry["value"]), float(entry["u"]), dof, **words)
        except (TypeError, KeyError, ValueError):
            continue
    return Knowledge(found)
