"""The folder in an archive for journals of which no run can be made: kept whole, out of the way, nothing replaced."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from chargebench.files import is_regular
from chargebench.recording.segments import HeldJournal, read_journal
from chargebench.runs.disk import own_folder, sync_folder

__all__ = ["QUARANTINE", "quarantine", "set_aside"]

QUARANTINE: Final = "quarantine"

Emit = Callable[[Mapping[str, Any]], None]


def quarantine(segment: Path, why: str, emit: Emit) -> None:
    """Move a segment out of the way, and say so.

    Raises
    ------
    JournalError
        When what bears the folder's name is a link, or no folder.
    OSError
        When it cannot be moved.
    """
    folder = own_folder(segment.parent, QUARANTINE)
    _move_aside(segment, folder)
    sync_folder(folder)
    sync_folder(segment.parent)
    text = f"{segment.name} {why}; it is kept in {folder}"
    emit({"event": "notice", "severity": "doubt", "code": "quarantined", "text": text})


def set_aside(segment: Path, emit: Emit) -> None:
    """Put a segment without a record out of the way, unless a recorder is only just beginning it; errors as above."""
    why = "holds no whole record: nothing had been recorded yet"
    with HeldJournal(segment):
        empty = not read_journal(segment).records
        if empty and os.name != "nt":
            quarantine(segment, why, emit)
    if empty and os.name == "nt":  # there an open file cannot be moved, whoever has it open
        with contextlib.suppress(PermissionError):
            quarantine(segment, why, emit)


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
