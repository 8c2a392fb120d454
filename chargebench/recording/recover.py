"""What a recorder does at start about journals that earlier ones left behind.

Owns the rules: a journal of which any segment is locked is left alone; any other is sealed (see
`chargebench.recording.seal`, which finds out what of it was sealed already); one of which no run can be made goes into
quarantine; none that holds a byte of an instrument is ever deleted unsealed. One whose beginning lies in another
archive that cannot be reached now waits for a start there. Runs that were recorded in the fallback folder come home.
Other names, and links, pipes, devices and folders that are named like a journal, are told of and left alone.
Doing this twice, or being killed in the middle, changes nothing.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from chargebench.bounded import JsonObject
from chargebench.errors import ChargebenchError, UnsealableError
from chargebench.files import is_regular
from chargebench.recording.carried import spare_rows
from chargebench.recording.header import home_of, wanted_of
from chargebench.recording.ids import RUN_ID
from chargebench.recording.quarantine import quarantine, set_aside
from chargebench.recording.seal import sealed_runs
from chargebench.recording.segments import (
    HeldJournal,
    JournalContent,
    Row,
    is_file,
    is_locked,
    joined,
    journal_content,
    journals_in,
    read_journal,
    rows_in,
)
from chargebench.runs.disk import remove, sync_folder
from chargebench.runs.load import load_run_bytes
from chargebench.runs.publish import leftovers, publish
from chargebench.runs.text import visible

__all__ = ["fallback_folder", "recover", "tell_unsealed"]

Emit = Callable[[Mapping[str, Any]], None]
Finish = Callable[[Row], JsonObject]


def fallback_folder() -> Path:
    """Where recording goes on when the archive's disk fails: the user's own data folder."""
    from platformdirs import user_data_path

    return Path(user_data_path("chargebench", appauthor=False)) / "fallback"


def recover(folders: Sequence[Path], finish: Finish, emit: Emit) -> int:
    """Seal what earlier recorders left in the folders that they may have recorded in.

    Parameters
    ----------
    folders : sequence of Path
        The archive, and then others that may hold parts of its runs.
    finish : callable
        Seals a journal and processes the run, see `chargebench.recording.recorder.Recorder`.
    emit : callable
        Is told ``recovered`` or ``sealed`` and the outcome of each, and what could not be sealed.

    Returns
    -------
    int
        Journals that could not be sealed.
    """
    folders = _distinct(folders)
    for folder in folders:
        with contextlib.suppress(OSError):
            sync_folder(folder.parent)  # whoever made the folder may have been killed before that
        _tell_of_others(folder, emit)
    waits: dict[str, str] = {}
    for spare, kept in spare_rows(rows_in(folders)):
        if not _recovered(spare, partial(_drop, emit=emit, why=f"all of it is found in {kept.run_id}"), emit):
            waits[kept.run_id] = spare.run_id
    failed = len(waits)
    for row in rows_in(folders):
        if row.run_id in waits or row.run_id in waits.values():
            continue
        failed += not _recovered(row, partial(_recover_one, home=folders[0], finish=finish, emit=emit), emit)
    for folder in folders[1:]:
        _bring_home(folder, folders[0], emit)
    return failed


def _distinct(folders: Sequence[Path]) -> list[Path]:
    """Folders that are there, each once, whatever other names it has."""
    found: list[Path] = []
    for folder in folders:
        if os.path.exists(folder) and not any(folder.samefile(other) for other in found):
            found.append(folder)
    return found


def _tell_of_others(folder: Path, emit: Emit) -> None:
    """Name what is called like a journal and is none."""
    ours = set(journals_in(folder))
    for path in sorted(set(folder.glob("*.journal")) - ours):
        what = "has no name that a recorder gives" if is_file(path) else "is a link, pipe, device or folder"
        text = f"{visible(path.name, 80)} in {folder} {what}, so no journal; left alone"
        emit({"event": "notice", "severity": "doubt", "code": "no-journal", "text": text})


def _recovered(row: Row, work: Callable[[Row], None], emit: Emit) -> bool:
    """Do something about a journal that nobody writes; False where it stays, which is told, for the next start."""
    if any(is_locked(segment) for segment in row.segments):
        return True
    try:
        work(row)
    except ChargebenchError as error:
        if not row.here or any(is_locked(segment) for segment in row.segments):
            return True
        tell_unsealed(row, error, emit)
        return False
    except OSError as error:
        text = f"{row.run_id} could not be sealed: {error.strerror or error}; tried again at the next start"
        emit({"event": "notice", "severity": "reject", "code": "not-sealed", "text": text})
        return False
    return True


def _recover_one(row: Row, home: Path, finish: Finish, emit: Emit) -> None:
    contents = {segment: read_journal(segment) for segment in row.segments}
    for segment, content in contents.items():
        if not content.records:
            set_aside(segment, emit)
    row = row._replace(segments=tuple(segment for segment, content in contents.items() if content.records))
    if not row.segments:
        return
    whole = joined([contents[segment] for segment in row.segments])
    if _is_empty(whole):
        _drop(row, emit, "cut short before anything had been read")
    elif _beginning_is_elsewhere(whole, row, home):
        text = f"{row.run_id}: its beginning is in {home_of(whole.header)[0]}, and it is sealed at a start there"
        emit({"event": "notice", "severity": "doubt", "code": "elsewhere", "text": text})
    else:
        _finished(row, finish, emit)


def _is_empty(content: JournalContent) -> bool:
    return bool(content.header) and not content.damaged and not content.of_instruments


def _beginning_is_elsewhere(content: JournalContent, row: Row, home: Path) -> bool:
    """Whether the first records are missing, and are perhaps in an archive that is not the one started in."""
    first = next((record.number for record in content.records if record.kind != "header"), 1)
    here = not home_of(content.header)[0] or _is_home(home, content.header)
    return first > wanted_of(content.header) and not here and not sealed_runs(row)


def _is_home(folder: Path, header: Mapping[str, Any]) -> bool:
    """Whether a folder is the archive that a journal names: of that path, or that folder itself, moved since."""
    path, number = home_of(header)
    if path == str(folder.resolve()):
        return True
    return number not in (0, _number(Path(path))) and number == _number(folder)


def _number(folder: Path) -> int:
    """Of a folder in its file system; 0 where it is not there."""
    try:
        return folder.stat().st_ino
    except OSError:
        return 0


def _finished(row: Row, finish: Finish, emit: Emit) -> None:
    try:
        answer = finish(row)
    except ChargebenchError as error:
        if not tell_if_sealed(row, str(error), emit):
            raise
        return
    outcome = answer["outcome"]
    kind = "recovered" if outcome.get("recovered") else "sealed"
    emit({"event": kind, "run": outcome["run"], "path": str(answer["path"])})
    emit(outcome)


def _drop(row: Row, emit: Emit, why: str) -> None:
    """Let go of a journal in which there is nothing to keep."""
    for segment in row.segments:
        with HeldJournal(segment):
            if os.name != "nt":
                remove(segment)
        if os.name == "nt":  # an open file cannot be removed there
            remove(segment)
    emit({"event": "discarded", "run": row.run_id, "text": why})


def tell_unsealed(row: Row, error: ChargebenchError, emit: Emit) -> None:
    """Say why a journal was not sealed; what trying again would not mend goes into quarantine at once."""
    if tell_if_sealed(row, str(error), emit):
        return
    hopeless = isinstance(error, UnsealableError)
    then = "" if hopeless else "; its journal is kept and sealed at the next start"
    text = f"{row.run_id} could not be sealed: {error}{then}"
    emit({"event": "notice", "severity": "reject", "code": "not-sealed", "text": text})
    if not hopeless:
        return
    for segment in filter(os.path.lexists, row.segments):
        try:
            quarantine(segment, "cannot be made a run", emit)
        except (ChargebenchError, OSError) as refused:
            text = f"{segment.name} stays where it is: {refused}"
            emit({"event": "notice", "severity": "reject", "code": "not-quarantined", "text": text})


def tell_if_sealed(row: Row, why: str, emit: Emit) -> bool:
    """Tell of a run that was sealed before something went wrong with its processing; False where it is not sealed."""
    sealed = [] if row.here else sealed_runs(row)
    if not sealed:
        return False
    emit({"event": "sealed", "run": sealed[0].stem, "path": str(sealed[0])})
    text = f"{sealed[0].stem} is sealed and not processed: {why}; `show` processes it anew"
    emit({"event": "notice", "severity": "doubt", "code": "not-processed", "text": text})
    return True


def _bring_home(folder: Path, home: Path, emit: Emit) -> None:
    """Move the runs of an archive that were recorded elsewhere into it; none that is there is replaced."""
    for path in sorted(folder.glob("*.h5")):
        if not (RUN_ID.fullmatch(path.stem) and is_regular(path)):
            continue
        try:
            data = path.read_bytes()
            header = journal_content(load_run_bytes(data, str(path)).journal).header
            if not _is_home(home, header):
                continue
            target = home / path.name
            for aside in leftovers(home, path.name):
                remove(aside)
            if not (is_regular(target) and target.read_bytes() == data):
                publish(target, data)
            remove(path)
        except (ChargebenchError, OSError) as error:
            text = f"{path.stem} stays in {folder}: {error}"
            emit({"event": "notice", "severity": "doubt", "code": "not-home", "text": text})
        else:
            text = f"{path.stem}, which was recorded in {folder}, is now in {home}"
            emit({"event": "notice", "severity": "note", "code": "came-home", "text": text})
