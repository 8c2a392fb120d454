"""What a recorder does at start about journals that earlier ones left behind.

Owns the rules: a locked journal is left alone; any other is sealed (see `chargebench.recording.seal`, which finds out
whether that was done already); one that has failed three times goes into quarantine; none that holds a byte of an
instrument is ever deleted unsealed, except one of two where the recorder was stopped between copying the last quiet
stretch of a journal that only waited and letting go of it.
Links, pipes, devices and folders that are named like a journal are told of and left alone.
Doing this twice, or being killed in the middle, changes nothing.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from chargebench.errors import ChargebenchError
from chargebench.recording.disk import free_bytes, remove, sync_data, sync_folder
from chargebench.recording.header import carries_of
from chargebench.recording.ids import utc_now_text
from chargebench.recording.journal import HeldJournal, is_locked, read_header, read_journal
from chargebench.recording.records import Record

__all__ = ["FAILURES_ALLOWED", "QUARANTINE", "abandoned", "fallback_folder", "journals_in", "recover"]

QUARANTINE = "quarantine"
FAILURES_ALLOWED = 3
LEAST_FREE_BYTES = 50_000_000

Emit = Callable[[Mapping[str, Any]], None]
Finish = Callable[[Path], dict[str, Any]]


def fallback_folder() -> Path:
    """Where recording goes on when the archive's disk fails: the user's own data folder."""
    from platformdirs import user_data_path

    return Path(user_data_path("chargebench", appauthor=False)) / "fallback"


def journals_in(folder: Path) -> list[Path]:
    """Files in a folder that may be journals, oldest first; none where the folder is not there."""
    return [path for path in sorted(folder.glob("*.journal")) if _is_file(path)]


def _is_file(path: Path) -> bool:
    """Whether it is a file itself, which can be opened without waiting; True where that cannot be told."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return True


def abandoned(folder: Path) -> list[Path]:
    """Journals in a folder that no process holds, oldest first; none where the folder is not there."""
    return [journal for journal in journals_in(folder) if not is_locked(journal)]


def _tell_of_others(folder: Path, emit: Emit) -> None:
    """Name what is called like a journal and is no file."""
    for path in sorted(folder.glob("*.journal")):
        if not _is_file(path):
            text = f"{path.name} in {folder} is a link, pipe, device or folder, not a journal; left alone"
            emit({"event": "notice", "severity": "doubt", "code": "no-journal", "text": text})


def recover(folders: Sequence[Path], finish: Finish, emit: Emit) -> int:
    """Seal what earlier recorders left in the folders that they may have recorded in.

    Parameters
    ----------
    folders : sequence of Path
    finish : callable
        Seals a journal and processes the run, see `chargebench.recording.recorder.Recorder`.
    emit : callable
        Is told ``recovered`` or ``sealed`` and the outcome of each, and what could not be sealed.

    Returns
    -------
    int
        Journals that could not be sealed.
    """
    for folder in folders:
        _tell_of_others(folder, emit)
    spare = _spare([journal for folder in folders for journal in journals_in(folder)])
    left = [journal for folder in folders for journal in abandoned(folder)]
    left.sort(key=lambda journal: journal not in spare)  # these go first, while both are there to tell
    return sum(not _recovered(journal, finish, emit, spare.get(journal)) for journal in left)


class _Spare(NamedTuple):
    """Why a journal can go, and the other one in which all that it holds is found."""

    why: str
    kept: Path


def _spare(found: Sequence[Path]) -> dict[Path, _Spare]:
    """Of a journal that waited and one that copied its last stretch only one is wanted."""
    journals = {journal.stem: journal for journal in found}
    spare = {}
    for name, new in journals.items():
        with contextlib.suppress(ChargebenchError):
            old = journals.get(carries_of(read_header(new)))
            if old is None:
                continue
            if _copied_whole(read_journal(new).records):
                spare[old] = _Spare(f"its last stretch goes on in {name}", new)
            else:
                spare[new] = _Spare(f"holds nothing but copies from {old.stem}", old)
    return spare


def _copied_whole(records: Sequence[Record]) -> bool:
    """Whether all copies are there: none is missing before the clock record that ends them.

    A power cut may keep that record and lose what was written before it.
    """
    return any(record.kind == "clock" and record.number == before for before, record in enumerate(records))


def _recovered(journal: Path, finish: Finish, emit: Emit, spare: _Spare | None) -> bool:
    """Recover one journal; a disk that refuses is told of, and the next start tries again."""
    try:
        return _recover_one(journal, finish, emit, spare)
    except OSError as error:
        text = f"{journal.name} could not be sealed: {error.strerror or error}; tried again at the next start"
        emit({"event": "notice", "severity": "reject", "code": "not-sealed", "text": text})
        return False


def _recover_one(journal: Path, finish: Finish, emit: Emit, spare: _Spare | None) -> bool:
    try:
        if spare:
            _settle(spare.kept)
            return _drop(journal, emit, spare.why)
        content = read_journal(journal)
        if not content.records:
            return _set_aside(journal, emit)
        if content.header and not content.damaged and all(record.kind != "raw" for record in content.records):
            return _drop(journal, emit, "cut short before anything had been read")
        answer = finish(journal)
    except ChargebenchError as error:
        return _failed(journal, str(error), emit)
    remove(_failures(journal))
    outcome = answer["outcome"]
    kind = "recovered" if outcome.get("recovered") else "sealed"
    emit({"event": kind, "run": outcome["run"], "path": str(answer["path"])})
    emit(outcome)
    return True


def _settle(journal: Path) -> None:
    """Put what a killed recorder had written on the disk itself."""
    descriptor = os.open(journal, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        sync_data(descriptor)
    finally:
        os.close(descriptor)


def _drop(journal: Path, emit: Emit, why: str) -> bool:
    """Let go of a journal in which there is nothing to keep."""
    with HeldJournal(journal):
        if os.name != "nt":
            remove(journal)
    remove(journal)
    emit({"event": "discarded", "run": journal.stem, "text": why})
    return True


def _failures(journal: Path) -> Path:
    """Beside a journal: one line for each time that it could not be sealed."""
    return journal.with_name(journal.name + "-failures")


def _set_aside(journal: Path, emit: Emit) -> bool:
    """Put a journal without a record out of the way, unless a recorder is only just beginning it."""
    why = "holds no whole record: nothing had been recorded yet"
    with HeldJournal(journal):
        empty = not read_journal(journal).records
        if empty and os.name != "nt":
            _quarantine(journal, why, emit)
    if empty and os.name == "nt":  # there an open file cannot be moved, whoever has it open
        with contextlib.suppress(PermissionError):
            _quarantine(journal, why, emit)
    return True


def _failed(journal: Path, why: str, emit: Emit) -> bool:
    """Count a failure that is the journal's own; at the third it goes into quarantine. True where another has it."""
    if not journal.exists() or is_locked(journal):
        return True
    text = f"{journal.name} could not be sealed: {why}"
    emit({"event": "notice", "severity": "reject", "code": "not-sealed", "text": text})
    if not os.access(journal.parent, os.W_OK) or free_bytes(journal.parent) < LEAST_FREE_BYTES:
        return False
    counted = _failures(journal)
    with counted.open("a", encoding="utf-8", errors="backslashreplace") as file:  # names may be no text
        file.write(f"{utc_now_text()} {' '.join(why.split())}\n")
    if len(counted.read_bytes().splitlines()) >= FAILURES_ALLOWED:
        _quarantine(journal, f"could not be sealed {FAILURES_ALLOWED} times", emit)
    return False


def _quarantine(journal: Path, why: str, emit: Emit) -> None:
    """Move a journal, and the reasons, out of the way; nothing there is replaced."""
    folder = journal.parent / QUARANTINE
    folder.mkdir(exist_ok=True)
    for path in (_failures(journal), journal):
        if path.exists():
            _move_aside(path, folder)
    sync_folder(folder)
    sync_folder(journal.parent)
    text = f"{journal.name} {why}; it is kept in {folder}"
    emit({"event": "notice", "severity": "doubt", "code": "quarantined", "text": text})


def _move_aside(path: Path, folder: Path) -> None:
    """Move a file into a folder; after a power cut it may be there under both names already."""
    kept, number = folder / path.name, 1
    while kept.exists():
        if kept.read_bytes() == path.read_bytes():
            path.unlink()
            return
        number += 1
        kept = folder / f"{path.stem}-{number}{path.suffix}"
    path.rename(kept)
