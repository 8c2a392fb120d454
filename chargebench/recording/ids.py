"""Names of runs and wall-clock labels. Owns the one look at the wall clock in this room; nothing is timed with it."""

from __future__ import annotations

import re
import secrets
from datetime import UTC, datetime

__all__ = ["RUN_ID", "first_name", "new_run_id", "utc_now_text"]

RUN_ID = re.compile(r"\d{8}T\d{6}Z-[0-9a-f]{6}(?:-r\d{1,3})?")
"""Shape of a run's name; the last part is there only when a second version of a run had to be published beside it."""


def new_run_id() -> str:
    """A name that sorts by time and that no other recorder will choose: ``20260314T091500Z-7f3a2c``."""
    return f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}-{secrets.token_hex(3)}"


def first_name(run_id: str) -> str:
    """The name that a run was begun under, of any of its versions."""
    return run_id.partition("-r")[0]


def utc_now_text() -> str:
    """The wall clock as ISO 8601 in UTC, to the millisecond; a label, never used for timing."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
