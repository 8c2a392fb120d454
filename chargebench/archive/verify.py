"""Looks a whole archive over: damaged, strange and doubled files, leftovers, and runs that contradict themselves.

Owns findings, one sentence each, with the file they are about. Changes nothing and computes nothing into the folder.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from chargebench.archive.archive import Archive
from chargebench.archive.qualifications import FOLDER, bad_qualifications, is_own_name
from chargebench.errors import ArchiveError, RunFileError
from chargebench.files import is_regular
from chargebench.recording.ids import RUN_ID, segment_of
from chargebench.recording.quarantine import QUARANTINE
from chargebench.recording.verify import contradiction
from chargebench.runs.check import findings
from chargebench.runs.load import load_run
from chargebench.runs.text import visible

__all__ = ["Finding", "verify"]

LEFTOVERS: Final = re.compile(
    rf"\.index\.sqlite3(?:-journal|-wal|-shm)?|manifest\.jsonl|{RUN_ID.pattern}\.outcome\.json"
    rf"|{RUN_ID.pattern}\.journal-failures"
)
"""What older versions computed into an archive; this one neither reads nor writes any of it."""

OTHERS: Final = frozenset({".toml", ".html", ".pdf", ".csv", ".md", ".txt"})
"""Endings of files that people keep beside their runs."""


@dataclass(frozen=True)
class Finding:
    """What is not as it should be: the file, and why in one sentence."""

    path: Path
    text: str


def verify(archive: Archive, deep: bool = False) -> Iterator[Finding]:
    """Findings about everything in an archive's folder, in order of name; none where all is sound.

    Parameters
    ----------
    archive : Archive
    deep : bool
        Whether each run is assembled from its own journal again and compared.

    Raises
    ------
    ArchiveError
        When the folder cannot be listed.
    """
    seen: dict[str, Path] = {}
    try:
        names = sorted(archive.folder.iterdir())
    except OSError as error:
        raise ArchiveError(f"archive {archive.folder}: cannot be listed ({error.strerror or error})") from error
    for path in names:
        if path.suffix == ".h5" and is_regular(path):
            yield from _about_run(path, deep, seen)
        elif text := _about_other(path):
            yield Finding(path, text)
    for line in bad_qualifications(archive.folder):
        yield Finding(archive.folder / FOLDER, line)
    yield from _about_checks(archive.folder / FOLDER)


def _about_checks(folder: Path) -> Iterator[Finding]:
    """What lies among the checks and has no name that one of them gives."""
    if folder.is_symlink() or not folder.is_dir():
        return
    try:
        names = sorted(folder.iterdir())
    except OSError as error:
        yield Finding(folder, f"cannot be listed ({error.strerror or error})")
        return
    for path in names:
        if not is_own_name(path.name):
            yield Finding(path, "no file of a check by its name; left alone")


def _about_run(path: Path, deep: bool, seen: dict[str, Path]) -> Iterator[Finding]:
    try:
        run = load_run(path)
    except RunFileError as error:
        yield Finding(path, str(error))
        return
    yield from (Finding(path, text) for text in findings(run, path))
    first = seen.setdefault(run.raw_sha256(), path)
    if first != path:
        yield Finding(path, f"holds the same readings as {visible(first.name, 80)}")
    if deep and (text := contradiction(run)):
        yield Finding(path, text)


def _about_other(path: Path) -> str:
    """What is to be said of something that is no run file; empty where nothing is."""
    if LEFTOVERS.fullmatch(path.name):
        return "left by an older version, which computed into the archive; it is not read and may be removed"
    if path.is_symlink():
        return "a symbolic link; links in an archive are not followed"
    if path.is_dir():
        known = path.name in (FOLDER, QUARANTINE)
        return "" if known else "a subfolder; what is in it is not part of the archive"
    if not is_regular(path):
        return "a pipe or device; left alone"
    if path.suffix == ".journal":
        waits = "waits to be sealed; `record` does that when it starts"
        return waits if segment_of(path.name) else "no journal of a recorder by its name; left alone"
    return "" if path.suffix in OTHERS else "no file of this program; left alone"
