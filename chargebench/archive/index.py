"""List of the run files of a folder. Owns its rows; must not be the only place where anything is known.

The list repeats what the run files say, so that a folder of ten thousand is listed without opening them. It is compared
with the folder (name, size, times of change, number of the file) at every use and brought up to date from the files. It
lies in this user's cache (see `chargebench.archive.cache`), never in the folder itself; where it cannot be written, one
in memory does.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, Final

from chargebench.archive.cache import database_path, opened
from chargebench.errors import StorageError
from chargebench.runs.run import Run, TagValue

__all__ = ["Entry", "refresh"]

BATCH: Final = 50
"""Files read between two commits: what is killed in between goes on from there, and nobody waits longer for it."""

_COLUMNS: Final = "name, run_id, started, origin, recovered, raw_sha256, tags, problem"


@dataclass(frozen=True)
class Entry:
    """What the list knows of one file.

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


def _stamp(path: Path) -> str:
    """What changes when a file does, as far as the system tells."""
    found = path.lstat()
    return f"{found.st_size} {found.st_mtime_ns} {found.st_ctime_ns} {found.st_ino}"


def _stale(known: dict[str, str], paths: list[Path]) -> Iterator[tuple[str, str, Path]]:
    """Name, stamp and path of the files that the list does not know as they are; those it knows leave `known`."""
    for path in paths:
        try:
            name, stamp = json.dumps(path.name), _stamp(path)
        except OSError:  # gone since it was listed
            continue
        if known.pop(name, None) != stamp:
            yield name, stamp, path


def _update(connection: sqlite3.Connection, paths: list[Path]) -> None:
    known = dict(connection.execute("SELECT name, stamp FROM files"))
    stale = _stale(known, paths)
    while batch := list(islice(stale, BATCH)):
        rows = [_row(name, stamp, _read(path)) for name, stamp, path in batch]
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany("INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
        connection.execute("COMMIT")
    connection.executemany("DELETE FROM files WHERE name = ?", [(name,) for name in known])


# Names, origins and tags stand in the table as ASCII JSON: SQLite takes no lone surrogates, and files may have them.
def _row(name: str, stamp: str, entry: Entry) -> tuple[Any, ...]:
    origin, tags = json.dumps(entry.origin), json.dumps(dict(entry.tags))
    return name, stamp, entry.run_id, entry.started, origin, int(entry.recovered), entry.raw_sha256, tags, entry.problem


def _listed(connection: sqlite3.Connection, folder: Path, paths: list[Path]) -> list[Entry]:
    _update(connection, paths)
    rows = connection.execute(f"SELECT {_COLUMNS} FROM files ORDER BY problem != '', started, name").fetchall()
    there = {path.name for path in paths}
    found = []
    for name, run_id, started, origin, recovered, raw_sha256, tags, problem in rows:
        path = folder / json.loads(name)
        if path.name in there:
            about = json.loads(origin), bool(recovered), raw_sha256, json.loads(tags), problem
            found.append(Entry(path, run_id, started, *about))
    return found


def refresh(folder: Path, paths: list[Path]) -> list[Entry]:
    """Entries of the run files, from the list where it is fresh and from the files where it is not.

    Parameters
    ----------
    folder : Path
        The archive.
    paths : list of Path
        Run files in that folder.

    Returns
    -------
    list of Entry
        One a file, in order of start time, then name; files that cannot be read come last, with their problem.
    """
    try:
        with opened(folder) as connection:
            return _listed(connection, folder, paths)
    except sqlite3.OperationalError:  # full, or held by another program for long
        pass
    except (sqlite3.DatabaseError, ValueError, TypeError, RecursionError):  # damaged: the next use makes it again
        with suppress(OSError):
            database_path(folder).unlink()
    with opened(None) as connection:
        return _listed(connection, folder, paths)
