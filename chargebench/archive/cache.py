"""Outcomes kept beside their runs, so that nothing is reduced twice. Owns ``RUNID.outcome.json``; never trusts it.

A kept outcome counts only while the run file's bytes, the recipe and the software are those it was made from and its
own checksum holds. Anything else in that file is as good as no file.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from pathlib import Path
from typing import Any

__all__ = ["digest_of", "keep", "kept"]


def _canonical(value: Any) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def digest_of(value: Any) -> str:
    """SHA-256 of a JSON value in canonical form."""
    return hashlib.sha256(_canonical(value).encode()).hexdigest()


def kept(path: Path, key: str) -> dict[str, Any] | None:
    """The outcome kept in a file under a key, or None where there is none that can be trusted."""
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(held, dict) or held.get("key") != key or not isinstance(held.get("outcome"), dict):
        return None
    outcome: dict[str, Any] = held["outcome"]
    try:
        return outcome if held.get("sha256") == digest_of(outcome) else None
    except (ValueError, RecursionError):
        return None


def keep(path: Path, key: str, outcome: dict[str, Any]) -> None:
    """Keep an outcome: written aside, then moved into place. Where the folder cannot be written, nothing is kept."""
    text = json.dumps({"key": key, "sha256": digest_of(outcome), "outcome": outcome}, ensure_ascii=False, indent=1)
    aside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with aside.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
        os.replace(aside, path)
    except OSError:
        aside.unlink(missing_ok=True)
