"""List of the run files of a folder. Owns the index (SQLite); must not be the only place where anything is known.

The index repeats what the run files say, so that a folder of ten thousand is listed without opening them. It is
compared with the folder (name, size, time of change) at every use and brought up to date from the files; deleting it
costs only the time to read them again. A row that another user wrote is read again from its file: a folder from
elsewhere brings no list of its own. Where the index cannot be written, one in memory does.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from chargebench.archive.cache import seal_of
from chargebench.errors import StorageError
from chargebench.runs.run import Run, TagValue

__all__ = ["Entry", "refresh"]

NAME: Final = ".index.sqlite3"
LAYOUT: Final = 4
"""Raised whenever the table changes; an index of another layout is dropped and made again.

Names, origins and tags stand in it as ASCII JSON: SQLite takes no lone surrogates, and names and files may have them.
"""

_TABLE: Final = """
CREATE TABLE IF NOT EXISTS files (
    name TEXT PRIMARY KEY, size INTEGER, changed_ns INTEGER,
    run_id TEXT, started TEXT, origin TEXT, recovered INTEGER, raw_sha256 TEXT, tags TEXT, problem TEXT, seal TEXT
)"""


@dataclass(frozen=True)
class Entry:
    """What the index knows of one file.

    Attributes
    ----------
    path : Path
        The file.
    run_id, started, origin, recovered, raw_sha256, tags
        Of the run in it; empty where it could not be read.
    problem : str
        Why it could not be read, in one line; empty for a sound file.
    """

    path: Path
    run_id: str = ""
    started: str = ""
    origin: str = ""
    recovered: bool = False
    raw_sha256: str = ""
    tags: Mapping[str, TagValue] = field(default_factory=dict)
    problem: str = ""


def _read(path: Path) -> Entry:
    from chargebench.runs.load import load_run

    try:
        run: Run = load_run(path)
    except (StorageError, OSError) as error:
        return Entry(path, problem=str(error))
    return Entry(path, run.run_id, run.started, run.origin, run.recovered, run.raw_sha256(), dict(run.tags))


def _open(database: str) -> sqlite3.Connection:
    connection = sqlite3.connect(database, timeout=5.0)
    try:
        if connection.execute("PRAGMA user_version").fetchone()[0] != LAYOUT:
            connection.execute("DROP TABLE IF EXISTS files")
            connection.execute(f"PRAGMA user_version = {LAYOUT}")
        connection.execute(_TABLE)
        connection.execute("BEGIN IMMEDIATE")  # fails here, not later, where the file cannot be written
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _update(connection: sqlite3.Connection, paths: list[Path]) -> None:
    stale, known = set(), {}
    for *row, seal in connection.execute("SELECT * FROM files"):
        stale.add(row[0])
        if seal == seal_of(*row):
            known[row[0]] = (row[1], row[2])
    for path in paths:
        try:
            found = path.stat()
        except OSError:  # gone since it was listed
            continue
        stamp = (found.st_size, found.st_mtime_ns)
        name = json.dumps(path.name)
        stale.discard(name)
        if known.get(name) == stamp:
            continue
        entry = _read(path)
        row = [name, *stamp, entry.run_id, entry.started, json.dumps(entry.origin), int(entry.recovered)]
        row += [entry.raw_sha256, json.dumps(dict(entry.tags)), entry.problem]
        connection.execute(f"INSERT OR REPLACE INTO files VALUES ({', '.join('?' * 11)})", (*row, seal_of(*row)))
    connection.executemany("DELETE FROM files WHERE name = ?", [(name,) for name in stale])


def _listed(database: str, folder: Path, paths: list[Path]) -> list[Entry]:
    with closing(_open(database)) as connection, connection:
        _update(connection, paths)
        rows = connection.execute(
            "SELECT name, run_id, started, origin, recovered, raw_sha256, tags, problem FROM files"
            " ORDER BY problem != '', started, name"
        ).fetchall()
    return [
        Entry(
            folder / json.loads(name), run_id, started, json.loads(origin), bool(recovered), raw_sha256,
            json.loads(tags), problem,
        )
        for name, run_id, started, origin, recovered, raw_sha256, tags, problem in rows
    ]  # fmt: skip


def refresh(folder: Path, paths: list[Path]) -> list[Entry]:
    """Entries of the run files, read from the index where it is fresh and from the files where it is not.

    Parameters
    ----------
    folder : Path
        Where the index lives.
    paths : list of Path
        Run files in that folder.

    Returns
    -------
    list of Entry
        One a file, in order of start time, then name; files that cannot be read come last, with their problem.
    """
    index = folder / NAME
    try:
        return _listed(str(index), folder, paths)
    except sqlite3.OperationalError:  # cannot be written here, or another program holds it
        pass
    except (sqlite3.DatabaseError, ValueError, TypeError, RecursionError):  # damaged: the next use makes it again
        with suppress(OSError):
            index.unlink()
    return _listed(":memory:", folder, paths)
