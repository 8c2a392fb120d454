"""What a recorder does at start about journals that earlier ones left behind.

Owns the rules: a locked journal is left alone; any other is sealed (see `chargebench.recording.seal`, which finds out
whether that was done already); one of which no run can be made goes into quarantine; none that holds a byte of an
instrument is ever deleted unsealed, except one of two where the recorder was stopped between writing the one and
letting go of the other: where all that one holds is found in the other, as after a move to another file, or where the
other begins with the last quiet stretch of one that only waited. While such a one cannot be removed, the other waits.
Other names, and links, pipes, devices and folders that are named like a journal, are told of and left alone.
Doing this twice, or being killed in the middle, changes nothing.
"""

from __future__ import annotations

import contextlib
import glob
import os
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from chargebench.bounded import JsonObject
from chargebench.errors import ChargebenchError, UnsealableError
from chargebench.files import is_regular
from chargebench.recording.disk import own_folder, remove, sync_file, sync_folder
from chargebench.recording.header import carries_of
from chargebench.recording.ids import RUN_ID, first_name
from chargebench.recording.journal import (
    HeldJournal,
    is_locked,
    journal_content,
    read_header,
    read_journal,
    write_journal,
)
from chargebench.recording.records import Record, fields_of
from chargebench.recording.seal import sealed_journal
from chargebench.runs.text import visible

__all__ = ["QUARANTINE", "abandoned", "fallback_folder", "journals_in", "recover", "tell_if_sealed"]

QUARANTINE = "quarantine"

Emit = Callable[[Mapping[str, Any]], None]
Finish = Callable[[Path], JsonObject]


def fallback_folder() -> Path:
    """Where recording goes on when the archive's disk fails: the user's own data folder."""
    from platformdirs import user_data_path

    return Path(user_data_path("chargebench", appauthor=False)) / "fallback"


def journals_in(folder: Path) -> list[Path]:
    """Journals in a folder, oldest first: files with a name that a recorder gives; none where no folder is there."""
    return [path for path in sorted(folder.glob("*.journal")) if RUN_ID.fullmatch(path.stem) and _is_file(path)]


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
    """Name what is called like a journal and is none."""
    ours = set(journals_in(folder))
    for path in sorted(set(folder.glob("*.journal")) - ours):
        what = "has no name that a recorder gives" if _is_file(path) else "is a link, pipe, device or folder"
        text = f"{visible(path.name, 80)} in {folder} {what}, so no journal; left alone"
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
    folders = _distinct(folders)
    for folder in folders:
        with contextlib.suppress(OSError):
            sync_folder(folder.parent)  # whoever made the folder may have been killed before that
        _tell_of_others(folder, emit)
    left = [journal for folder in folders for journal in abandoned(folder)]
    spare, unsure = _spare(folders)  # looked at later: what a recorder lets go of it has written elsewhere before
    left += [path for other in spare.values() for path in other.kept if _is_new(path, left)]
    left.sort(key=lambda journal: journal not in spare)  # these go first, while both are there to tell
    failed = 0
    for journal in left:
        still = [path.name for path, other in spare.items() if journal in other.kept and os.path.exists(path)]
        if still or journal in unsure:
            why = f"once {', '.join(still)} can be removed, which it has readings from" if still else unsure[journal]
            text = f"{journal.name} is sealed {why}"
            emit({"event": "notice", "severity": "reject", "code": "not-sealed", "text": text})
            failed += journal in unsure
            continue
        failed += not _recovered(journal, finish, emit, spare.get(journal))
    return failed


def _is_new(path: Path, left: Sequence[Path]) -> bool:
    """Whether it is a journal that was written here just now."""
    return path.suffix == ".journal" and path not in left and not is_locked(path)


def _distinct(folders: Sequence[Path]) -> list[Path]:
    """Folders that are there, each once, whatever other names it has."""
    found: list[Path] = []
    for folder in folders:
        if os.path.exists(folder) and not any(folder.samefile(other) for other in found):
            found.append(folder)
    return found


class _Spare(NamedTuple):
    """Why a journal can go, and the others, or the sealed runs, in which all that is wanted of it is found."""

    why: str
    kept: tuple[Path, ...]


def _spare(folders: Sequence[Path]) -> tuple[dict[Path, _Spare], dict[Path, str]]:
    """Journals of which nothing is wanted that is not found in others; and those of which that cannot be told now.

    Never two that need each other.
    """
    runs: dict[str, list[Path]] = {}
    for journal in (journal for folder in folders for journal in journals_in(folder)):
        runs.setdefault(first_name(journal.stem), []).append(journal)
    spare: dict[Path, _Spare] = {}
    unsure: dict[Path, str] = {}
    for name, journals in runs.items():
        found = (path for folder in folders for path in sorted(folder.glob(f"{glob.escape(name)}*.h5")))
        sealed = [path for path in found if first_name(path.stem) == name]
        try:
            if len(journals) > 1 or any(path != journals[0].with_suffix(".h5") for path in sealed):
                spare.update(_moved(journals, sealed))
        except (ChargebenchError, OSError) as error:
            unsure.update(dict.fromkeys(journals, f"once all that there is of its run can be read ({error})"))
    sure = [journal for journals in runs.values() for journal in journals if journal not in unsure]
    for new in (journal for journal in sure if journal not in spare):
        with contextlib.suppress(ChargebenchError):
            for old in runs.get(carries_of(read_header(new)), ()):
                if old != new and old not in spare:
                    spare.update(_followed(old, new))
    needed = {journal: other for journal, other in spare.items() if not any(path in spare for path in other.kept)}
    return needed, unsure


def _moved(journals: Sequence[Path], sealed: Sequence[Path]) -> Iterator[tuple[Path, _Spare]]:
    """Journals of one run all of which is found in longer ones, or in what was sealed of it.

    Of one that only in part is, which a move leaves where the old file could not be read, what is not is written anew
    and takes its place: no reading is then in two runs. A journal beside its own sealed file is for sealing to judge.

    Raises
    ------
    RunFileError, JournalError, OSError
        When one of them could not be read, or a new one not written.
    """
    contents = {path: journal_content(data).records for path in sealed if (data := sealed_journal(path)) is not None}
    contents |= {path: read_journal(path).records for path in journals}
    in_use = any(map(is_locked, journals))
    kept: list[Path] = []
    for path in sorted(contents, key=lambda path: (-len(contents[path]), path not in sealed)):
        records, known = contents[path], {record for other in kept for record in contents[other]}
        rest = [record for record in records if record not in known]
        in_part = any(record.kind == "raw" and record in known for record in records)
        if path in sealed or path.with_suffix(".h5") in sealed or not records:
            kept.append(path)
        elif not rest:
            yield path, _Spare(f"all of it is found in {_names(kept)}", tuple(kept))
        elif in_part and not in_use and records[0].kind == "header":
            new = write_journal(path.parent, path.stem, [records[0], *(record for record in rest if record.number)])
            contents[new] = tuple(rest)
            kept.append(new)
            yield path, _Spare(f"all of it is found in {_names(kept)}", tuple(kept))
        else:
            kept.append(path)


def _names(paths: Sequence[Path]) -> str:
    return " and ".join(map(str, paths))


def _followed(old: Path, new: Path) -> Iterator[tuple[Path, _Spare]]:
    """Of a journal that waited and one that says it begins with the last stretch of it, the one that can go, if any.

    The old one where it still waited and ends with the copies; the new one where it holds nothing else of instruments.
    """
    of_old, of_new = read_journal(old).records, read_journal(new).records
    received, copies = _received(of_old), _received(_copied(of_new))
    if copies and received[-len(copies) :] == copies and _waited(of_old):
        yield old, _Spare(f"its last stretch goes on in {new.stem}", (new,))
    elif set(_received(of_new)) <= set(received):
        yield new, _Spare(f"holds nothing but copies from {old.stem}", (old,))


def _received(records: Sequence[Record]) -> list[str]:
    """What came from instruments, with the times."""
    return [record.payload for record in records if record.kind == "raw"]


def _copied(records: Sequence[Record]) -> Sequence[Record]:
    """The copies that a journal begins with; none unless all are there, up to the clock record that ends them.

    A power cut may keep that record and lose what was written before it.
    """
    ends = (n for n, record in enumerate(records) if record.kind == "clock" and record.number == n)
    return records[: next(ends, 0)]


def _waited(records: Sequence[Record]) -> bool:
    """Whether a journal ends before a grind, or after one that came to nothing."""
    marks = (fields_of(record) for record in records if record.kind == "mark")
    states = [fields.get("text") for fields in marks if fields.get("kind") == "state"]
    return states[-1:] in ([], ["waiting"], ["armed"]) and records[-1].kind != "end"


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
            for kept in spare.kept:
                if kept.suffix == ".journal":
                    sync_file(kept)
            return _drop(journal, emit, spare.why)
        content = read_journal(journal)
        if not content.records:
            return _set_aside(journal, emit)
        if content.header and not content.damaged and all(record.kind != "raw" for record in content.records):
            return _drop(journal, emit, "cut short before anything had been read")
        answer = finish(journal)
    except ChargebenchError as error:
        return _failed(journal, error, emit)
    outcome = answer["outcome"]
    kind = "recovered" if outcome.get("recovered") else "sealed"
    emit({"event": kind, "run": outcome["run"], "path": str(answer["path"])})
    emit(outcome)
    return True


def _drop(journal: Path, emit: Emit, why: str) -> bool:
    """Let go of a journal in which there is nothing to keep."""
    with HeldJournal(journal):
        if os.name != "nt":
            remove(journal)
    if os.name == "nt":  # an open file cannot be removed there
        remove(journal)
    emit({"event": "discarded", "run": journal.stem, "text": why})
    return True


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


def _failed(journal: Path, error: ChargebenchError, emit: Emit) -> bool:
    """Say why; what trying again would not mend goes into quarantine. True where another process has the journal."""
    if tell_if_sealed(journal, str(error), emit) or not journal.exists() or is_locked(journal):
        return True
    text = f"{journal.name} could not be sealed: {error}"
    emit({"event": "notice", "severity": "reject", "code": "not-sealed", "text": text})
    if isinstance(error, UnsealableError):
        _quarantine(journal, "cannot be made a run", emit)
    return False


def tell_if_sealed(journal: Path, why: str, emit: Emit) -> bool:
    """Tell of a run that was sealed before something went wrong with its processing; False where it is not sealed."""
    path = journal.with_suffix(".h5")
    if journal.exists() or not path.exists():
        return False
    emit({"event": "sealed", "run": journal.stem, "path": str(path)})
    text = f"{journal.stem} is sealed and not processed: {why}; `show` processes it anew"
    emit({"event": "notice", "severity": "doubt", "code": "not-processed", "text": text})
    return True


def _quarantine(journal: Path, why: str, emit: Emit) -> None:
    """Move a journal out of the way; nothing there is replaced.

    Raises
    ------
    JournalError
        When what bears the folder's name is a link, or no folder.
    """
    folder = own_folder(journal.parent, QUARANTINE)
    _move_aside(journal, folder)
    sync_folder(folder)
    sync_folder(journal.parent)
    text = f"{journal.name} {why}; it is kept in {folder}"
    emit({"event": "notice", "severity": "doubt", "code": "quarantined", "text": text})


def _move_aside(path: Path, folder: Path) -> None:
    """Move a file into a folder; after a power cut it may be there under both names already."""
    kept, number = folder / path.name, 1
    while os.path.lexists(kept):
        if is_regular(kept) and kept.read_bytes() == path.read_bytes():
            path.unlink()
            return
        number += 1
        kept = folder / f"{path.stem}-{number}{path.suffix}"
    path.rename(kept)
