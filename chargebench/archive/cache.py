"""Outcomes kept beside their runs, so that nothing is reduced twice. Owns ``RUNID.outcome.json``; never trusts it.

A kept outcome counts only while the run file's bytes, the recipe and the software are those it was made from, and only
for the user who made it: its seal is keyed with a secret of that user, so that a folder from elsewhere can bring runs
but no answers. Anything else in that file is as good as no file.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any, Final

__all__ = ["digest_of", "keep", "kept", "seal_of"]

SECRET_BYTES: Final = 32


def _canonical(value: Any) -> bytes:
    return json.dumps(value, sort_keys=True, allow_nan=False, separators=(",", ":")).encode("ascii")


def digest_of(value: Any) -> str:
    """SHA-256 of a JSON value in canonical form."""
    return hashlib.sha256(_canonical(value)).hexdigest()


def seal_of(*values: Any) -> str:
    """What only this user's programs can write under such JSON values."""
    return hmac.digest(_secret(), _canonical(values), "sha256").hex()


@cache
def _secret() -> bytes:
    """A number nobody else knows, made once in the user's data folder; where that cannot be, one for this process."""
    from platformdirs import user_data_path

    path = Path(user_data_path("chargebench", appauthor=False)) / "kept-outcomes.key"
    new = secrets.token_bytes(SECRET_BYTES)
    with suppress(OSError):
        if path.is_file() and len(found := path.read_bytes()) == SECRET_BYTES:
            return found
        path.parent.mkdir(parents=True, exist_ok=True)
        aside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
        with open(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(new)
        os.replace(aside, path)
    return new


def kept(path: Path, key_of: Callable[[dict[str, Any]], str]) -> dict[str, Any] | None:
    """The outcome kept in a file, or None where there is none that can be trusted, or its key is not today's.

    `key_of` makes the key that an outcome of these runs has today; it is asked of trusted outcomes only.
    """
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(held, dict) or not isinstance(held.get("outcome"), dict):
        return None
    key, outcome = held.get("key"), held["outcome"]
    try:
        if held.get("seal") != seal_of(key, outcome):
            return None
    except (ValueError, RecursionError):
        return None
    return outcome if key == key_of(outcome) else None


def keep(path: Path, key: str, outcome: dict[str, Any]) -> None:
    """Keep an outcome: written aside, then moved into place. Where the folder cannot be written, nothing is kept."""
    text = json.dumps({"key": key, "seal": seal_of(key, outcome), "outcome": outcome}, indent=1)
    aside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with aside.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
        os.replace(aside, path)
    except OSError:
        aside.unlink(missing_ok=True)
