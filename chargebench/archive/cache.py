"""What is computed from an archive, kept in this user's own cache folder; nothing of it is ever in the archive.

Owns one database an archive: the list of its run files and the outcomes made of them. A folder from elsewhere can bring
runs, but no list and no answer; one that cannot be written is as quick as any; people on one folder never meet.
Deleting the cache costs only the time to work it out again. The database's name is keyed with a secret of the user, so
that nobody else can tell which archive it is of, or put one there beforehand.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, Final

from chargebench.processing.outcome import Outcome

__all__ = ["database_path", "digest_of", "keep", "kept", "opened"]

SECRET_BYTES: Final = 32
LAYOUT: Final = 1
"""Raised whenever a table changes; a database of another layout is dropped and made again."""
BUSY_S: Final = 5.0

_TABLES: Final = (
    "CREATE TABLE IF NOT EXISTS files (name TEXT PRIMARY KEY, stamp TEXT, run_id TEXT, started TEXT, origin TEXT,"
    " recovered INTEGER, raw_sha256 TEXT, tags TEXT, problem TEXT)",
    "CREATE TABLE IF NOT EXISTS outcomes (made_of TEXT PRIMARY KEY, key TEXT, outcome TEXT)",
)


def _canonical(value: Any) -> bytes:
    return json.dumps(value, sort_keys=True, allow_nan=False, separators=(",", ":")).encode("ascii")


def digest_of(value: Any) -> str:
    """SHA-256 of a JSON value in canonical form."""
    return hashlib.sha256(_canonical(value)).hexdigest()


@cache
def _secret() -> bytes:
    """A number nobody else knows, made once in the user's data folder; where that cannot be, one for this process."""
    from platformdirs import user_data_path

    path = Path(user_data_path("chargebench", appauthor=False)) / "archives.key"
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


def database_path(folder: Path) -> Path:
    """The database of an archive: of this user, this path and this very folder, whatever name it is reached by."""
    from platformdirs import user_cache_path

    real = folder.resolve()
    try:
        number = real.stat().st_ino
    except OSError:
        number = 0
    name = hmac.digest(_secret(), _canonical([str(real), number]), "sha256").hex()[:32]
    return Path(user_cache_path("chargebench", appauthor=False)) / "archives" / f"{name}.sqlite3"


@contextmanager
def opened(folder: Path | None) -> Iterator[sqlite3.Connection]:
    """A connection to an archive's database, which commits each statement; one in memory where no file can be had.

    A damaged database is removed and made again. Without a folder the database is one in memory.
    """
    path = None if folder is None else database_path(folder)
    connection = (path and (_connected(path) or _connected(path))) or _prepared(":memory:")
    try:
        yield connection
    finally:
        connection.close()


def _connected(path: Path) -> sqlite3.Connection | None:
    """A connection to the file; None where it cannot be had, and gone where it was damaged."""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        return _prepared(str(path))
    except (sqlite3.OperationalError, OSError):  # cannot be written, or another program holds it for long
        return None
    except sqlite3.DatabaseError:
        with suppress(OSError):
            path.unlink()
        return None


def _prepared(database: str) -> sqlite3.Connection:
    connection = sqlite3.connect(database, timeout=BUSY_S, isolation_level=None)
    try:
        if connection.execute("PRAGMA user_version").fetchone()[0] != LAYOUT:
            connection.execute("BEGIN IMMEDIATE")
            for table in ("files", "outcomes"):
                connection.execute(f"DROP TABLE IF EXISTS {table}")
            for statement in _TABLES:
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {LAYOUT}")
            connection.execute("COMMIT")
        connection.execute("SELECT 1 FROM files, outcomes LIMIT 1")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def kept(folder: Path, made_of: str, key_of: Callable[[Outcome], str]) -> Outcome | None:
    """The outcome kept for an archive, or None where there is none, or its key is not today's.

    Parameters
    ----------
    folder : Path
        The archive.
    made_of : str
        Digest of what the outcome was made of: run file, recipe, software.
    key_of : callable
        Makes the key that such an outcome has today, with whatever else in the archive it says that it rests on.
    """
    with suppress(sqlite3.Error, ValueError, TypeError, KeyError, RecursionError), opened(folder) as connection:
        row = connection.execute("SELECT key, outcome FROM outcomes WHERE made_of = ?", (made_of,)).fetchone()
        outcome = Outcome.from_json(json.loads(row[1])) if row else None
        return outcome if outcome is not None and row[0] == key_of(outcome) else None
    return None


def keep(folder: Path, made_of: str, key: str, outcome: Outcome) -> None:
    """Keep an outcome, in the place of an earlier one; where the cache cannot be written, nothing is kept."""
    with suppress(sqlite3.Error), opened(folder) as connection:
        row = (made_of, key, json.dumps(outcome.as_json(), allow_nan=False))
        connection.execute("INSERT OR REPLACE INTO outcomes VALUES (?, ?, ?)", row)
