"""Names of runs and journals, and wall-clock labels. Owns the one look at the wall clock in this room; nothing is timed
with it.
"""

from __future__ import annotations

import re
import secrets
from datetime import UTC, datetime
from typing import Final

__all__ = ["RUN_ID", "first_name", "new_run_id", "segment_name", "segment_of", "utc_now_text"]

RUN_ID: Final = re.compile(r"\d{8}T\d{6}Z-[0-9a-f]{6}(?:-r\d{1,3})?")
"""Shape of a run's name; the last part is there only when a second version of a run had to be published beside it."""

_SEGMENT: Final = re.compile(r"(\d{8}T\d{6}Z-[0-9a-f]{6})(?:-[rs](\d{1,6}))?\.journal")


def new_run_id() -> str:
    """A name that sorts by time and that no other recorder will choose: ``20260314T091500Z-7f3a2c``."""
    return f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}-{secrets.token_hex(3)}"


def first_name(run_id: str) -> str:
    """The name that a run was begun under, of any of its versions."""
    return run_id.partition("-r")[0]


def segment_name(run_id: str, number: int) -> str:
    """File name of a segment of a run's journal: ``20260314T091500Z-7f3a2c-s001.journal``."""
    return f"{run_id}-s{number:03d}.journal"


def segment_of(name: str) -> tuple[str, int] | None:
    """Run and number of the segment with that file name; None for a name that no recorder gives.

    Earlier versions named a journal after its run alone, and one that had moved to another file ``-r1``, ``-r2`` …
    """
    found = _SEGMENT.fullmatch(name)
    return None if found is None else (found[1], int(found[2] or 0))


def utc_now_text() -> str:
    """The wall clock as ISO 8601 in UTC, to the millisecond; a label, never used for timing."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
